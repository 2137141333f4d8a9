"""`companion forecast` and `companion map` as a user types them."""

from __future__ import annotations

import json
from math import lcm
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Program

# The example of docs/setlist.md, shortened.
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


def test_the_manual_s_own_example(program: Program, slack: Path) -> None:
    found = forecast(program, slack, "--passes", "16")
    assert (found["part"], found["pattern"], found["ticks_per_pass"]) == (1, "slack water", 96)
    # Cycles of 4 passes of 96 clocks, and of 5 and 3 of 72: their common multiple in passes of 96.
    assert found["repeats_after"] == lcm(4 * 96, 5 * 72, 3 * 72) // 96
    # What scripts read: a name that changes breaks them.
    assert {
        *("part", "name", "pattern", "ticks_per_pass", "repeats_after"),
        *("within_phrase", "events", "layers"),
    } == {*found}
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
    # lcm(1..128) has 56 digits (computed here by Python's own lcm).
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


def test_together_tells_the_same_pass_from_the_same_tick(program: Program, slack: Path) -> None:
    def said(*steps: str) -> str:
        return program.run("forecast", slack, "--together", *steps).stdout

    # Step 16 of every fourth pass begins at tick 378 + 384i, step 1 of the shaker at 360k: 24
    # divides both periods and no difference of the two (378 = 18 modulo 24).
    assert "next sound on the same pass, pass 4, bar 4 beat 1" in said("low drum:16", "shaker:1")
    assert said("low drum:16", "shaker:1").rstrip().endswith("never on the same tick")
    # Every pass of 96 clocks and every fifth of 72: at tick 0, then at 1440 = lcm(96, 360).
    once = said("low drum:1", "shaker:1", "--from", "2")
    assert "on the same tick at bar 16 beat 1" in once


def test_what_a_cue_has_muted_is_marked(program: Program, slack: Path) -> None:
    said = program.run("forecast", slack).stdout
    assert "bar 1 beat 1, at 0:00: shaker, step 1 (muted), then every 15 beats" in said
    assert "bar 5 beat 1, at 0:08: reverse swell (shaker, step 5), chance 50%, then" in said
    events = forecast(program, slack)["events"]
    shaker = [e for e in events if e.get("track") == "shaker"]
    # The cue of the example unmutes it in pass 5, which begins at tick 384.
    assert [e.get("muted", False) for e in shaker] == [e["tick"] < 384 for e in shaker]


def test_without_all_a_part_fits_a_screen(program: Program) -> None:
    steps = "".join(f"          {n}: pass {n} of 17\n" for n in range(1, 17))
    tracks = "".join(f"      bell {n}:\n        steps:\n{steps}" for n in range(4))
    text = (
        f"set: Tidewater\npatterns:\n  deep:\n    tracks:\n{tracks}"
        "songs:\n  - song: Deep\n    parts: [{pattern: deep, phrases: 9}]\n"
    )
    path = program.write("deep.yaml", text)
    said = program.run("forecast", path).stdout.rstrip().splitlines()
    assert len(said) < 24
    assert said[-1] == "  and 47 more; see --all or --json, or fewer --passes"
    assert len(program.run("forecast", path, "--all").stdout.splitlines()) > 100


def test_the_map_says_what_a_rare_step_of_a_short_track_is(program: Program, slack: Path) -> None:
    said = program.run("map", slack).stdout
    assert "* at shaker: rare of its own passes" in said


BESIDE = """\
set: Tidewater
instruments: {box: {}, pads: {channel: 2}}
patterns:
  slack water: {phrase: 2 bars, tracks: {low drum: {steps: {1: always}}}}
  drone:
    length: 12
    tracks: {swell: {steps: {1: pass 3 of 5, 7: always}}, hum: {steps: {4: chance 20%}}}
songs:
  - song: Slack water
    tempo: 120
    on: box
    parts:
      - {pattern: slack water, program: 1, phrases: 2, with: [{pattern: drone, on: pads}]}
      - pattern: slack water
        phrases: 2
        with: [{pattern: drone, on: pads}]
        cues: [{at: bar 2, mute: hum on pads}]
  - song: Ebb
    tempo: 120
    on: box
    parts: [{pattern: slack water, program: 2, phrases: 4}]
"""
# The drone's pass is 12 sixteenths, 72 clocks; part 2 begins after four bars of 96.
BEGUN, DRONE = 384, 72


def test_a_layer_has_its_odds_within_the_part_s_phrase_and_is_muted_by_cues(
    program: Program,
) -> None:
    path = program.write("beside.yaml", BESIDE)
    done = program.run("forecast", path, "--part", "2", "--json")
    found = json.loads(done.stdout)
    hums = [DRONE * n + 3 * 6 - BEGUN for n in range(20)]
    heard = sum(0 <= at < 192 for at in hums)
    assert found["within_phrase"] == [
        {
            "layer": "drone",
            "on": "pads",
            "track": "hum",
            "step": 4,
            "chance": pytest.approx(1 - 0.8**heard),
        }
    ]
    events = [each for each in found["events"] if each.get("layer")]
    # From bar 2 on, at 96.
    assert {e["tick"]: e.get("muted", False) for e in events if e["track"] == "hum"} == {
        at: at >= 96 for at in hums if 0 <= at < 384
    }
    assert "hum on pads, step 4: " in program.run("forecast", path, "--part", "2").stdout


def test_a_map_has_what_plays_beside(program: Program) -> None:
    path = program.write("beside.yaml", BESIDE)
    found = json.loads(program.run("map", path, "--json", "--passes", "10").stdout)
    assert [len(part["layers"]) for part in found["parts"]] == [1, 1, 0]
    (layer,) = found["parts"][1]["layers"]
    began = BEGUN // DRONE + 1
    assert (layer["pattern"], layer["on"], layer["from_pass"]) == ("drone", "pads", began)
    rows = {(row["track"], row["step"]): row for row in layer["rows"]}
    # By the rule, on passes 3, 8, 13 of its own.
    assert rows["swell", 1]["from_pass"] == began
    assert rows["swell", 1]["chances"] == [float((began + n) % 5 == 3) for n in range(10)]
    assert rows["hum", 4]["chances"] == [pytest.approx(0.2)] * 10


def test_the_set_and_each_song_have_their_length(program: Program) -> None:
    path = program.write("beside.yaml", BESIDE)
    said = program.run("forecast", path).stdout
    # Eight bars of 4/4 at 120 beats a minute last 16 s, and so do the other eight.
    assert said.startswith("Tidewater: 2 songs, 0:32\n")
    assert "Song 1 of 2: Slack water, 0:16\n" in said
    assert "Song 2 of 2: Ebb, 0:16\n" in said
    checked = program.run("check", path).stdout.splitlines()
    assert checked[1] == "  Slack water 0:16; Ebb 0:16"
