"""An inquiry into odd ticks: how many ticks went by since the last one that was sure? Pure.

Opened by a tick that came early or late, or after a silence; fed every tick until there is a
verdict. Whole nanoseconds and whole ticks only, so that no rounding decides anything.

The verdict rests on the latest ticks lying on a line of their own, one for one. From its first
tick back to the last sure one the time is measured twice: in ticks of the tempo before, and in
ticks of the tempo now. Whatever the tempo did in between, as long as it only rose or only fell,
the true number lies between the two; so where both come near the same whole number, that is it.
Ticks lost, doubled, held up or put together do not matter to that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

# Longest time that can be bridged. In less than two seconds nobody stops and starts again unheard.
CERTAIN_NS = 2_000_000_000
# How many ticks in line are asked for, after a gap of up to how many ticks: the farther the line
# is to be drawn back, the more of them.
ASKED = ((5, 6), (12, 18), (24, 1 << 30))
# Ticks after which a sudden change of tempo is believed, and after which an inquiry is given up.
TEMPO, LONGEST = 12, 72
# A tempo that changes by more than 9 to 5 in one tick is more likely two clocks in one cable.
MOST = 9, 5
# The line before must rest on so many ticks to be drawn on; on so many to be drawn on far.
WEAK, LONG = 5, 16
# Gaps beyond so many ticks are far.
FAR = 8


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through `ticks` ticks, times in ns.

    `off_ns` and `worst_ns` are how far from it they lie, on average and at most.
    """

    ticks: int
    first_ns: int
    period_ns: int
    off_ns: int
    worst_ns: int

    def at(self, tick: int) -> int:
        """When the tick of that number is due, the first being 0."""
        return self.first_ns + tick * self.period_ns


@dataclass(frozen=True, slots=True)
class Verdict:
    """`ticks` went by since the last sure one, None if nobody can tell; `line` they go on along.

    `gap` is how many of them went by up to the first of the line.
    """

    ticks: int | None
    line: Line | None = None
    gap: int = 0


