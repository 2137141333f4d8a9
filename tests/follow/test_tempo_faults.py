"""The tempo tracker on a bad night: strays, stalls, jumps, lost ticks, coarse clocks, drifts."""

from __future__ import annotations

from math import sqrt
from random import Random

import numpy as np
import pytest

from companion.follow.departures import WINDOW
from companion.follow.noise import Noise
from companion.follow.tempo import TempoTracker
from tests.follow.clocks import (
    JITTERS,
    MS,
    NS_PER_BPM,
    Times,
    bound_bpm,
    bpm_at,
    gaussian,
    listen,
    rms,
    ticks,
)


def steady(seed: int, count: int = 600, bpm: float = 122.0) -> tuple[Times, Times]:
    """True and heard times of a steady clock with 1 ms of jitter."""
    rng = np.random.default_rng(seed)
    true = ticks([bpm] * (count - 1), rng)
    return true, gaussian(true, rng)


# -- strays --------------------------------------------------------------------------------------


@pytest.mark.parametrize("late_ms", [15.0, -15.0, 60.0, 3000.0])
@pytest.mark.parametrize("strays", [1, 2, 3])
def test_a_few_ticks_far_off_hardly_move_the_tempo(late_ms: float, strays: int) -> None:
    right_after = []
    for seed in range(30):
        _, heard = steady(seed, 420)
        heard[400 : 400 + strays] += late_ms * MS
        right_after += [bpm - 122 for bpm in bpm_at(heard, range(400, 420))]
    # A plain line through 96 ticks would be off by 0.06 for one tick 15 ms late.
    assert rms(right_after) < 0.03


def test_one_tick_in_a_hundred_15_ms_late_costs_little() -> None:
    ratios = []
    for seed in range(40):
        _, heard = steady(seed)
        late = np.random.default_rng(seed).random(len(heard)) < 0.01
        heard[late] += 15 * MS
        bound = bound_bpm(122, 1.0, WINDOW)
        ratios += [(bpm - 122) / bound for bpm in bpm_at(heard, range(300, 600, 10))]
    assert rms(ratios) < 1.3


def test_a_stall_that_hands_on_five_ticks_at_once_is_no_change_of_tempo() -> None:
    worst = []
    for seed in range(30):
        true, heard = steady(seed, 430)
        # The host sleeps for 100 ms; what it missed comes at once.
        asleep = (true >= true[400]) & (true < true[400] + 100 * MS)
        heard[asleep] = true[400] + 100 * MS
        worst.append(max(abs(bpm - 122) for bpm in bpm_at(heard, range(400, 430))))
    # A plain line through 96 ticks with these five among the latest would be off by 1.1.
    assert max(worst) < 0.1


def test_stalls_one_after_the_other_are_no_change_of_tempo() -> None:
    # Late by 36, 28, 20, 11 ms, and again before the ticks are on time: a saw, neither a jump nor a
    # bend. Once it was taken for one.
    true, heard = steady(24, 480, bpm=300)
    for first in (400, 405, 409, 450, 455):
        asleep = (true >= true[first]) & (true < true[first] + 36 * MS)
        heard[asleep] = true[first] + 36 * MS
    assert bpm_at(heard, range(400, 480)) == pytest.approx([300.0] * 80, abs=0.9)


# -- jumps: the same tempo, from another moment on -----------------------------------------------


@pytest.mark.parametrize("jump_ms", [7.0, -9.0, 20.5, 3.6e6])
def test_a_clock_that_jumps_keeps_its_tempo(jump_ms: float) -> None:
    tempo, place = [], []
    for seed in range(40):
        true, heard = steady(seed)
        true[400:] += jump_ms * MS
        heard[400:] += jump_ms * MS
        tempo += [bpm - 122 for bpm in bpm_at(heard, (403, 412, 424, 448))]
        place.append((listen(heard[:424]).when(0) - true[423]) / MS)
    # One beat after a jump a new line would know the tempo to 0.18; the old one still holds.
    assert rms(tempo) < 0.05
    assert rms(place) < 0.5


@pytest.mark.parametrize("jump_ms", [2.0, -4.0])
def test_a_jump_too_small_to_be_a_stray_is_told_from_a_change_of_tempo(jump_ms: float) -> None:
    errors = []
    for seed in range(40):
        _, heard = steady(seed, 500)
        heard[400:] += jump_ms * MS
        errors += [bpm - 122 for bpm in bpm_at(heard, (430, 448, 480))]
    # Taken for a change of tempo, 4 ms would read as one of 0.8 a beat after.
    assert rms(errors) < 0.15


def test_jumps_of_any_size_one_after_the_other_are_all_taken() -> None:
    _, heard = steady(5, 2000)
    jumps = (12, 30, -14, 60, 9, -25, 90, 20, 55, 11, 33)
    for at, jump_ms in zip(range(300, 1900, 150), jumps, strict=True):
        heard[at:] += jump_ms * MS
    assert bpm_at(heard, range(440, 1900, 150)) == pytest.approx([122.0] * 10, abs=0.1)


