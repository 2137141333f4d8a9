"""Joined in the middle: the engine starts while the instrument plays, and finds its place by ear.

The instrument sends the notes that it plays and keeps its own count, which is the judge.
"""

from __future__ import annotations

import json

from tests.midi.players import Stage, agrees
from tests.midi.sets import BEAT, DRUMS, PASS

PASSES, STEP = 16, 6
# Which of sixteen passes it is, in the four steps of a binary number, and that on two tracks.
DIGITS = {2: (2, 1), 3: (4, 2), 6: (8, 4), 7: (16, 8)}


def rule(n: int, half: int) -> str:
    """The second half of every so many passes."""
    return f"pass {', '.join(str(k) for k in range(half + 1, n + 1))} of {n}"


STEPS = ", ".join(f'{step}: "{rule(*digit)}"' for step, digit in DIGITS.items())
SET = (
    DRUMS
    + f"""\
patterns:
  slack water:
    length: 8
    phrase: {PASSES} passes
    tracks:
      low drum: {{note: 36, steps: {{1: always, 5: always, {STEPS}}}}}
      shaker: {{note: 42, steps: {{1: always, 4: always, {STEPS}}}}}
  plank:
    length: 8
    phrase: 2 passes
    tracks:
      low drum: {{note: 36, steps: {{2: always, 4: always, 6: always}}}}
songs:
  - song: Slack water
    tempo: 150
    parts:
      - {{pattern: slack water, on: drums, program: 12, phrases: 1}}
      - {{pattern: plank, on: drums, program: 13}}
"""
)


def ticks_of(*always: int) -> list[int]:
    """The ticks of a track in its sixteen passes."""
    found = []
    for number in range(PASSES):
        steps = [*always]
        steps += [step for step, (n, half) in DIGITS.items() if number % n >= half]
        found += [number * PASS + (step - 1) * STEP for step in steps]
    return found


def test_started_in_the_middle_of_a_part_its_pass_is_heard_and_it_changes_at_the_end(
    stage: Stage,
) -> None:
    notes = {"11": {"36": ticks_of(1, 5), "42": ticks_of(1, 4)}, "12": {"36": [6, 18, 30]}}
    lengths = {"11": PASSES * PASS, "12": PASS}
    machine = stage.drum(
        "--program", "11", "--lengths", json.dumps(lengths), "--notes", json.dumps(notes)
    )
    machine.do("start")
    machine.reach(3 * PASS + 11)
    stage.engine(SET)
    seen = stage.look_when(
        lambda s: s.state == "running" and s.sure, "it is sure where the instrument is"
    )
    here = machine.where()["tick_in_part"]
    assert seen.part == 1
    assert here - 6 <= seen.tick <= here
    took = machine.wait_for("took")
    assert (took["program"], took["at_tick"]) == (12, PASSES * PASS)
    machine.reach(PASSES * PASS + BEAT)
    assert machine.messages == [[0xC9, 12]]
    assert agrees(stage, machine)["part"] == 2
