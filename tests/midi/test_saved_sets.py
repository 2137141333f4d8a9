"""The set list is saved while it is played: a whole one comes, and a bad one does not."""

from __future__ import annotations

from typing import Any

from tests.midi.players import Machine, Stage, until
from tests.midi.sets import DRUMS, PHRASE

DRUM = ("--program", "11", "--length", "48")

PLAYED = (
    DRUMS
    + """\
patterns:
  slack water: {length: 8, phrase: 2 passes}
  plank: {length: 8, phrase: 2 passes}
songs:
  - song: Slack water
    tempo: 150
    parts:
      - {pattern: slack water, on: drums, program: 12, phrases: 8}
      - {pattern: plank, on: drums, program: 13}
"""
)
# Another song comes first now. The pattern that runs has another name and is to last two phrases,
# and another program follows.
SAVED = (
    PLAYED.replace("slack water", "slack tide")
    .replace("phrases: 8", "phrases: 2")
    .replace("program: 13", "program: 14")
    .replace("songs:\n", "songs:\n  - song: Flood\n    parts: [{pattern: plank, on: drums}]\n")
)
SHORT = PLAYED.replace("phrases: 8", "phrases: 2")
BAD = SHORT.replace("send_before: 1 beat", "send_before: 1 bucket")


def keeps_place(stage: Stage, machine: Machine) -> dict[str, Any]:
    """One status; its tick and pass must be the machine's own, whatever number the part has."""
    before, status, after = machine.where(), stage.status(), machine.where()
    assert before["tick_in_part"] <= status["tick"] <= after["tick_in_part"]
    assert before["pass"] <= status["pass"] <= after["pass"]
    return status


def test_a_set_saved_in_a_phrase_comes_with_its_boundary_and_keeps_the_place(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(PLAYED)
    machine.do("start")
    machine.reach(6)
    stage.write(SAVED)
    seen = [stage.look()]

    def comes() -> bool:
        seen.append(stage.look())
        return seen[-1].pattern == "slack tide"

    until(comes, "the saved set list")
    # It was found whole between these two looks; a look may miss that if the boundary was near.
    told = [i for i, each in enumerate(seen) if "it comes with" in each.notice]
    whole = told[0] if told else len(seen) - 1
    found = range(seen[whole - 1].tick, seen[whole].tick + 1)
    # The last look at the old one lies before the boundary, the first at the new one after it.
    near = range(seen[-2].tick + 1, seen[-1].tick + 1)
    boundaries = [tick for tick in near if tick in {(t // PHRASE + 1) * PHRASE for t in found}]
    assert len(boundaries) == 1, (found, near)
    assert {(each.pattern, each.part, each.parts) for each in seen[:-1]} == {("slack water", 1, 2)}
    assert keeps_place(stage, machine)["part"] == 2
    took = machine.wait_for("took")
    end = max(2 * PHRASE, boundaries[0] + PHRASE)
    assert (took["program"], took["at_tick"]) == (13, end)
    assert keeps_place(stage, machine)["part"] == 3
    assert stage.status_when(sure=True)["parts"] == 3
    assert machine.messages == [[0xC9, 13]]


def test_a_bad_set_is_told_by_line_and_column_and_the_old_one_plays_on(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(SHORT)
    machine.do("start")
    machine.reach(6)
    stage.write(BAD)
    trouble = stage.look_when(lambda s: s.troubles != (), "the fault").troubles[0].text
    line = BAD[: BAD.index("1 bucket")].count("\n") + 1
    column = BAD.splitlines()[line - 1].index("1 bucket") + 1
    assert trouble.startswith(f"the set as it was plays on: tidewater.yaml:{line}:{column}: ")
    took = machine.wait_for("took")
    assert (took["program"], took["at_tick"]) == (12, 2 * PHRASE)
    assert keeps_place(stage, machine)["part"] == 2
    assert stage.status()["troubles"] == [trouble]
    # Put right in the editor, nothing is told any more.
    stage.write(SHORT)
    stage.status_when(troubles=[], sure=True)
    assert machine.messages == [[0xC9, 12]]
