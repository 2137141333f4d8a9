"""Program changes: exactly once, inside the last pass before the boundary, and never otherwise."""

from __future__ import annotations

import pytest

from companion.follow.changes import Outcome
from companion.follow.trust import CLOCK_ODD, CLOCK_WAS_LOST
from companion.setlist.model import ProgramChange, SetList, Span, Unit
from tests.builders import TICK_NS, Rehearsal, SetBuilder, bar_pattern, three_parts

NOT_SENT = "program 3 was not sent to drums: the part goes on for another phrase"


@pytest.mark.parametrize(
    ("lead", "ticks"),
    [
        # A sixteenth is 6 clocks, a quarter 24, a bar of 4/4 96 (MIDI 1.0 and common practice).
        (Span(1, Unit.STEPS), 6),
        (Span(1, Unit.BEATS), 24),
        (Span(3, Unit.BEATS), 72),
        (Span(1, Unit.BARS), 96),
        # At 120 beats a minute a clock lasts 20.83 ms: 100 ms are 4.8 clocks, so 5.
        (Span(100, Unit.MILLISECONDS), 5),
        (Span(1, Unit.MILLISECONDS), 1),
    ],
)
def test_a_change_leaves_its_lead_before_the_boundary(lead: Span, ticks: int) -> None:
    on_stage = Rehearsal(three_parts(lead)).start().clock(3 * 192)
    assert [(at, send.change.program) for at, send in on_stage.sent] == [
        (192 - ticks, 2),
        (384 - ticks, 3),
    ]
    assert [send.ticks_left for _, send in on_stage.sent] == [ticks, ticks]


@pytest.mark.parametrize(("bpm", "ticks"), [(60, 3), (120, 5), (240, 10)])
def test_a_lead_in_milliseconds_follows_the_tempo(bpm: int, ticks: int) -> None:
    every_ns = round(60e9 / (bpm * 24))
    on_stage = Rehearsal(three_parts(Span(100, Unit.MILLISECONDS)))
    on_stage.start().clock(200, every_ns=every_ns)
    assert [at for at, _ in on_stage.sent] == [192 - ticks]


def test_a_lead_longer_than_the_pass_is_kept_inside_it() -> None:
    # Common practice, no source: sent before the boundary that precedes, it is a pass too early.
    on_stage = Rehearsal(three_parts(Span(4, Unit.BARS))).start().clock(192)
    assert [at for at, _ in on_stage.sent] == [96]


def test_no_lead_would_be_a_pass_too_late_for_an_instrument_that_waits() -> None:
    on_stage = Rehearsal(three_parts(Span(0, Unit.STEPS))).start().clock(193)
    assert [at for at, _ in on_stage.sent] == [191]


def test_an_instrument_that_changes_at_once_may_be_told_on_the_boundary() -> None:
    on_stage = Rehearsal(three_parts(Span(0, Unit.STEPS), at_once=True)).start().clock(194)
    assert [at for at, _ in on_stage.sent] == [192]
    assert on_stage.where == (2, 1)


def test_nothing_leaves_when_sending_is_off() -> None:
    on_stage = Rehearsal(three_parts(), sends=False).start().clock(1000)
    assert on_stage.sent == []
    assert on_stage.where == (3, 1000 - 1 - 384)
    assert on_stage.conductor.standing().sure


def test_nothing_leaves_while_disarmed_and_the_part_changes_by_hand() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(10)
    on_stage.conductor.arm(False)
    on_stage.clock(190)
    assert on_stage.sent == []
    assert on_stage.where == (2, 7)
    on_stage.conductor.arm(True)
    on_stage.clock(192)
    assert on_stage.programs == [3]


def test_arming_after_the_lead_sends_nothing_late() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(10)
    on_stage.conductor.arm(False)
    on_stage.clock(170)
    on_stage.conductor.arm(True)
    on_stage.clock(20)
    assert on_stage.sent == []
    assert on_stage.where == (2, 7)


def test_nothing_leaves_while_unsure() -> None:
    on_stage = Rehearsal(three_parts()).clock(5).go_on().clock(2000)
    assert on_stage.sent == []


def test_an_instrument_that_was_not_told_is_not_said_to_have_changed() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(30).position(1).clock(190)
    standing = on_stage.conductor.standing()
    assert not standing.sure
    assert standing.part.number == 1
    assert standing.notice == NOT_SENT
    # Confirmed, it is told before the next phrase ends.
    on_stage.conductor.confirm()
    on_stage.clock(192)
    assert on_stage.programs == [2]
    assert on_stage.conductor.standing().part.number == 2


def test_a_port_that_fails_holds_the_part_for_another_phrase() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(169)
    on_stage.conductor.report(on_stage.sent[0][1], False)
    on_stage.clock(30)
    standing = on_stage.conductor.standing()
    assert (standing.part.number, standing.tick, standing.end) == (1, 198, 384)
    assert standing.sure
    assert standing.notice == NOT_SENT
    on_stage.clock(192)
    assert on_stage.programs == [2, 2]
    assert on_stage.where == (2, 6)


