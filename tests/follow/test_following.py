"""Rehearsals: given this set, the instrument starts, and after so many clocks we are here."""

from __future__ import annotations

import pytest

from companion.follow.conductor import CLOCK_LOST, ELSEWHERE, JOINED
from companion.follow.transport import State
from tests.builders import (
    TICK_NS,
    Rehearsal,
    SetBuilder,
    ask,
    bar_pattern,
    three_parts,
    waltz_pattern,
)


def test_the_first_clock_after_start_is_tick_0() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1, from memory.
    on_stage = Rehearsal(three_parts()).start()
    assert on_stage.conductor.state is State.RUNNING
    assert on_stage.where == (1, 0)
    assert on_stage.clock().where == (1, 0)
    assert on_stage.clock().where == (1, 1)


def test_a_bar_of_four_four_is_96_clocks() -> None:
    # 24 clocks to the quarter note (MIDI 1.0, from memory), four quarters to the bar.
    on_stage = Rehearsal(three_parts()).start().clock(96 + 1)
    assert on_stage.where == (1, 96)


def test_parts_follow_each_other_on_their_boundaries() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(192)
    assert on_stage.where == (1, 191)
    assert on_stage.clock().where == (2, 0)
    assert on_stage.clock(192).where == (3, 0)
    assert on_stage.conductor.standing().sure


def test_the_last_part_goes_on_for_ever() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(2 * 192 + 10_000)
    assert on_stage.where == (3, 9_999)


def test_clocks_while_stopped_do_not_move_the_position() -> None:
    # MIDI 1.0 (from memory): clocks may run while stopped.
    on_stage = Rehearsal(three_parts()).start().clock(50).stop().clock(500)
    assert on_stage.where == (1, 49)
    assert on_stage.go_on().clock().where == (1, 50)
    assert on_stage.conductor.standing().sure


def test_clocks_before_any_start_only_make_ready() -> None:
    on_stage = Rehearsal(three_parts()).clock(100)
    standing = on_stage.conductor.standing()
    assert standing.state is State.READY
    assert not standing.sure
    assert standing.doubt == JOINED
    assert on_stage.where == (1, 0)
    on_stage.start().clock()
    assert on_stage.where == (1, 0)
    assert on_stage.conductor.standing().sure


def test_continue_without_a_known_position_is_unsure() -> None:
    on_stage = Rehearsal(three_parts()).clock(10).go_on().clock(5)
    standing = on_stage.conductor.standing()
    assert standing.state is State.RUNNING
    assert not standing.sure
    assert standing.doubt == JOINED
    assert on_stage.where == (1, 4)
    # Through the lead and over the boundary nothing leaves.
    assert on_stage.clock(200).programs == []


def test_song_position_counts_sixteenths_of_six_clocks() -> None:
    # MIDI 1.0: song position in MIDI beats of 6 clocks; continue resumes there at the next clock.
    on_stage = Rehearsal(three_parts()).start().clock(3).stop().position(20)
    assert on_stage.where == (1, 120)
    assert on_stage.go_on().clock().where == (1, 120)
    assert on_stage.clock().where == (1, 121)
    assert on_stage.conductor.standing().sure


def test_song_position_before_any_start_makes_continue_sure() -> None:
    on_stage = Rehearsal(three_parts()).clock(7).position(2).go_on().clock(1)
    assert on_stage.where == (1, 12)
    assert on_stage.conductor.standing().sure


def test_song_position_beyond_the_part_is_another_part_and_unsure() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(3).stop().position(32 + 4).go_on().clock()
    assert on_stage.where == (2, 24)
    assert on_stage.conductor.standing().doubt == ELSEWHERE
    assert on_stage.clock(300).programs == []


def test_song_position_back_into_an_earlier_part() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(200).stop().position(0).go_on().clock()
    assert on_stage.where == (1, 0)
    assert not on_stage.conductor.standing().sure


def test_song_position_that_repeats_the_count_while_running_changes_nothing() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(24).position(4).clock()
    assert on_stage.where == (1, 24)
    assert on_stage.conductor.standing().sure


