"""Program changes over a real MIDI connection: once each, in time, whole, to the right place."""

from __future__ import annotations

import pytest

from tests.midi.players import Stage, agrees, until
from tests.midi.sets import (
    BEAT,
    DRUM,
    FIRST_END,
    FIRST_PASS,
    OPEN_PART,
    PAST_ALL,
    SECOND_END,
    SECOND_PASS,
    THREE_PARTS,
    TWO_INSTRUMENTS,
    WITH_BANK,
)

# Clocks from one look at the status to the next: often, but not so often that looking is all that
# the computer does.
LOOK_EVERY = 20
# Passes of four sixteenths, 24 clocks; the first two parts last one each.
AT_ONCE = (
    THREE_PARTS.replace("pattern end, send_before: 1 beat", "at once, send_before: 20 ms")
    .replace("length: 8\n    phrase: 2", "length: 4\n    phrase: 1", 1)
    .replace("length: 6\n    phrase: 4", "length: 4\n    phrase: 1")
    .replace("{1: always, 5: always, 8: pass 2 of 4}", "{1: always}")
    .replace("tempo: 150", "tempo: 60")
)
SLOW_FIRST_END, SLOW_SECOND_END = 24, 48


def test_each_change_comes_once_within_the_last_pass_before_its_boundary(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(THREE_PARTS)
    recorder = stage.recorder()
    machine.do("start")
    stage.status_when(state="running")
    parts = set()
    for tick in range(0, PAST_ALL, LOOK_EVERY):
        machine.reach(tick)
        status = agrees(stage, machine)
        assert status["sending"] is True
        parts.add(status["part"])
    assert parts == {1, 2, 3}
    machine.reach(PAST_ALL)
    first, second = recorder.programs
    assert (first["program"], second["program"]) == (12, 13)
    assert FIRST_END - FIRST_PASS <= first["tick"] < FIRST_END
    assert SECOND_END - SECOND_PASS <= second["tick"] < SECOND_END
    # The instrument itself took each of them at the boundary and nowhere else.
    assert [(e["program"], e["at_tick"]) for e in machine.of("took")] == [
        (12, FIRST_END),
        (13, SECOND_END),
    ]
    assert machine.messages == [[0xC9, 12], [0xC9, 13]]
    assert len(recorder.of("heard")) == 2


@pytest.mark.parametrize("lead", ["350 ms", pytest.param("3 steps", marks=pytest.mark.nightly)])
def test_a_change_is_taken_at_the_boundary_whatever_its_lead(stage: Stage, lead: str) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(THREE_PARTS.replace("send_before: 1 beat", f"send_before: {lead}"))
    machine.do("start")
    machine.wait_for("took", 2)
    assert [(e["program"], e["at_tick"]) for e in machine.of("took")] == [
        (12, FIRST_END),
        (13, SECOND_END),
    ]
    assert agrees(stage, machine)["part"] == 3


def test_a_lead_in_ms_lies_between_the_last_clock_and_that_of_the_boundary(stage: Stage) -> None:
    # A clock lasts 42 ms at 60 beats a minute: nearly half of one is 20 ms.
    machine = stage.drum("--program", "11", "--bpm", "60", "--at-once")
    stage.engine(AT_ONCE)
    recorder = stage.recorder()
    machine.do("start")
    machine.wait_for("took", 2)
    machine.reach(SLOW_SECOND_END + 2)
    assert [(e["bytes"], e["tick"]) for e in machine.of("heard")] == [
        ([0xC9, 12], SLOW_FIRST_END - 1),
        ([0xC9, 13], SLOW_SECOND_END - 1),
    ]
    # They left between the two, and not with the first of them.
    assert all(e["since_clock_ms"] > 10 for e in machine.of("heard"))
    # By a third party, too, they came after that clock and before the boundary's own.
    assert [(e["program"], e["tick"]) for e in recorder.of("heard")] == [
        (12, SLOW_FIRST_END - 1),
        (13, SLOW_SECOND_END - 1),
    ]
    stage.status_when(part=3, sure=True)


def test_a_bank_is_selected_before_the_program(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(WITH_BANK)
    recorder = stage.recorder()
    machine.do("start")
    took = machine.wait_for("took")
    # MIDI 1.0 Detailed Specification 4.2.1, Control Change, from memory: controller 0 holds the
    # high seven bits, 32 the low; 300 = 2 x 128 + 44.
    assert (took["program"], took["bank"], took["at_tick"]) == (12, 300, FIRST_END)
    assert machine.messages == [[0xB9, 0, 2], [0xB9, 32, 44], [0xC9, 12]]
    until(lambda: recorder.programs, "the recorder has heard it as well")
    kinds = [(e["type"], e.get("control"), e["channel"]) for e in recorder.of("heard")]
    assert kinds == [
        ("control_change", 0, 9),
        ("control_change", 32, 9),
        ("program_change", None, 9),
    ]


def test_two_instruments_get_what_is_theirs(stage: Stage) -> None:
    machine = stage.drum("--program", "11")
    sampler = stage.sampler()
    stage.engine(TWO_INSTRUMENTS)
    recorder = stage.recorder("--outputs", "2")
    machine.do("start")
    machine.reach(3 * FIRST_END)
    # Channel 10 and programs from 1 for the drums; channel 3 and programs from 0 for the sampler.
    assert machine.messages == [[0xC9, 12]]
    assert sampler.messages == [[0xC2, 7], [0xC2, 8]]
    assert machine.of("took")[0]["at_tick"] == FIRST_END
    by_channel = {
        channel: [e for e in recorder.programs if e["channel"] == channel] for channel in (2, 9)
    }
    (drum_change,) = by_channel[9]
    sampler_first, sampler_second = by_channel[2]
    assert FIRST_END - FIRST_PASS <= drum_change["tick"] < FIRST_END
    # The sampler changes at once: it is told next to the boundary, and after the drum machine,
    # which is told a beat ahead.
    assert abs(sampler_first["tick"] - FIRST_END) <= BEAT // 2
    assert abs(sampler_second["tick"] - 2 * FIRST_END) <= BEAT // 2
    order = [e["channel"] for e in recorder.programs]
    assert order == [9, 2, 2]
    assert len({e["port"] for e in recorder.programs}) == 2


def test_an_open_part_goes_on_until_the_performer_asks(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(OPEN_PART)
    screen = stage.screen()
    machine.do("start")
    screen.shows("slack water")
    machine.reach(2 * FIRST_END)
    assert machine.messages == []
    status = agrees(stage, machine)
    assert (status["part"], status["next_change"]) == (1, None)
    screen.press("n")
    took = machine.wait_for("took")
    # At the end of a phrase, two passes, and of no other pass.
    assert took["program"] == 12
    assert took["at_tick"] % FIRST_END == 0
    assert agrees(stage, machine)["part"] == 2
    assert machine.messages[0] == [0xC9, 12]


def test_without_sending_nothing_goes_out(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(THREE_PARTS, "--no-send")
    machine.do("start")
    assert stage.status_when(state="running")["sending"] is False
    machine.reach(FIRST_END + 2)
    assert stage.status()["sending"] is False
    assert machine.messages == []


def test_a_change_goes_only_to_the_output_that_was_asked_for(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    sampler = stage.sampler()
    stage.engine(THREE_PARTS.replace('port: "*drum*"', 'port: "*tide*"'), "--out", "*drum in*")
    machine.do("start")
    machine.wait_for("took", 2)
    assert machine.messages == [[0xC9, 12], [0xC9, 13]]
    assert sampler.messages == []


def test_a_stop_between_change_and_boundary_is_said_to_be_unsure(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(THREE_PARTS.replace("send_before: 1 beat", "send_before: 5 steps"))
    machine.do("start")
    machine.wait_for("heard")
    machine.do("stop")
    assert machine.of("took") == []
    stage.status_when(state="stopped")
    machine.do("continue")
    assert stage.status_when(state="running")["sure"] is False
    machine.wait_for("took")
    machine.reach(SECOND_END + 2)
    # Unsure, the engine leaves the second change to the performer.
    assert machine.messages == [[0xC9, 12]]