@pytest.mark.parametrize(("lost", "left"), [(1, range(13, 24)), (4, range(13, 24)), (20, None)])
def test_what_falls_due_in_question_waits_but_not_past_half_its_lead(
    lost: int, left: range | None
) -> None:
    # It is due at tick 168, a beat of 24 ticks before the end; so many ticks are lost before that.
    on_stage = Rehearsal(three_parts()).start().clock(168 - lost)
    on_stage.silence(lost * TICK_NS).clock(1)
    assert on_stage.conductor.doubt in (CLOCK_ODD, CLOCK_WAS_LOST)
    assert on_stage.sent == []
    on_stage.clock(30)
    assert on_stage.conductor.sure
    if left is None:
        assert on_stage.sent == []
        assert on_stage.where == (1, 198)
        assert on_stage.conductor.notice == NOT_SENT
    else:
        assert [send.ticks_left in left for _, send in on_stage.sent] == [True]
        assert on_stage.where == (2, 6)


def two_instruments() -> SetList:
    return (
        SetBuilder()
        .instrument("drums", channel=9)
        .instrument("sampler", at_once=True, lead=Span(1, Unit.STEPS))
        .part(bar_pattern("slack water"), program=1)
        .part(bar_pattern("ebb line"), program=2, also=[ProgramChange("sampler", 7)])
        .part(bar_pattern("neap"), on="sampler", program=8)
        .build()
    )


def test_two_instruments_each_get_their_own_at_their_own_lead() -> None:
    on_stage = Rehearsal(two_instruments()).start().clock(600)
    assert [(at, s.change.instrument, s.change.program) for at, s in on_stage.sent] == [
        (168, "drums", 2),
        (186, "sampler", 7),
        (378, "sampler", 8),
    ]


def test_a_failed_second_instrument_does_not_hold_the_first() -> None:
    on_stage = Rehearsal(two_instruments()).start().clock(187)
    on_stage.conductor.report(on_stage.sent[1][1], False)
    on_stage.clock(10)
    assert on_stage.where == (2, 4)
    assert "sampler" in on_stage.conductor.standing().notice


def test_next_takes_effect_on_the_coming_phrase_boundary() -> None:
    setlist = (
        SetBuilder()
        .part(bar_pattern(), program=1, phrases=None)
        .part(bar_pattern("ebb line"), program=2)
        .build()
    )
    on_stage = Rehearsal(setlist).start().clock(500)
    assert on_stage.where == (1, 499)
    on_stage.conductor.go_next()
    on_stage.clock(100)
    assert [at for at, _ in on_stage.sent] == [576 - 24]
    assert on_stage.where == (2, 23)


def test_next_in_the_last_beat_waits_for_a_boundary_it_can_still_announce() -> None:
    setlist = (
        SetBuilder()
        .part(bar_pattern(), program=1, phrases=None)
        .part(bar_pattern("ebb line"), program=2)
        .build()
    )
    on_stage = Rehearsal(setlist).start().clock(180)
    on_stage.conductor.go_next()
    assert on_stage.conductor.standing().end == 384
    on_stage.clock(300)
    assert [at for at, _ in on_stage.sent] == [384 - 24]


def test_next_can_be_taken_back_until_it_is_sent() -> None:
    long = (
        SetBuilder()
        .part(bar_pattern(), program=1, phrases=8)
        .part(bar_pattern("ebb line"), program=2)
        .build()
    )
    on_stage = Rehearsal(long).start().clock(100)
    on_stage.conductor.go_next()
    assert on_stage.conductor.standing().end == 192
    on_stage.conductor.take_back()
    assert on_stage.conductor.standing().end == 8 * 192
    on_stage.clock(200)
    assert on_stage.sent == []
    on_stage.conductor.go_next()
    on_stage.clock(384 - 300)
    on_stage.conductor.take_back()
    assert on_stage.programs == [2]
    assert on_stage.clock(1).where == (2, 0)


def test_next_while_stopped_chooses_the_part_for_the_next_start() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(20).stop()
    sends = on_stage.conductor.go_next()
    assert [send.change.program for send in sends] == [2]
    assert on_stage.start().clock().where == (2, 0)


def test_next_while_stopped_does_not_send_what_is_out_already() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(180).stop()
    assert on_stage.programs == [2]
    assert on_stage.conductor.go_next() == ()


def test_a_jump_past_the_lead_sends_nothing_late() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(10).stop().position(30).go_on().clock(30)
    assert on_stage.sent == []
    assert on_stage.conductor.standing().part.number == 1


def test_a_change_sent_before_stop_and_continue_is_not_sent_again() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(180).stop().clock(50).go_on().clock(20)
    assert on_stage.programs == [2]
    assert on_stage.conductor.standing().part.number == 2


def test_a_gap_across_the_lead_sends_nothing_late() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(160).silence(20 * TICK_NS)
    on_stage.clock(30)
    assert on_stage.sent == []


def test_outcomes_are_told() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(160)
    assert [p.outcome for p in on_stage.conductor.standing().pending] == [Outcome.OPEN]
    on_stage.clock(20)
    assert [p.outcome for p in on_stage.conductor.standing().pending] == [Outcome.SENT]


def test_a_lead_as_long_as_the_part_is_due_on_its_first_tick() -> None:
    builder = SetBuilder().instrument("drums", lead=Span(1, Unit.BARS))
    for program in range(4):
        builder.part(bar_pattern(f"tide {program}", phrase_bars=1), program=program)
    on_stage = Rehearsal(builder.build()).start().clock(400)
    assert [(at, send.change.program) for at, send in on_stage.sent] == [(0, 1), (96, 2), (192, 3)]
    assert on_stage.where == (4, 111)
