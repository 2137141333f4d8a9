"""A pad on a cable of its own asks for things; no clock is followed but the one that leads.

That is the drum machine's or, at home, the engine's own.
"""

from __future__ import annotations

from tests.midi.players import Stage, until
from tests.midi.sets import DRUM, LONG_FIRST_END, LONG_FIRST_PART

WITH_PAD = (
    LONG_FIRST_PART
    + """\
controls:
  - {press: {note: 60, port: "*pad*"}, wish: next}
  - {press: {note: 61, port: "*pad*"}, wish: disarm}
  - {press: {note: 62, port: "*pad*"}, wish: arm}
  - {press: {note: 63, port: "*pad*"}, wish: now}
"""
)
# The first part plays until somebody asks for the next.
AT_HOME = (
    WITH_PAD.replace("program: 12, phrases: 8", "program: 12")
    + """\
  - {press: {note: 64, port: "*pad*"}, wish: fill}
"""
)
# MIDI 1.0 Detailed Specification 4.2.1, from memory: clock, start, stop, and song position 0.
CLOCK, START, STOP, POSITION = (0xF8,), (0xFA,), (0xFC,), (0xF2, 0, 0)


def test_a_pad_that_sends_no_clock_steers_the_set(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    pad = stage.pad()
    stage.engine(WITH_PAD)
    machine.do("start")
    machine.reach(30)
    pad.hit(61)
    stage.status_when(sending=False)
    pad.hit(62)
    stage.status_when(sending=True)
    pad.hit(60)
    took = machine.wait_for("took")
    # A phrase is two passes of 48 clocks; the machine took the change where one of them ends.
    assert took["program"] == 12
    assert took["at_tick"] % 96 == 0
    assert took["at_tick"] < LONG_FIRST_END
    assert stage.status_when(part=2)["sure"]
    # The next pass of the plank, 36 clocks, is the first at which it can go on again.
    pad.hit(63)
    took = machine.wait_for("took", 2)
    assert (took["program"], stage.status_when(part=3)["sure"]) == (13, True)
    assert machine.messages == [[0xC9, 12], [0xC9, 13]]


def test_a_pad_that_is_plugged_in_later_is_heard_and_one_that_lacks_is_named(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(WITH_PAD)
    machine.do("start")
    until(lambda: any("*pad*" in each for each in stage.status()["troubles"]), "the pad is missed")
    pad = stage.pad()
    stage.status_when(troubles=[])
    pad.hit(61)
    stage.status_when(sending=False)
    assert stage.status()["clock"]["port"].startswith("tide drum")


def test_a_clock_from_a_pad_is_not_followed(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    pad = stage.pad()
    stage.engine(WITH_PAD)
    pad.send(0xFA)
    for _ in range(5):
        pad.send(0xF8)
    pad.hit(61)
    stage.status_when(sending=False, state="waiting")
    machine.do("start")
    machine.reach(20)
    assert stage.status()["clock"]["port"].startswith("tide drum")


def test_a_pad_steers_the_internal_clock_and_its_own_clock_is_ignored(stage: Stage) -> None:
    stage.engine(AT_HOME, "--internal-clock")
    until(lambda: any("*pad*" in each.text for each in stage.look().troubles), "the pad is missed")
    pad = stage.pad()
    before = stage.look_when(lambda s: s.state == "running" and not s.troubles, "the pad is there")
    for message in (STOP, POSITION, *(5 * [CLOCK]), START, STOP):
        pad.send(*message)
    pad.press(64)
    held = stage.look_when(lambda s: s.fill, "the press is heard")
    assert (held.state, held.clock_port, held.part) == ("running", "internal clock", 1)
    # A song position or a start would have counted from the beginning again.
    assert held.tick >= before.tick
    pad.let_go(64)
    stage.look_when(lambda s: not s.fill, "no fill is held")
    pad.hit(60)
    after = stage.look_when(lambda s: s.part == 2, "the next part")
    assert (after.state, after.sure, after.troubles) == ("running", True, ())


def test_beside_a_drum_machine_the_internal_clock_leads_and_presses_of_any_port_count(
    stage: Stage,
) -> None:
    machine = stage.drum(*DRUM)
    pad = stage.pad()
    stage.engine(AT_HOME.replace(', port: "*pad*"', ""), "--internal-clock")
    machine.do("start")
    machine.reach(30)
    machine.do("stop")
    seen = stage.look()
    assert (seen.state, seen.clock_port, seen.troubles) == ("running", "internal clock", ())
    pad.hit(60)
    stage.look_when(lambda s: s.part == 2, "the next part")
    assert machine.messages[0] == [0xC9, 12]
