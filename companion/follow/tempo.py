"""The tempo of a MIDI clock, from the times of its ticks. Pure: no clock is read here.

A straight line goes through the latest ticks by least squares: nothing steadier can be had from
them. Four things keep the line honest. A few ticks far off are taken to lie near it; if they stay
away, the clock jumped or has a new tempo. Every few ticks the line is held against departures: a
bend (a new tempo) or a swerve (a tempo that moves), anywhere in the window. A likely departure is
added to the line in the measure of its odds, so a false one does little and soon goes away; a
certain one begins a new line, or a parabola while the tempo moves. And what the clock cannot tell
more finely than its own grain (milliseconds, USB frames) is no departure.

The sums and their fits are in `lines`, departures and noise in files of those names; what the
ticks mean for the song is the conductor's.
"""

from __future__ import annotations

from math import sqrt

from companion.counting.ticks import TICKS_PER_QUARTER
from companion.follow.departures import (
    MARGIN,
    WINDOW,
    Departure,
    Kind,
    climb,
    look,
    pressing,
    weigh,
)
from companion.follow.lines import Line, Sums, along, parabola, scatter, width
from companion.follow.noise import Noise

NS_PER_MINUTE = 60_000_000_000

# -- single ticks far off, in standard deviations ------------------------------------------------
# Gaussian noise goes there once in two million ticks; there a run of strays begins ...
STRAY = 5.0
# ... which goes on while ticks keep this far off on the same side ...
STRAY_ON = 2.5
# ... and each of which counts as if it were only this far off.
STRAY_COUNTS = 0.7
# Strays that are a change and no accident, if they lie on a line (variance about it, in those of
# the noise) and do not come nearer; and if they do neither.
STRAYS, STRAYS_LATEST = 6, 16
UNEVEN = 9.0
# Ticks the line must rest on before it may call others strays.
KNOWN = 6
# A jump like another one within eight bars of 4/4 is how the clock is read, not what it does.
JUMP_RARE = 768

# -- departures -----------------------------------------------------------------------------------
# A parabola whose curve is less clear is a line again.
CURVED = 9.0
# Ticks in a strip about the line no wider than this, in grains, tell of no departure.
GRAINS = 1.4
# Departures are looked for every so many ticks, and after each while one seems likely.
EVERY = 4
# Ticks the line must rest on before departures are looked for.
SETTLED = 12

# Ticks of the line that is drawn on across a gap, and how many standard errors the window's own may
# differ from it.
FAR, AGREE = 192, 3.0
# Ticks after which the line knows better than a gap what the tempo is.
EVEN = 24


