"""The count between two snapshots: it runs on by tempo, and never further than is honest."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from companion.link.messages import Snapshot
from companion.screen import extrapolation
from companion.screen.extrapolation import Stage
from companion.screen.pace import REST_S, rest_ticks
from tests.screen.stage import LOST, slack_water

SECOND = 1_000_000_000
# MIDI 1.0 Detailed Specification 4.2.1, System Real Time Messages, from memory: 24 clocks to the
# quarter note; at 120 beats a minute one lasts 20.8333 ms.
TICK_AT_120 = 20_833_334


def test_a_beat_after_the_snapshot_the_count_is_a_beat_on() -> None:
    at_120 = slack_water(100, tempo=120.0)
    assert extrapolation.now_tick(at_120, SECOND // 2) == 124
    assert extrapolation.now_tick(at_120, TICK_AT_120 - 10) == 100
    assert extrapolation.now_tick(at_120, TICK_AT_120) == 101


@pytest.mark.parametrize("state", ["waiting", "ready", "stopped"])
def test_while_nothing_plays_the_count_stands(state: str) -> None:
    assert extrapolation.now_tick(slack_water(100, state=state), SECOND) == 100


def test_after_the_clock_was_lost_the_count_runs_free() -> None:
    assert extrapolation.now_tick(slack_water(100, tempo=120.0, **LOST), SECOND // 2) == 124


def test_with_no_tempo_known_nothing_is_guessed() -> None:
    assert extrapolation.now_tick(slack_water(100, tempo=0.0), SECOND) == 100


def test_the_count_waits_on_the_boundary_for_the_engine() -> None:
    last_beat = slack_water(760, tempo=120.0)
    tick = extrapolation.now_tick(last_beat, SECOND)
    assert tick == 768
    assert extrapolation.spot(last_beat, tick).left == 0
    # The pass and bar told are still the last ones the engine spoke of.
    assert extrapolation.spot(last_beat, tick).phrase_pass == 8


def test_the_count_never_runs_past_the_end_of_the_part() -> None:
    short = slack_water(100, tempo=120.0, part_ticks_left=5)
    assert extrapolation.now_tick(short, SECOND) == 105


def test_with_the_engine_silent_the_count_is_carried_two_seconds_and_no_further() -> None:
    at_120 = slack_water(100, tempo=120.0)
    assert extrapolation.now_tick(at_120, 2 * SECOND) == 196
    assert extrapolation.now_tick(at_120, 9 * SECOND) == 196
    assert not extrapolation.silent(at_120, 2 * SECOND)
    assert extrapolation.silent(at_120, 2 * SECOND + 1)


def test_a_tick_the_engine_had_not_seen_is_not_counted_back_to_before_it_spoke() -> None:
    # The latest clock was a whole beat old when the snapshot was made: it is late, not counted.
    late = slack_water(100, tempo=120.0, at_ns=SECOND, tick_ns=SECOND // 2)
    assert extrapolation.now_tick(late, SECOND) == 101
    assert extrapolation.now_tick(late, SECOND + 2 * TICK_AT_120) == 103


def test_no_figure_flickers_back_for_a_tick_but_a_jump_is_followed() -> None:
    assert extrapolation.steady(101, 100) == 101
    assert extrapolation.steady(101, 99) == 101
    assert extrapolation.steady(101, 98) == 98
    assert extrapolation.steady(101, 0) == 0
    assert extrapolation.steady(-1, 0) == 0


def test_pass_and_bar_follow_the_reckoning_into_the_next_pass() -> None:
    end_of_pass = slack_water(95, tempo=120.0)
    spot = extrapolation.spot(end_of_pass, 97)
    assert (spot.phrase_pass, spot.pass_number, spot.bar, spot.beat) == (2, 2, 2, 1)


def left_of(snapshot: Snapshot, ticks: int) -> str:
    """What the stage says with so many ticks of the phrase to go."""
    tick = snapshot.phrase_ticks - ticks
    at = extrapolation.spot(replace(snapshot, tick=tick, phrase_ticks_left=ticks), tick)
    return str(extrapolation.phrase_countdown(snapshot, at))


def to_come(snapshot: Snapshot, ticks: int) -> str:
    """What the agenda says of something so many ticks ahead."""
    return str(extrapolation.countdown(snapshot, ticks, rest_ticks(snapshot.tempo)))


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
        (24, "1 beat"),
        (1, "1 beat"),
    ],
)
def test_the_countdown_is_in_bars_then_beats(ticks: int, said: str) -> None:
    assert left_of(slack_water(), ticks) == said
    assert to_come(slack_water(), ticks) == said


def test_steps_are_counted_in_the_last_beat_where_they_are_slow_enough_by_twos_at_least() -> None:
    # A sixteenth lasts 0.25 s at 60 beats a minute and 0.375 s at 40; 0.33 s is the least.
    at_60, at_40 = slack_water(tempo=60.0), slack_water(tempo=40.0)
    assert [left_of(at_60, ticks) for ticks in (24, 13, 12, 1)] == [
        "4 steps", "4 steps", "2 steps", "2 steps",
    ]  # fmt: skip
    assert [left_of(at_40, ticks) for ticks in (24, 18, 12, 6)] == [
        "4 steps", "3 steps", "2 steps", "1 step",
    ]  # fmt: skip
    assert to_come(at_40, 6) == "1 beat"


def test_beats_too_fast_to_be_seen_one_by_one_are_counted_by_two_or_not_at_all() -> None:
    # At 300 beats a minute a beat lasts 0.2 s, at 400 0.15 s and a bar 0.6 s.
    fast = slack_water(tempo=300.0)
    assert [left_of(fast, ticks) for ticks in (96, 72, 48, 24)] == [
        "4 beats", "4 beats", "2 beats", "2 beats",
    ]  # fmt: skip
    assert {left_of(slack_water(tempo=400.0), ticks) for ticks in range(1, 97)} == {"1 bar"}


@settings(deadline=None, max_examples=60)
@example(beats=3, unit=8, bars=3, tempo=91.0, step=3)
@given(
    st.integers(1, 17),
    st.sampled_from([1, 2, 4, 8, 16, 32]),
    st.integers(1, 9),
    st.floats(20, 400),
    st.sampled_from([3, 4, 6, 12, 24]),
)
def test_figure_and_stage_change_a_third_of_a_second_apart_at_any_meter_and_tempo(
    beats: int, unit: int, bars: int, tempo: float, step: int
) -> None:
    beat = 96 // unit
    bar = beat * beats
    snapshot = slack_water(
        tempo=tempo, beat_ticks=beat, bar_ticks=bar, pass_ticks=bar, phrase_ticks=bar * bars,
        step_ticks=step,
    )  # fmt: skip
    shown, changed = [], [0.0]
    # Twice through the phrase: what a boundary changes counts too.
    for tick in range(min(2 * bar * bars, 3000)):
        left = bar * bars - tick % (bar * bars)
        at = extrapolation.spot(replace(snapshot, tick=tick, phrase_ticks_left=left), tick)
        now = (at.stage, "" if at.stage is Stage.NOW else left_of(snapshot, left))
        if shown and shown[-1] != now:
            changed.append(tick * extrapolation.tick_seconds(tempo))
        shown.append(now)
    gaps = [later - sooner for sooner, later in pairwise(changed)]
    assert all(gap >= REST_S - 1e-6 for gap in gaps)


def test_in_seven_eight_a_beat_is_an_eighth() -> None:
    # At 90 beats a minute an eighth lasts a third of a second.
    odd = slack_water(beat_ticks=12, bar_ticks=84, pass_ticks=84, phrase_ticks=672, tempo=90.0)
    assert left_of(odd, 84) == "7 beats"
    assert left_of(odd, 85) == "2 bars"


def test_the_foot_s_pass_bar_and_beat_are_of_one_tick() -> None:
    # On a bar line that only the reckoning has reached, and just after.
    last = slack_water(767, tempo=120.0)
    for now_ns in (0, TICK_AT_120, 5 * TICK_AT_120):
        at = extrapolation.spot(last, extrapolation.now_tick(last, now_ns))
        assert (at.pass_number, at.bar, at.beat) == (8, 8, 4)


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
    assert extrapolation.boundary_stage(slack_water(), left, rest_ticks(118.0)) is stage


def test_a_phrase_shorter_than_a_second_does_not_flicker_between_stages() -> None:
    tiny = slack_water(phrase_ticks=24, phrase_ticks_left=24)
    assert {extrapolation.boundary_stage(tiny, left, 16) for left in range(25)} == {Stage.IMMINENT}


def test_seconds_left_are_rounded_up() -> None:
    # At 120 beats a minute a 4/4 bar lasts 2 s.
    at_120 = slack_water(tempo=120.0)
    assert extrapolation.seconds_left(at_120, 96) == 2
    assert extrapolation.seconds_left(at_120, 97) == 3
    assert extrapolation.seconds_left(slack_water(tempo=0.0), 96) is None


@given(st.integers(40, 300), st.sampled_from([12, 24, 48]))
def test_the_beat_pulse_lights_up_at_most_three_times_a_second(tempo: int, beat: int) -> None:
    # WCAG 2.2, 2.3.1: three flashes or below.
    snapshot = slack_water(tempo=float(tempo), beat_ticks=beat)
    lit = [extrapolation.pulse_lit(snapshot, tick) for tick in range(4608)]
    rises = sum(now and not before for before, now in pairwise(lit))
    seconds = len(lit) * 60 / (24 * tempo)
    assert 0 < rises <= 3 * seconds + 1


def test_above_180_beats_a_minute_the_pulse_halves_itself() -> None:
    assert extrapolation.pulse_beats(slack_water(tempo=180.0)) == 1
    assert extrapolation.pulse_beats(slack_water(tempo=181.0)) == 2
    # 174 quarter notes a minute are 348 beats of an eighth.
    assert extrapolation.pulse_beats(slack_water(tempo=174.0, beat_ticks=12)) == 2


@given(st.integers(0, 767), st.floats(20, 400), st.integers(0, 5 * SECOND))
def test_however_late_the_frame_no_figure_lies_beyond_the_boundary(
    tick: int, tempo: float, now_ns: int
) -> None:
    snapshot = slack_water(tick, tempo=tempo)
    now = extrapolation.now_tick(snapshot, now_ns)
    assert tick <= now <= 768
    assert extrapolation.spot(snapshot, now).left == 768 - now


def test_the_next_look_is_when_the_next_step_begins() -> None:
    # At 120 beats a minute a sixteenth lasts 0.125 s; tick 100 is 4 ticks into a step of 6.
    at_120 = slack_water(100, tempo=120.0)
    assert extrapolation.seconds_to_step(at_120, 0) == pytest.approx(2 / 6 * 0.125)
    assert extrapolation.seconds_to_step(at_120, SECOND) == pytest.approx(2 / 6 * 0.125)
    assert extrapolation.seconds_to_step(slack_water(96, tempo=120.0), 0) == pytest.approx(0.125)
    assert extrapolation.seconds_to_step(slack_water(100, state="stopped"), 0) is None


@given(st.integers(0, 10**6), st.integers(0, 5 * SECOND), st.floats(20, 400))
def test_a_look_just_after_the_next_step_sees_it(tick: int, now_ns: int, tempo: float) -> None:
    snapshot = slack_water(tick, tempo=tempo, phrase_ticks_left=10**9, part_ticks_left=None)
    snapshot = replace(snapshot, change_ticks=None, at_ns=now_ns, tick_ns=now_ns)
    wait = extrapolation.seconds_to_step(snapshot, now_ns)
    assert wait is not None
    before = extrapolation.now_tick(snapshot, now_ns)
    after = extrapolation.now_tick(snapshot, now_ns + round((wait + 0.001) * SECOND))
    assert after // 6 == before // 6 + 1
