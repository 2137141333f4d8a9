"""A cable with anything on it: the clock is followed all the same, and changes leave in time."""

from __future__ import annotations

import time

from tests.midi.players import Stage, agrees, until
from tests.midi.sets import DRUMS, FIRST_END, FIRST_PASS, LONG_FIRST_PART, OPEN_PART

LOOKS, EVERY_S = 200, 0.1
# Ticks from one clock to the next; a JACK period of 64 frames at 48 kHz is 0.08 of a tick here.
IN_TIME = 1.16
PARTS = 14
MANY_PARTS = (
    DRUMS
    + """\
patterns:
  slack water: {length: 8, phrase: 2 passes, tracks: {low drum: {steps: {1: always}}}}
songs:
  - song: Slack water
    tempo: 150
    parts:
"""
    + "".join(
        f"      - {{pattern: slack water, on: drums, program: {12 + n % 2}, phrases: 1}}\n"
        for n in range(PARTS)
    )
    + "      - {pattern: slack water, on: drums, program: 20}\n"
)


def test_beside_sysex_controllers_and_active_sensing_it_is_sure_and_each_change_in_time(
    stage: Stage,
) -> None:
    machine = stage.drum("--program", "11", "--chatter")
    stage.engine(MANY_PARTS)
    machine.do("start")
    # A clock never heard before is unsure for its first three ticks, whatever is beside it.
    machine.reach(4)
    stage.look_when(lambda look: look.state == "running", "running")
    began, chatted = time.monotonic(), machine.where()["chatted"]
    unsure = []
    for number in range(LOOKS):
        time.sleep(max(0.0, began + number * EVERY_S - time.monotonic()))
        look = stage.look()
        if not look.sure:
            unsure.append((number, look.tick, look.doubt))
    seconds = time.monotonic() - began
    rate = {
        what: (count - chatted[what]) / seconds
        for what, count in machine.where()["chatted"].items()
    }
    assert rate["sysex"] > 1.8
    assert rate["controller"] > 270
    # All of them, where the clock itself came in time. A tick that a busy machine held up is looked
    # into for as long, chatter or none.
    assert len(unsure) <= (LOOKS // 50 if stage.longest() > IN_TIME else 0), unsure
    machine.reach(PARTS * FIRST_END + 2)
    heard = [e for e in machine.of("heard") if e["bytes"][0] == 0xC9]
    assert len(heard) == PARTS
    for number, change in enumerate(heard, start=1):
        assert number * FIRST_END - FIRST_PASS <= change["tick"] < number * FIRST_END
    assert [e["at_tick"] for e in machine.of("took")] == [
        number * FIRST_END for number in range(1, PARTS + 1)
    ]
    agrees(stage, machine)


def test_a_sysex_that_never_ends_costs_a_moment_and_not_the_night(stage: Stage) -> None:
    machine = stage.drum("--program", "11")
    # Another clock, which ticks on all the while and is nothing to us.
    other = stage.sampler("--idle-clock", "--bpm", "97")
    # A part without end: how long JACK keeps each client deaf differs from machine to machine.
    stage.engine(OPEN_PART, "--in", "*out*")
    machine.do("start")
    other.do("start")
    stage.look_when(lambda look: look.state == "running" and look.sure, "sure")
    # Twice, for there are two clients to be deafened; and once more.
    for _ in range(3):
        # Long enough to know its tempo, which is what the silence is counted by.
        machine.reach(machine.where()["tick"] + 96)
        machine.do("send", bytes=[0xF0, 0x7D, 0x01])
        stage.look_when(lambda look: look.state == "lost", "deaf")
        stage.look_when(lambda look: look.state == "running", "it hears again")
        machine.reach(machine.where()["tick"] + 48)
        # Its ticks are counted on. Where JACK took long somebody may have stopped it or chosen
        # another pattern meanwhile: the screen says what to press, and that settles it.
        look = stage.look_when(lambda look: look.sure or "press c" in look.help, "what to press")
        if not look.sure:
            assert stage.run("tell", "confirm").returncode == 0
            stage.look_when(lambda look: look.sure, "sure")
        agrees(stage, machine)


def test_a_clock_inside_a_sysex_counts(stage: Stage) -> None:
    machine = stage.drum("--program", "11")
    stage.engine(LONG_FIRST_PART)
    machine.do("start")
    machine.reach(30)
    stage.look_when(lambda look: look.sure, "sure")
    # MIDI 1.0: real-time bytes may fall inside any message. The driver keeps what comes between the
    # beginning and the end to itself until then.
    for _ in range(4):
        machine.do("send", bytes=[0xF0, 0x7D, 0x01])
        machine.reach(machine.where()["tick"] + 2)
        machine.do("send", bytes=[0x02, 0xF7])
        machine.reach(machine.where()["tick"] + 24)
    until(lambda: stage.look().sure, "sure")
    agrees(stage, machine)
