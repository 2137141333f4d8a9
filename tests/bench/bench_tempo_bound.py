"""How well can small steps of tempo be read by whoever must read a steady tempo well?

Run: python -m tests.bench.bench_tempo_bound [clocks]

Of a tempo tracker two things are asked: at a steady tempo errors within 1.15 of the Cramer-Rao
bound for its window, and from one beat after a step within 1.5 of the bound for the ticks heard
since. But the bound for one bar of 4/4 is 8 times finer than that for one beat (for two bars 23
times), so who reads a steady tempo so finely may hardly ever take chance for a step, and must then
miss small steps that look like chance: the price of superefficiency (J. L. Hodges 1951; P. J.
Bickel, Minimax estimation of the mean of a normal distribution subject to doing well at a point,
1983; from memory). This prints the least price, and beside it what the tracker pays.

The argument. Let R0 be the mean square error at a steady tempo, Rj that after step j (so many ticks
ago, so large), each over the square of its bound, and q any weights of steps that sum to 1. The
worst of the Rj is at least their mean, so for every L >= 0, and every tracker with R0 <= r0,

    worst Rj  >=  sum of q_j R_j  >=  min over all estimators of (sum of q_j R_j + L R0)  -  L r0.

That least sum is had by the Bayes estimator for prior weights q_j, L, a mean of the steps weighted
by their likelihoods, and is found by random draws. It holds for any q and L; those that make it
highest are sought by letting the weight go where the error is large (multiplicative weights).
What is printed was found with fresh draws, less three standard errors, so it is a bound but for
one chance in a thousand.

Clocks are ideal: Gaussian jitter of known size, and either steady or bent once (the phase runs on,
which tells more than a line that begins anywhere). A tracker that knows less, or must expect ramps,
jumps and strays, can only do worse. Two bounds:

- for trackers that reckon with a window of one bar, as ours does (with one of two bars the second
  demand cannot be met together with the first). Since the demands hold for any
  tempo and moment, nothing is lost by an estimator that, when a line is added to the ticks, adds
  its slope to what it reads (Hunt and Stein; from memory). Such a one is the slope of the plain
  line plus something that depends on the residuals alone, and the two are independent;
- for anybody, told the old tempo and moment exactly and for nothing. Whoever remembers a clock that
  never drifts for hours comes near it.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from companion.follow.departures import WINDOW
from tests.follow.clocks import NS_PER_BPM, bound_bpm, bpm_at, gaussian, ticks

Array = NDArray[np.float64]
Seen = tuple[Array, Array, Array]

BPM = 122.0
# Ticks since the step, and its size in bounds for those ticks, of the steps that may be.
AGES = (24, 27, 30, 34, 38, 43, 48, 57, 68, 80, 96)
SIZES = (1.0, 1.5, 2.0, 2.25, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 6.0)
# Where the tracker is read, and the sizes of its steps in bounds for one beat.
READ = (24, 26, 28, 30, 34, 40, 48, 60, 72, 96)
STEPS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0)


def bound(heard: int) -> float:
    """Least standard deviation of the period that so many ticks allow, in those of the jitter."""
    return sqrt(12 / (heard * (heard**2 - 1)))


class Steps:
    """Steps that may have been, and how well estimators can tell them. Jitter is 1.

    `window` is how many ticks the estimators hear; None: they know the old line exactly.
    """

    def __init__(self, window: int | None) -> None:
        count = window or max(AGES)
        shapes = np.array([np.maximum(0.0, np.arange(count) + 1.0 - (count - m)) for m in AGES])
        share = np.ones(len(AGES))
        if window:
            place = np.arange(count) - (count - 1) / 2
            slopes = shapes @ place / (place @ place)
            shapes = shapes - shapes.mean(1, keepdims=True) - slopes[:, None] * place
            # The plain line follows the rest of a step by itself.
            share = 1 - slopes
        # Each shape times each: covariance of their matches with the ticks.
        self.gram = shapes @ shapes.T
        values, vectors = np.linalg.eigh(self.gram)
        self.root = vectors * np.sqrt(np.maximum(values, 0.0))
        # One of each for every step.
        self.age = np.repeat(np.arange(len(AGES)), len(SIZES))
        bounds = np.array([bound(m) for m in AGES])[self.age]
        self.size = np.tile(SIZES, len(AGES)) * bounds
        self.scale = 1 / bounds**2
        self.target = self.size * share[self.age]
        self.half = self.size**2 * np.diag(self.gram)[self.age] / 2
        self.own = bound(WINDOW) ** 2 if window else 0.0

    def draw(self, mix: Array, draws: int, rng: np.random.Generator) -> Seen:
        """Likelihoods of what half steady clocks and half steps of the shares `mix` would show.

        Of each step upwards, each downwards, and of none, over the density drawn from.
        """
        step = rng.choice(len(mix), draws, p=mix)
        way = rng.choice([-1.0, 0.0, 0.0, 1.0], draws)
        match = rng.normal(size=(draws, len(AGES))) @ self.root.T
        match += (way * self.size[step])[:, None] * self.gram[self.age[step]]
        along = self.size * match[:, self.age]
        top = np.maximum(0.0, (np.abs(along) - self.half).max(1))
        up = np.exp(along - self.half - top[:, None])
        down = np.exp(-along - self.half - top[:, None])
        none = np.exp(-top)
        density = none / 2 + (up + down) @ mix / 4
        return up / density[:, None], down / density[:, None], none / density

    def added(self, weights: Array, steady_weight: float, seen: Seen) -> Array:
        """What the Bayes estimator adds to the plain line."""
        up, down, none = seen
        w = weights * self.scale
        found: Array = ((up - down) / 2 @ (w * self.target)) / (
            steady_weight * none + (up + down) / 2 @ w
        )
        return found

    def errors(self, added: Array, seen: Seen) -> tuple[float, Array]:
        """Mean squares: of what is added at a steady tempo, and of the error after each step."""
        up, down, none = seen
        off = added[:, None]
        squares = ((off - self.target) ** 2 * up + (off + self.target) ** 2 * down).mean(0) / 2
        return float((added**2 * none).mean()), (squares + self.own) * self.scale

    def least_worst(self, steady: float, rounds: int = 300) -> float:
        """Lower bound of the worst error after a step, in its bound, at that error when steady."""
        allowed = (steady * bound(WINDOW)) ** 2 - self.own
        rng = np.random.default_rng(1)
        q = np.full(len(self.size), 1 / len(self.size))
        weight = 300 / bound(AGES[0]) ** 2
        mean_q, logs = np.zeros_like(q), []
        for k in range(rounds):
            seen = self.draw(0.3 / len(q) + 0.7 * q, 1500, rng)
            added = self.added(q, weight, seen)
            idle, after = self.errors(added, seen)
            pace = 0.5 / (1 + k / 100)
            q = q * np.exp(pace * (after - after.max()))
            q /= q.sum()
            weight *= float(np.exp(np.clip(pace / 2 * (idle / allowed - 1), -0.3, 0.3)))
            if k >= rounds // 2:
                mean_q += q
                logs.append(np.log(weight))
        q, weight = mean_q / mean_q.sum(), float(np.exp(np.mean(logs)))
        found = []
        w = q * self.scale
        for _ in range(40):
            # Mean square of the target less that of its posterior mean: no step is drawn twice.
            seen = self.draw(0.3 / len(q) + 0.7 * q, 3000, rng)
            up, down, none = seen
            total = weight * none + (up + down) / 2 @ w
            gain = self.added(q, weight, seen) ** 2 * total
            found.append(w @ (self.target**2 + self.own) - gain.mean() - weight * allowed)
        sure = float(np.mean(found) - 3 * np.std(found) / sqrt(len(found) - 1))
        return sqrt(max(0.0, sure))


def rms(errors: Sequence[float] | Array) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.mean(np.square(errors))))


def tracker_steady(clocks: int) -> float:
    """Error of the tracker at a steady tempo, in the bound for its window.

    What it adds to the plain line, and the plain line's own error: so chance in the latter, which
    is known, does not blur the figure.
    """
    place = np.arange(WINDOW) - (WINDOW - 1) / 2
    added = []
    at = range(300, 700, 2)
    for seed in range(clocks):
        rng = np.random.default_rng(seed)
        heard = gaussian(ticks([BPM] * 700, rng), rng)
        for n, read in zip(at, bpm_at(heard, at), strict=True):
            slope = (heard[n - WINDOW : n] - heard[n - WINDOW]) @ place / (place @ place)
            added.append((read - NS_PER_BPM / slope) / bound_bpm(BPM, 1.0, WINDOW))
    return sqrt(1 + rms(added) ** 2)


def tracker_step(size: float, clocks: int) -> list[float]:
    """Errors of the tracker at `READ` after a step of `size` bounds, in the bound there."""
    rows = []
    for seed in range(clocks):
        rng = np.random.default_rng(seed)
        after = BPM + rng.choice([-1, 1]) * size * bound_bpm(BPM, 1.0, READ[0])
        first = 300 + int(rng.integers(0, 8))
        heard = gaussian(ticks([BPM] * (first - 1) + [after] * max(READ), rng), rng)
        read = bpm_at(heard, [first + n for n in READ])
        rows.append(
            [(r - after) / bound_bpm(after, 1.0, n) for r, n in zip(read, READ, strict=True)]
        )
    return [rms(column) for column in np.array(rows).T]


def main() -> None:
    """Print the price asked and the price paid."""
    clocks = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    windowed, anybody = Steps(WINDOW), Steps(None)
    print("Worst error after a step that nobody goes below, in the bound for the ticks since:")
    steadies = [1.03, 1.06, 1.10, 1.15, 1.3]
    found = tracker_steady(clocks)
    print(f"{'steady, in its bound':28s} {'in a window':>12s} {'by anybody':>12s}")
    for steady in steadies:
        limits = [s.least_worst(steady) for s in (windowed, anybody)]
        print(f"{steady:<28.2f} {limits[0]:12.2f} {limits[1]:12.2f}", flush=True)
    least = windowed.least_worst(found)
    print(
        f"\nThe tracker, {clocks} clocks, Gaussian 1 ms, {BPM:g}; steady {found:.3f} of its bound"
    )
    print(f"{'ticks after the step':28s} {' '.join(f'{n:6d}' for n in READ)}")
    worst = np.zeros(len(READ))
    for size in STEPS:
        row = tracker_step(size, clocks)
        worst = np.maximum(worst, row)
        bpm = size * bound_bpm(BPM, 1.0, READ[0])
        name = f"step of {size:g} bounds ({bpm:.2f})"
        print(f"{name:28s} {' '.join(f'{r:6.2f}' for r in row)}", flush=True)
    print(f"{'worst':28s} {' '.join(f'{r:6.2f}' for r in worst)}")
    print(
        f"worst of all {worst.max():.2f}; as steady as this none in a window gets below {least:.2f}"
    )


if __name__ == "__main__":
    main()
