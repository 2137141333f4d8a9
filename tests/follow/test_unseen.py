"""What the instrument did while nobody heard or could look: no count is sure of it."""

from __future__ import annotations

import pytest

from companion.counting import Pattern
from companion.follow.belief import WHICH_PART
from companion.follow.conductor import CLOCK_BROKE, CLOCK_ODD, JOINED
from companion.setlist import ProgramChange, SetList, Span, Unit
from tests.builders import TICK_NS, Rehearsal, SetBuilder, ask, bar_pattern, three_parts


def test_a_position_told_before_any_start_holds_until_the_next_clock() -> None:
    # It may play already, and tell where it is at each bar.
    rehearsal = Rehearsal(three_parts()).clock(5).position(4).clock(30).go_on().clock()
    assert rehearsal.conductor.doubt == JOINED
    stopped = Rehearsal(three_parts()).clock(5).position(4).clock(30).stop().go_on().clock()
    assert stopped.conductor.doubt == JOINED
    # Told and set going in one, or told once it is known to stand still, it is where it says.
    assert Rehearsal(three_parts()).clock(5).position(4).go_on().clock().where == (1, 24)
    assert Rehearsal(three_parts()).clock(5).position(4).go_on().clock().conductor.sure
    assert stopped.stop().clock(3).position(8).clock(3).go_on().clock().where == (1, 48)
    assert stopped.conductor.sure


