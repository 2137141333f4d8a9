"""`companion check` on sets that are allowed and probably not meant: advice, and status 0."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cli.conftest import GOOD, Program


def test_advice_alone_leaves_the_status_at_0(program: Program, good: Path) -> None:
    late = program.write("late.yaml", GOOD.replace("pass 4 of 4", "pass 16 of 16"))
    done = program.run("check", late, good)
    assert (done.returncode, done.stderr) == (0, "")
    # How long the patterns' cycles are is told in indented lines below.
    told = [line for line in done.stdout.splitlines() if not line.startswith(" ")]
    assert told == [
        f"{late}: no faults; 1 song, 2 parts, 0:04 and 1 open part; 1 piece of advice",
        f"{late}:8:37: this step does not come up: it first plays on pass 16, and part 1 ends "
        "after pass 4; let a part last 8 phrases, or change the rule",
        f"{good}: no faults; 1 song, 2 parts, 0:04 and 1 open part",
    ]


def test_patterns_longer_than_their_phrase_are_folded_for_people_and_not_for_programs(
    program: Program,
) -> None:
    # A phrase of GOOD is two passes.
    path = program.write("long.yaml", GOOD.replace("chance 50%", "pass 8 of 8"))
    done = program.run("check", path)
    assert done.stdout.splitlines()[1:3] == [
        "  Longer than their phrase (all but chance; see companion map). "
        "Pattern and phrases come round after:",
        "    phrase of 2 passes: `slack water` 4 passes and 2 phrases, `ebb line` 8 and 4",
    ]
    # What to do about it is said once, beneath.
    assert len(done.stdout.splitlines()) == 5
    assert "If phrases should be alike, give `phrase:`" in done.stdout
    told = json.loads(program.run("check", "--json", path).stdout)["files"][0]["advice"]
    assert [(advice["line"], advice["text"]) for advice in told][-2:] == [
        (
            5,
            "`slack water` repeats after 4 passes, its phrase is 2 passes: "
            "phrases differ, and come round after 2 phrases; leave it if that is meant; "
            "if phrases should be alike, write `phrase: 4 passes`",
        ),
        (
            9,
            "`ebb line` repeats after 8 passes, its phrase is 2 passes: "
            "phrases differ, and come round after 4 phrases; leave it if that is meant; "
            "if phrases should be alike, write `phrase: 8 passes`",
        ),
    ]


def test_advice_as_json(program: Program) -> None:
    late = program.write("late.yaml", GOOD.replace("pass 4 of 4", "'fill, no fill'"))
    done = program.run("check", "--json", late)
    assert done.returncode == 0
    (advice,) = json.loads(done.stdout)["files"][0]["advice"]
    assert (advice["line"], advice["column"]) == (8, 37)
    assert advice["notice"] == "this step never plays: `fill` and `no fill` cannot both hold"
    assert advice["text"] == f"{advice['notice']}; {advice['better']}"
