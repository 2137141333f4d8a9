"""Clocks to listen to: the true times of their ticks, and the times as heard through jitter.

All times in nanoseconds; a seed makes each one again exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.float64]
MS = 1e6
# 60 s x 1e9 / 24 ticks to the quarter note (MIDI 1.0): period in ns = this / beats a minute.
NS_PER_BPM = 2.5e9


def ticks(bpms: Sequence[float] | Times, rng: np.random.Generator) -> Times:
    """True times of a clock whose intervals have these tempos; it starts at any moment."""
    times = np.concatenate([[0.0], np.cumsum(NS_PER_BPM / np.asarray(bpms))])
    return times + rng.uniform(0, 1e9)


def gaussian(times: Times, rng: np.random.Generator, ms: float = 1.0) -> Times:
    """Independent Gaussian jitter of `ms` standard deviation."""
    return times + rng.normal(0, ms * MS, len(times))


def uniform(times: Times, rng: np.random.Generator, ms: float = 1.0) -> Times:
    """Independent uniform jitter of `ms` standard deviation."""
    return times + rng.uniform(-ms * MS * 3**0.5, ms * MS * 3**0.5, len(times))


def quantised(times: Times, rng: np.random.Generator, ms: float = 1.0) -> Times:
    """Gaussian jitter, and times given in whole milliseconds."""
    return np.floor(gaussian(times, rng, ms) / MS) * MS


def bursty(times: Times, rng: np.random.Generator, ms: float = 0.3) -> Times:
    """Ticks handed on in USB frames of 1 ms; now and then the host stalls and many come at once.

    Stalls of 5 to 40 ms, about one in 60 ticks.
    """
    heard = np.ceil(gaussian(times, rng, ms) / MS) * MS
    k = int(rng.exponential(60)) + 1
    while k < len(times):
        until = times[k] + rng.uniform(5, 40) * MS
        late = (times >= times[k]) & (times < until)
        heard[late] = np.maximum(heard[late], until)
        k += int(rng.exponential(60)) + 1
    return heard


JITTERS: dict[str, Callable[..., Times]] = {
    "uniform": uniform,
    "Gaussian": gaussian,
    "quantised": quantised,
    "bursty": bursty,
}


def bound_bpm(bpm: float, ms: float, heard: int) -> float:
    """Least standard deviation of the tempo that so many ticks allow, in beats a minute.

    Cramer-Rao bound for a line in white noise: variance of the period 12 s^2/(N (N^2 - 1))
    (S. Kay, Fundamentals of Statistical Signal Processing, 1993).
    """
    return bpm**2 / NS_PER_BPM * ms * MS * (12 / (heard * (heard**2 - 1))) ** 0.5


def rms(errors: Sequence[float] | Times) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.mean(np.square(errors))))
