"""The gate before the count: how many ticks a clock message stands for. Pure.

A cable, a hub or a driver may swallow a tick, deliver one twice or hold some up. The gate keeps a
short line of its own that says when the next tick is due; one that comes there is a tick. One that
comes early or late by more than the clock's own unsteadiness opens an inquiry: then the count is
unsure until that comes to a verdict. What it means for the song is the conductor's.

Times are whole nanoseconds throughout.
"""

from __future__ import annotations

from collections import deque
from enum import Enum

from companion.follow.inquiry import ASKED_UNEASY, FAR, SHORTEST_NS, Inquiry, Verdict
from companion.follow.tempo import TempoTracker
from companion.follow.whole import Line

# Longest silence after which the count goes on by an estimate, unsure.
ESTIMATED_NS = 60_000_000_000
# Ticks remembered: two beats.
REMEMBERED = 48
# How far the line follows a tick that is off, in time and in period, in 1024ths: as a line through
# k ticks by least squares would, 2(2k - 1)/(k(k + 1)) and 6/(k(k + 1)) for the k-th tick, until k
# is 7. There it stays, to follow a hand on the tempo.
FOLLOW_TIME = (1024, 1024, 853, 717, 614, 536, 410)
FOLLOW_PERIOD = (0, 1024, 512, 307, 205, 146, 102)
STEADY = len(FOLLOW_TIME) - 1
# What the line goes by after a start at a tempo already known.
RESTARTED = 3
# Ticks without anything unusual, an eighth of a tick off or worse, after which all is calm.
CALM = 96
# The noise is averaged over so many ticks, as a power of two.
NOISE_SHIFT = 6


class Finding(Enum):
    """What the gate made of a tick, as far as anything changed."""

    NOTHING = "nothing"
    DOUBT = "an inquiry has begun"
    CLEARED = "the count is right"
    GIVEN_UP = "the count may be off"


_TICK = (1, Finding.NOTHING)


