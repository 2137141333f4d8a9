"""Departures: where and how clearly the latest ticks leave the line of those before. Pure.

A departure is a jump (all late by as much), a bend (a new tempo) or a swerve (a tempo that moves)
that began some ticks ago. It is judged by what it takes off the sum of squares (generalised
likelihood ratio; S. Kay, Fundamentals of Statistical Signal Processing, volume 2: Detection Theory,
1998; from memory), less a cost: the shorter it is, the more harm is done by a false one.
"""

from __future__ import annotations

from enum import IntEnum
from functools import cache, lru_cache
from itertools import accumulate
from math import exp, log
from typing import NamedTuple

from companion.follow.lines import MASK, Line, Sums, parabola

# One bar of 4/4. A longer line is finer while the tempo stands still, but then a step as small as
# chance goes unseen for longer: with two bars no tracker can be within 1.15 of its bound when
# steady and within 1.5 from a beat after every step; with one bar there is room for both
# (tests/bench/bench_tempo_bound.py).
WINDOW = 96
# Stretches at whose start a departure is looked for, in ticks: so close that a bend half-way
# between two is as clear from either. What lies between is climbed to.
STRETCHES = (6, 8, 12, 17, 20, 24, 28, 34, 40, 48, 57, 68, 80, 90)
SHORTEST = 5

# How clear a jump, bend or swerve must be to be as likely as none, beyond its cost, in units of 2
# log odds. Set by trial with 1000 Gaussian clocks, as SHORT, TOO_SHORT, DEAR and SHRINK are: false
# ones then add 11 % to the error of a steady line (asked for: 15 %), and the worst step is read
# within 1.46 of its bound (asked for: 1.5; least possible, that steady: 1.37). BEND lower by 0.5
# adds 2 % more and reads the worst step 0.02 better; with SWERVE lower by 2 large steps soon after
# their start pass for swerves. Two departures in a bar are rarer than one, so along a line a swerve
# must be clearer, along a parabola a bend.
JUMP, BEND, SWERVE = 15.5, 7.5, 13.0
JUMP_CURVED, BEND_CURVED, SWERVE_CURVED = 15.0, 14.0, 9.0
NEED, NEED_CURVED = (JUMP, BEND, SWERVE), (JUMP_CURVED, BEND_CURVED, SWERVE_CURVED)
# Near enough to these to look closely.
NEAR = 5.0
# Shorter than a beat nobody asks for a new tempo, and false ones do most harm: so much the dearer.
# Of a step a beat ago the latest 20 ticks tell nearly as much as all 24.
SHORT, TOO_SHORT = 20, 11.0
# What the log of the harm done by a false departure adds to its cost. 2 would make all lengths do
# as much harm; less is better for short steps, as SHRINK takes the worst off false ones.
DEAR = 1.4
# A doubtful departure looks larger than it is, since it was picked for being clear: it is taken to
# be smaller by what shares this with its own clearness (as J. Stein's estimator shrinks a mean).
SHRINK = 4.5
# Stretches at which a new tempo is looked for after every tick.
PRESSING = (17, 24, 34, 48, 68)
# A bend clearer than this is known to have begun near the likeliest place.
CLEAR = 25.0
# A jump, bend or swerve this clear, and clearer than the other kinds by so much, begins a new line.
# A large step soon after it began may look like a swerve by up to about 10.
# A tempo of 120 that moves by 2.5 in a bar is, through 1 ms of jitter, no clearer than about 230.
CERTAIN, MARGIN = (250.0, 250.0, 100.0), (8.0, 8.0, 12.0)

# A stretch: ticks, the sums of powers over it, norm and cost of each kind.
Powers = tuple[int, int, int, int, int]
Row = tuple[int, Powers, float, float, float, float, float, float]


class Kind(IntEnum):
    """How ticks may leave a line: all late by as much, a new tempo, a tempo that moves."""

    JUMP = 0
    BEND = 1
    SWERVE = 2


class Shape(NamedTuple):
    """One departure of size 1 less what the line itself takes up of it.

    `norm` is its sum of squares, `at`, `period` and `curve` what it adds to the line at the latest
    tick, `cost` how much clearer than another it must be because an error of it does more harm.
    """

    norm: float
    at: float
    period: float
    curve: float
    cost: float


class Departure(NamedTuple):
    """How clearly the latest `ticks` ticks leave the line, and what that adds to it.

    `chi2` is what it takes off the sum of squares, in units of the noise; `size` is in ns.
    """

    kind: Kind
    ticks: int
    chi2: float
    cost: float
    size: float
    at: float
    period: float
    curve: float

    @property
    def merit(self) -> float:
        """How clear it is for what it costs."""
        return self.chi2 - self.cost