def test_song_position_elsewhere_while_running_moves_and_is_unsure() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(24).position(12).clock()
    assert on_stage.where == (1, 72)
    assert not on_stage.conductor.standing().sure


def test_start_begins_the_part_again_not_the_set() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(192 + 30).stop().start().clock()
    assert on_stage.where == (2, 0)
    on_stage.clock(10).start().clock()
    assert on_stage.where == (2, 0)
    assert on_stage.conductor.standing().sure


@pytest.mark.parametrize(
    "stray",
    [
        *[(0xFE,), (0x90, 36, 100), (0xB0, 1, 2), (0xF1, 3), (0xF9,), (0xFD,)],
        # A system exclusive, one that was cut off, and other halves of messages.
        *[(0xF0, 0x7D, 1, 0xF7), (0xF0, 0x7D), (0x90,), (5,), ()],
    ],
)
def test_stray_messages_move_nothing(stray: tuple[int, ...]) -> None:
    on_stage = Rehearsal(three_parts()).start().clock(33)
    before = on_stage.conductor.standing()
    on_stage.hear(*stray)
    assert on_stage.conductor.standing() == before
    assert on_stage.clock().where == (1, 33)
    assert on_stage.conductor.sure


def test_a_second_stop_and_a_second_continue_move_nothing() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(33).stop().stop().clock(4).go_on().go_on()
    assert on_stage.clock().where == (1, 33)
    assert on_stage.conductor.standing().sure


def test_reset_forgets_the_position() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(250)
    on_stage.hear(0xFF)
    assert on_stage.conductor.state is State.WAITING
    assert on_stage.where == (2, 0)


def test_silence_of_a_quarter_beat_is_a_lost_clock() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(97)
    on_stage.silence(5 * TICK_NS)
    assert on_stage.conductor.state is State.RUNNING
    on_stage.silence(2 * TICK_NS)
    standing = on_stage.conductor.standing()
    assert standing.state is State.LOST
    assert not standing.sure
    assert on_stage.follower.clocks_lost == 1


def test_silence_while_stopped_loses_nothing() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(97).stop().silence(5_000_000_000)
    assert on_stage.conductor.state is State.STOPPED
    assert on_stage.go_on().clock().where == (1, 97)
    assert on_stage.conductor.standing().sure


def test_a_clock_that_never_started_and_falls_silent_is_waited_for_again() -> None:
    on_stage = Rehearsal(three_parts()).clock(48).silence(1_000_000_000)
    assert on_stage.conductor.state is State.WAITING


def test_active_sensing_that_ceases_is_a_lost_line() -> None:
    # MIDI 1.0: once seen, at least every 300 ms. The tempo is so slow that silence alone, five
    # ticks of 75 ms, would not tell yet.
    on_stage = Rehearsal(three_parts()).start().clock(40, every_ns=75_000_000)
    on_stage.hear(0xFE)
    on_stage.silence(320_000_000)
    assert on_stage.conductor.state is State.RUNNING
    on_stage.silence(30_000_000)
    assert on_stage.conductor.state is State.LOST
    assert on_stage.conductor.doubt == CLOCK_LOST


def test_the_first_port_that_leads_is_followed_and_another_clock_ignored() -> None:
    on_stage = Rehearsal(three_parts()).start()
    for _ in range(96):
        on_stage.clock()
        on_stage.hear(0xF8, port="other")
        for status in (0xFA, 0xFB, 0xFF):
            on_stage.hear(status, port="other")
    on_stage.hear(0xF2, 4, 0, port="other")
    on_stage.hear(0xFC, port="other")
    assert on_stage.where == (1, 95)
    assert on_stage.conductor.sure
    assert on_stage.conductor.state is State.RUNNING
    assert on_stage.follower.other_clocks(on_stage.now_ns) == ["other"]


def test_another_port_is_followed_once_the_first_is_silent() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(10).stop().silence(2_000_000_000)
    on_stage.hear(0xFA, port="other")
    on_stage.clock(5, port="other")
    assert on_stage.follower.port == "other"
    assert on_stage.where == (1, 4)


