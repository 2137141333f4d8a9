"""Mutes over a real MIDI connection: on the tick of their cue, and only where the set asks."""

from __future__ import annotations

from tests.midi.players import Stage, until
from tests.midi.sets import DRUM, FIRST_END, FIRST_PASS, THREE_PARTS

WITH_MUTES = THREE_PARTS.replace(
    "    channel: 10\n", "    channel: 10\n    send_mutes: {low drum: {controller: 21}}\n"
).replace(
    "program: 12, phrases: 1",
    "program: 12, phrases: 1, cues: [{at: pass 2, mute: low drum}, {at: end, unmute: low drum}]",
)


def test_a_mute_leaves_on_the_tick_of_its_cue(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(WITH_MUTES)
    recorder = stage.recorder()
    machine.do("start")
    machine.reach(FIRST_END + FIRST_PASS)
    mutes = until(
        lambda: [e for e in recorder.of("heard") if e["type"] == "control_change"],
        "a mute goes out",
    )
    assert [(e["channel"], e["control"], e["value"]) for e in mutes] == [(9, 21, 127), (9, 21, 0)]
    # It leaves upon the tick, and the recorder may hear it before or after the one that follows.
    for mute, tick in zip(mutes, (FIRST_PASS, FIRST_END), strict=True):
        assert 0 <= mute["tick"] - tick <= 1
