"""`companion forecast` and `companion map` as a user types them."""

from __future__ import annotations

import json
from math import lcm
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Program

# The example of the set-list contract, shortened.
SLACK = """\
set: Tidewater
patterns:
  slack water:
    phrase: 8 passes
    tracks:
      low drum:
        steps:
          1: always
          7: chance 60%
          16: pass 4 of 4
      shaker:
        length: 12
        steps:
          1: pass 1 of 5
          5: {rule: "pass 3 of 3, chance 50%", what: "reverse swell", watch: true}
          9: fill
songs:
  - song: Slack water
    tempo: 118
    parts:
      - pattern: slack water
        phrases: 2
        cues:
          - {at: start, mute: [shaker]}
          - {at: pass 5, unmute: shaker, warn: 2 bars}
          - {at: last 1 bar, fill: 1 bar}
"""


@pytest.fixture
def slack(program: Program) -> Path:
    return program.write("slack.yaml", SLACK)


def forecast(program: Program, path: Path, *words: str) -> dict[str, Any]:
    done = program.run("forecast", path, "--part", "1", "--json", *words)
    assert (done.returncode, done.stderr) == (0, "")
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found


def test_the_contracts_own_example(program: Program, slack: Path) -> None:
    found = forecast(program, slack, "--passes", "16")
    assert (found["part"], found["pattern"], found["ticks_per_pass"]) == (1, "slack water", 96)
    # Cycles of 4 passes of 96 clocks, and of 5 and 3 of 72: their common multiple in passes of 96.
    assert found["repeats_after"] == lcm(4 * 96, 5 * 72, 3 * 72) // 96
    events = found["events"]
    assert [e["tick"] for e in events] == sorted(e["tick"] for e in events)
    low = {
        "tick": 378, "kind": "step", "track": "low drum", "pass": 4, "step": 16,
        "chance": 1.0, "rare": True,
    }  # fmt: skip
    assert low in events
    assert {"tick": 384, "kind": "cue", "do": "unmute", "tracks": ["shaker"]} in events
    assert {"tick": 768, "kind": "phrase", "phrase": 2} in events
    # On the first of every five passes of 72 clocks (common practice, no source): 1, 6, 11, 16 ...
    first_of_five = [e for e in events if e["kind"] == "step" and e["step"] == 1]
    assert [e["pass"] for e in first_of_five] == [1, 6, 11, 16, 21]
    assert [e["tick"] for e in first_of_five] == [0, 360, 720, 1080, 1440]


def test_all_steps_and_fills(program: Program, slack: Path) -> None:
    rare = forecast(program, slack, "--passes", "4")["events"]
    every = forecast(program, slack, "--passes", "4", "--all")["events"]
    held = forecast(program, slack, "--passes", "4", "--fill")["events"]
    assert all(e["rare"] for e in rare if e["kind"] == "step")
    assert sum(e["kind"] == "step" and e["step"] == 7 for e in every) == 4
    assert {e["chance"] for e in every if e.get("step") == 7} == {0.6}
    assert not any(e.get("step") == 9 for e in every)
    assert [e["tick"] for e in held if e.get("step") == 9] == [48, 120, 192, 264, 336]


def test_a_repeat_of_any_size_is_an_integer(program: Program) -> None:
    steps = "".join(f"          {n}: pass 1 of {n}\n" for n in range(1, 129))
    text = (
        "set: Tidewater\npatterns:\n  deep:\n    length: 128\n    tracks:\n      bell:\n"
        f"        steps:\n{steps}"
        "songs:\n  - song: Deep\n    parts: [{pattern: deep}]\n"
    )
    path = program.write("deep.yaml", text)
    # lcm(1..128) has 56 digits (shared check value; computed here by Python's own lcm).
    assert forecast(program, path, "--passes", "2")["repeats_after"] == lcm(*range(1, 129))
    done = program.run("forecast", path, "--passes", "2")
    assert "a number of 56 digits" in done.stdout


def test_together(program: Program, slack: Path) -> None:
    # Pass 4 of 4 at 96 clocks, step 16, and pass 1 of 5 at 72 clocks, step 1: the tracks' passes
    # 1 + 5k begin at 360k; inside a pattern pass 4m, from 384m - 96, that is first k = 1 (360).
    done = program.run("forecast", slack, "--together", "low drum:16", "shaker:1", "--json")
    found = json.loads(done.stdout)["parts"][0]
    assert found["next"]["pass"] == 4
    assert [s["tick"] for s in found["next"]["steps"]] == [360, 378]
    said = program.run("forecast", slack, "--together", "low drum:16", "shaker:1").stdout
    assert "pass 4" in said


@pytest.mark.parametrize("word", ["low drum:2", "gong:1", "low drum", ":1"])
def test_together_with_a_step_that_is_not_there(program: Program, slack: Path, word: str) -> None:
    done = program.run("forecast", slack, "--part", "1", "--together", word)
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1


def test_together_with_a_step_that_no_part_has_tells_those_there_are(
    program: Program, slack: Path
) -> None:
    done = program.run("forecast", slack, "--together", "low drum:2")
    assert done.returncode == 1
    assert done.stderr.startswith("companion: low drum has no step 2 in the file; it has: ")


def test_from_a_pass_is_for_steps_together(program: Program, slack: Path) -> None:
    done = program.run("forecast", slack, "--from", "3")
    assert done.returncode == 2
    assert "add --together" in done.stderr
    together = ("--together", "low drum:16", "--json")
    found = json.loads(program.run("forecast", slack, "--from", "5", *together).stdout)
    assert found["parts"][0]["next"]["pass"] == 8


def test_a_part_that_is_not_there(program: Program, slack: Path) -> None:
    for command in ("forecast", "map"):
        done = program.run(command, slack, "--part", "9")
        assert done.returncode == 1
        assert "parts 1 to 1" in done.stderr


def test_a_picture_that_would_be_too_wide_is_refused_at_once(program: Program, slack: Path) -> None:
    target = program.folder / "map.svg"
    done = program.run("map", slack, "--passes", "100000", "-o", target)
    assert (done.returncode, done.stderr.count("\n")) == (1, 1)
    assert "at most 1900 passes" in done.stderr
    assert not target.exists()


def test_for_people(program: Program, slack: Path) -> None:
    said = program.run("forecast", slack).stdout
    assert "bar 4 beat 4, at 0:08: low drum, step 16" in said
    # 8 passes of 96 clocks hold three of the swell's passes (3, 6, 9): 1 - 0.5^3 = 87.5 %.
    assert "shaker, step 5: 88% to sound within a phrase" in said


def test_the_map_in_the_terminal_and_as_a_picture(program: Program, slack: Path) -> None:
    done = program.run("map", slack)
    assert "│···█···█│···█···█" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    target = program.folder / "map.svg"
    assert program.run("map", slack, "--part", "1", "-o", target).returncode == 0
    assert target.read_text().lstrip().startswith("<?xml")
    done = program.run("map", slack, "--part", "1", "-o", program.folder / "map.gif")
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1
