"""Program changes: exactly once, inside the last pass before the boundary, and never otherwise."""

from __future__ import annotations

from dataclasses import replace

import pytest

from companion.follow.conductor import Outcome
from companion.setlist import ProgramChange, SetList, Span, Unit
from tests.builders import TICK_NS, Rehearsal, SetBuilder, ask, bar_pattern, three_parts

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


def held_up(on_stage: Rehearsal, ticks: int) -> Rehearsal:
    """The next tick is so many late, and what was sent meanwhile comes close behind."""
    on_stage.clock(every_ns=(ticks + 1) * TICK_NS).clock(ticks, every_ns=200_000)
    # And the next is on time.
    return on_stage.clock(every_ns=TICK_NS - ticks * 200_000)


@pytest.mark.parametrize(("ticks", "leaves"), [(5, True), (7, False), (23, False)])
def test_ticks_that_are_held_up_count_before_they_are_heard(ticks: int, leaves: bool) -> None:
    on_stage = Rehearsal(three_parts(Span(1, Unit.STEPS))).start().clock(183)
    # Six ticks ahead it is due, with the fourth that comes late: of those behind it some are left.
    held_up(on_stage, ticks)
    assert bool(on_stage.sent) is leaves
    on_stage.clock(20)
    assert on_stage.where == ((2, on_stage.clocks - 1 - 192) if leaves else (1, 203 + ticks + 1))


@pytest.mark.parametrize(("ticks", "leaves"), [(2, True), (3, True), (5, False)])
def test_told_late_an_instrument_that_changes_at_once_begins_late(ticks: int, leaves: bool) -> None:
    on_stage = Rehearsal(three_parts(Span(0, Unit.STEPS), at_once=True)).start().clock(192)
    held_up(on_stage, ticks)
    assert [at for at, _ in on_stage.sent] == [192] * leaves
    on_stage.clock(40)
    # Told after tick 192 + ticks, that is the first of its new pattern.
    assert on_stage.where == ((2, 41) if leaves else (1, 192 + ticks + 41))
    assert on_stage.conductor.sure


def test_nothing_leaves_when_sending_is_off() -> None:
    on_stage = Rehearsal(three_parts(), sends=False).start().clock(1000)
    assert on_stage.sent == []
    assert on_stage.where == (3, 1000 - 1 - 384)
    assert on_stage.conductor.standing().sure


def test_nothing_leaves_while_disarmed_and_the_part_changes_by_hand() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(10)
    ask(on_stage.conductor, "disarm")
    on_stage.clock(190)
    assert on_stage.sent == []
    assert on_stage.where == (2, 7)
    ask(on_stage.conductor, "arm")
    on_stage.clock(192)
    assert on_stage.programs == [3]


def test_arming_after_the_lead_sends_nothing_late() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(10)
    ask(on_stage.conductor, "disarm")
    on_stage.clock(172)
    # Ten ticks are left, less than half the lead: was it changed by hand? Nobody knows.
    ask(on_stage.conductor, "arm")
    on_stage.clock(18)
    assert on_stage.sent == []
    assert on_stage.where == (1, 199)
    assert on_stage.conductor.doubt == "drums may be on slack water or ebb line"


def test_armed_before_half_the_lead_the_change_leaves() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(10)
    ask(on_stage.conductor, "disarm")
    on_stage.clock(160)
    # Twenty-three ticks are left; changed by hand already or not, it is right.
    ask(on_stage.conductor, "arm")
    on_stage.clock(30)
    assert [(at, send.ticks_left) for at, send in on_stage.sent] == [(170, 22)]
    assert on_stage.where == (2, 7)
    assert on_stage.conductor.sure


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
    ask(on_stage.conductor, "confirm")
    on_stage.clock(192)
    assert on_stage.programs == [2]
    assert on_stage.conductor.standing().part.number == 2


def test_a_port_that_fails_holds_the_part_for_another_phrase() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(169)
    on_stage.fail(on_stage.sent[0][1])
    on_stage.clock(30)
    standing = on_stage.conductor.standing()
    assert (standing.part.number, standing.tick, standing.end) == (1, 198, 384)
    assert standing.sure
    assert standing.notice == NOT_SENT
    on_stage.clock(192)
    assert on_stage.programs == [2, 2]
    assert on_stage.where == (2, 6)


