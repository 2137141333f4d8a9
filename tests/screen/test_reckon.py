"""The count between two snapshots: it runs on by tempo, and never further than is honest."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.screen import reckon
from companion.screen.reckon import Stage
from tests.screen.stage import LOST, slack_water

SECOND = 1_000_000_000
# MIDI 1.0: 24 clocks to the quarter note; at 120 beats a minute one lasts 20.8333 ms.
TICK_AT_120 = 20_833_334


def test_a_beat_after_the_snapshot_the_count_is_a_beat_on() -> None:
    at_120 = slack_water(100, tempo=120.0)
    assert reckon.now_tick(at_120, SECOND // 2) == 124
    assert reckon.now_tick(at_120, TICK_AT_120 - 10) == 100
    assert reckon.now_tick(at_120, TICK_AT_120) == 101


@pytest.mark.parametrize("state", ["waiting", "ready", "stopped"])
def test_while_nothing_plays_the_count_stands(state: str) -> None:
    assert reckon.now_tick(slack_water(100, state=state), SECOND) == 100


def test_after_the_clock_was_lost_the_count_runs_free() -> None:
    assert reckon.now_tick(slack_water(100, tempo=120.0, **LOST), SECOND // 2) == 124


def test_with_no_tempo_known_nothing_is_guessed() -> None:
    assert reckon.now_tick(slack_water(100, tempo=0.0), SECOND) == 100


def test_the_count_waits_on_the_boundary_for_the_engine() -> None:
    last_beat = slack_water(760, tempo=120.0)
    tick = reckon.now_tick(last_beat, SECOND)
    assert tick == 768
    assert reckon.spot(last_beat, tick).left == 0
    # The pass and bar told are still the last ones the engine spoke of.
    assert reckon.spot(last_beat, tick).phrase_pass == 8


def test_the_count_never_runs_past_the_end_of_the_part() -> None:
    short = slack_water(100, tempo=120.0, part_ticks_left=5)
    assert reckon.now_tick(short, SECOND) == 105


def test_with_the_engine_silent_the_count_is_carried_two_seconds_and_no_further() -> None:
    at_120 = slack_water(100, tempo=120.0)
    assert reckon.now_tick(at_120, 2 * SECOND) == 196
    assert reckon.now_tick(at_120, 9 * SECOND) == 196
    assert not reckon.silent(at_120, 2 * SECOND)
    assert reckon.silent(at_120, 2 * SECOND + 1)


def test_a_tick_the_engine_had_not_seen_is_not_counted_back_to_before_it_spoke() -> None:
    # The latest clock was a whole beat old when the snapshot was made: it is late, not counted.
    late = slack_water(100, tempo=120.0, at_ns=SECOND, tick_ns=SECOND // 2)
    assert reckon.now_tick(late, SECOND) == 101
    assert reckon.now_tick(late, SECOND + 2 * TICK_AT_120) == 103


def test_no_figure_flickers_back_for_a_tick_but_a_jump_is_followed() -> None:
    assert reckon.steady(101, 100) == 101
    assert reckon.steady(101, 99) == 101
    assert reckon.steady(101, 98) == 98
    assert reckon.steady(101, 0) == 0
    assert reckon.steady(-1, 0) == 0


def test_pass_and_bar_follow_the_reckoning_into_the_next_pass() -> None:
    end_of_pass = slack_water(95, tempo=120.0)
    spot = reckon.spot(end_of_pass, 97)
    assert (spot.phrase_pass, spot.pass_number, spot.bar, spot.beat) == (2, 2, 2, 1)


# Common practice, no source: musicians count the bar or beat under way as one to go.
@pytest.mark.parametrize(
    ("ticks", "said"),
    [
        (768, "8 bars"),
        (673, "8 bars"),
        (672, "7 bars"),
        (97, "2 bars"),
        (96, "4 beats"),
        (25, "2 beats"),
        (24, "4 steps"),
        (7, "2 steps"),
        (6, "1 step"),
        (1, "1 step"),
    ],
)
def test_the_countdown_is_in_bars_then_beats_then_steps(ticks: int, said: str) -> None:
    assert str(reckon.countdown(slack_water(), ticks, steps=True)) == said


def test_small_countdowns_stay_calm_in_the_last_beat() -> None:
    assert str(reckon.countdown(slack_water(), 6)) == "1 beat"


def test_steps_too_fast_to_read_stay_one_beat() -> None:
    # A sixteenth at 174 beats a minute lasts 86 ms.
    assert str(reckon.countdown(slack_water(tempo=174.0), 12, steps=True)) == "1 beat"


def test_of_many_steps_in_a_beat_only_the_last_four_are_counted() -> None:
    slow = slack_water(tempo=60.0, step_ticks=3)
    assert str(reckon.countdown(slow, 24, steps=True)) == "1 beat"
    assert str(reckon.countdown(slow, 12, steps=True)) == "4 steps"


def test_in_seven_eight_a_beat_is_an_eighth() -> None:
    odd = slack_water(beat_ticks=12, bar_ticks=84, pass_ticks=84, phrase_ticks=672)
    assert str(reckon.countdown(odd, 84)) == "7 beats"
    assert str(reckon.countdown(odd, 85)) == "2 bars"


@pytest.mark.parametrize(
    ("left", "stage"),
    [
        (768, Stage.NOW),
        (745, Stage.NOW),
        (744, Stage.FAR),
        (193, Stage.FAR),
        (192, Stage.NEAR),
        (97, Stage.NEAR),
        (96, Stage.IMMINENT),
        (1, Stage.IMMINENT),
        (0, Stage.NOW),
    ],
)
def test_the_boundary_comes_in_four_stages(left: int, stage: Stage) -> None:
    assert reckon.boundary_stage(slack_water(), left) is stage


def test_a_phrase_shorter_than_a_second_does_not_flicker_between_stages() -> None:
    tiny = slack_water(phrase_ticks=24, phrase_ticks_left=24)
    assert {reckon.boundary_stage(tiny, left) for left in range(25)} == {Stage.IMMINENT}


def test_seconds_left_are_rounded_up() -> None:
    # At 120 beats a minute a 4/4 bar lasts 2 s.
    at_120 = slack_water(tempo=120.0)
    assert reckon.seconds_left(at_120, 96) == 2
    assert reckon.seconds_left(at_120, 97) == 3
    assert reckon.seconds_left(slack_water(tempo=0.0), 96) is None


@given(st.integers(40, 300), st.sampled_from([12, 24, 48]))
def test_the_beat_pulse_lights_up_at_most_three_times_a_second(tempo: int, beat: int) -> None:
    # WCAG 2.2, 2.3.1: three flashes or below.
    snapshot = slack_water(tempo=float(tempo), beat_ticks=beat)
    lit = [reckon.pulse_lit(snapshot, tick) for tick in range(4608)]
    rises = sum(now and not before for before, now in pairwise(lit))
    seconds = len(lit) * 60 / (24 * tempo)
    assert 0 < rises <= 3 * seconds + 1


def test_above_180_beats_a_minute_the_pulse_halves_itself() -> None:
    assert reckon.pulse_beats(slack_water(tempo=180.0)) == 1
    assert reckon.pulse_beats(slack_water(tempo=181.0)) == 2
    # 174 quarter notes a minute are 348 beats of an eighth.
    assert reckon.pulse_beats(slack_water(tempo=174.0, beat_ticks=12)) == 2


@given(st.integers(0, 767), st.floats(20, 400), st.integers(0, 5 * SECOND))
def test_however_late_the_frame_no_figure_lies_beyond_the_boundary(
    tick: int, tempo: float, now_ns: int
) -> None:
    snapshot = slack_water(tick, tempo=tempo)
    now = reckon.now_tick(snapshot, now_ns)
    assert tick <= now <= 768
    assert reckon.spot(snapshot, now).left == 768 - now


def test_the_next_look_is_when_the_next_step_begins() -> None:
    # At 120 beats a minute a sixteenth lasts 0.125 s; tick 100 is 4 ticks into a step of 6.
    at_120 = slack_water(100, tempo=120.0)
    assert reckon.seconds_to_step(at_120, 0) == pytest.approx(2 / 6 * 0.125)
    assert reckon.seconds_to_step(at_120, SECOND) == pytest.approx(2 / 6 * 0.125)
    assert reckon.seconds_to_step(slack_water(96, tempo=120.0), 0) == pytest.approx(0.125)
    assert reckon.seconds_to_step(slack_water(100, state="stopped"), 0) is None


@given(st.integers(0, 10**6), st.integers(0, 5 * SECOND), st.floats(20, 400))
def test_a_look_just_after_the_next_step_sees_it(tick: int, now_ns: int, tempo: float) -> None:
    snapshot = slack_water(tick, tempo=tempo, phrase_ticks_left=10**9, part_ticks_left=None)
    snapshot = replace(snapshot, change_ticks=None, at_ns=now_ns, tick_ns=now_ns)
    wait = reckon.seconds_to_step(snapshot, now_ns)
    assert wait is not None
    before = reckon.now_tick(snapshot, now_ns)
    after = reckon.now_tick(snapshot, now_ns + round((wait + 0.001) * SECOND))
    assert after // 6 == before // 6 + 1