class Gate:
    """Judges the ticks of one clock; owns the feeding of the tempo tracker.

    `period_ns` is how long a tick lasts just now, 0 while unknown.
    """

    __slots__ = (
        "_calm",
        "_due",
        "_follow",
        "_inquiry",
        "_last",
        "_near",
        "_noise",
        "_off",
        "_ring",
        "_strays",
        "_tempo",
        "_worst",
        "period_ns",
    )

    def __init__(self, tempo: TempoTracker) -> None:
        self._tempo = tempo
        self._ring: deque[int] = deque(maxlen=REMEMBERED)
        self.lapse()

    @property
    def inquiring(self) -> bool:
        """Whether an inquiry is open."""
        return self._inquiry is not None

    def is_overdue(self, t_ns: int) -> bool:
        """Whether a tick should have come by now, if nothing else is to come after it."""
        return self._inquiry is None and t_ns - self._due > 8 * self._noise

    def lapse(self) -> None:
        """Forget tempo and inquiry: the clock stopped, or another one is followed."""
        self._tempo.lapse()
        self._ring.clear()
        self._inquiry: Inquiry | None = None
        self.period_ns = 0
        self._last = self._due = 0
        # How far off a tick may come, and how far they do on average.
        self._near = self._noise = 0
        # How far off the latest came, and how far the clock was off the line of late.
        self._off = self._worst = 0
        self._follow = 0
        self._strays = 0
        self._calm = CALM

    def settle(self) -> None:
        """The count was set right by a person: what was inquired into is of no account."""
        if self._inquiry is not None:
            times = self._inquiry.times
            self._go_on_from(times[-1])
            self._tempo.lapse()
            self._tempo.hear(times[-1])

    def first(self, t_ns: int) -> None:
        """Take the first tick after a start or continue, whose place nobody can foresee."""
        self._drop()
        period = self.period_ns
        # Many instruments begin a new beat of their clock on start: the old line ends there.
        if period and abs(t_ns - self._due) * 4 < period:
            self._take(t_ns, t_ns - self._due)
            return
        self._tempo.lapse()
        self._tempo.hear(t_ns)
        self._go_on_from(t_ns)

    def idle(self, t_ns: int) -> None:
        """Take a tick that moves no count, for the tempo's sake."""
        self._drop()
        off = t_ns - self._due
        if self.period_ns and abs(off) * 5 < self.period_ns * 3:
            self._strays = 0
            self._take(t_ns, off)
            return
        interval = t_ns - self._last
        if self._ring and interval >= SHORTEST_NS and (self._strays or not self.period_ns):
            self._learn(t_ns, interval)
        else:
            # One stray may be a tick that was lost; two are another tempo.
            self._strays = 1
            self._calm = 0
            self._go_on_from(t_ns)
        self._tempo.hear(t_ns)

    def hear(self, t_ns: int) -> tuple[int, Finding]:
        """Take a tick at `t_ns`; returns how many ticks the count moves on, and what was found."""
        off = t_ns - self._due
        near = self._near
        if -near < off < near:
            self._take(t_ns, off)
            return _TICK
        if self._inquiry is not None:
            self._inquiry.hear(t_ns)
            return self._weigh(self._inquiry)
        if not self.period_ns:
            interval = t_ns - self._last
            if not self._ring or interval >= SHORTEST_NS:
                if self._ring:
                    self._learn(t_ns, interval)
                else:
                    self._go_on_from(t_ns)
                self._tempo.hear(t_ns)
                return _TICK
        inquiry = self._open()
        inquiry.hear(t_ns)
        return inquiry.move_to(1 if off > 0 and self.period_ns else 0), Finding.DOUBT

    def regain(self, t_ns: int) -> tuple[int, Finding]:
        """Take the first tick after a silence; returns how many ticks the count moves on.

        DOUBT means that a verdict follows, GIVEN_UP that none can.
        """
        period = self.period_ns
        gap_ns = t_ns - self._last
        if not period or gap_ns > ESTIMATED_NS:
            self.lapse()
            self._go_on_from(t_ns)
            self._tempo.hear(t_ns)
            return 1, Finding.GIVEN_UP
        inquiry = self._inquiry or self._open()
        inquiry.bridge(t_ns)
        if not inquiry.too_long(t_ns):
            return inquiry.move(), Finding.DOUBT
        moved = inquiry.move()
        self._tempo.lapse()
        self._tempo.hear(t_ns)
        self._go_on_from(t_ns)
        return moved, Finding.GIVEN_UP

    # -- inside ------------------------------------------------------------------------------

    def _take(self, t_ns: int, off: int) -> None:
        """Take a tick that came `off` ns after it was due, and work out the next."""
        follow = self._follow
        if follow < STEADY:
            self._follow = follow + 1
        period = self.period_ns + (off * FOLLOW_PERIOD[follow] >> 10)
        self.period_ns = period
        self._last = t_ns
        self._due += period + (off * FOLLOW_TIME[follow] >> 10)
        self._ring.append(t_ns)
        noise = self._noise
        before, self._off = self._off, off
        if off < 0:
            off, before = -off, -before
        noise += (off - noise) >> NOISE_SHIFT
        # One tick off may happen; two on the same side, and the clock itself is elsewhere. By the
        # second the line has come halfway after it.
        away = 2 * (off if off < before else before)
        worst = self._worst
        self._worst = away if away > worst else worst - (worst >> 8)
        self._calm = self._calm + 1 if away << 3 < period else 0
        self._noise = noise
        self._near = _near(period, noise)
        self._tempo.hear(t_ns)

    def _go_on_from(self, t_ns: int) -> None:
        """Begin a new line at `t_ns`; the tempo stays."""
        self._inquiry = None
        self._ring.clear()
        self._ring.append(t_ns)
        self._last = t_ns
        self._due = t_ns + self.period_ns
        # Many instruments are unsteady just after a start.
        self._near = 3 * self.period_ns >> 3
        self._follow = RESTARTED

    def _learn(self, t_ns: int, interval: int) -> None:
        """Take the second tick of a new line, `interval` ns after the first: the tempo is known."""
        self.period_ns = interval
        self._ring.append(t_ns)
        self._last = t_ns
        self._due = t_ns + interval
        self._noise = interval // 16
        self._near = _near(interval, self._noise)
        self._follow = 2

    def _drop(self) -> None:
        """Leave an open inquiry: its ticks are of no account any more."""
        if self._inquiry is not None:
            self._go_on_from(self._inquiry.times[-1])

    def _open(self) -> Inquiry:
        inquiry = Inquiry(
            self._last,
            self._due - self.period_ns,
            self.period_ns,
            self._noise,
            tuple(self._ring),
            worst_ns=self._worst,
            calm=self._calm >= CALM,
        )
        self._calm = 0
        self._inquiry = inquiry
        # Nothing is near while an inquiry goes on.
        self._near = 0
        return inquiry

    def _weigh(self, inquiry: Inquiry) -> tuple[int, Finding]:
        verdict = inquiry.verdict()
        if verdict is None:
            return inquiry.move(), Finding.NOTHING
        cleared = verdict.ticks is not None
        moved = inquiry.move() if verdict.ticks is None else inquiry.move_to(verdict.ticks)
        self._feed(inquiry, verdict)
        times = inquiry.times
        if verdict.line is None:
            self._go_on_from(times[-1])
        else:
            each = verdict.ticks == len(times)
            self._go_on_along(verdict.line, times, verdict.gap, each)
        return moved, Finding.CLEARED if cleared else Finding.GIVEN_UP

    def _go_on_along(self, line: Line, times: list[int], gap: int, each: bool) -> None:
        """Go on along a line through the last of `times`, `gap` ticks after the last sure one.

        `each` says that each of them was one tick.
        """
        self._inquiry = None
        if each:
            # All were ticks: the line before goes on, and is the better for being long.
            self._ring.extend(times)
        else:
            if gap > FAR:
                self._ring.clear()
            else:
                # What was lost on a short way is put back.
                self._ring.extend(line.at(-back) for back in range(gap - 1, 0, -1))
            self._ring.extend(times[-line.ticks :])
        # Many ticks know the noise of now; few only that it is no less.
        many = line.ticks >= ASKED_UNEASY
        self._noise = line.off_ns if many else max(self._noise, line.off_ns)
        self._last = times[-1]
        # Few ticks tell little of the tempo: if it may be the old one, it is.
        same = abs(line.period_ns - self.period_ns) <= self.period_ns // 32 + self._noise // 2
        if not same or line.ticks > STEADY:
            self.period_ns = line.period_ns
        self._follow = STEADY if same or line.ticks > STEADY else RESTARTED
        self._due = line.at(line.ticks)
        self._near = _near(self.period_ns, self._noise)

    def _feed(self, inquiry: Inquiry, verdict: Verdict) -> None:
        """Give the tempo tracker what was heard meanwhile, lost ticks put back."""
        tempo, line = self._tempo, verdict.line
        if line is None or verdict.ticks is None:
            tempo.lapse()
            heard = 1 if line is None else line.ticks
        else:
            heard = line.ticks
            tempo.skip(verdict.gap - 1)
        for t_ns in inquiry.times[-heard:]:
            tempo.hear(t_ns)


def _near(period_ns: int, noise_ns: int) -> int:
    """How far off a tick may come, in ns, before it is a question.

    Eight times the average, six deviations if they are Gaussian; yet a lost or doubled tick comes
    one period off and must not pass for an unsteady one, so six deviations are kept free there.
    """
    return min(max(period_ns >> 2, 8 * noise_ns), period_ns >> 1, period_ns - (15 * noise_ns >> 1))