def look(sums: Sums, count: int, line: Line, noise: float) -> list[Departure]:
    """The clearest departure of each kind that is likely off the line through `count` ticks.

    A doubtful bend is given once for each place where it may have begun.
    `noise` is the variance of the timing error in ns^2.
    """
    first = glance(sums, count, line, noise)
    curved = line[2] != 0.0
    most = longest(count, curved)
    need = NEED_CURVED if curved else NEED
    found = []
    for kind, (merit, ticks) in zip(Kind, first, strict=True):
        clear = merit - need[kind]
        if clear <= -NEAR:
            continue
        if kind is Kind.BEND and clear < CLEAR and not curved:
            found += [depart(sums, count, line, noise, kind, m) for m in STRETCHES if m <= most]
        else:
            found.append(climb(sums, count, line, noise, kind, ticks))
    return found


def pressing(sums: Sums, count: int, line: Line, noise: float) -> bool:
    """Whether a bend of about one to three beats is likely enough to look closely at once.

    As `glance`, but quicker.
    """
    at, period, curve = line
    n = sums.n
    s0, s1 = sums.s0, sums.s1
    i = n & MASK
    e0, e1 = s0[i], s1[i]
    for m, x0, x1, x2, x3, least in _pressing(count, curve != 0.0):
        j = (n - m) & MASK
        t0 = e0 - s0[j]
        r0 = t0 - (at * x0 + period * x1 + curve * x2)
        r1 = e1 - s1[j] - n * t0 - (at * x1 + period * x2 + curve * x3)
        match = r1 + m * r0
        if match * match > least * noise:
            return True
    return False


def weigh(line: Line, found: list[Departure]) -> tuple[Line, Departure | None]:
    """The line with each departure in the measure of its odds, and the one that is certain."""
    need = NEED_CURVED if line[2] else NEED
    clear = [d.merit - need[d.kind] for d in found]
    top = max(0.0, *clear)
    weights = [exp((c - top) / 2) for c in clear]
    odds = exp(-top / 2) + sum(weights)
    at, period, curve = line
    for departure, weight in zip(found, weights, strict=True):
        share = weight / odds * departure.chi2 / (departure.chi2 + SHRINK)
        at += share * departure.at
        period += share * departure.period
        curve += share * departure.curve
    best = found[clear.index(max(clear))]
    others = [c for c, d in zip(clear, found, strict=True) if d.kind is not best.kind]
    certain = (
        best.chi2 > CERTAIN[best.kind] and max(clear) - max(others, default=0.0) > MARGIN[best.kind]
    )
    return (at, period, curve), best if certain else None


def depart(sums: Sums, count: int, line: Line, noise: float, kind: Kind, ticks: int) -> Departure:
    """Judge whether the latest `ticks` of the `count` ticks through which `line` goes leave it.

    `noise` is the variance of the timing error in ns^2.
    """
    at, period, curve = line
    shape = shape_of(kind, count, ticks, curve != 0.0)
    n = sums.n
    i, j = n & MASK, (n - ticks) & MASK
    x0, x1, x2, x3, x4 = _POWERS[ticks]
    t0 = sums.s0[i] - sums.s0[j]
    d1 = sums.s1[i] - sums.s1[j]
    match = t0 - (at * x0 + period * x1 + curve * x2)
    if kind is not Kind.JUMP:
        r1 = d1 - n * t0 - (at * x1 + period * x2 + curve * x3)
        if kind is Kind.BEND:
            match = r1 + ticks * match
        else:
            t2 = sums.s2[i] - sums.s2[j] - 2 * n * d1 + n * n * t0
            r2 = t2 - (at * x2 + period * x3 + curve * x4)
            match = r2 + 2 * ticks * r1 + ticks * ticks * match
    size = match / shape.norm
    chi2 = size * match / noise
    add = (size * shape.at, size * shape.period, size * shape.curve)
    return Departure(kind, ticks, chi2, shape.cost, size, *add)


def glance(sums: Sums, count: int, line: Line, noise: float) -> list[tuple[float, int]]:
    """The clearest jump, bend and swerve among the `STRETCHES`: merit and ticks of each.

    As `depart`, but one round over all of them at once for speed.
    """
    at, period, curve = line
    n = sums.n
    s0, s1, s2 = sums.s0, sums.s1, sums.s2
    i = n & MASK
    e0, e1, e2 = s0[i], s1[i], s2[i]
    nn = n * n
    jump = bend = swerve = -1e9
    jump_ticks = bend_ticks = swerve_ticks = SHORTEST
    for m, powers, jump_norm, jump_cost, bend_norm, bend_cost, swerve_norm, swerve_cost in _rows(
        count, curve != 0.0
    ):
        x0, x1, x2, x3, x4 = powers
        j = (n - m) & MASK
        t0 = e0 - s0[j]
        d1 = e1 - s1[j]
        r0 = t0 - (at * x0 + period * x1 + curve * x2)
        merit = r0 * r0 / (jump_norm * noise) - jump_cost
        if merit > jump:
            jump = merit
            jump_ticks = m
        r1 = d1 - n * t0 - (at * x1 + period * x2 + curve * x3)
        match = r1 + m * r0
        merit = match * match / (bend_norm * noise) - bend_cost
        if merit > bend:
            bend = merit
            bend_ticks = m
        r2 = e2 - s2[j] - 2 * n * d1 + nn * t0 - (at * x2 + period * x3 + curve * x4)
        match = r2 + m * (2 * r1 + m * r0)
        merit = match * match / (swerve_norm * noise) - swerve_cost
        if merit > swerve:
            swerve = merit
            swerve_ticks = m
    return [(jump, jump_ticks), (bend, bend_ticks), (swerve, swerve_ticks)]


