"""A pattern chosen on the instrument itself: the set goes along, and sends nothing after it."""

from __future__ import annotations

from companion.setlist import Instrument, ProgramChange, SetList, Span, Unit
from tests.builders import Rehearsal, SetBuilder, ask, bar_pattern

# A bar of 4/4 is 96 clocks, a beat 24 (MIDI 1.0, from memory); phrases are two bars.
BAR, BEAT, PHRASE = 96, 24, 192
PROGRAM = 0xC0 | 9


def tides(**drums: object) -> SetList:
    """Three parts on the drums, the third with a sampler that changes too."""
    builder = SetBuilder().instrument("drums", channel=9, port="*drum*", **drums)
    builder.instruments["sampler"] = Instrument("sampler", channel=2)
    return (
        builder.part(bar_pattern("slack water"), program=1, phrases=3)
        .part(bar_pattern("ebb line"), program=2)
        .part(
            bar_pattern("spring tide"),
            program=3,
            phrases=None,
            also=[ProgramChange("sampler", 7)],
        )
        .build()
    )


Played = Rehearsal


def test_the_set_goes_where_the_instrument_goes_and_tells_the_others() -> None:
    on_stage = Played(tides())
    on_stage.start().clock(11)
    on_stage.hear(PROGRAM, 3)
    standing = on_stage.conductor.standing()
    assert standing.notice == "drums goes to part 3 at the end of this pass"
    assert standing.end == BAR
    on_stage.clock(BAR)
    assert [(at, send.change.instrument) for at, send in on_stage.sent] == [(BAR - BEAT, "sampler")]
    assert on_stage.where == (3, 10)


def test_an_instrument_that_changes_at_once_is_there_with_the_next_clock() -> None:
    on_stage = Played(tides(at_once=True, lead=Span(1, Unit.STEPS)))
    on_stage.start().clock(50)
    on_stage.hear(PROGRAM, 2)
    on_stage.clock()
    assert on_stage.where == (2, 0)
    assert on_stage.sent == []


def test_chosen_by_hand_within_the_last_pass_the_planned_change_is_not_sent_again() -> None:
    on_stage = Played(tides())
    on_stage.start().clock(3 * PHRASE - BAR + 5)
    on_stage.hear(PROGRAM, 2)
    on_stage.clock(BAR)
    assert on_stage.sent == []
    assert on_stage.where == (2, 4)


def test_our_own_change_that_comes_back_moves_nothing() -> None:
    on_stage = Played(tides())
    on_stage.start().clock(3 * PHRASE - BEAT + 2)
    assert on_stage.programs == [2]
    on_stage.hear(PROGRAM, 2)
    on_stage.clock(BEAT)
    assert on_stage.where == (2, 1)
    on_stage.hear(PROGRAM, 2)
    on_stage.clock(BAR)
    assert on_stage.where == (2, BAR + 1)


def test_of_two_patterns_chosen_in_one_pass_the_latter_is_gone_to() -> None:
    on_stage = Played(tides())
    on_stage.start().clock(11)
    on_stage.hear(PROGRAM, 3)
    on_stage.hear(PROGRAM, 2)
    on_stage.clock(BAR)
    assert on_stage.where == (2, 10)
    assert on_stage.sent == []


def test_another_pattern_chosen_and_the_running_one_again_in_the_same_pass_moves_nothing() -> None:
    on_stage = Played(tides())
    on_stage.start().clock(11)
    ask(on_stage.conductor, "stay")
    on_stage.hear(PROGRAM, 3)
    on_stage.hear(PROGRAM, 2)
    on_stage.hear(PROGRAM, 1)
    assert on_stage.conductor.notice == "drums stays in this part"
    on_stage.clock(3 * PHRASE)
    assert on_stage.where == (1, 3 * PHRASE + 10)
    assert on_stage.sent == []
    # Asked to let it end, the part goes on as planned, and the instrument is told.
    ask(on_stage.conductor, "stay")
    on_stage.clock(PHRASE)
    assert on_stage.programs == [2]
    assert on_stage.where == (2, 10)


def test_the_planned_pattern_chosen_by_hand_and_given_up_again_is_sent_as_planned() -> None:
    on_stage = Played(tides())
    on_stage.start().clock(3 * PHRASE - BAR + 5)
    on_stage.hear(PROGRAM, 2)
    on_stage.hear(PROGRAM, 1)
    on_stage.clock(BAR)
    assert [at for at, _ in on_stage.sent] == [3 * PHRASE - BEAT]
    assert on_stage.where == (2, 4)


def test_the_program_that_plays_and_one_of_no_part_move_nothing() -> None:
    on_stage = Played(tides())
    on_stage.start().clock(11)
    on_stage.hear(PROGRAM, 1)
    assert on_stage.conductor.notice == ""
    on_stage.hear(PROGRAM, 99)
    assert on_stage.conductor.notice == "drums has program 100, and no part has it"
    assert on_stage.conductor.standing().end == 3 * PHRASE


def test_chosen_while_it_stands_still_it_is_the_part_for_the_next_start() -> None:
    on_stage = Played(tides())
    on_stage.start().clock(11).stop()
    on_stage.hear(PROGRAM, 2)
    assert on_stage.sent == []
    on_stage.start().clock(3)
    assert on_stage.where == (2, 2)
    assert on_stage.conductor.sure


def test_a_word_while_a_change_waits_for_its_time_is_weighed_before_it_leaves() -> None:
    on_stage = Played(tides(lead=Span(30, Unit.MILLISECONDS)))
    on_stage.start().clock(3 * PHRASE - 1)
    ((_, send),) = on_stage.sent
    assert send.at_ns > on_stage.now_ns
    # Another pattern is picked before the change has left: it does not leave any more.
    on_stage.hear(PROGRAM, 3)
    assert not on_stage.follower.keeps(send)
    on_stage.clock(2)
    assert on_stage.where == (3, 0)
    assert [each.change.instrument for _, each in on_stage.sent[1:]] == []


def test_the_running_pattern_chosen_anew_while_stopped_may_begin_at_its_top() -> None:
    on_stage = Played(tides())
    on_stage.start().clock(50).stop()
    on_stage.hear(PROGRAM, 1)
    on_stage.go_on().clock(3)
    assert not on_stage.conductor.sure
    on_stage.stop().start().clock(3)
    assert on_stage.where == (1, 2)
    assert on_stage.conductor.sure