class TempoTracker:
    """Follows the tempo of a clock, fed one tick at a time. Not thread-safe, but safe to read.

    Each tick costs a few sums, however long the window is.
    """

    __slots__ = (
        "_curved",
        "_jumped",
        "_late",
        "_line",
        "_missed",
        "_near",
        "_noise",
        "_origin",
        "_peak",
        "_previous_ns",
        "_quiet",
        "_start",
        "_strays",
        "_sums",
    )

    def __init__(self) -> None:
        self.lapse()

    def lapse(self) -> None:
        """Forget everything: the clock stopped or was lost."""
        self._sums = Sums()
        # Number of the tick at which the line begins.
        self._start = 1
        self._curved = False
        self._near = False
        self._missed = 0
        self._previous_ns = 0
        # The time that the sums call 0, and the line by that.
        self._origin = 0
        self._line: tuple[int, Line] = (0, (0.0, 0.0, 0.0))
        self._noise = Noise()
        # Times of the latest strays, whether they are late or early, the furthest of them, and
        # what was known of the noise before them.
        self._strays: list[int] = []
        self._late = False
        self._peak = 0.0
        self._quiet = (0.0, 0.0)
        # Number of the tick at the latest jump, and its size in ns.
        self._jumped = (-JUMP_RARE, 0.0)

    # -- what it knows -----------------------------------------------------------------------

    @property
    def bpm(self) -> float:
        """Quarter notes a minute, 0.0 while unknown."""
        period = self._line[1][1]
        return NS_PER_MINUTE / (TICKS_PER_QUARTER * period) if period > 0 else 0.0

    @property
    def period_ns(self) -> int:
        """One tick in ns, 0 while unknown."""
        return max(0, round(self._line[1][1]))

    @property
    def jitter_ms(self) -> float:
        """Standard deviation of the ticks about the line, in ms; 0.0 with fewer than three.

        Strays count as less than one deviation off.
        """
        count = self._count()
        parameters = 3 if self._curved else 2
        if count <= parameters:
            return 0.0
        curve = self._sums.line(count, True)[2] if self._curved else 0.0
        return sqrt(self._sums.residual(count, curve) / (count - parameters)) / 1e6

    def when(self, ticks_ahead: int) -> int:
        """The time in ns of the tick that many after the latest; its own line's time for 0.

        Missed ticks that were told of lie between. While the tempo is unknown it is the latest's.
        """
        origin, line = self._line
        return origin + round(along(line, ticks_ahead + self._missed))

    def steady(self) -> tuple[int, float, int]:
        """What to go by across a gap: the latest tick's time and the period, in ns, and how many
        ticks in line these rest on.

        While the tempo stands still, that is a line through twice the window. Of one that may be
        moving less follows, of one that does nothing.
        """
        count = self._count()
        _, (at, period, curve) = self._line
        ticks = 0 if self._curved else count
        longer = min(self._sums.n - self._start + 1, FAR)
        if ticks and longer > count and not self._strays:
            far = self._sums.line(longer)
            # Both rest on the same ticks, so the shorter errs by all that they differ by.
            variance = self._noise.variance
            bent = abs(far[1] - period) > AGREE * sqrt(12 * variance / count**3)
            if not bent and abs(far[0] - at) < AGREE * sqrt(4 * variance / count):
                return self._origin + round(along(far, self._missed)), far[1], longer
        if self._near or self._strays:
            ticks //= 2
        return self._origin + round(along((at, period, curve), self._missed)), period, ticks

    # -- what it hears -----------------------------------------------------------------------

    def hear(self, t_ns: int) -> None:
        """Take one clock tick that arrived at `t_ns`."""
        sums = self._sums
        if not sums.n:
            self._origin = t_ns
        elif self._missed:
            self._bridge(t_ns)
        noise = self._noise
        noise.interval(t_ns - self._previous_ns)
        self._previous_ns = t_ns
        count = sums.n - self._start + 1
        t = t_ns - self._origin
        if count >= 2:
            at, period, curve = self._line[1]
            expected = at + period + curve
            off = t - expected
            if count > WINDOW:
                count = WINDOW
            # The line errs, too: variance of the next tick about it.
            own = 1 + 9 / count if self._curved else 1 + (4 * count + 2) / (count * (count - 1))
            chi2 = off * off / (own * noise.variance)
            if self._strays and (chi2 < STRAY_ON**2 or (off > 0) != self._late):
                self._strays = []
                self._peak = 0.0
            if count >= KNOWN and (self._strays or chi2 > STRAY**2):
                self._stray(t, expected, off)
                return
            noise.learn(off / sqrt(own))
        sums.put(t)
        self._follow(look=True)

    def skip(self, ticks: int) -> None:
        """Tell that `ticks` ticks were missed between the latest one and the coming one."""
        if self._sums.n and ticks > 0:
            self._missed += ticks

    # -- inside ------------------------------------------------------------------------------

    def _count(self) -> int:
        return min(self._sums.n - self._start + 1, WINDOW)

    def _follow(self, look: bool) -> None:
        """The line after one more tick; `look` whether it may be held against departures now."""
        sums = self._sums
        count = self._count()
        look = look and count >= SETTLED
        if self._near and not look:
            # While strays come, the line with its departure runs on.
            at, period, curve = self._line[1]
            self._line = (self._origin, (at + period + curve, period + 2 * curve, curve))
            return
        line = sums.line(count, self._curved)
        if look and (
            self._near or sums.n % EVERY == 0 or pressing(sums, count, line, self._noise.wandering)
        ):
            self._consider(count, line)
        else:
            self._line = (self._origin, line)

    def _stray(self, t: int, expected: float, off: float) -> None:
        """Take a tick far off: near the line for now, as it is if more of them follow."""
        if not self._strays:
            self._quiet = self._noise.remember()
        self._strays.append(t)
        self._late = off > 0
        self._peak = max(self._peak, abs(off))
        edge = STRAY_COUNTS * sqrt(self._noise.variance)
        self._noise.learn_stray()
        self._sums.put(round(expected + (edge if self._late else -edge)))
        count = len(self._strays)
        # A burst that was held up comes nearer with each tick, or in several teeth of a saw.
        settled = count >= STRAYS and abs(off) > 0.7 * self._peak
        even = UNEVEN * self._noise.variance
        if (settled and scatter(self._strays) < even) or count >= STRAYS_LATEST:
            self._stayed_away()
        else:
            self._follow(look=False)

    def _stayed_away(self) -> None:
        """Find out why the ticks left the line for good."""
        sums = self._sums
        strays, self._strays, self._peak = self._strays, [], 0.0
        sums.replace(strays)
        count = self._count()
        line = sums.line(count, self._curved)
        variance = self._noise.variance
        jump = climb(sums, count, line, variance, Kind.JUMP, len(strays))
        bend = climb(sums, count, line, variance, Kind.BEND, len(strays))
        if jump.chi2 - bend.chi2 <= MARGIN[Kind.JUMP]:
            if bend.chi2 > jump.chi2:
                # A change of tempo says nothing of the noise.
                self._noise.recall(self._quiet)
            self._consider(count, line)
            return
        self._near = False
        self._line = (self._origin, self._jump(jump, line))

    def _jump(self, jump: Departure, line: Line) -> Line:
        """Take a certain jump out of the line, unless it shows the grain of the clock."""
        sums = self._sums
        at, size = self._jumped
        self._jumped = (sums.n, jump.size)
        soon = sums.n - at < JUMP_RARE
        if soon and abs(jump.size - size) < abs(size) / 3 and abs(size) < 1.5 * line[1]:
            self._noise.notice_grain(1.1 * jump.size)
            return line
        shift = round(jump.size)
        self._origin += shift
        sums.replace([t - shift for t in sums.latest(jump.ticks)])
        return sums.line(self._count(), self._curved)

    def _consider(self, count: int, line: Line) -> None:
        """Hold the line through `count` ticks against departures."""
        found = look(self._sums, count, line, self._noise.wandering)
        self._near = bool(found)
        grain = self._noise.grain
        if found and not (grain and width(self._sums, count, line) < GRAINS * grain):
            mixed, certain = weigh(line, found)
            if not certain:
                line = mixed
            elif certain.kind is Kind.JUMP:
                line = self._jump(certain, line)
            else:
                line = self._begin(certain)
        elif self._curved and not found and not self._is_curve(count, line):
            self._curved = False
            line = self._sums.line(count)
        self._line = (self._origin, line)

    def _begin(self, departure: Departure) -> Line:
        """Begin a new line, or a parabola, where the ticks left the old one."""
        self._near = False
        self._start = max(self._start, self._sums.n - departure.ticks + 1)
        count = self._count()
        # What leaves a parabola may be a line or another one.
        either = self._curved
        self._curved = either or departure.kind is Kind.SWERVE
        line = self._sums.line(count, self._curved)
        if either and not self._is_curve(count, line):
            self._curved = False
            line = self._sums.line(count)
        return line

    def _is_curve(self, count: int, line: Line) -> bool:
        return line[2] ** 2 * parabola(count) > CURVED * self._noise.variance

    def _bridge(self, t_ns: int) -> None:
        """Put missed ticks back before one at `t_ns`."""
        missed, self._missed = self._missed, 0
        sums = self._sums
        if self._count() >= EVEN:
            # The line is sure enough: the gap is taken out of the time that it counts by.
            line = self._line[1]
            self._origin += round(along(line, missed + 1) - along(line, 1))
            self._line = (self._origin, line)
        else:
            # The gap tells more of the tempo than the line so far: fill it evenly.
            before = sums.latest(1)[0]
            first = max(1, missed + 1 - WINDOW)
            if first > 1:
                self._start = sums.n + 1
            for i in range(first, missed + 1):
                sums.put(before + (t_ns - self._origin - before) * i // (missed + 1))
            self._line = (self._origin, sums.line(self._count(), self._curved))