@pytest.mark.parametrize("lost", [1, 2, 5])
def test_lost_ticks_that_nobody_noticed_do_not_slow_the_tempo(lost: int) -> None:
    errors = []
    for seed in range(40):
        _, heard = steady(seed)
        kept = np.delete(heard, range(400, 400 + lost))
        errors += [bpm - 122 for bpm in bpm_at(kept, (401, 404, 412, 424, 500))]
    assert rms(errors) < 0.05


def test_a_clock_that_pauses_and_goes_on_at_another_tempo_is_followed_in_a_beat() -> None:
    errors = []
    for seed in range(40):
        _, before = steady(seed, 300, bpm=122)
        _, after = steady(seed + 100, 60, bpm=96)
        heard = np.concatenate([before, before[-1] + 4e9 - after[0] + after])
        errors.append(bpm_at(heard, (300 + 48,))[0] - 96)
    assert rms(errors) < 2 * bound_bpm(96, 1.0, 48)


# -- coarse clocks -------------------------------------------------------------------------------


@pytest.mark.parametrize("bpm", [120.0, 125.02, 187.3])
@pytest.mark.parametrize("frame_ms", [1.0, 3.5, 10.0])
def test_a_clock_read_in_frames_is_read_as_well_as_by_the_plain_line(
    bpm: float, frame_ms: float
) -> None:
    # Ticks and frames beat against each other: long even stretches, then a frame more or less.
    errors, plain = [], []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        heard = np.ceil(ticks([bpm] * 900, rng) / (frame_ms * MS)) * (frame_ms * MS)
        heard += rng.integers(0, 10**9)
        at = range(500, 900, 20)
        errors += [read - bpm for read in bpm_at(heard, at)]
        for n in at:
            window = heard[n - WINDOW : n]
            slope = np.polyfit(np.arange(WINDOW), window - window[0], 1)[0]
            plain.append(NS_PER_BPM / slope - bpm)
    assert rms(errors) < 1.1 * rms(plain) + 0.001


def test_a_step_that_a_coarse_clock_can_show_is_seen() -> None:
    errors = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        true = ticks([122.0] * 299 + [124.0] * 100, rng)
        errors.append([bpm - 124 for bpm in bpm_at(np.floor(true / MS) * MS, (300 + 24, 300 + 72))])
    after_a_beat, after_three = np.array(errors).T
    assert rms(after_a_beat) < 0.3
    assert rms(after_three) < 0.05


# -- noise ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("ms", [0.0, 0.01, 0.1, 1.0, 5.0])
def test_the_noise_is_learnt_from_the_clock(ms: float) -> None:
    noise = Noise()
    rng = np.random.default_rng(1)
    for off in rng.normal(0, ms * MS, 2000):
        noise.learn(off)
    # No clock is trusted to better than 10 microseconds.
    assert noise.variance**0.5 / MS == pytest.approx(max(ms, 0.01), rel=0.2)
    assert noise.wandering == noise.variance


@pytest.mark.parametrize(
    ("intervals_ms", "grain_ms"),
    [
        ((10, 20, 10, 10), 10),
        ((14, 7, 21, 14), 7),
        ((20, 21), 1),
        # A tempo that happens to be whole tells only that milliseconds are counted.
        ((20, 20, 20, 20), 1),
        ((20, 20, 20, 20.3), 0),
    ],
)
def test_the_scale_on_which_a_clock_is_read_is_noticed(
    intervals_ms: tuple[float, ...], grain_ms: int
) -> None:
    noise = Noise()
    for ms in intervals_ms * 12:
        noise.interval(round(ms * MS))
    assert noise.grain / MS == pytest.approx(grain_ms)


def test_a_scale_that_proves_finer_is_taken_for_that() -> None:
    noise = Noise()
    for ms in (10, 20) * 12 + (13, 17) * 12:
        noise.interval(round(ms * MS))
    assert noise.grain / MS == pytest.approx(1)


def test_a_lag_that_grows_is_no_noise() -> None:
    noise = Noise()
    rng = np.random.default_rng(1)
    for tick, off in enumerate(rng.normal(0, MS, 400)):
        noise.learn(off + max(0, tick - 200) * 0.2 * MS)
    # The lag is 40 ms by now; twice the deviation is the most that may be taken for noise.
    assert noise.wandering**0.5 / MS < 2.5


def test_the_jitter_shown_is_the_clocks() -> None:
    for ms in (0.05, 0.4, 3.0):
        rng = np.random.default_rng(2)
        tracker = listen(gaussian(ticks([100.0] * 500, rng), rng, ms))
        # A standard deviation from 96 ticks is good to a fourteenth.
        assert tracker.jitter_ms == pytest.approx(ms, rel=0.15)


def test_strays_do_not_swell_the_jitter() -> None:
    _, heard = steady(3)
    heard[350:590:40] += 25 * MS
    assert listen(heard).jitter_ms < 1.5


