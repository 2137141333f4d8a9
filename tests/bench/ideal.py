"""What can be known of a count at best: a forward filter that knows the generator's laws exactly.

The posterior over (tick, mode of the knob, phase, period) is kept on a grid: of all histories with
the same tick and mode, those whose phase and period fall into one cell share a Gaussian of their
own, by its moments. Each history branches at each message over all that the laws of
`tests.follow.streams` allow (any number lost, a copy, held up, pressed by the one before, the knob
touched or let go, a jump, a slip), and none is dropped above a chance of `FORGET`. So the tail over
the tick is enumerated, not drawn, which particles could not do down to one in ten million.

How late a message is has its exact law: |N|, an even draw, or what the one before it leaves over;
the weight and the moments of each are those of the Gaussian truncated by it, in closed form (for
the pressed ones by Gauss-Hermite quadrature). What is not exact: a cell is a Gaussian (assumed
density), and a period wanders by a millionth a tick, so that rounding cannot exclude the truth.
`fine` doubles the grid, the prior's grid and forgets later: the share of sure ticks must not move.

Times are milliseconds inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

from tests.follow.streams import BUNCH_MS, COPY_MS, MS, NS_PER_BPM, Laws, Stream

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# A cell: its phase in parts of the jitter, its period in parts of itself where the jitter is 1 ms.
CELL, CELL_PERIOD = 0.4, 0.006
FORGET = 1e-13
# Histories less likely than this begin no jump: with its own chance they would be forgotten.
JUMPS_FROM = 1e-9
WANDER = 1e-6
SURE_MORE, SURE_ONE = 1e-7, 1e-3
# A doubt this small that moved by less than a fiftieth at each of so many messages is let go.
SMALL, STILL, STEADY = 1e-4, 0.02, 48
SLOWEST, FASTEST = 35.0, 340.0
_AT, _WEIGHT = np.polynomial.hermite_e.hermegauss(32)
_WEIGHT = _WEIGHT / _WEIGHT.sum()


@dataclass(frozen=True, slots=True)
class Known:
    """What was known after each message: the likeliest tick, and how likely it is off.

    `alive` is how many cells were kept, `dropped` the sum of the doubts let go because
    nothing could settle them.
    """

    tick: Ints
    by_one: Floats
    by_more: Floats
    alive: Ints
    dropped: float

    @property
    def sure(self) -> Bools:
        """Where the count may be called sure."""
        return (self.by_more < SURE_MORE) & (self.by_one < SURE_ONE)


@dataclass(slots=True)
class _Cells:
    """Histories: weight, tick, mode (-1, 0, 1), whether the latest message was no copy; Gaussian.

    `s` when the tick was sent, `p` the period, with variances and covariance.
    """

    w: Floats
    n: Ints
    mode: Ints
    fresh: Bools
    s: Floats
    p: Floats
    vs: Floats
    c: Floats
    vp: Floats

    def where(self, these: Bools | Ints) -> _Cells:
        return _Cells(*(getattr(self, name)[these] for name in self.__slots__))

    def weighed(self, by: Floats | float) -> _Cells:
        return _Cells(self.w * by, *(getattr(self, name) for name in self.__slots__[1:]))


def _joined(parts: list[_Cells]) -> _Cells:
    if len(parts) == 1:
        return parts[0]
    return _Cells(
        *(np.concatenate([getattr(each, name) for each in parts]) for name in _Cells.__slots__)
    )


class Ideal:
    """The filter for one clock by known laws; `fine` of 2 is twice as fine in all it does."""

    def __init__(self, laws: Laws, fine: int = 1) -> None:
        self._laws = laws
        self._fine = fine
        self._forget = FORGET / (100 ** (fine - 1))
        self._cell_ms = CELL * laws.jitter_ms / fine
        self._cell_period = CELL_PERIOD * min(laws.jitter_ms, 1.0) / fine
        self._period = NS_PER_BPM / laws.bpm / MS
        self._cells: _Cells | None = None
        self._last = 0.0
        # Where a jump may lead: its span in Gaussians.
        many = 24 * fine
        at = (np.arange(many) + 0.5) / many * 2 - 1
        self._jumped = self._period * np.exp(laws.span * at)
        self._jumped_v = (self._jumped * 2 * laws.span / many) ** 2 / 12

    def hear(self, t_ms: float) -> _Cells:
        """Take a message; returns the cells, their weights adding up to one."""
        was = self._cells
        cells = self._first(t_ms) if was is None else self._next(was, t_ms)
        self._last = t_ms
        cells = cells.where(cells.w > self._forget * cells.w.sum())
        cells = self._merged(cells)
        cells.w = cells.w / cells.w.sum()
        self._cells = cells
        return cells

    def settle(self, tick: int) -> None:
        """Take it that the latest message was this tick."""
        if self._cells is not None:
            cells = self._cells.where(self._cells.n == tick)
            self._cells = cells.weighed(1 / cells.w.sum())

    def _first(self, t_ms: float) -> _Cells:
        many = round(np.log(FASTEST / SLOWEST) / 0.01) * self._fine
        period = NS_PER_BPM / MS / np.geomspace(SLOWEST, FASTEST, many)
        step = np.log(FASTEST / SLOWEST) / many
        ones = np.ones(many)
        jitter = self._laws.jitter_ms
        # |N|: mean and variance (half-normal).
        mean, var = jitter * (2 / np.pi) ** 0.5, jitter**2 * (1 - 2 / np.pi)
        zero = np.zeros(many, np.int64)
        return _Cells(
            ones / many,
            zero,
            zero,
            ones > 0,
            ones * (t_ms - mean),
            period,
            ones * var,
            0 * ones,
            (period * step) ** 2 / 6,
        )

    def _next(self, cells: _Cells, t_ms: float) -> _Cells:
        laws = self._laws
        since = t_ms - self._last
        parts = []
        if laws.doubled:
            was = cells.where(cells.fresh)
            low, high = COPY_MS
            # Arrivals are cut to whole nanoseconds.
            if low - 1e-5 <= since <= high + 1e-5 and len(was.w):
                copies = was.weighed(laws.doubled / (high - low))
                copies.fresh = np.zeros(len(copies.w), np.bool_)
                parts.append(copies)
            cells = cells.weighed(np.where(cells.fresh, 1 - laws.doubled, 1.0))
        cells = self._stepped(cells)
        while True:
            parts += self._weighed(cells.weighed(1 - laws.lost), t_ms, since)
            if not laws.lost:
                break
            # Sent, and lost: the one after it may be this one.
            near = (cells.w * laws.lost > self._forget / 100) & (
                cells.s + cells.p - t_ms < 9 * np.sqrt(cells.vs + cells.vp + 2 * abs(cells.c))
            )
            if not near.any():
                break
            cells = self._stepped(cells.where(near).weighed(laws.lost))
        return _joined(parts)

    def _stepped(self, cells: _Cells) -> _Cells:
        """The next tick is sent."""
        laws = self._laws
        parts = [cells]
        if laws.turned:
            still, turning = cells.where(cells.mode == 0), cells.where(cells.mode != 0)
            freed = turning.weighed(laws.let_go)
            freed.mode = np.zeros(len(freed.w), np.int64)
            still = _joined([still, freed])
            parts = [still.weighed(1 - laws.turned), turning.weighed(1 - laws.let_go)]
            for mode in (-1, 1):
                touched = still.weighed(laws.turned / 2)
                touched.mode = np.full(len(touched.w), mode)
                parts.append(touched)
            cells = _joined(parts)
            cells = cells.where(cells.w > self._forget / 100)
            grown = np.exp(laws.turn * cells.mode)
            cells.p, cells.vp, cells.c = cells.p * grown, cells.vp * grown**2, cells.c * grown
        if laws.jumps:
            at = self._merged(cells.where(cells.w > JUMPS_FROM / self._fine**2), 0)
            many = len(self._jumped)
            jumped = at.where(np.repeat(np.arange(len(at.w)), many))
            jumped = jumped.weighed(laws.jumps / many)
            jumped.p = np.tile(self._jumped, len(at.w))
            jumped.vp = np.tile(self._jumped_v, len(at.w))
            jumped.c = np.zeros(len(jumped.w))
            cells = _joined([cells.weighed(1 - laws.jumps), jumped])
        if laws.slips:
            cells = _joined([cells.weighed(1 - laws.slips), self._slipped(cells)])
        vp = cells.vp + (WANDER * cells.p) ** 2
        return _Cells(
            cells.w,
            cells.n + 1,
            cells.mode,
            np.ones(len(cells.w), np.bool_),
            cells.s + cells.p,
            cells.p,
            cells.vs + 2 * cells.c + vp,
            cells.c + vp,
            vp,
        )

    def _slipped(self, cells: _Cells) -> _Cells:
        """The sender stood still: the phase moves, in Gaussians of a millisecond."""
        low, high = self._laws.slip_ms
        many = round(high - low) * self._fine
        by = low + (np.arange(many) + 0.5) * (high - low) / many
        at = cells.where(cells.w > JUMPS_FROM / self._fine**2)
        late = at.where(np.repeat(np.arange(len(at.w)), many)).weighed(self._laws.slips / many)
        late.s = late.s + np.tile(by, len(at.w))
        late.vs = late.vs + ((high - low) / many) ** 2 / 12
        return late

    def _weighed(self, cells: _Cells, t_ms: float, since: float) -> list[_Cells]:
        """The tick last sent has arrived: in each way that it may be late."""
        laws = self._laws
        free = -np.expm1(-since / BUNCH_MS)
        x, v = t_ms - cells.s, cells.vs
        jitter = laws.jitter_ms**2
        both = v + jitter
        log = -x * x / (2 * both)
        # Prompt: x >= 0, cut from the product of both Gaussians.
        parts = []
        near = np.flatnonzero(log > -60)
        if len(near):
            x1, v1, b1 = x[near], v[near], both[near]
            mean, deviation = x1 * jitter / b1, np.sqrt(v1 * jitter / b1)
            below = -mean / deviation
            share = log_ndtr(-below)
            weight = 2 * np.exp(log[near] + share) / np.sqrt(2 * np.pi * b1)
            ratio = np.exp(-below * below / 2 - share) / (2 * np.pi) ** 0.5
            parts.append(
                _moved(
                    cells.where(near).weighed(weight * free * (1 - laws.held)),
                    t_ms - mean - deviation * ratio,
                    deviation**2 * np.maximum(1 - ratio * (ratio - below), 1e-6),
                )
            )
        if laws.held:
            low, high = laws.hold_ms
            sd = np.sqrt(v)
            near = np.flatnonzero((x > low - 9 * sd) & (x < high + 9 * sd))
            if len(near):
                x1, sd1 = x[near], sd[near]
                # Late by low to high: the mirror image of it where that is the nearer tail.
                flip = np.where(x1 * 2 > low + high, 1.0, -1.0)
                a = np.where(flip > 0, low - x1, x1 - high) / sd1
                b = np.where(flip > 0, high - x1, x1 - low) / sd1
                share = ndtr(-a) - ndtr(-b)
                share = np.where(a > 0, share, ndtr(b) - ndtr(a))
                kept = share > 1e-40
                x1, sd1, a, b, share, flip = (each[kept] for each in (x1, sd1, a, b, share, flip))
                fa, fb = _density(a), _density(b)
                shift = (fa - fb) / share
                spread = 1 + (a * fa - b * fb) / share - shift**2
                late = x1 + flip * sd1 * shift
                weight = share / (high - low) * laws.held * free
                parts.append(
                    _moved(
                        cells.where(near[kept]).weighed(weight),
                        t_ms - late,
                        sd1**2 * np.clip(spread, 1e-6, 1.0),
                    )
                )
        if since < 40 * BUNCH_MS and since > 0:
            density = np.exp(-since / BUNCH_MS) / BUNCH_MS
            sd = np.sqrt(v)
            near = np.flatnonzero(x > -8 * sd)
            if len(near):
                s = cells.s[near, None] + sd[near, None] * _AT
                each = _WEIGHT * self._by(t_ms - s)
                weight = each.sum(1)
                kept = weight > 1e-40
                near, s, each, weight = near[kept], s[kept], each[kept], weight[kept]
                mean = (each * s).sum(1) / weight
                var = (each * (s - mean[:, None]) ** 2).sum(1) / weight
                parts.append(
                    _moved(
                        cells.where(near).weighed(weight * density),
                        mean,
                        np.clip(var, 1e-6 * v[near], v[near]),
                    )
                )
        return parts

    def _by(self, late: Floats) -> Floats:
        """The chance that a tick is late by so much at most, of itself."""
        laws = self._laws
        low, high = laws.hold_ms
        prompt = np.where(late > 0, 2 * ndtr(late / laws.jitter_ms) - 1, 0.0)
        return (1 - laws.held) * prompt + laws.held * np.clip((late - low) / (high - low), 0, 1)

    def _merged(self, cells: _Cells, periods: int = 1) -> _Cells:
        """One Gaussian for each tick, mode and cell; without `periods` whatever the period is."""
        if len(cells.w) < 2:
            return cells
        s = np.floor(cells.s / self._cell_ms).astype(np.int64)
        p = np.floor(np.log(cells.p) / self._cell_period).astype(np.int64) * periods
        key = ((((s - s.min()) * 4096 + (p - p.min())) * 64 + (cells.n - cells.n.min())) * 3) * 2
        key += (cells.mode + 1) * 2 + cells.fresh
        _, first, to = np.unique(key, return_index=True, return_inverse=True)
        if len(first) == len(key):
            return cells
        many = len(first)

        def mean(of: Floats) -> Floats:
            return np.bincount(to, cells.w * of, many) / w

        w = np.bincount(to, cells.w, many)
        ms, mp = mean(cells.s), mean(cells.p)
        ds, dp = cells.s - ms[to], cells.p - mp[to]
        return _Cells(
            w,
            cells.n[first],
            cells.mode[first],
            cells.fresh[first],
            ms,
            mp,
            mean(cells.vs + ds * ds),
            mean(cells.c + ds * dp),
            mean(cells.vp + dp * dp),
        )


def _density(at: Floats) -> Floats:
    return np.exp(-at * at / 2) / (2 * np.pi) ** 0.5


def _moved(cells: _Cells, s: Floats, vs: Floats) -> _Cells:
    """The phase is known to be `s` with variance `vs`; the period follows by regression."""
    gain = cells.c / cells.vs
    cells.p = cells.p + gain * (s - cells.s)
    cells.vp = np.maximum(cells.vp - gain**2 * (cells.vs - vs), 1e-18)
    cells.c = gain * vs
    cells.s, cells.vs = s, vs
    return cells


def know(stream: Stream, laws: Laws | None = None, fine: int = 1, *, settle: bool = True) -> Known:
    """What the ideal filter knows after each message of a stream.

    By the stream's own laws, or by others. With `settle` a small doubt that no message moves any
    more (two histories on one lattice, a tick apart ever after) is dropped and added to `dropped`;
    without it, a clock that jumps now and then is unsure for ever after some minutes.
    """
    ideal = Ideal(laws or stream.laws, fine)
    tick, one, more, alive = [], [], [], []
    dropped, before, still = 0.0, 1.0, 0
    for t_ns in stream.t_ns:
        cells = ideal.hear(float(t_ns) / MS)
        low = int(cells.n.min())
        by = np.bincount(cells.n - low, cells.w)
        best = int(by.argmax())
        beside = by[max(best - 1, 0) : best].sum() + by[best + 1 : best + 2].sum()
        tick.append(low + best)
        one.append(float(beside))
        more.append(float(by[: max(best - 1, 0)].sum() + by[best + 2 :].sum()))
        alive.append(len(cells.w))
        doubt = one[-1] + more[-1]
        still = still + 1 if 0 < doubt < SMALL and abs(doubt - before) < STILL * before else 0
        before = doubt
        if settle and still == STEADY:
            dropped += doubt
            ideal.settle(low + best)
    return Known(np.array(tick), np.array(one), np.array(more), np.array(alive), dropped)