def changed_by_hand(middle_ticks: int) -> SetList:
    """Three parts that nobody is told of, the middle one short."""
    middle = Pattern("eddy", length=middle_ticks // 6, phrase_ticks=middle_ticks)
    builder = SetBuilder().part(bar_pattern()).part(middle)
    return builder.part(bar_pattern("neap"), phrases=None).build()


def test_a_part_that_began_and_ended_unseen_may_not_have_been_changed_by_hand() -> None:
    rehearsal = Rehearsal(changed_by_hand(24)).start().clock(180)
    rehearsal.silence(59 * TICK_NS).clock(40)
    assert rehearsal.conductor.part.number == 3
    assert rehearsal.conductor.doubt == "drums may be on neap or eddy"
    # One boundary that was seen coming is crossed as planned.
    rehearsal = Rehearsal(changed_by_hand(96)).start().clock(180)
    rehearsal.silence(59 * TICK_NS).clock(40)
    assert rehearsal.conductor.part.number == 2
    assert rehearsal.conductor.sure


@pytest.mark.parametrize(("back", "sure"), [(30, True), (12, False), (4, False)])
def test_back_from_a_silence_too_short_before_the_end_nobody_knows_who_changed_it(
    back: int, sure: bool
) -> None:
    """Seed 68167.2: "was lost and came back" was on the screen up to the end, so nobody acted."""
    rehearsal = Rehearsal(three_parts(), sends=False).start().clock(96)
    rehearsal.silence((95 - back) * TICK_NS).clock(back + 30)
    assert rehearsal.where == (2, 28)
    assert rehearsal.conductor.sure is sure
    found = "" if sure else "drums may be on ebb line or slack water"
    assert rehearsal.conductor.doubt == found


def test_armed_again_in_a_silence_a_person_may_have_changed_the_pattern_before() -> None:
    rehearsal = Rehearsal(three_parts()).start().clock(150)
    ask(rehearsal.conductor, "disarm")
    ask(rehearsal.silence(20 * TICK_NS).conductor, "arm")
    rehearsal.silence(39 * TICK_NS).clock(40)
    # Nothing was sent in time, but then perhaps it was played in time.
    assert rehearsal.programs == []
    assert rehearsal.conductor.doubt == "drums may be on slack water or ebb line"


def test_armed_again_while_stopped_a_pattern_may_have_been_changed_by_hand_before() -> None:
    rehearsal = Rehearsal(three_parts()).start().clock(100)
    ask(rehearsal.conductor, "disarm")
    ask(rehearsal.clock(70).stop().conductor, "arm")
    assert rehearsal.start().clock().conductor.doubt == "drums may be on slack water or ebb line"
    rehearsal = Rehearsal(three_parts()).start().clock(100)
    ask(rehearsal.conductor, "disarm")
    ask(rehearsal.clock(70).stop().conductor, "arm")
    assert rehearsal.go_on().clock().conductor.doubt == "drums may be on slack water or ebb line"
    # In the pass before, nobody has touched it yet.
    rehearsal = Rehearsal(three_parts()).start().clock(50)
    ask(rehearsal.conductor, "disarm")
    ask(rehearsal.clock(20).stop().conductor, "arm")
    assert rehearsal.start().clock().conductor.sure


def test_armed_again_on_the_last_beat_a_change_that_fails_may_have_been_made_by_hand() -> None:
    at_once = three_parts(Span(0, Unit.STEPS), at_once=True)
    rehearsal = Rehearsal(at_once).start().clock(150)
    ask(rehearsal.conductor, "disarm")
    ask(rehearsal.clock(35).conductor, "arm")
    rehearsal.clock(8)
    ((_, send),) = rehearsal.sent
    rehearsal.fail(send)
    assert rehearsal.conductor.part.number == 1
    assert rehearsal.conductor.doubt == "drums may be on slack water or ebb line"


def test_disarmed_behind_a_change_that_failed_nobody_knows_who_changes_it() -> None:
    """Seed 66103.1: it was said that the change did not leave, and then taken for made by hand."""
    rehearsal = Rehearsal(three_parts(Span(4, Unit.BEATS))).start().clock(100)
    ((_, send),) = rehearsal.sent
    ask(rehearsal.fail(send).conductor, "disarm")
    assert rehearsal.clock(92).conductor.sure
    assert rehearsal.clock(3).where == (1, 194)
    assert rehearsal.conductor.doubt == "drums may be on slack water or ebb line"


def test_put_right_on_the_last_beat_of_a_part_nobody_knows_who_changes_it() -> None:
    rehearsal = Rehearsal(changed_by_hand(96)).start().clock(185)
    rehearsal.conductor.suspect(CLOCK_BROKE)
    ask(rehearsal.conductor, "confirm")
    assert rehearsal.clock(7).conductor.sure
    assert rehearsal.clock().where == (2, 0)
    assert rehearsal.conductor.doubt == "drums may be on eddy or slack water"


def test_a_tick_lost_just_after_a_position_told_while_playing_is_noticed() -> None:
    rehearsal = Rehearsal(three_parts()).start().clock(100).position(8)
    ask(rehearsal.conductor, "confirm")
    rehearsal.clock(every_ns=2 * TICK_NS)
    assert rehearsal.conductor.doubt == CLOCK_ODD
    # The lost one was the tick of that position.
    assert rehearsal.clock(20).where == (1, 48 + 21)
    assert rehearsal.conductor.sure


def test_a_reset_of_a_stopped_instrument_undoes_the_part_that_was_chosen() -> None:
    rehearsal = Rehearsal(three_parts()).start().clock(50).stop()
    ask(rehearsal.conductor, "next")
    rehearsal.hear(0xFF)
    assert rehearsal.start().clock().conductor.doubt == WHICH_PART


def test_a_change_on_the_boundary_that_fails_takes_none_for_the_next_with_it() -> None:
    # The sampler's lead is as long as the second part.
    change = ProgramChange("sampler", 7)
    two = bar_pattern("ebb line", phrase_bars=1)
    setlist = (
        SetBuilder()
        .instrument("drums", lead=Span(0, Unit.STEPS), at_once=True)
        .instrument("sampler", lead=Span(1, Unit.BARS))
        .part(bar_pattern(), program=1)
        .part(two, program=2)
        .part(bar_pattern("neap"), program=3, phrases=None, also=[change])
        .build()
    )
    rehearsal = Rehearsal(setlist).start().clock(193)
    assert rehearsal.programs == [2]
    rehearsal.fail(rehearsal.sent[0][1])
    assert rehearsal.conductor.notice == (
        "program 3 was not sent to drums: the part goes on for another phrase"
    )
    assert rehearsal.clock(3).programs == [2]
    # Where it does not fail, the sampler is told a tick later.
    rehearsal = Rehearsal(setlist).start().clock(194)
    assert rehearsal.programs == [2, 7]


def test_a_jump_past_a_boundary_in_the_same_part_does_not_send_again_what_is_out() -> None:
    change = ProgramChange("sampler", 7)
    setlist = (
        SetBuilder()
        .instrument("sampler", lead=Span(1, Unit.BARS))
        .part(bar_pattern(phrase_bars=4), program=1)
        .part(bar_pattern("neap"), program=2, phrases=None, also=[change])
        .build()
    )
    rehearsal = Rehearsal(setlist).start().clock(80)
    ask(rehearsal.conductor, "next pass")
    rehearsal.clock(20)
    assert rehearsal.programs == [7]
    rehearsal.stop().position(40).go_on().clock()
    ask(rehearsal.conductor, "confirm")
    assert rehearsal.clock(384 - 240).where == (2, 0)
    assert rehearsal.programs == [7, 2]


def test_what_an_open_part_was_told_to_leave_for_ends_it_after_a_jump_too() -> None:
    # A part without an end has one from the wish alone; the jump goes past that.
    setlist = (
        SetBuilder()
        .part(bar_pattern(phrase_bars=4), program=1, phrases=None)
        .part(bar_pattern("neap"), program=2, phrases=None)
        .build()
    )
    rehearsal = Rehearsal(setlist).start().clock(30)
    rehearsal.sent += [(rehearsal.clocks, send) for send in ask(rehearsal.conductor, "now")]
    assert rehearsal.programs == [2]
    rehearsal.stop().position(40).go_on().clock()
    ask(rehearsal.conductor, "confirm")
    # Ticks 240 to 287 are the third pass; at its end the instrument takes what it was told.
    assert rehearsal.where == (1, 240)
    assert rehearsal.clock(48).where == (2, 0)
    assert rehearsal.programs == [2]