def test_a_noise_that_wanders_is_known_to_and_is_no_change_of_tempo() -> None:
    errors, plain = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        # First-order autoregression, r = 0.9, 1 ms in all.
        wander = np.zeros(700)
        for k in range(1, 700):
            wander[k] = 0.9 * wander[k - 1] + rng.normal(0, MS * (1 - 0.81) ** 0.5)
        heard = ticks([122.0] * 699, rng) + wander
        at = range(400, 700, 20)
        errors += [bpm - 122 for bpm in bpm_at(heard, at)]
        for n in at:
            window = heard[n - WINDOW : n]
            slope = np.polyfit(np.arange(WINDOW), window - window[0], 1)[0]
            plain.append(NS_PER_BPM / slope - 122)
    assert rms(errors) < 1.2 * rms(plain)


def test_a_line_that_lags_behind_a_ramp_does_not_take_it_for_noise() -> None:
    # Once the noise swelled with the lag, the lag was taken for noise, and the line never let go.
    rng = np.random.default_rng(15)
    stairs = np.repeat(np.arange(101.0, 125.0), 24)
    heard = gaussian(ticks(np.concatenate([[100.0] * 300, stairs, [125.0] * 120]), rng), rng)
    read = bpm_at(heard, range(301 + 200, 301 + len(stairs)))
    assert read == pytest.approx(stairs[200:], abs=1.5)


@pytest.mark.parametrize("seed", range(40))
def test_after_two_quiet_bars_whatever_came_before_is_forgotten(seed: int) -> None:
    rng = np.random.default_rng(seed)
    bpm = rng.uniform(50, 250)
    tempos: list[float] = []
    for _ in range(int(rng.integers(1, 6))):
        count = int(rng.integers(10, 400))
        what = rng.integers(0, 3)
        if what == 0:
            bpm = float(np.clip(bpm * np.exp(rng.normal(0, 0.2)), 40, 300))
            tempos += [bpm] * count
        elif what == 1:
            end = float(np.clip(bpm + rng.normal(0, 5) * count / 96, 40, 300))
            tempos += list(np.linspace(bpm, end, count))
            bpm = end
        else:
            tempos += list(np.clip(bpm + np.cumsum(rng.normal(0, 0.1, count)), 40, 300))
            bpm = tempos[-1]
    true = ticks([*tempos, *[bpm] * 400], rng)
    ms = float(rng.choice([0.1, 0.5, 2.0]))
    heard = JITTERS[str(rng.choice(list(JITTERS)[:3]))](true, rng, ms)
    for at in rng.integers(0, len(tempos), 2):
        heard[at:] += rng.uniform(-50, 200) * MS
    heard[rng.random(len(heard)) < 0.005] += 15 * MS
    kept = np.delete(heard, rng.integers(0, len(tempos), 3))
    read = bpm_at(kept, range(len(kept) - 40, len(kept), 8))
    bound = bound_bpm(bpm, (ms**2 + 1 / 12) ** 0.5, WINDOW)
    # Alike jumps may have passed for the grain of the clock; then it is read by the plain line.
    plain = [
        NS_PER_BPM / np.polyfit(np.arange(WINDOW), kept[at - WINDOW : at], 1)[0]
        for at in range(len(kept) - 40, len(kept), 8)
    ]
    allowed = max(5 * bound + 0.01, 1.05 * np.median(np.abs(np.array(plain) - bpm)))
    assert np.median(np.abs(np.array(read) - bpm)) < allowed


def test_reading_in_the_middle_of_a_lapse_is_harmless() -> None:
    _, heard = steady(1, 300)
    tracker = listen(heard)
    tracker.lapse()
    listen(heard[:1], tracker)
    assert (tracker.bpm, tracker.period_ns, tracker.jitter_ms) == (0.0, 0, 0.0)
    assert tracker.when(3) == int(heard[0])


def test_two_trackers_share_nothing() -> None:
    _, heard = steady(1, 300)
    one, other = TempoTracker(), TempoTracker()
    for t in heard:
        one.hear(int(t))
    other.hear(0)
    other.hear(25_000_000)
    assert other.bpm == pytest.approx(100.0)
    assert one.bpm == listen(heard).bpm


def test_across_a_gap_two_bars_are_gone_by_unless_the_tempo_moved_within_them() -> None:
    rng = Random("across a gap")
    for moved in (0.0, 0.05, 0.1, 0.5, 1.5):
        before_ns, period_ns = 20_833_333, 20_833_333 * (1 + moved / 100)
        clock = [tick * before_ns for tick in range(220)]
        clock += [round(clock[-1] + n * period_ns) for n in range(1, 140)]
        tracker = TempoTracker()
        for t_ns in clock:
            tracker.hear(t_ns + round(rng.gauss(0, 500_000)))
        found_ns, found_period_ns, ticks = tracker.steady()
        if moved == 0.0:
            assert ticks == 2 * WINDOW
        elif moved > 0.1:
            assert ticks < 2 * WINDOW
        # What does not show in a bar errs by no more than a bar does: of a line by least squares
        # s sqrt(12/N^3) in its period, 2 s/sqrt(N) at its end (four of each).
        assert abs(found_period_ns - period_ns) < 4 * 500_000 * sqrt(12 / WINDOW**3)
        assert abs(found_ns - clock[-1]) < 4 * 500_000 * 2 / sqrt(WINDOW)
