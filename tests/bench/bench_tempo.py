"""Error of the tempo tracker and of three common ways to read a MIDI clock, beside the bound.

Run: python -m tests.bench.bench_tempo [clocks]

Root mean square error in beats a minute over that many clocks (default 100) for each line. Jitter
is 1 ms (bursty: 0.3 ms in USB frames of 1 ms, and stalls of 5 to 40 ms). The rivals:

- the mean of the last 24 intervals;
- a one-pole smoother of intervals with a time constant of 24 ticks;
- the second-order delay-locked loop of F. Adriaensen, Using a DLL to filter time, Linux Audio
  Conference 2005 (gains from memory), at bandwidths of 0.1 and 0.5 Hz.

The bound is Cramer-Rao's for a line in white noise through the ticks heard since the last change,
at most the tracker's window; bursty jitter has none, ramps none for a line. What small steps must
cost whoever reads a steady tempo well: bench_tempo_bound.py.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable, Sequence
from itertools import pairwise
from math import pi, sqrt

import numpy as np

from companion.follow.departures import WINDOW
from companion.follow.tempo import TempoTracker
from tests.follow.clocks import JITTERS, NS_PER_BPM, Times, bound_bpm, gaussian, rms, ticks

STEADY_BEFORE = 400
BAR = 96


def by_tracker(heard: Sequence[int]) -> list[float]:
    """What the tracker reads after each tick."""
    tracker = TempoTracker()
    read = []
    for t in heard:
        tracker.hear(t)
        read.append(tracker.bpm)
    return read


def by_mean(heard: Sequence[int]) -> list[float]:
    """24 intervals over the time they took."""
    return [
        NS_PER_BPM * 24 / max(1, heard[k] - heard[k - 24]) if k >= 24 else 0.0
        for k in range(len(heard))
    ]


def by_one_pole(heard: Sequence[int]) -> list[float]:
    """Intervals smoothed with a time constant of 24 ticks."""
    period = float(heard[1] - heard[0])
    read = [0.0]
    for before, t in pairwise(heard):
        period += (t - before - period) / 24
        read.append(NS_PER_BPM / period)
    return read


def by_loop(bandwidth_hz: float) -> Callable[[Sequence[int]], list[float]]:
    """The delay-locked loop; it is started on the mean of the first 24 intervals."""

    def read_all(heard: Sequence[int]) -> list[float]:
        period = (heard[24] - heard[0]) / 24
        w = 2 * pi * bandwidth_hz * period / 1e9
        expected = heard[0] + period
        read = [0.0]
        for t in heard[1:]:
            error = t - expected
            expected += sqrt(2) * w * error + period
            period += w * w * error
            read.append(NS_PER_BPM / period)
        return read

    return read_all


WAYS: dict[str, Callable[[Sequence[int]], list[float]]] = {
    "tracker": by_tracker,
    "mean of 24": by_mean,
    "one pole": by_one_pole,
    "loop 0.1 Hz": by_loop(0.1),
    "loop 0.5 Hz": by_loop(0.5),
}


def row(
    name: str,
    tempos: Times,
    spans: Sequence[tuple[int, int]],
    bounds: Sequence[float],
    jitter: str,
    clocks: int,
) -> None:
    """Print the errors within each span of ticks (first, last), one line each."""
    found: dict[tuple[int, str], list[float]] = {}
    true = np.concatenate([tempos, tempos[-1:]])
    for seed in range(clocks):
        rng = np.random.default_rng(seed)
        heard = [int(t) for t in JITTERS[jitter](ticks(tempos, rng), rng)]
        for way, read_all in WAYS.items():
            read = np.array(read_all(heard))
            # After tick k the tempo is that of the interval that follows, or that just ended.
            for place, (first, last) in enumerate(spans):
                error = read[first:last] - (true[first - 1 : last - 1] + true[first:last]) / 2
                found.setdefault((place, way), []).append(float((error**2).mean()))
    for place, (first, last) in enumerate(spans):
        errors = [f"{sqrt(statistics.fmean(found[place, way])):11.4f}" for way in WAYS]
        when = f"tick {first - STEADY_BEFORE:4d} to {last - 1 - STEADY_BEFORE:4d}"
        bound = f"{bounds[place]:8.4f}" if bounds[place] else "       -"
        print(f"{name:30s} {jitter:10s} {when:18s} {bound} {' '.join(errors)}", flush=True)


def spread_ms(jitter: str) -> float:
    """Standard deviation of a jitter in ms, 0 where none describes it."""
    return {"uniform": 1.0, "Gaussian": 1.0, "quantised": sqrt(1 + 1 / 12)}.get(jitter, 0.0)


def steady(bpm: float, jitter: str, clocks: int) -> None:
    """A tempo that stands still."""
    tempos = np.full(STEADY_BEFORE + 400, bpm)
    spans = [(STEADY_BEFORE, STEADY_BEFORE + 400)]
    bound = bound_bpm(bpm, spread_ms(jitter), WINDOW)
    row(f"steady {bpm:g}", tempos, spans, [bound], jitter, clocks)


def step(bpm: float, by: float, jitter: str, clocks: int) -> None:
    """A tempo that steps; read one, two and four beats after."""
    tempos = np.concatenate([np.full(STEADY_BEFORE, bpm), np.full(110, bpm + by)])
    after = (24, 48, 96)
    spans = [(STEADY_BEFORE + n, STEADY_BEFORE + n + 1) for n in after]
    bounds = [bound_bpm(bpm + by, spread_ms(jitter), n) for n in after]
    row(f"step {bpm:g} {by:+g}", tempos, spans, bounds, jitter, clocks)


def ramp(bpm: float, a_bar: float, jitter: str, clocks: int) -> None:
    """A tempo that moves for eight bars; read in bars 1, 2, 4 and 8 of it and in both after."""
    moving = bpm + a_bar * (np.arange(8 * BAR) + 0.5) / BAR
    tempos = np.concatenate([np.full(STEADY_BEFORE, bpm), moving, np.full(2 * BAR, moving[-1])])
    spans = [
        (STEADY_BEFORE + 1 + (bar - 1) * BAR, STEADY_BEFORE + 1 + bar * BAR)
        for bar in (1, 2, 4, 8, 9, 10)
    ]
    spans[-1] = (spans[-1][0], len(tempos))
    row(f"ramp {bpm:g} {a_bar:+g} a bar", tempos, spans, [0.0] * 6, jitter, clocks)


def cost() -> None:
    """Microseconds a tick, steady and through changes; a bare call and a counter as a baseline."""
    rng = np.random.default_rng(0)
    changes = np.concatenate([np.full(300, bpm) for bpm in rng.uniform(60, 200, 30)])
    for name, tempos in (("steady", np.full(20_000, 122.0)), ("a change every 300", changes)):
        heard = [int(t) for t in gaussian(ticks(tempos, rng), rng)]
        tracker = TempoTracker()
        spent = []
        for t in heard:
            start = time.perf_counter_ns()
            tracker.hear(t)
            spent.append((time.perf_counter_ns() - start) / 1000)
        counter = iter(range(len(heard) + 1))
        bare = []
        for _ in heard:
            start = time.perf_counter_ns()
            next(counter)
            bare.append((time.perf_counter_ns() - start) / 1000)
        p50, p90, p99 = np.percentile(spent[300:], [50, 90, 99])
        print(
            f"cost, {name}: median {p50:.2f} us a tick, mean {statistics.fmean(spent):.2f}, "
            f"90 % {p90:.1f}, 99 % {p99:.1f}, most {max(spent):.0f}; "
            f"baseline {statistics.median(bare):.2f}"
        )


def main() -> None:
    """Print everything."""
    clocks = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    cost()
    print(f"{'':30s} {'jitter':10s} {'read at':18s} {'bound':>8s}", end=" ")
    print(" ".join(f"{way:>11s}" for way in WAYS))
    for jitter in JITTERS:
        for bpm in (40, 80, 122, 180, 300):
            steady(bpm, jitter, clocks)
    for jitter in JITTERS:
        for bpm, by in ((122, 1), (122, 5), (122, -20), (122, 60), (40, 2), (280, 20)):
            step(bpm, by, jitter, clocks)
    for jitter in JITTERS:
        for a_bar in (0.5, 2.5, -4):
            ramp(120, a_bar, jitter, max(1, clocks // 4))
    worst = [
        (rms([r - 122 - by for r in _a_beat_after(by, clocks)]) / bound_bpm(122 + by, 1.0, 24), by)
        for by in (0.2, 0.3, 0.4, 0.5, 0.6, 0.8)
    ]
    ratio, size = max(worst)
    print(f"worst step one beat after, Gaussian, 122: {size:+g}, {ratio:.2f} times the bound")


def _a_beat_after(by: float, clocks: int) -> list[float]:
    tempos = np.concatenate([np.full(STEADY_BEFORE, 122.0), np.full(24, 122.0 + by)])
    rngs = [np.random.default_rng(seed) for seed in range(clocks)]
    return [by_tracker([int(t) for t in gaussian(ticks(tempos, r), r)])[-1] for r in rngs]


if __name__ == "__main__":
    main()