def test_an_instrument_that_restarts_its_count_begins_each_part_at_pass_1() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(193)
    assert on_stage.conductor.standing().carried_passes == 0


def test_an_instrument_that_does_not_restart_counts_on() -> None:
    setlist = three_parts(recount=False)
    on_stage = Rehearsal(setlist).start().clock(193)
    standing = on_stage.conductor.standing()
    assert (standing.carried_passes, standing.carried_phrases) == (2, 1)
    on_stage.clock(192)
    standing = on_stage.conductor.standing()
    assert (standing.carried_passes, standing.carried_phrases) == (4, 2)
    # A start begins the count anew on every instrument.
    on_stage.stop().start().clock()
    assert on_stage.conductor.standing().carried_passes == 0


def test_odd_metres_end_where_their_ticks_end() -> None:
    setlist = (
        SetBuilder()
        .part(waltz_pattern(), program=0, phrases=2)
        .part(bar_pattern(), program=1)
        .build()
    )
    # Eight bars of 3/4 are 8 x 72 clocks.
    on_stage = Rehearsal(setlist).start().clock(576)
    assert on_stage.where == (1, 575)
    assert on_stage.clock().where == (2, 0)


def test_align_counts_from_the_one_without_a_start() -> None:
    on_stage = Rehearsal(three_parts()).clock(30)
    ask(on_stage.conductor, "align")
    assert on_stage.where == (1, 0)
    assert on_stage.conductor.standing().sure
    assert on_stage.clock(24).where == (1, 24)


@pytest.mark.parametrize(
    ("ticks", "expected"),
    [
        # Pressed 3 ticks early and 4 late on the bar: fingers err, a count that is sure does not.
        (93, 93),
        (100, 100),
        # Pressed 4 ticks before the beat at 144, nearer to the bar at 96: two beats back.
        (140, 92),
        # 4 ticks after that beat it is nearer to the bar at 192: two beats forward.
        (148, 196),
        # Between two beats: the count itself must be off.
        (106, 96),
    ],
)
def test_align_on_the_bar_goes_to_the_nearest_bar_and_keeps_the_beat(
    ticks: int, expected: int
) -> None:
    long = SetBuilder().part(bar_pattern(phrase_bars=8)).build()
    on_stage = Rehearsal(long).start().clock(ticks + 1)
    ask(on_stage.conductor, "align bar")
    assert on_stage.where == (1, expected)


def test_confirm_makes_an_unsure_count_sure() -> None:
    on_stage = Rehearsal(three_parts()).clock(10).go_on().clock(5)
    ask(on_stage.conductor, "confirm")
    assert on_stage.conductor.standing().sure
    assert on_stage.stop().go_on().clock().conductor.standing().sure


def test_nothing_can_be_confirmed_before_anything_is_counted() -> None:
    on_stage = Rehearsal(three_parts()).clock(10)
    ask(on_stage.conductor, "confirm")
    assert not on_stage.conductor.standing().sure


def test_a_stop_between_change_and_boundary_leaves_doubt() -> None:
    # Most instruments take a queued pattern on the next start; whether this one did nobody heard.
    on_stage = Rehearsal(three_parts()).start().clock(180).stop().start().clock()
    assert on_stage.programs == [2]
    assert on_stage.where == (2, 0)
    assert on_stage.conductor.standing().doubt == "drums may be on ebb line or slack water"


@pytest.mark.parametrize(
    "message", [(0xF2,), (0xF2, 4), (0xF2, 0x84, 0), (0xF2, 0, 0xFF), (0xF2, 4, 0, 0)]
)
def test_a_song_position_that_is_no_midi_moves_nothing_and_is_told(
    message: tuple[int, ...],
) -> None:
    on_stage = Rehearsal(three_parts()).start().clock(60)
    on_stage.stop()
    before = on_stage.where
    on_stage.hear(*message)
    assert on_stage.where == before
    assert on_stage.conductor.sure
    assert "no MIDI" in on_stage.conductor.notice
    # Nor does it make another port the one that is followed.
    fresh = Rehearsal(three_parts())
    fresh.hear(*message)
    assert fresh.follower.port is None
