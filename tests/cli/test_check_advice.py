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
        f"{late}: no faults; 1 song, 2 parts; 1 piece of advice",
        f"{late}:8:37: this step does not come up: it first plays on pass 16, and part 1 ends "
        "after pass 4; let a part last 8 phrases, or change the rule",
        f"{good}: no faults; 1 song, 2 parts",
    ]


def test_advice_as_json(program: Program) -> None:
    late = program.write("late.yaml", GOOD.replace("pass 4 of 4", "'fill, no fill'"))
    done = program.run("check", "--json", late)
    assert done.returncode == 0
    (advice,) = json.loads(done.stdout)["files"][0]["advice"]
    assert (advice["line"], advice["column"]) == (8, 37)
    assert advice["notice"] == "this step never plays: `fill` and `no fill` cannot both hold"
    assert advice["text"] == f"{advice['notice']}; {advice['better']}"