def climb(sums: Sums, count: int, line: Line, noise: float, kind: Kind, ticks: int) -> Departure:
    """From a departure `ticks` long to the clearest one near it."""
    most = longest(count, line[2] != 0.0)
    ticks = min(ticks, most)
    best = depart(sums, count, line, noise, kind, ticks)
    step = max(1, ticks // 6)
    while True:
        here = best.ticks
        for there in (here - step, here + step):
            if SHORTEST <= there <= most:
                found = depart(sums, count, line, noise, kind, there)
                if found.merit > best.merit:
                    best = found
        if best.ticks == here:
            if step == 1:
                return best
            step //= 2


def longest(count: int, curved: bool) -> int:
    """The longest stretch that can be told from a line or curve through `count` ticks."""
    return count - (4 if curved else 2)


@lru_cache(maxsize=4096)
def shape_of(kind: Kind, count: int, ticks: int, curved: bool) -> Shape:
    """The shape of a departure over the latest `ticks` of `count` ticks, by closed sums."""
    m = ticks
    # Sums of the powers of the place in the stretch, 1 ... m; `a` leads to the place about the
    # middle of all ticks.
    p1 = m * (m + 1) / 2
    p2 = p1 * (2 * m + 1) / 3
    a = (count - 1) / 2 - m
    end = (count - 1) / 2
    if kind is Kind.JUMP:
        norm, g0, g1, g2 = float(m), float(m), p1 + a * m, p2 + 2 * a * p1 + a * a * m
        at, period, curve = 1.0, 0.0, 0.0
    elif kind is Kind.BEND:
        norm, g0, g1, g2 = p2, p1, p2 + a * p1, p1 * p1 + 2 * a * p2 + a * a * p1
        at, period, curve = float(m), 1.0, 0.0
    else:
        p3 = p1 * p1
        norm = p2 * (3 * m * m + 3 * m - 1) / 5
        g0, g1, g2 = p2, p3 + a * p2, norm + 2 * a * p3 + a * a * p2
        at, period, curve = float(m * m), 2.0 * m, 1.0
    size = count * count - 1
    c0 = g0 / count
    c1 = 12 * g1 / (count * size)
    norm -= c0 * g0 + c1 * g1
    at -= c0 + c1 * end
    period -= c1
    spread = 12.0
    if curved:
        g2 -= size / 12 * g0
        c2 = g2 / parabola(count)
        norm -= c2 * g2
        at -= c2 * (end * end - size / 12)
        period -= 2 * c2 * end
        curve -= c2
        spread = 192.0
    # A false departure harms by its own variance over that of the line's period (Cramer-Rao
    # bound 12 s^2/N^3, for a parabola's end 192 s^2/N^3), so its chance must fall as that grows.
    # A false jump does little, but must not win by being cheap: it costs as a bend does.
    harm = 3 / m**3 if kind is Kind.JUMP else period * period / norm
    cost = DEAR * log(max(1.0, harm * count**3 / spread))
    cost += min(TOO_SHORT, TOO_SHORT / 6 * max(0, SHORT - m))
    return Shape(norm, at, period, curve, cost)


# Sums of 1, x, x^2, x^3, x^4 over the latest m ticks, x = 0, -1 ... 1-m.
_POWERS: list[Powers] = [
    (0, 0, 0, 0, 0),
    *zip(*[accumulate([(-x) ** p for x in range(WINDOW)]) for p in range(5)], strict=True),
]


@cache
def _rows(count: int, curved: bool) -> list[Row]:
    rows: list[Row] = []
    for m in STRETCHES:
        if m <= longest(count, curved):
            jump, bend, swerve = (shape_of(kind, count, m, curved) for kind in Kind)
            norms = (jump.norm, jump.cost, bend.norm, bend.cost, swerve.norm, swerve.cost)
            rows.append((m, _POWERS[m], *norms))
    return rows


@cache
def _pressing(count: int, curved: bool) -> list[tuple[int, int, int, int, int, float]]:
    rows = []
    for m in PRESSING:
        if m <= longest(count, curved):
            bend = shape_of(Kind.BEND, count, m, curved)
            need = (NEED_CURVED if curved else NEED)[Kind.BEND]
            rows.append((m, *_POWERS[m][:4], bend.norm * (bend.cost + need - NEAR)))
    return rows