@pytest.mark.parametrize("lost", [1, 4, 20])
def test_what_falls_due_in_question_waits_but_not_past_half_its_lead(lost: int) -> None:
    # It is due at tick 168, a beat of 24 ticks before the end; so many ticks are lost before that.
    on_stage = Rehearsal(three_parts()).start().clock(168 - lost)
    on_stage.silence(lost * TICK_NS).clock(31)
    assert on_stage.conductor.sure
    assert [12 <= send.ticks_left <= 24 for _, send in on_stage.sent] == [True]
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
    on_stage.fail(on_stage.sent[1][1])
    on_stage.clock(10)
    assert on_stage.where == (2, 4)
    assert "sampler" in on_stage.conductor.standing().notice


def both_at_once(*, sampler_first: bool = False) -> SetList:
    """Both are told together, a beat before the end of a phrase of two bars."""
    drums, sampler = ProgramChange("drums", 2), ProgramChange("sampler", 7)
    setlist = (
        SetBuilder()
        .instrument("drums", channel=9, lead=Span(1, Unit.BEATS))
        .instrument("sampler", lead=Span(1, Unit.BEATS))
        .part(bar_pattern("slack water"), program=1)
        .part(bar_pattern("ebb line"), program=2, also=[sampler], phrases=None)
        .build()
    )
    changes = (sampler, drums) if sampler_first else (drums, sampler)
    second = replace(setlist.parts[1], changes=changes)
    return replace(setlist, parts=(setlist.parts[0], second))


@pytest.mark.parametrize("sampler_first", [False, True])
@pytest.mark.parametrize("fails", [["drums", "sampler"], ["sampler", "drums"], ["drums"]])
def test_where_its_own_change_fails_the_part_goes_on_whatever_becomes_of_the_others(
    sampler_first: bool, fails: list[str]
) -> None:
    """Seed 233.1: both ports refused, and with the second refusal the first counted as sent."""
    on_stage = Rehearsal(both_at_once(sampler_first=sampler_first)).start().clock(169)
    for name in fails:
        on_stage.fail(next(s for _, s in on_stage.sent if s.instrument == name))
    assert on_stage.clock(30).where == (1, 198)
    assert on_stage.conductor.sure
    assert on_stage.clock(192).where == (2, 6)
    # The port that took its message is not told again.
    assert sorted(on_stage.programs) == sorted([2, 2, 7, 7][: 2 + len(fails)])


@pytest.mark.parametrize("sampler_first", [False, True])
def test_another_instrument_that_fails_takes_nothing_back(sampler_first: bool) -> None:
    on_stage = Rehearsal(both_at_once(sampler_first=sampler_first)).start().clock(169)
    on_stage.fail(next(s for _, s in on_stage.sent if s.instrument == "sampler"))
    assert on_stage.clock(30).where == (2, 6)
    assert on_stage.conductor.sure
    assert sorted(on_stage.programs) == [2, 7]


def test_next_takes_effect_on_the_coming_phrase_boundary() -> None:
    setlist = (
        SetBuilder()
        .part(bar_pattern(), program=1, phrases=None)
        .part(bar_pattern("ebb line"), program=2)
        .build()
    )
    on_stage = Rehearsal(setlist).start().clock(500)
    assert on_stage.where == (1, 499)
    ask(on_stage.conductor, "next")
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
    ask(on_stage.conductor, "next")
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
    ask(on_stage.conductor, "next")
    assert on_stage.conductor.standing().end == 192
    ask(on_stage.conductor, "undo")
    assert on_stage.conductor.standing().end == 8 * 192
    on_stage.clock(200)
    assert on_stage.sent == []
    ask(on_stage.conductor, "next")
    on_stage.clock(384 - 300)
    ask(on_stage.conductor, "undo")
    assert on_stage.programs == [2]
    assert on_stage.clock(1).where == (2, 0)


def test_next_while_stopped_chooses_the_part_for_the_next_start() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(20).stop()
    sends = ask(on_stage.conductor, "next")
    assert [send.change.program for send in sends] == [2]
    assert on_stage.start().clock().where == (2, 0)


def test_next_while_stopped_does_not_send_what_is_out_already() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(180).stop()
    assert on_stage.programs == [2]
    assert ask(on_stage.conductor, "next") == ()


def test_a_jump_past_the_lead_sends_nothing_late() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(10).stop().position(31).go_on().clock(30)
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