class Inquiry:
    """One inquiry. `counted` is how many ticks the count has moved since the last sure one."""

    __slots__ = ("_before", "_fill", "_last", "_line_ns", "_noise", "_period", "counted", "times")

    def __init__(
        self, last_ns: int, line_ns: int, period_ns: int, noise_ns: int, before: Sequence[int]
    ) -> None:
        """`last_ns` is when the last sure tick came, `line_ns` when by its line it should have.

        `period_ns` is that line's, 0 if unknown; `noise_ns` how far ticks lay off it on average;
        `before` are the times of the ticks it rests on, oldest first.
        """
        self._last = last_ns
        self._line_ns = line_ns
        self._period = period_ns
        self._noise = noise_ns
        self._before = before
        self._fill = 0
        self.counted = 0
        self.times: list[int] = []

    def hear(self, t_ns: int) -> None:
        """Take a tick."""
        self.times.append(t_ns)

    def bridge(self, t_ns: int) -> None:
        """Take the first tick after a silence: those that fit into it are put back for now."""
        self.times.append(t_ns)
        self._fill = max(self._fill, self._along(t_ns) - len(self.times))

    def too_long(self, t_ns: int) -> bool:
        """Whether too much time has gone by for anything to be certain."""
        return t_ns - self._last > CERTAIN_NS

    def move(self) -> int:
        """How far the count may move on by now.

        Never ahead of what may be true, for a count cannot go back over a boundary.
        """
        return self.move_to(min(self._along(self.times[-1]), len(self.times) + self._fill))

    def move_to(self, ticks: int) -> int:
        """How far the count is to move on to `ticks` since the last sure one."""
        moved = max(0, ticks - self.counted)
        self.counted += moved
        return moved

    def verdict(self) -> Verdict | None:
        """What came out, None while that is open."""
        times = self.times
        asked = self._asked()
        if asked > len(times):
            return None
        first_ns = times[-asked]
        if first_ns - self._last > CERTAIN_NS:
            return Verdict(None, self._tail())
        line = fit(times[-asked:])
        if is_clean(line, self._noise):
            gap = self._gap(line, len(times) - asked + 1)
            if gap is not None and gap + asked - 1 >= self.counted:
                return Verdict(gap + asked - 1, line, gap)
        if len(times) >= TEMPO and self._is_new_tempo():
            return Verdict(len(times), self._tail(), len(times) - ASKED[0][0] + 1)
        return Verdict(None, self._tail()) if len(times) >= LONGEST else None

    # -- inside ------------------------------------------------------------------------------

    def _asked(self) -> int:
        """How many ticks in line are asked for now."""
        for asked, reach in ASKED:
            if asked > len(self.times):
                break
            if self.times[-asked] - self._last <= reach * self._period:
                break
        return asked

    def _along(self, t_ns: int) -> int:
        """The number of the tick at `t_ns` along the line before, the last sure one being 0."""
        return _nearest(t_ns - self._last, self._period) if self._period else 1

    def _tail(self) -> Line | None:
        """The line through the latest few ticks, if they make one."""
        if len(self.times) < ASKED[0][0]:
            return None
        line = fit(self.times[-ASKED[0][0] :])
        return line if is_clean(line, self._noise) else None

    def _gap(self, line: Line, arrived: int) -> int | None:
        """Ticks from the last sure one to the first of `line`, the `arrived`-th that was heard."""
        before, now = self._period, line.period_ns
        gap_ns = line.first_ns - self._last
        if len(self._before) < WEAK or not before:
            # One late tick at the start would shift all: only what was heard can be counted.
            return arrived if abs(gap_ns - arrived * now) * 20 <= 9 * now else None
        if gap_ns > FAR * before:
            line_ns = self._line_ns
            if len(self._before) >= LONG:
                old = fit(self._before)
                line_ns, before = old.at(old.ticks - 1), old.period_ns
            return _agreed(line.first_ns - line_ns, before, now)
        # The last sure tick may have come late, or the line behind it may lag: ask both.
        from_line_ns = line.first_ns - self._line_ns
        by_tick = _agreed(gap_ns, before, now)
        by_line = _agreed(from_line_ns, before, now)
        if by_tick is None:
            return by_line if by_line == _nearest(gap_ns, now) else None
        if by_line is None:
            return by_tick if by_tick == _nearest(from_line_ns, now) else None
        return by_tick if by_tick == by_line else None

    def _is_new_tempo(self) -> bool:
        """Whether the tempo changed suddenly, or fast, and each tick heard is a tick."""
        before = self._period
        if not before or len(self._before) < WEAK:
            return False
        intervals = [b - a for a, b in pairwise((self._last, *self.times))]
        if all(abs(b - a) * 4 <= min(a, b) for a, b in pairwise((before, *intervals)) if a > 0 < b):
            return min(intervals) > 0
        line = fit(self.times)
        now = line.period_ns
        more, less = MOST
        if not is_clean(line, self._noise) or not less * before < more * now < more * more * before:
            return False
        # The change may fall between two ticks.
        slower, faster = max(before, now), min(before, now)
        return faster * 3 <= intervals[0] * 4 <= slower * 5


def fit(times: Sequence[int]) -> Line:
    """The straight line through two or more ticks by least squares, in whole ns."""
    n = len(times)
    base = times[0]
    sum_t = sum_it = 0
    for i, t in enumerate(times):
        sum_t += t - base
        sum_it += i * (t - base)
    period = 6 * (2 * sum_it - (n - 1) * sum_t) // (n * (n * n - 1))
    first = base + (2 * sum_t - n * (n - 1) * period) // (2 * n)
    offs = [abs(t - first - i * period) for i, t in enumerate(times)]
    return Line(n, first, period, sum(offs) // n, max(offs))


def is_clean(line: Line, noise_ns: int) -> bool:
    """Whether the ticks of a line lie on it as well as their noise allows, one for one."""
    period = line.period_ns
    return period > 0 and line.worst_ns * 20 <= min(max(3 * period, 80 * noise_ns), 6 * period)


def _nearest(gap_ns: int, period_ns: int) -> int:
    return (2 * gap_ns + period_ns) // (2 * period_ns)


def _agreed(gap_ns: int, before_ns: int, now_ns: int) -> int | None:
    """The one whole number of ticks that `gap_ns` comes near to at both periods, if there is."""
    ticks = _nearest(gap_ns, before_ns)
    if ticks < 1 or any(abs(gap_ns - ticks * p) * 10 > 3 * p for p in (before_ns, now_ns)):
        return None
    return ticks
