"""The tempo tracker hears a steady clock: what it knows when, and the line against outside fits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import linregress

from companion.follow.departures import WINDOW
from companion.follow.tempo import TempoTracker
from tests.follow.clocks import MS, NS_PER_BPM, Times, bound_bpm, gaussian, listen, rms, ticks

# Seeds whose clocks never look as if their tempo changed, so that the plain line is read.
QUIET = (0, 1, 6, 21, 23, 28)


def steady(seed: int, count: int, bpm: float = 122.0, ms: float = 1.0) -> Times:
    rng = np.random.default_rng(seed)
    return np.floor(gaussian(ticks([bpm] * (count - 1), rng), rng, ms))


def test_without_ticks_nothing_is_known() -> None:
    tracker = TempoTracker()
    assert (tracker.bpm, tracker.period_ns, tracker.jitter_ms) == (0.0, 0, 0.0)


def test_one_tick_has_a_time_but_no_tempo() -> None:
    tracker = TempoTracker()
    tracker.hear(5_000_000_000)
    assert (tracker.bpm, tracker.period_ns, tracker.jitter_ms) == (0.0, 0, 0.0)
    assert tracker.when(0) == 5_000_000_000
    assert tracker.when(4) == 5_000_000_000


def test_two_ticks_have_the_tempo_of_their_interval() -> None:
    tracker = TempoTracker()
    tracker.hear(7)
    tracker.hear(7 + 20_833_333)
    # 60 / (24 x 0.020833333) beats a minute.
    assert tracker.bpm == pytest.approx(120.0, abs=1e-5)
    assert tracker.period_ns == 20_833_333
    assert tracker.when(1) == 7 + 2 * 20_833_333
    assert tracker.jitter_ms == 0.0


@pytest.mark.parametrize("bpm", [40, 60, 90, 120, 122.5, 174, 240, 300])
def test_a_jitterless_clock_is_read_exactly_at_any_tempo(bpm: float) -> None:
    period = round(NS_PER_BPM / bpm)
    tracker = TempoTracker()
    for tick in range(500):
        tracker.hear(10**15 + tick * period)
    assert tracker.period_ns == period
    assert tracker.bpm == pytest.approx(bpm, rel=1e-7)
    assert tracker.jitter_ms == 0.0
    for ahead in (0, 1, 24, 96, 768):
        assert tracker.when(ahead) == 10**15 + (499 + ahead) * period


@pytest.mark.parametrize("seed", QUIET)
@pytest.mark.parametrize("count", [2, 3, 5, 8, 13, 24, 60, 95, 96, 97, 400])
def test_the_line_is_the_one_that_numpy_and_scipy_fit(seed: int, count: int) -> None:
    times = steady(seed, count)
    tracker = listen(times)
    window = times[-WINDOW:] - times[0]
    places = np.arange(1 - len(window), 1)
    slope, now = np.polyfit(places, window, 1)
    outside = linregress(places, window)
    assert tracker.bpm == pytest.approx(NS_PER_BPM / slope, rel=1e-9)
    assert tracker.bpm == pytest.approx(NS_PER_BPM / outside.slope, rel=1e-9)
    assert tracker.when(0) == pytest.approx(times[0] + now, abs=2)
    assert tracker.when(50) == pytest.approx(times[0] + now + 50 * slope, abs=2)
    if count > 2:
        residuals = window - (now + slope * places)
        spread = np.sqrt((residuals**2).sum() / (len(window) - 2)) / MS
        assert tracker.jitter_ms == pytest.approx(spread, rel=1e-6)


def test_times_since_1970_lose_nothing() -> None:
    start, period = 1_750_000_000_000_000_000, 20_491_803
    heard = [tick * period + (tick % 3) * 1000 for tick in range(300)]
    tracker = TempoTracker()
    for t in heard:
        tracker.hear(start + t)
    slope, now = np.polyfit(np.arange(1 - WINDOW, 1), heard[-WINDOW:], 1)
    assert tracker.bpm == pytest.approx(NS_PER_BPM / slope, rel=1e-11)
    assert tracker.when(0) == pytest.approx(start + int(now), abs=2)


def test_after_a_lapse_nothing_of_the_old_clock_is_left() -> None:
    times = steady(1, 250, bpm=90)
    tracker = listen(times)
    tracker.lapse()
    assert (tracker.bpm, tracker.period_ns, tracker.jitter_ms) == (0.0, 0, 0.0)
    fresh = listen(steady(2, 60, bpm=150))
    listen(steady(2, 60, bpm=150), tracker)
    assert (tracker.bpm, tracker.jitter_ms, tracker.when(9)) == (
        fresh.bpm,
        fresh.jitter_ms,
        fresh.when(9),
    )


# -- figures of theory ---------------------------------------------------------------------------


def test_the_worked_figures_of_the_bound() -> None:
    # Worked figures, N = 96, s = 1 ms, 122 beats a minute: 0.022 by the line; after one beat 0.18.
    assert bound_bpm(122, 1, 96) == pytest.approx(0.022, abs=0.0005)
    assert bound_bpm(122, 1, 24) == pytest.approx(0.18, abs=0.005)
    # Mean of the last 24 intervals: two ticks' errors over 24 periods.
    crude = 122**2 / NS_PER_BPM * 2**0.5 * MS / 24
    assert crude == pytest.approx(0.35, abs=0.005)


def test_after_a_bar_the_tempo_is_known_as_well_as_it_can_be() -> None:
    errors, crude = [], []
    for seed in range(300):
        times = steady(seed, 96)
        errors.append(listen(times).bpm - 122)
        crude.append(NS_PER_BPM * 24 / (times[-1] - times[-25]) - 122)
    # Worked figure for one bar: 0.022 by the line, 0.35 by the last 24 intervals.
    assert rms(errors) == pytest.approx(0.022, rel=0.15)
    assert rms(crude) == pytest.approx(0.35, rel=0.15)


# -- missed ticks that somebody noticed ----------------------------------------------------------


@pytest.mark.parametrize("missed", [1, 3, 24, 96, 1000])
@pytest.mark.parametrize("before", [2, 5, 30, 250])
def test_the_line_of_a_jitterless_clock_goes_on_over_a_gap(before: int, missed: int) -> None:
    period = 20_491_803
    tracker = TempoTracker()
    for tick in range(before):
        tracker.hear(tick * period)
    tracker.skip(missed)
    # The coming tick is the first after the gap.
    assert tracker.when(1) == (before + missed) * period
    for tick in range(before + missed, before + missed + 8):
        tracker.hear(tick * period)
        assert tracker.period_ns == pytest.approx(period, abs=1)
        assert tracker.when(0) == pytest.approx(tick * period, abs=missed)
    assert tracker.jitter_ms < 0.001


@pytest.mark.parametrize(("before", "missed"), [(12, 3), (12, 24), (250, 3), (250, 24)])
def test_over_a_gap_the_tempo_gets_no_worse(before: int, missed: int) -> None:
    errors, late = [], []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        true = ticks([122.0] * (before + missed + 24), rng)
        heard = gaussian(true, rng)
        tracker = listen(heard[:before])
        tracker.skip(missed)
        listen(heard[before + missed :], tracker)
        errors.append(tracker.bpm - 122)
        late.append((tracker.when(0) - true[-1]) / MS)
    # As if only the ticks heard had been a line without a gap, give or take.
    assert rms(errors) < 1.5 * bound_bpm(122, 1, min(before + 25, WINDOW))
    assert rms(late) < 0.5


def test_a_gap_before_the_first_tick_is_none() -> None:
    tracker = TempoTracker()
    tracker.skip(10)
    tracker.hear(0)
    tracker.hear(20_000_000)
    assert tracker.period_ns == 20_000_000


# -- whatever comes ------------------------------------------------------------------------------

INTERVALS = st.lists(
    st.one_of(
        st.integers(0, 100_000_000),
        st.sampled_from([20_000_000, 20_833_333]),
        st.integers(-50_000_000, 10**13),
    ),
    max_size=120,
)


@given(INTERVALS, st.integers(1, 60))
def test_no_clock_however_odd_upsets_it(intervals: list[int], repeat: int) -> None:
    tracker = TempoTracker()
    t = 0
    for tick, interval in enumerate(intervals * (1 + repeat // 20)):
        t += interval
        tracker.hear(t)
        if tick % 17 == 16:
            tracker.skip(interval % 5)
        assert tracker.bpm >= 0.0
        assert tracker.period_ns >= 0
        assert tracker.jitter_ms >= 0.0
        assert isinstance(tracker.when(1), int)
