"""How many clock ticks the instrument has sent: a posterior over number, phase and period. Pure.

Theory of operation
-------------------
Tick n is sent at s(n). Its period wanders a little, may be turned by hand, and rarely jumps. It
arrives at a(n) = s(n) + d, and d is never negative: mostly a small jitter whose size is learned,
now and then a hold-up with an exponential tail. Order is kept: what is held up holds back all
behind it, so a late tick with others close on its heels is a hold-up and nothing else. A tick is
lost with a small probability, doubled with a smaller one; a cable may be out for many; whoever
listens may be held up for seconds and hear all of it then. The sender may stand still for a part of
a period and go on from there.

What is learned: the jitter, how often ticks are lost, doubled and held up and for how long, how
close a bunch lies; a loss makes another more likely for a while, since losses come in bunches.

A **hypothesis** says which tick came last, how the tempo moves (its motion) and, as a Kalman filter
of two variables (Kalman 1960), when that tick was due and how long the period is. In calm there is
one, and a tick costs one update (`Count.hear`). An odd tick makes it branch (`_Brood`): the same
tick again, the next one, on time or held up, or one beyond those that were lost; with the motion it
had or another (several motions by Blom and Bar-Shalom 1988; hypotheses that branch, are weighed,
pruned and merged by moments: Bar-Shalom and Li on tracking with uncertain measurements). Each child
weighs what its parent did, times how common such a thing is (`RATES`), times how well it foretold
this arrival. What moves comes to rest by and by: its weight flows to a calmer hypothesis where one
agrees with it, else it begins one, which is a line since then. Beside them stands **nothing of the
kind**: arrivals that follow no such clock, as of two in one cable. It foretells every arrival
equally badly, so it counts for nothing until all others fail.

What is held up for long hides what the tempo does meanwhile, and so does a silence: a line that is
turned there, and one that jumps, begin with the hold-up or reach across the silence. Hypotheses
that count otherwise and foretell the same become one line with shares (`Hypothesis.beside`): no
tick moves one against the other, and they cost as much as one.

The count is the most probable tick; how far it may be wrong is read off the weights. Worlds that
no tick will ever tell apart (a jump of tempo, a longer stand of the sender, a residue below
`RESIDUE` on the very same line) begin below the line or are let go at once; what was pruned so is
added up in `let_go`. What is let go because there are too many counts as doubt for good. The same
hypotheses give the tempo with its error, the jitter, the time of coming ticks, and what a silence
means: the gap is one more step, over which the period's variance grows; where it has grown too far,
the weights of neighbouring ticks say so by themselves.

A driver may tell ticks in steps of some ms. Where the period is nearly in step with it, tick after
tick comes the same gap behind the last, as late as that one was, until one slips by a step: these
are no witnesses of the period, and are carried on without being weighed (`Count._carry`).

Times are whole nanoseconds outside; inside, milliseconds from the first arrival as floats.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import pairwise
from math import erfc, exp, inf, isfinite, log, pi, sqrt
from operator import itemgetter
from typing import Any, NamedTuple


class Rates(NamedTuple):
    """How common things are, a tick, and how large. Where each comes from stands beside it.

    Judgement: nobody measured it; what a change by a factor of three does to the share of sure
    ticks is printed by `python -m tests.bench.bench_sensitivity`.
    """

    # A tick is lost, or comes twice. Learned; these begin it. Recordings on a busy machine lose
    # 1 in 1,500 and 1 in 86 (tests/follow/recorded), a sound cable none.
    lost: float = 1 / 1000
    doubled: float = 1 / 1000
    # It is held up, and for how long on average (ms). Learned; judgement.
    held: float = 1 / 20
    held_ms: float = 15.0
    # So many of the hold-ups are of another kind, and as long as that (ms): judgement.
    stalled: float = 0.02
    stalled_ms: float = 80.0
    # What was held up comes as close behind what held it as this (ms): recorded on JACK, where
    # a whole block of 1.3 ms is handed on at once.
    behind_ms: float = 0.7
    # A tick that comes twice comes again as close as this (ms); or, in so many of the
    # cases, anywhere before the next: judgement.
    copy_ms: float = 1.0
    stray: float = 0.01
    # A cable is out, or whoever listens is held up past what the driver keeps: judgement.
    outage: float = 1e-6
    # Whoever listens is held up for long, and then hears all of it: judgement.
    stuck: float = 1e-7
    # The motion changes to a quicker one where a tick looks like it, and back at any: Blom and
    # Bar-Shalom's filter has such a table; the numbers are judgement.
    quicken: float = 8e-3
    calm_down: float = 2e-2
    # A hand begins to turn the tempo, a tick, where nobody sees it: judgement.
    turns: float = 1e-3
    # Where nothing was heard for some ticks, the tempo is another after them: judgement.
    bends: float = 1e-4
    # The sender stands still for less than a period and goes on: recorded on a JACK server that
    # came too late (tests/follow/recorded); how often is judgement.
    stands: float = 1e-5
    stands_ms: float = 7.0
    # The line grows quicker, by less than a driver's batch of some ms: a clock told in steps of
    # time falls back by one of them each time its ticks have slid through. Judgement.
    sooner: float = 3e-5
    sooner_ms: float = 2.0
    # The tempo jumps from one tick to the next, or the sender stands still for longer.
    # No tick can settle these, so they begin below the line of what matters (docs/faults.md), and
    # by so little that some odd ticks lift a jump above it before they pass for lost ones. A third
    # of it is seldom sure and wrong among losses; thrice as much costs hold-ups half a percent.
    jump: float = 3e-9
    slip: float = 1e-14
    # Something that is no such clock at all begins: judgement.
    nothing: float = 1e-17
    # Another clock begins in the same cable, or the tempo doubles or halves at once: judgement.
    another: float = 1e-13


RATES = Rates()

# How far the period wanders in a tick, as a share of itself: it stands still, drifts, is turned by
# hand. A clock by quartz or a sleeping loop holds its tempo; a ramp of 2.5 beats a minute a bar at
# 120 moves it by 2e-4 a tick. What has jumped goes on as if turned. The last three are the first
# again, of a line that has leapt.
MOTIONS = (1.5e-5, 4e-4, 5e-3, 5e-3, 1.5e-5, 4e-4, 5e-3)
STILL, DRIFTS, TURNED, JUMPED, LEAPT = range(5)
# The share of the period that a jump of tempo has, and a leap, as a standard deviation.
JUMP_SHARE, LEAP_SHARE = 0.2, 1.0
# A larger jump is a leap: twice the tempo may as well be two clocks in one cable. What has leapt is
# never sure, until a start or a person's word says that it is one clock. None is larger still.
JUMP_MOST, LEAP_MOST = 1.75, 3.0
# So likely a person's word fell into a bunch.
IN_A_BUNCH = 0.01
# From where on a jump is as rare as a leap, which the narrower of both does not foretell: such a
# share of the period, and so many standard deviations, for jitter is no jump.
FAR, PLAINLY = 1.4, 6.0
# Jumps inside a hold-up are looked at, at about these shares of the period.
QUICKER = (0.7, 0.5, 0.36)
# A start may come at any tempo; so many ticks after it the period is one to leap from.
KNOWN = 24

# Sure: wrong by more than a tick with less than this chance, wrong by one with less than that.
WRONG_BY_MORE, WRONG_BY_ONE = 1e-7, 1e-3
# A hypothesis of a tick of its own is let go below this share; one of a tick that a better one
# has too, below that; and if it is the calmer of both, below the last, since it may grow.
LEAST, LEAST_BESIDE, LEAST_CALMER = 1e-12, 1e-2, 1e-3
# A jump is let go where it counts as the best does, below this share of one that begins.
LEAST_JUMP = 0.1
# What counts otherwise, foretells the same and is rarer than this no tick will ever settle: a tempo
# that was turned out and back within a gap, which docs/faults.md takes for granted nobody does.
RESIDUE = 1e-5
# Hypotheses of one tick are one where they differ by less than this share of the period.
ALIKE = 0.05
MOST, MOST_ALIKE, MOST_BEGINNING = 64, 8, 128
# Of two ticks, they are one line where they differ by less than this share of their variance.
SAME = 0.05
# In calm a tick lies this near to where it was due, in standard deviations, and the latest few
# together so near to the line.
ODD, ASTRAY = 3.3, 3.0
# Ticks that the latter looks back on, about: a leaky sum.
LEAK = 0.9
_ASTRAY = ASTRAY / sqrt(1 - LEAK * LEAK)
# Nothing of the kind is over after so many ticks.
OVER = 0.02
# Another clock shows at each tick, as one that comes again or is lost: one that does neither
# speaks against it by so much. The most that it weighs, and from where on nobody knows any more
# which of the two was counted.
PLAIN, MOST_ANOTHER, MIXED = 0.1, 1.0, 0.01
# What it weighs behind a person's word, which tells of the count and not of the cable; and what one
# that does neither speaks against it from then on, for of two clocks each may be taken for half of
# one, and most of both are plain. So it takes a beat without an odd tick to be sure.
STILL_TWO, PLAIN_OF_TWO = 1e-3, 0.6
# A tick may be thrice as unsteady as most, or by this (ms) if that is more: so often. What seems
# steady for long may be a driver that tells whole milliseconds.
LOOSE, LOOSE_MS = 0.03, 1.0
# A tick may have been sent so long before it is thought to be due, in ticks.
EARLY = 0.1
# What comes behind another with this density (1/ms) or a larger one may have been held up by it.
CLOSE = 0.01
# Jitter in ms: at the beginning, and within what bounds it is learned.
JITTER, LEAST_JITTER, MOST_JITTER = 1.0, 0.03, 8.0
# A driver that hands on in steps of time shows in how the gaps between arrivals differ: not at all,
# or by whole steps (ms, within so much), so many times more often than not, where one that does not
# weighs as so many that do. Where the period is in step with them it seems to have no jitter.
# Shorter steps are what LOOSE is for; longer ones than this share of the period hide no tick.
STEP_WITHIN_MS, LEAST_STEP_MS, MOST_STEP = 0.25, 1.5, 0.75
STEPS_SHOWN, STEPS_KEPT, STEPS_AGAINST = 3, 12, 3
# Once they show, what was learned of the period before is off by one in so many ticks; and a tick
# that comes a gap like the last behind it tells of it what one with so many steps of noise would.
STEPPED, STEP_NOISE = 24, 2.0
# Periods in ms of 400 and 20 beats a minute, with a little to spare.
SHORTEST_MS, LONGEST_MS = 5.5, 160.0
# Being held up for long: from so many ms to so many.
STUCK_MS = 100.0, 10_000.0
_STUCK = log(STUCK_MS[1] / STUCK_MS[0])
# Who heard nothing for so many periods may have missed a change of tempo.
UNSEEN = 2.5
# Children of one hypothesis: so many numbers of lost ticks are looked at.
LOOKED_AT = 12
# A lost tick makes the next more likely to be lost by so much, which fades by so much a tick:
# recorded on a busy machine, 9 of 28 in a row were lost where 26 of 2240 were (clocks/).
LOSING, FADES, MOST_LOSING = 0.03, 0.95, 0.3
# A calmer motion is shown if it has this share of the weight of the most probable one.
READ = 0.1
# What stands still is shown unless what drifts is so much likelier.
READ_STILL = 10.0
# A bunch lies no closer than this, in ms: the spacing is learned.
LEAST_BEHIND = 0.03
# What moves and what stands still agree, or differ, at this squared error.
AGREE, DIFFER = 3.0, 9.0
# How slowly rates are learned, in ticks: at the beginning, and later. None is less than this
# share of what it began with.
BEGINNING, MEMORY = 400.0, 3000.0
FLOOR, FLOOR_HELD = 0.2, 0.1


class Hypothesis(NamedTuple):
    """Tick `n` came last; it was due at `x` ms, the period is `v` ms, with their covariance.

    `beside` are other ticks that it may have been, as far from `n`, with their shares of the
    weight: what foretells the same is one line, whatever tick it counts, and no tick to come
    moves one against the other.
    """

    n: int
    motion: int
    x: float
    v: float
    xx: float
    xv: float
    vv: float
    weight: float
    beside: tuple[tuple[int, float], ...] = ()

    @property
    def shares(self) -> tuple[tuple[int, float], ...]:
        """Each tick that it may have been, and its share of the weight."""
        if not self.beside:
            return ((self.n, 1.0),)
        mine = 1.0 - sum(share for _, share in self.beside)
        return ((self.n, mine), *((self.n + off, share) for off, share in self.beside))


class Count:
    """Counts the ticks of one clock. Not thread-safe: one caller at a time.

    `ticks` is the most probable number of the latest tick: 0 for the first after `begin`, -1
    before it. `let_go` is the sum of the probabilities that were pruned.
    """

    __slots__ = (
        "_adrift",
        "_another",
        "_away",
        "_behind_ms",
        "_block_ms",
        "_chances",
        "_differed",
        "_doubled",
        "_floor",
        "_fresh",
        "_gap",
        "_heard",
        "_held",
        "_held_ms",
        "_hypotheses",
        "_last",
        "_learned",
        "_losing",
        "_lost",
        "_noise",
        "_nothing",
        "_origin_ns",
        "_plain",
        "_rate",
        "_steps",
        "_strays",
        "_sure_ms",
        "_told_in",
        "let_go",
        "rates",
        "ticks",
    )

    def __init__(self, rates: Rates = RATES) -> None:
        self.rates = rates
        self.ticks = -1
        self.let_go = 0.0
        self._hypotheses: list[Hypothesis] = []
        # The weight of nothing of the kind, beside the hypotheses' 1.
        self._nothing = 0.0
        # That of what was nothing of the kind for a while, and is a clock again.
        self._adrift = 0.0
        # That of another clock in the cable.
        self._another = rates.another
        self._plain = PLAIN
        self._origin_ns: int | None = None
        self._last = 0.0
        self._fresh = True
        # Nobody listened for a while: any number of ticks may have gone by.
        self._away = False
        self._noise = JITTER * JITTER
        self._learned = 0
        # The latest that was no copy, and the gap before it; the step that gaps differ by, how
        # often they did; what times are told in, such steps or blocks, 0 for neither; and the
        # variance of what is told so, which is the least that the noise can be.
        self._heard = self._gap = 0.0
        self._steps = 0.0, 0
        self._told_in = 0.0
        self._differed = False
        self._block_ms = 0.0
        self._floor = LEAST_JITTER * LEAST_JITTER
        self._strays = 0.0
        # The period when it was sure the last time, 0 until all has been calm: a start, or what a
        # person settles, may be at any tempo.
        self._sure_ms = 0.0
        self._lost, self._doubled = rates.lost, rates.doubled
        self._held, self._held_ms = rates.held, rates.held_ms
        self._behind_ms = rates.behind_ms
        self._rate = 1 / BEGINNING
        # Losses come in bunches: what the latest add to the rate.
        self._losing = 0.0
        self._chances: tuple[tuple[int, float], ...] | None = None

    # -- what is heard -----------------------------------------------------------------------

    def begin(self) -> None:
        """A start: the next clock is tick 0, wherever it falls; the tempo is as before."""
        self.ticks = -1
        self._fresh = True
        self._chances = None

    def away(self) -> None:
        """Nobody listened from the latest tick on: any number of ticks may have gone by."""
        self._away = True

    def comes_in_blocks(self, ms: float) -> None:
        """Messages are known to be handed on in blocks of `ms`, and to bear the end of theirs.

        Arrivals alone cannot tell that: with one clock in nearly each block, two in one look like
        one that came twice. 0 where each has a time of its own.
        """
        ms = ms if ms >= LEAST_STEP_MS else 0.0
        if ms != self._block_ms:
            self._block_ms = ms
            self._raise_floor()
            self._chances = None

    def stood_still(self, ns: int) -> None:
        """The clock itself stood still for so long: none of its ticks fell into that time."""
        if self._origin_ns is not None:
            self._origin_ns += ns

    def settle(self) -> None:
        """A person says that the count is right, and so that the clock is to be trusted."""
        mixed = self._another > MIXED
        failed = mixed or self._nothing + self._adrift > 0.01
        mine = [
            h._replace(n=n, motion=h.motion % LEAPT, weight=h.weight * share, beside=())
            for h in self._hypotheses
            for n, share in h.shares
            if n == self.ticks
        ]
        if mine:
            self._sure_ms = self._period() or self._sure_ms
            if failed:
                # Of two tempos nobody knows which is meant, or what was made of one failed. What
                # was lost or came twice is not known either. Of two tempos, one that is not the one
                # before has leapt: it takes another word, while it counts.
                first = Hypothesis(self.ticks, TURNED, self._last, *_UNKNOWN, 1.0)
                mine, self._losing = [first], 0.0
                self._lost, self._doubled = self.rates.lost, self.rates.doubled
                if not mixed:
                    self._sure_ms = 0.0
            # It is there now: what would still be held up for longer than a tick is not, unless the
            # word fell into a bunch, where the screen was behind for a moment.
            now = [h for h in mine if self._last - h.x < h.v]
            behind = [h for h in mine if self._last - h.x >= h.v]
            if _total(now) < IN_A_BUNCH * _total(behind):
                late, weight = max(behind, key=_WEIGHT), _total(behind)
                now.append(late._replace(x=self._last, xx=late.v**2 / 12, xv=0.0, weight=weight))
            mine = now + [h._replace(weight=IN_A_BUNCH * h.weight) for h in behind]
            total = _total(mine)
            self._hypotheses = [h._replace(weight=h.weight / total) for h in mine]
        self._nothing = self._adrift = 0.0
        # Two clocks are heard, not told of: a word that is given thrice in a row is one.
        if failed:
            self._another, self._plain = STILL_TWO, PLAIN_OF_TWO
        self._chances = None

    def hear(self, t_ns: int) -> int:
        """Take one clock that arrived at `t_ns`; returns `ticks`."""
        if self._origin_ns is None:
            self._origin_ns = t_ns
        t = (t_ns - self._origin_ns) * 1e-6
        if self._fresh:
            return self._first(t)
        if self._told_in and not self._away and self._carry(t):
            return self.ticks
        hypotheses = self._hypotheses
        if len(hypotheses) == 1 and not self._away:
            n, motion, x, v, xx, xv, vv, _, beside = hypotheses[0]
            if motion == STILL:
                x += v
                xx += 2 * xv + vv
                xv += vv
                q = MOTIONS[0] * v
                vv += q * q
                noise = self._noise
                s = xx + noise
                e = t - x
                strays = LEAK * self._strays + e / sqrt(s)
                if e * e < ODD * ODD * s and -_ASTRAY < strays < _ASTRAY:
                    self._strays = strays
                    gain, drift = xx / s, xv / s
                    x += gain * e
                    v += drift * e
                    hypotheses[0] = Hypothesis(
                        n + 1,
                        0,
                        x,
                        v,
                        xx - gain * xx,
                        xv - gain * xv,
                        vv - drift * xv,
                        1.0,
                        beside,
                    )
                    self._learn_noise(e * e - s)
                    self._nothing *= 0.1
                    self._another *= self._plain
                    self._losing *= FADES
                    if self._rate > 1 / MEMORY:
                        self._rate /= 1 + self._rate
                    self._forget(self._rate)
                    self._gap = t - self._heard
                    self._last = self._heard = t
                    self._chances = None
                    self.ticks = n + 1
                    return n + 1
        self._branch(t)
        return self.ticks

    # -- what is known -----------------------------------------------------------------------

    @property
    def chances(self) -> tuple[tuple[int, float], ...]:
        """Each tick that may be the latest and how probable that is, the most probable first."""
        if self._chances is None:
            by_tick: dict[int, float] = {}
            for n, _, _, _, _, _, _, weight, beside in self._hypotheses:
                mine = weight
                for off, share in beside:
                    part = weight * share
                    mine -= part
                    by_tick[n + off] = by_tick.get(n + off, 0.0) + part
                by_tick[n] = by_tick.get(n, 0.0) + mine
            if self._fresh or not by_tick:
                by_tick = {self.ticks: 1.0}
            self._chances = tuple(sorted(by_tick.items(), key=lambda each: -each[1]))
        return self._chances

    @property
    def wrong_by_one(self) -> float:
        """The probability that `ticks` is one too many or too few."""
        return sum(p for n, p in self.chances if abs(n - self.ticks) == 1)

    @property
    def coarse_ms(self) -> float:
        """How long the blocks are, if they are too long for this tempo to be counted; else 0."""
        if not self._block_ms or not self._hypotheses:
            return 0.0
        return self._block_ms if self._block_ms > MOST_STEP * self._hypotheses[0].v else 0.0

    @property
    def _other(self) -> float:
        """The weight of all that is no clock of this kind, beside the hypotheses' 1."""
        other = self._nothing + self._adrift + self._another
        return other + 1.0 if self._block_ms and self.coarse_ms else other

    @property
    def wrong_by_more(self) -> float:
        """The probability that `ticks` is off by more than one."""
        if self._fresh:
            return 0.0
        off = sum(p for n, p in self.chances if abs(n - self.ticks) > 1)
        other = self._other
        return (off + other) / (1 + other) + self._leapt

    @property
    def _leapt(self) -> float:
        """The share of what counts as is shown, and may as well be two clocks."""
        return sum(h.weight for h in self._hypotheses if h.motion >= LEAPT and h.n == self.ticks)

    @property
    def sure(self) -> bool:
        """Whether the count can be trusted, as far as ticks go."""
        other = self._other
        if self.calm and not self._hypotheses[0].beside and other < WRONG_BY_MORE:
            return True
        return self.wrong_by_more < WRONG_BY_MORE and self.wrong_by_one < WRONG_BY_ONE

    @property
    def lowest(self) -> int:
        """The least tick that the latest may be, above the line of what matters."""
        return min(n for n, p in self.chances if p > WRONG_BY_MORE or n == self.ticks)

    @property
    def highest(self) -> int:
        """The greatest tick that the latest may be, above the line of what matters."""
        return max(n for n, p in self.chances if p > WRONG_BY_MORE or n == self.ticks)

    @property
    def alive(self) -> int:
        """How many hypotheses are alive."""
        return len(self._hypotheses)

    @property
    def calm(self) -> bool:
        """Whether one hypothesis is left, and it says that the tempo stands still."""
        return len(self._hypotheses) == 1 and self._hypotheses[0].motion == STILL

    @property
    def period_ns(self) -> float:
        """How long a tick lasts, in ns; 0 while unknown."""
        return self._period() * 1e6

    @property
    def bpm(self) -> float:
        """Beats a minute, 0 while unknown."""
        period = self._period()
        return 60_000 / (24 * period) if period else 0.0

    @property
    def jitter_ms(self) -> float:
        """The standard deviation of what arrives on time, in ms."""
        return sqrt(self._noise)

    def time_of(self, index: int) -> int:
        """When tick `index` arrives, or arrived, if on time: ns by the clock of `hear`."""
        best = self._best()
        if best is None or self._origin_ns is None:
            return 0
        return self._origin_ns + round((best.x + (index - best.n) * best.v) * 1e6)

    def overdue(self, now_ns: int) -> float:
        """How many ticks, in parts of one, have gone by since the latest; 0 while unknown."""
        best = self._best()
        if best is None or self._origin_ns is None or not self._period():
            return 0.0
        return max(0.0, ((now_ns - self._origin_ns) * 1e-6 - best.x) / best.v)

    def unheard(self, now_ns: int) -> tuple[tuple[int, float], ...]:
        """How many ticks were sent since the latest, before a message that comes now; chances.

        Messages keep their order, so those ticks are lost. The fewer they are, the longer was the
        message itself held up, and all ticks behind it.
        """
        best, overdue = self._best(), self.overdue(now_ns)
        if best is None or not overdue:
            return ((0, 1.0),)
        lost, rates = min(self._lost + self._losing, 0.5), self.rates
        spread = sqrt(2 * (self._noise + best.xx))
        found = []
        for k in range(int(overdue + EARLY) + 1):
            # By so much is the tick behind the message overdue.
            late = (overdue - k - 1) * best.v
            by = max(late, 0.0)
            held = (1 - rates.stalled) * exp(-by / self._held_ms)
            held += rates.stalled * exp(-by / rates.stalled_ms)
            on_time = 0.5 * erfc(late / spread) if late < 6 * spread else 0.0
            sent = lost**k + (rates.outage / (k * sqrt(k)) if k else 0.0)
            found.append((k, sent * ((1 - self._held) * on_time + self._held * held)))
        total = sum(weight for _, weight in found)
        if not total:
            return ((found[-1][0], 1.0),)
        return tuple((k, weight / total) for k, weight in found)

    # -- to be written down ------------------------------------------------------------------

    def dump(self) -> dict[str, Any]:
        """All that is known, as plain JSON values."""
        return {
            "ticks": self.ticks,
            "let_go": self.let_go,
            "hypotheses": [list(h) for h in self._hypotheses],
            "nothing": [self._nothing, self._adrift, self._another, self._plain],
            "origin_ns": self._origin_ns,
            "last": self._last,
            "fresh": self._fresh,
            "away": self._away,
            "noise": self._noise,
            "learned": self._learned,
            "strays": self._strays,
            "sure_ms": self._sure_ms,
            "steps": [self._heard, self._gap, *self._steps, self._differed],
            "block_ms": self._block_ms,
            "rates": [
                self._rate,
                self._lost,
                self._losing,
                self._doubled,
                self._held,
                self._held_ms,
                self._behind_ms,
            ],
        }

    @classmethod
    def load(cls, kept: Mapping[str, Any]) -> Count:
        """What `dump` wrote; raises KeyError, TypeError or ValueError if it is something else."""
        count = cls()
        count.ticks, count.let_go = int(kept["ticks"]), float(kept["let_go"])
        count._hypotheses = [
            Hypothesis(
                int(n),
                int(motion),
                float(x),
                float(v),
                float(xx),
                float(xv),
                float(vv),
                float(weight),
                tuple((int(off), float(share)) for off, share in beside),
            )
            for n, motion, x, v, xx, xv, vv, weight, beside in kept["hypotheses"]
        ]
        count._nothing, count._adrift, count._another, count._plain = map(float, kept["nothing"])
        count._last = float(kept["last"])
        origin = kept["origin_ns"]
        count._origin_ns = None if origin is None else int(origin)
        count._fresh, count._away = bool(kept["fresh"]), bool(kept["away"])
        count._noise, count._learned = float(kept["noise"]), int(kept["learned"])
        count._strays, count._sure_ms = float(kept["strays"]), float(kept["sure_ms"])
        heard, gap, step, shown, differed = kept["steps"]
        count._heard, count._gap, count._differed = float(heard), float(gap), bool(differed)
        count._steps = float(step), int(shown)
        count._block_ms = float(kept["block_ms"])
        count._raise_floor()
        count._rate, count._lost, count._losing, count._doubled, *held = map(float, kept["rates"])
        count._held, count._held_ms, count._behind_ms = held
        if not count._fresh and (origin is None or not count._hypotheses):
            raise ValueError("a count that has begun, and nothing that it may be")
        for h in count._hypotheses:
            if not (0 <= h.motion < len(MOTIONS) and h.weight > 0 and h.xx >= 0 and h.vv >= 0):
                raise ValueError("no hypothesis of a count")
            if not (0 < h.v < 10 * LONGEST_MS and isfinite(h.x) and isfinite(h.weight)):
                raise ValueError("no clock of any tempo")
        return count

    # -- inside ------------------------------------------------------------------------------

    def _best(self) -> Hypothesis | None:
        return max(self._hypotheses, key=lambda h: (h.n == self.ticks, h.weight), default=None)

    def _period(self) -> float:
        """The period in ms by the hypotheses that count alike; 0 while it is not known well."""
        hypotheses = self._hypotheses
        if len(hypotheses) == 1:
            h = hypotheses[0]
            return h.v if h.vv < 0.01 * h.v * h.v else 0.0
        mine = [h for h in hypotheses if h.n == self.ticks] or hypotheses
        top = max((h.weight for h in mine), default=0.0)
        # What stands still or drifts, if it has its share; that it drifts must be likelier still.
        calm = [h for h in mine if h.motion % LEAPT <= DRIFTS and h.weight >= READ * top]
        if calm:
            motion = max(
                calm, key=lambda h: h.weight * (READ_STILL if h.motion % LEAPT == STILL else 1)
            ).motion
            mine = [h for h in mine if h.motion == motion]
        total = _total(mine)
        if not total:
            return 0.0
        v = sum(h.weight * h.v for h in mine) / total
        vv = sum(h.weight * (h.vv + (h.v - v) ** 2) for h in mine) / total
        return v if vv < 0.01 * v * v else 0.0

    def _first(self, t: float) -> int:
        """The first tick: its phase is free, and it may have been held up like any other."""
        hypotheses = self._hypotheses
        best = self._best()
        if best is None:
            motion, (v, _, _, vv) = TURNED, _UNKNOWN
        else:
            total = _total(hypotheses)
            v = sum(h.weight * h.v for h in hypotheses) / total
            vv = sum(h.weight * (h.vv + (h.v - v) ** 2) for h in hypotheses) / total
            # Silent meanwhile, it may have been turned.
            silent = max(0.0, (t - self._last) / v - 2)
            vv += (1e-3 * v) ** 2 + (MOTIONS[DRIFTS] * v) ** 2 * min(silent, 1e5)
            motion = best.motion % LEAPT
        tempi = [Hypothesis(0, motion, t, v, self._noise, 0.0, vv, 1.0)]
        if vv < (0.01 * v) ** 2:
            # One that was turned while nothing was counted, or set anew.
            tempi.append(tempi[0]._replace(motion=TURNED, vv=vv + (0.1 * v) ** 2, weight=0.01))
            v, _, _, vv = _UNKNOWN
            tempi.append(tempi[0]._replace(motion=TURNED, v=v, vv=vv, weight=1e-3))
        often, stalled = self._held, self.rates.stalled
        kinds = ((1 - stalled, self._held_ms), (stalled, self.rates.stalled_ms))
        delays = _slices(kinds, _HELD_CUTS)
        self._hypotheses = [h._replace(weight=h.weight * (1 - often)) for h in tempi]
        self._hypotheses += [
            h._replace(x=t - mean, xx=square - mean * mean, weight=h.weight * often * share)
            for h in tempi
            for share, mean, square in delays
        ]
        self._nothing = self._adrift = self._sure_ms = 0.0
        self._another = self.rates.another
        self._fresh = self._away = False
        self._strays = 0.0
        self._last = self._heard = t
        self.ticks = 0
        self._chances = None
        return 0

    def _learn_noise(self, excess: float) -> None:
        """Take in by how much a squared error on time was larger than it should be."""
        self._learned = learned = min(self._learned + 1, 250)
        noise = self._noise + excess / (learned + 6)
        self._noise = min(max(noise, self._floor), MOST_JITTER * MOST_JITTER)

    def _see_step(self, t: float) -> None:
        """Take in by how much the gap before `t` is longer than the one before that."""
        gap = t - self._heard
        differs = abs(gap - self._gap)
        self._heard, self._gap = t, gap
        before, self._differed = self._differed, differs > STEP_WITHIN_MS
        if not self._differed:
            return
        step, shown = self._steps
        if step:
            times = round(differs / step)
            if not times or abs(differs - times * step) > STEP_WITHIN_MS:
                shown -= STEPS_AGAINST
            elif not before:
                # One that is late differs from both of its neighbours, and counts once.
                shown = min(shown + 1, STEPS_KEPT)
        if shown <= 0:
            step, shown = 0.0, 0
            # What is lost or comes in a bunch makes a difference of a whole period.
            short = LEAST_STEP_MS < differs < MOST_STEP * self._hypotheses[0].v
            if short and differs < MOST_STEP * self._period():
                step, shown = differs, 1
        self._steps = step, shown
        known = self._told_in
        self._raise_floor()
        if self._told_in > known:
            vague = (self._told_in / STEPPED) ** 2
            self._hypotheses = [h._replace(vv=h.vv + vague) for h in self._hypotheses]

    def _raise_floor(self) -> None:
        """No noise is less than that of times which are told in steps, or in blocks."""
        step, shown = self._steps
        told = self._told_in = max(step if shown >= STEPS_SHOWN else 0.0, self._block_ms)
        # Even over a step.
        self._floor = max(told * told / 12, LEAST_JITTER * LEAST_JITTER)
        self._noise = max(self._noise, self._floor)

    def _carry(self, t: float) -> bool:
        """Take a tick told in steps, if it is each one's next and tells no more than the last did.

        As long as the gaps are alike the ticks slide through a step unseen, all as late as it is.
        """
        told, gap = self._told_in, t - self._heard
        if abs(gap - self._gap) > STEP_WITHIN_MS or self._heard < self._last:
            return False
        for h in self._hypotheses:
            if abs(gap - h.v) > told or abs(t - h.x - h.v) > told:
                return False
        noise = (STEP_NOISE * told) ** 2
        carried = []
        for n, motion, x, v, xx, xv, vv, weight, beside in self._hypotheses:
            q = MOTIONS[motion] * v
            x, xx, xv, vv = x + v, xx + 2 * xv + vv, xv + vv, vv + q * q
            gain, drift = xx / (xx + noise), xv / (xx + noise)
            e = t - x
            moved = Hypothesis(
                n + 1,
                motion,
                x + gain * e,
                v + drift * e,
                xx - gain * xx,
                xv - gain * xv,
                vv - drift * xv,
                weight,
                beside,
            )
            carried.append(moved)
        self._hypotheses = carried
        self._nothing *= PLAIN
        self._another *= self._plain
        self._losing *= FADES
        self._last = self._heard = t
        self._gap, self._differed = gap, False
        self._chances = None
        self.ticks += 1
        return True

    def _branch(self, t: float) -> None:
        """Take an arrival that more than one hypothesis may explain."""
        gap = max(t - self._last, 0.0)
        if self.calm or ((self._sure_ms or self.ticks >= KNOWN) and self.sure):
            self._sure_ms = self._period() or self._sure_ms
        parents = self._settled(self._hypotheses)
        taken = {(h.n, h.motion) for h, _ in parents}
        brood = _Brood(
            self.rates,
            t,
            gap,
            self._noise,
            (min(self._lost + self._losing, 0.5), self._doubled, self._held, self._held_ms),
            self._behind_ms,
            away=self._away,
        )
        best = self._best()
        assert best is not None
        for h, (parent, calmer) in zip(self._hypotheses, parents, strict=True):
            quicker = [to for to in _quicker(parent.motion) if (parent.n, to) not in taken]
            brood.grow(parent, calmer, quicker, self._strays if h is best else 0.0)
        strays = self._strayed(best, t)
        weights = [child.weight for child in brood.children]
        total = sum(weights)
        period = parents[0][0].v
        nothing = (self._nothing + self.rates.nothing) * 0.5 / period
        if total <= 0:
            # Nothing explains it: go on as if the next tick had come.
            self._hypotheses = [
                best._replace(n=best.n + 1, x=t, xx=self._noise, xv=0.0, weight=1.0)
            ]
            self._nothing, again = 1e6, False
        else:
            self._nothing = nothing = min(nothing / total, 1e6)
            if nothing > WRONG_BY_MORE:
                # Whatever comes after it is in order, and where it is nobody knows.
                self._adrift += OVER * nothing
            else:
                self.let_go += OVER * nothing
            best_child = weights.index(max(weights))
            again = brood.kinds[best_child] == AGAIN
            self._learn(brood, best_child, total, period)
            self._reduce(brood.children, total)
            self._mark_leaps()
        self._chances = None
        self.ticks = self.chances[0][0]
        self._away = False
        if not again:
            self._see_step(t)
        self._last = t
        now = self._best()
        assert now is not None
        goes_on = now.motion == STILL and now.n == best.n + 1
        self._strays = strays if goes_on else 0.0

    def _strayed(self, best: Hypothesis, t: float) -> float:
        """How far the latest ticks, with this one, lie from the best line, in deviations."""
        s = best.xx + 2 * best.xv + best.vv + self._noise
        strays = LEAK * self._strays + (t - best.x - best.v) / sqrt(s)
        # Beyond that it has been looked at, and one tick is not many.
        return strays if -_ASTRAY < strays < _ASTRAY else 0.0

    def _mark_leaps(self) -> None:
        """What has become much quicker or slower while it was unsure has leapt, however it did."""
        least, most = self._sure_ms / JUMP_MOST, self._sure_ms * JUMP_MOST
        if not most:
            return
        for i, h in enumerate(self._hypotheses):
            if h.motion < LEAPT and h.vv < 0.01 * h.v * h.v and not least < h.v < most:
                self._hypotheses[i] = h._replace(motion=LEAPT + min(h.motion, TURNED))

    def _settled(self, parents: list[Hypothesis]) -> list[tuple[Hypothesis, list[int]]]:
        """Let some of what moves come to rest where a calmer hypothesis is.

        Returns each with the calmer motions that it has no such companion of, and may begin.
        """
        share = self.rates.calm_down
        weights = [h.weight for h in parents]
        begins: list[list[int]] = []
        for i, h in enumerate(parents):
            if h.motion == STILL or h.weight < 1e-3:
                begins.append([])
                continue
            calmer = list(_calmer(h.motion))
            for j, calm in enumerate(parents):
                if calm.n != h.n or calm.motion not in calmer:
                    continue
                apart, dv = calm.x - h.x, calm.v - h.v
                off = max(apart * apart / h.xx, dv * dv / h.vv)
                if off < AGREE:
                    moved = share * h.weight
                    weights[i] -= moved
                    weights[j] += moved
                elif off > DIFFER and calm.weight < 0.3 * h.weight:
                    continue
                calmer.remove(calm.motion)
            begins.append(calmer)
        return [
            (h if w == h.weight else Hypothesis(*h[:7], w, h.beside), begin)
            for h, w, begin in zip(parents, weights, begins, strict=True)
        ]

    def _forget(self, rate: float) -> None:
        """Take it that nothing happened at one tick, of as many as `rate` is one of."""
        rates = self.rates
        self._held += rate * (FLOOR_HELD * rates.held - self._held)
        self._lost += rate * (FLOOR * rates.lost - self._lost)
        self._doubled += rate * (FLOOR * rates.doubled - self._doubled)

    def _learn(self, brood: _Brood, best: int, total: float, period: float) -> None:
        """Learn the rates from what most probably happened, the child number `best`."""
        child, kind, gap = brood.children[best], brood.kinds[best], brood.gap
        self._losing *= FADES
        self._see_another(kind, child.n - self.ticks - 1, gap, total, period)
        if child.weight < 0.5 * total:
            return
        if self._rate > 1 / MEMORY:
            self._rate /= 1 + self._rate
        rate = self._rate
        lost = min(max(child.n - self.ticks - 1, 0), 3) if kind != AGAIN else 0
        if lost:
            self._losing = min(self._losing + lost * LOSING, MOST_LOSING)
        self._forget(rate)
        self._lost += rate * lost
        self._doubled += rate * (kind == AGAIN)
        if kind == LATE and gap > 1.0:
            self._held += rate
            late = brood.t - child.x
            if late > 0:
                self._held_ms += 0.03 * (min(late, 100.0) - self._held_ms)
                self._held_ms = max(self._held_ms, 2.0)
        elif kind == LATE:
            self._behind_ms += 0.05 * (max(gap, LEAST_BEHIND) - self._behind_ms)
        elif kind == ON_TIME:
            off = brood.t - child.x
            s = child.xx + self._noise
            excess = min(off * off, max(9 * s, LOOSE_MS * LOOSE_MS)) - s
            if child.motion == STILL or excess > 0:
                # A tempo that moves takes jitter for its own, and would learn that there is none.
                self._learn_noise(excess)

    def _see_another(self, kind: int, lost: int, gap: float, total: float, period: float) -> None:
        """Weigh another clock in the cable, by what one tick most probably was.

        One that comes again, or well before it is due, may be the other's, anywhere in a period:
        `total` is how well it was foretold by all that counts one clock. Lost ticks may be those
        of a tempo that halved at once. What was learned of copies does not count: it may be of two.
        """
        rates = self.rates
        if kind == AGAIN:
            copied = rates.doubled * exp(-gap / rates.copy_ms) / rates.copy_ms
            factor = 0.5 / (period * copied + rates.stray * rates.lost)
        elif lost == 1 and self._gap > 1.5 * period:
            # Each second tick is lost, or there is none there.
            factor = 1 / min(max(self._lost, rates.lost), 0.5)
        elif lost == 1:
            factor = 1 / PLAIN
        else:
            factor = self._plain
            if gap < 0.9 * period:
                factor += 0.5 / (period * total)
        known = max(self._another, rates.another)
        self._another = min(max(known * factor, rates.another), MOST_ANOTHER)
        if self._another == rates.another:
            self._plain = PLAIN
        if self._another > MIXED:
            self._adrift += OVER * self._another

    def _reduce(self, children: list[Hypothesis], total: float) -> None:
        """Merge what is alike, let go what is too unlikely, and keep the rest as `_hypotheses`."""
        scale = 1 / total
        children.sort(key=_WEIGHT, reverse=True)
        kept: list[list[float]] = []
        # What each of them counts: weights by tick and what stands beside it.
        counted: list[_Counted] = []
        groups: dict[tuple[int, int], list[int]] = {}
        let_go = 0.0
        near, far = ALIKE * ALIKE, ALIKE * ALIKE / 100
        most, most_alike = MOST, MOST_ALIKE
        if children[0].n < KNOWN:
            # At the beginning each tempo and each delay of the first tick stands for itself.
            most = most_alike = MOST_BEGINNING
        for h in children:
            n, motion, x, v, xx, xv, vv, w, beside = h
            w *= scale
            if w < LEAST:
                let_go += w
                continue
            group = groups.setdefault((n, motion // JUMPED + motion // LEAPT), [])
            alike = -1
            for i in group:
                k = kept[i]
                apart, dv = x - k[1], v - k[2]
                if apart * apart > 4 * (k[3] + xx) + near * v * v:
                    continue
                if dv * dv > 4 * (k[5] + vv) + far * v * v:
                    continue
                square, sharp, wide = v * v, k[5], vv
                if sharp > wide:
                    sharp, wide = wide, sharp
                if wide > 4 * sharp and wide > near * square:
                    # What is vague is open to what what is sharp rules out.
                    continue
                if wide < 0.01 * square:
                    # So of the phase, once the tempo is known.
                    sharp, wide = k[3], xx
                    if sharp > wide:
                        sharp, wide = wide, sharp
                    if wide > 4 * sharp and wide > near * square:
                        continue
                if k[0] == motion:
                    both = k[6] + w
                    a, b = k[6] / both, w / both
                    ab = a * b
                    k[1] += b * apart
                    k[2] += b * dv
                    k[3] = a * k[3] + b * xx + ab * apart * apart
                    k[4] = a * k[4] + b * xv + ab * apart * dv
                    k[5] = a * k[5] + b * vv + ab * dv * dv
                elif w > (LEAST_BESIDE if motion > k[0] else LEAST_CALMER) * k[6]:
                    continue
                alike = i
                break
            if alike < 0:
                begins = motion >= JUMPED and vv < 0.01 * v * v and n == children[0].n
                if begins and w < LEAST_JUMP * self.rates.jump:
                    # It counts as the best does, and one that begins now would weigh more.
                    continue
                if len(group) < most_alike:
                    if len(kept) >= most:
                        let_go += w
                        if abs(n - children[0].n) > 1:
                            # Nothing that is heard from here on speaks for it or against it.
                            self._adrift += w
                        continue
                    group.append(len(kept))
                    kept.append([motion, x, v, xx, xv, vv, w])
                    counted.append({(n, beside): w})
                    continue
                alike = group[0]
            kept[alike][6] += w
            ticks = counted[alike]
            ticks[n, beside] = ticks.get((n, beside), 0.0) + w
        if len(groups) > 1:
            let_go += _in_line(kept, counted)
        self.let_go += let_go
        left = 1 / sum(k[6] for k in kept)
        self._hypotheses = [
            Hypothesis(n, int(k[0]), k[1], k[2], k[3], k[4], k[5], k[6] * left, beside)
            for k, (n, beside) in zip(kept, map(_told_apart, counted), strict=True)
        ]


_WEIGHT = itemgetter(Hypothesis._fields.index("weight"))


def _total(hypotheses: Iterable[Hypothesis]) -> float:
    """What they weigh together."""
    return sum(h.weight for h in hypotheses)


# Ticks and what stands beside them (as in a hypothesis), with weights.
_Beside = tuple[tuple[int, float], ...]
_Counted = dict[tuple[int, _Beside], float]


def _in_line(kept: list[list[float]], counted: list[_Counted]) -> float:
    """Make one of what counts otherwise and foretells the same; returns what is let go of it.

    Each of `kept` has motion, phase, period, their covariance, and weight.
    """
    let_go = 0.0
    head, shown = kept[0], next(iter(counted[0]))[0]
    for i in range(len(kept) - 1, 0, -1):
        motion, x, v, xx, _, vv, w = kept[i]
        if w <= RESIDUE and next(iter(counted[i]))[0] != shown:
            apart, dv = x - head[1], v - head[2]
            # The tempo behind a jump is still to show: whatever may be near is no such line yet.
            near = motion < JUMPED and apart * apart < xx + head[3] and dv * dv < vv + head[5]
            if near:
                let_go += w
                del kept[i], counted[i]
                continue
        for j in range(i):
            k = kept[j]
            both = k[3] + xx
            apart = x - k[1]
            if k[0] != motion or apart * apart > SAME * both or abs(k[3] - xx) > both / 3:
                continue
            dv = v - k[2]
            if dv * dv < SAME * (k[5] + vv):
                k[6] += w
                for tick, weight in counted[i].items():
                    counted[j][tick] = counted[j].get(tick, 0.0) + weight
                del kept[i], counted[i]
                break
    return let_go


def _told_apart(counted: _Counted) -> tuple[int, _Beside]:
    """The tick that weighs most, and the others beside it with their shares."""
    if len(counted) == 1:
        return next(iter(counted))
    ticks: dict[int, float] = {}
    for (n, beside), weight in counted.items():
        mine = weight
        for off, share in beside:
            part = share * weight
            mine -= part
            ticks[n + off] = ticks.get(n + off, 0.0) + part
        ticks[n] = ticks.get(n, 0.0) + mine
    best = max(ticks, key=lambda n: ticks[n])
    total = sum(ticks.values())
    return best, tuple(
        (n - best, w / total) for n, w in ticks.items() if n != best and w > RESIDUE * total
    )


# Period, and covariance of phase and period, where nothing is known of it (ms).
_UNKNOWN = (25.0, 1.0, 0.0, 25.0**2)


# Where delays are cut in slices, in ms: what is short next to a period hides no tick.
_HELD_CUTS = tuple(8 * 1.7**i for i in range(10))


def _slices(
    kinds: tuple[tuple[float, float], ...], cuts: tuple[float, ...]
) -> list[tuple[float, float, float]]:
    """Exponential delays (share and mean of each kind) cut there: weight, mean and mean square."""
    found = []
    for a, b in pairwise((0.0, *cuts, inf)):
        weight = mean = square = 0.0
        for share, ms in kinds:
            # What is left at a and at b, and the moments between them.
            at_a, at_b = share * exp(-a / ms), share * exp(-b / ms)
            weight += at_a - at_b
            mean += at_a * (a + ms) - (at_b * (b + ms) if at_b else 0)
            square += at_a * (a * a + 2 * a * ms + 2 * ms * ms)
            square -= at_b * (b * b + 2 * b * ms + 2 * ms * ms) if at_b else 0
        found.append((weight, mean / weight, square / weight))
    return found


def _calmer(motion: int) -> range:
    """The motions that what moves so may come to rest in."""
    return range(LEAPT, motion) if motion >= LEAPT else range(min(motion, TURNED))


def _quicker(motion: int) -> range:
    """The motions that what moves so may begin."""
    return range(motion + 1, len(MOTIONS) if motion >= LEAPT else JUMPED)


def _jumped(motion: int) -> int:
    """The motion behind a jump of what moved so."""
    return JUMPED if motion < LEAPT else LEAPT + TURNED


# How a child came about.
ON_TIME, LATE, AGAIN = range(3)


class _Brood:
    """All that may have come to pass with one arrival: the children of the hypotheses.

    `rates` as learned are lost, doubled, held and how long in ms; weights are densities (1/ms).
    """

    __slots__ = (
        "_again",
        "_away",
        "_best",
        "_close",
        "_held",
        "_held_ms",
        "_last",
        "_least",
        "_loose",
        "_lost",
        "_noise",
        "_rates",
        "_stray",
        "children",
        "gap",
        "kinds",
        "t",
    )

    def __init__(
        self,
        rates: Rates,
        t: float,
        gap: float,
        noise: float,
        learned: tuple[float, float, float, float],
        behind_ms: float,
        *,
        away: bool,
    ) -> None:
        self.children: list[Hypothesis] = []
        self.kinds: list[int] = []
        self.t, self.gap = t, gap
        self._rates, self._noise, self._away = rates, noise, away
        self._loose = max(9 * noise, LOOSE_MS * LOOSE_MS)
        self._lost, doubled, held, held_ms = learned
        self._held, self._held_ms = held, held_ms
        self._last = t - gap
        # What follows a tick at once was held up by it; few are held up anew.
        wide = rates.behind_ms
        near = 0.9 * exp(-gap / behind_ms) / behind_ms + 0.1 * exp(-gap / wide) / wide
        self._close = (1 - held) * near + held * exp(-gap / held_ms) / held_ms
        self._stray = rates.stray * doubled
        self._again = (doubled - self._stray) * exp(-gap / rates.copy_ms) / rates.copy_ms
        # A child that weighs less than this is let go at once; none foretells this arrival with a
        # density larger than that.
        self._least = 0.0
        self._best = _GAUSS / sqrt(noise) + self._close + 1.0

    def grow(
        self, parent: Hypothesis, calmer: list[int], quicker: list[int], strays: float
    ) -> None:
        """Take what may have come to pass if `parent` is true.

        Its motion may have become one of `calmer`, or of `quicker` if it looks like it, as it does
        anyway if it went `astray`.
        """
        _, motion, x, v, xx, xv, vv, weight, _ = parent
        s = xx + 2 * xv + vv + self._noise
        e = self.t - x - v
        ee = e * e
        known = vv < 0.01 * v * v
        if not self._away and ee < ODD * ODD * s and s < 0.015 * v * v and self._close < CLOSE:
            # A tick where this one was due is that tick; close behind another it may be held up.
            self._step(parent, motion, 1, weight, late=False)
            plain = True
        else:
            plain = False
            self._same(parent)
            for k, chance in self._skips(parent, known):
                if chance * weight < self._least:
                    break
                self._step(parent, motion, k, weight * chance, late=True)
                if k > 2:
                    # Unseen, the tempo may have begun to move, or moved and come to rest.
                    turned = weight * chance * self._rates.quicken
                    for to in _quicker(motion):
                        # One that drifts and is held up as well looks like one that is turned.
                        self._step(parent, to, k, turned, late=to == TURNED)
                    if known:
                        bent = weight * chance * self._rates.bends
                        self._step(_bent(parent, k), _jumped(motion), k, bent, late=False)
            if weight > 0.01 and known and self.gap > UNSEEN * v and not self._away:
                self._behind(parent, quicker)
        if weight > 1e-3:
            rates = self._rates
            # A tempo that begins to move shows in errors of some size, a hold-up in larger ones.
            sd = sqrt(s)
            if quicker and (
                abs(strays + e / sd) > _ASTRAY or (ee > 6 * s and e < 7 * sd + 0.1 * v)
            ):
                # Where errors have added up the tempo has moved for long: as a step's grow.
                since = min(max(4 * (1 + strays * sd / e), 2.0), 12.0) if e else 12.0
                for to in quicker:
                    self._step(parent, to, 1, weight * rates.quicken, late=False, since=since)
            for to in calmer:
                self._step(parent, to, 1, weight * rates.calm_down, late=False)
            if weight > 0.01 and known and ee > 4 * s:
                self._break(parent, e, s, slip=not plain)

    def _behind(self, parent: Hypothesis, quicker: list[int]) -> None:
        """It is held up, and so are all behind it, among which the tempo may change unseen."""
        _, motion, x, v, _, _, _, weight, _ = parent
        rates, many = self._rates, (self.t - x) / v
        if many < UNSEEN:
            return
        turned = weight * min(many * rates.turns, 0.5)
        for to in quicker:
            self._step(parent, to, 1, turned, late=True)
        jumped = weight * rates.bends
        self._step(_bent(parent, many), _jumped(motion), 1, jumped, late=True)

    def _skips(self, parent: Hypothesis, known: bool) -> list[tuple[int, float]]:
        """How many ticks may have been sent, and how common that is; the most common first."""
        _, _, x, v, xx, _, vv, _, _ = parent
        gap, since = self.gap, self.t - x
        spread = sqrt(xx + self._noise)
        if known:
            reach = max(1, int(since / v))
            wide = 6 * (spread + reach * sqrt(vv))
            most = max(1, int((since + wide) / v) + 1)
            least = max(1, most - LOOKED_AT + 1)
            if least > 1:
                middle = round(since / v)
                least = max(1, min(least, middle - LOOKED_AT // 2))
                most = min(most, least + LOOKED_AT - 1)
        else:
            # A period that nobody knows yet says nothing of how many could be lost.
            most = 1
            if gap > 0.4 * v or since > 0.4 * v:
                most = int((since + 6 * spread) / v)
            least, most = 1, min(max(most, 3), 4)
        numbers = range(least, most + 1)
        if self._away:
            return [(k, 1.0) for k in numbers]
        lost, outage = self._lost, self._rates.outage
        found = [(k, lost ** (k - 1) + outage / (k * sqrt(k))) for k in numbers if k > 1]
        return [(1, 1.0), *found]

    def _same(self, parent: Hypothesis) -> None:
        """The tick that came last has come again."""
        again = parent.weight * self._again
        if self.gap < parent.v:
            again += parent.weight * self._stray / parent.v
        if again > self._least:
            self.children.append(Hypothesis(*parent[:7], again, parent.beside))
            self.kinds.append(AGAIN)

    def _step(
        self, parent: Hypothesis, to: int, k: int, prior: float, *, late: bool, since: float = 0.0
    ) -> None:
        """The k-th tick after the parent's has come, with the motion `to`, had so long already."""
        if prior * self._best < self._least:
            return
        n, _, x, v, xx, xv, vv, _, beside = parent
        noise = self._noise
        q = MOTIONS[to] * v
        q *= q
        if since:
            # A motion that begins now began some ticks ago unseen.
            vv += since * q
            xv += since * since * q / 2
            xx += since * since * since * q / 3
        x += k * v
        xx += k * (2 * xv + k * (vv + q * k / 3))
        xv += k * (vv + q * k / 2)
        vv += k * q
        off = self.t - x
        s = xx + noise
        wide = xx + self._loose
        half = -0.5 * off * off
        on = LOOSE * exp(max(half / wide, -600.0)) / sqrt(wide)
        seen = wide
        if half > -30 * s:
            close = (1 - LOOSE) * exp(half / s) / sqrt(s)
            if close > on:
                seen = s
            on += close
        on *= prior * (1 - self._held) * _GAUSS
        if on > self._least:
            gain, drift = xx / seen, xv / seen
            period = v + drift * off
            if SHORTEST_MS < period < LONGEST_MS:
                if LEAST * on > self._least:
                    self._least = LEAST * on
                self.children.append(
                    Hypothesis(
                        n + k,
                        to,
                        x + gain * off,
                        period,
                        xx - gain * xx,
                        xv - gain * xv,
                        vv - drift * xv,
                        on,
                        beside,
                    )
                )
                self.kinds.append(ON_TIME)
        rates, held_ms = self._rates, self._held_ms
        # What kept many ticks away may hold up the next, however seldom that is otherwise.
        held = self._held if k <= 2 else max(self._held, rates.held)
        if not late or off < -4 * sqrt(s) or prior * (self._close + held / held_ms) < self._least:
            return
        held *= (1 - rates.stalled) * _late(off, s, held_ms) + rates.stalled * _late(
            off, s, rates.stalled_ms
        )
        if off > STUCK_MS[0]:
            # As likely between one and two seconds as between two and four.
            held += rates.stuck / (off * _STUCK)
        # Sent before the one that came last.
        close = self._close * 0.5 * erfc((x - self._last) / sqrt(2 * s))
        behind = close > held
        held = prior * (held + close)
        if held < self._least:
            return
        if LEAST * held > self._least:
            self._least = LEAST * held
        # That it was sent by now, or by the one before it, says something where the phase is vague;
        # of how long what is behind another was held up, nothing is known.
        by = off - self.gap if behind else off
        if by < 3 * sqrt(xx):
            mean, var = _sent_by(by, xx, inf if behind else held_ms)
            drift, kept = xv / xx, var / xx
            x += mean
            v += drift * mean
            vv -= drift * xv * (1 - kept)
            xx, xv = var, xv * kept
            if v < SHORTEST_MS + 3 * sqrt(vv):
                # No clock is quicker than that: what is still open of the period is the rest.
                mean, var = _sent_by(v - SHORTEST_MS, vv, inf)
                drift, kept = xv / vv, var / vv
                held *= 0.5 * erfc((SHORTEST_MS - v) / sqrt(2 * vv))
                x -= drift * mean
                v -= mean
                xx -= drift * xv * (1 - kept)
                xv, vv = xv * kept, var
            if not SHORTEST_MS < v < LONGEST_MS:
                return
        self.children.append(Hypothesis(n + k, to, x, v, xx, xv, vv, held, beside))
        self.kinds.append(LATE)

    def _break(self, parent: Hypothesis, e: float, s: float, slip: bool) -> None:
        """What no tick can settle: the tempo jumped, or the sender stood still."""
        n, motion, _, v, _, xv, vv, weight, beside = parent
        rates, noise = self._rates, self._noise
        near, far = (JUMP_SHARE * v) ** 2, (LEAP_SHARE * v) ** 2
        for since, spread in ((1, near), (2, near), (4, near), (1, far)):
            # Now, or with a tick before, which was not odd enough to tell or held up as well.
            if spread == far and (1 / FAR < 1 + e / v < FAR or e * e < PLAINLY * PLAINLY * s):
                continue
            jxx, jxv, jvv = (
                s - noise + since * since * spread,
                xv + vv + since * spread,
                vv + spread,
            )
            js = jxx + noise
            on = weight * rates.jump * exp(max(-e * e / js / 2, -600)) / sqrt(js) * _GAUSS
            gain, drift = jxx / js, jxv / js
            period = v + drift * e
            if on < self._least or not 1 / LEAP_MOST < period / v < LEAP_MOST:
                continue
            self.children.append(
                Hypothesis(
                    n + 1,
                    _jumped(motion) if 1 / JUMP_MOST < period / v < JUMP_MOST else LEAPT + TURNED,
                    self.t - e + gain * e,
                    period,
                    jxx - gain * jxx,
                    jxv - gain * jxv,
                    jvv - drift * jxv,
                    on,
                    beside,
                )
            )
            self.kinds.append(ON_TIME)
        if not slip:
            return
        # For less than a period: nothing else looks like it.
        if e > 0:
            # Or it is quicker and this one held up as well: others may have been sent by now.
            for share in QUICKER if e > 0.2 * v else ():
                to = _jumped(motion) if share * JUMP_MOST > 1 else LEAPT + TURNED
                jumped = weight * rates.jump / len(QUICKER)
                self._step(_quickened(parent, share), to, 1, jumped, late=True)
            k = int(e / v)
            d = e - k * v
            stood = 0.0
            if d < v - 4 * sqrt(s):
                stood = rates.stands * self._lost**k * 2 * _GAUSS / rates.stands_ms
                stood *= weight * exp(-0.5 * (d / rates.stands_ms) ** 2)
            found = [(n + 1 + k, stood), (n + 1, weight * rates.slip * exp(-e / 100) / 100)]
        else:
            # That one is lost at the very tick no tick to come could tell from a longer stand.
            sooner = rates.sooner * 2 * _GAUSS / rates.sooner_ms
            found = [(n + 1, weight * sooner * exp(-0.5 * (e / rates.sooner_ms) ** 2))]
        for number, likely in found:
            if likely > self._least:
                self.children.append(
                    Hypothesis(number, motion, self.t, v, noise, 0.0, vv, likely, beside)
                )
                self.kinds.append(ON_TIME)


_GAUSS = 1 / sqrt(2 * pi)


def _bent(parent: Hypothesis, many: float) -> Hypothesis:
    """`parent`, whose tempo jumps at any of the `many` ticks to come: moments of such lines."""
    _, _, _, v, xx, xv, vv, _, _ = parent
    spread = (JUMP_SHARE * v) ** 2
    return parent._replace(
        xx=xx + many * many * spread / 3, xv=xv - many * spread / 2, vv=vv + spread
    )


def _quickened(parent: Hypothesis, share: float) -> Hypothesis:
    """`parent`, whose period becomes about that share of itself before its next tick is sent."""
    _, _, x, v, xx, _, _, _, _ = parent
    by, to = (1 - share) * v, share * v
    # As wide as the shares lie apart.
    vv = (0.12 * to) ** 2
    return parent._replace(x=x + by / 2, v=to, xx=xx + by * by / 12, xv=0.0, vv=vv)


def _late(e: float, variance: float, tail: float) -> float:
    """The density of a tick that comes `e` ms after it was due, give or take `variance` (ms^2).

    An exponential delay of mean `tail` (ms) beside a normal error: the exponentially modified
    Gaussian (E. Grushka, Analytical Chemistry 44, 1972; from memory).
    """
    root = sqrt(2 * variance)
    z = (variance / tail - e) / root
    if z > 25:
        return 0.0
    grows = variance / (2 * tail * tail) - e / tail
    if grows > 300:
        return 0.0
    return exp(grows) * erfc(z) / (2 * tail)


def _sent_by(e: float, variance: float, tail: float) -> tuple[float, float]:
    """Mean and variance of when a held-up tick was sent, from when it was due; it came at `e`.

    What was due at 0, give or take `variance`, weighed by an exponential delay of mean `tail`, and
    not sent after `e`: a truncated normal (N. Johnson and S. Kotz, Continuous Univariate
    Distributions, 1970; from memory).
    """
    sd = sqrt(variance)
    centre = variance / tail
    z = (e - centre) / sd
    below = 0.5 * erfc(-z / sqrt(2))
    if below < 1e-12:
        # Far out in the tail it lies close before the end.
        step = sd / max(-z, 1.0)
        return e - step, step * step
    ratio = exp(-z * z / 2) / sqrt(2 * pi) / below
    return centre - sd * ratio, max(variance * (1 - z * ratio - ratio * ratio), 1e-6 * variance)
