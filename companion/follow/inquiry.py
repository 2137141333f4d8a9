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

from companion.follow.intervals import has_close, has_hole, lacks_one, strays
from companion.follow.whole import Line, agreed, fit, is_like, nearest

# Longest time that can be bridged. In less than two seconds nobody stops and starts again unheard.
CERTAIN_NS = 2_000_000_000
# Ticks nearer than this are no tempo: 5 ms a tick are 500 beats a minute.
SHORTEST_NS = 5_000_000
# How many ticks in line are asked for at least, after a gap of up to how many ticks: the farther
# the line is to be drawn back, the more of them. While all is not calm, more from the outset.
ASKED = ((5, 6), (12, 18), (24, 1 << 30), (48, 1 << 30))
ASKED_UNEASY = 24
# The line drawn back may err by a tenth of a tick (standard deviation), so that seven of these lie
# between a right and a wrong number.
DRAWN_BACK = 10
# Ticks on the line before that show that nothing has become of it.
BACK = 3
# Ticks after which a sudden change of tempo is believed, and after which an inquiry is given up.
TEMPO, LONGEST = 12, 96
# The line before must rest on so many ticks to be drawn on; on so many to be drawn on far.
WEAK, LONG = 5, 16
# Gaps beyond so many ticks are far.
FAR = 8
# With an average noise above 1/32 tick, a single tick is no place to measure from; above 1/11,
# lost and doubled ticks cannot be told from late and early ones.
QUIET, LOUD = 32, 11


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

    __slots__ = (
        "_before",
        "_calm",
        "_fill",
        "_last",
        "_line_ns",
        "_noise",
        "_old",
        "_period",
        "_silent",
        "_worst",
        "counted",
        "times",
    )

    def __init__(
        self,
        last_ns: int,
        line_ns: int,
        period_ns: int,
        noise_ns: int,
        before: Sequence[int],
        *,
        worst_ns: int = 0,
        calm: bool = True,
    ) -> None:
        """`last_ns` is when the last sure tick came, `line_ns` when by its line it should have.

        `period_ns` is that line's, 0 if unknown; `noise_ns` how far ticks lay off it on average;
        `before` are the times of the ticks it rests on, oldest first; `worst_ns` is how far off
        one of late came, `calm` whether there was nothing unusual about them.
        """
        self._worst = worst_ns
        self._calm = calm
        self._last = last_ns
        self._line_ns = line_ns
        # A burst of held-up ticks may have passed for a tempo.
        self._period = max(period_ns, SHORTEST_NS) if period_ns else 0
        self._noise = noise_ns
        self._before = before
        # The line through those, if they are enough to be drawn on far.
        self._old = fit(before) if len(before) >= LONG else None
        self._fill = 0
        self._silent = False
        self.counted = 0
        self.times: list[int] = []

    def hear(self, t_ns: int) -> None:
        """Take a tick."""
        self.times.append(t_ns)

    def bridge(self, t_ns: int) -> None:
        """Take the first tick after a silence: those that fit into it are put back for now."""
        self.times.append(t_ns)
        self._silent = True
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
        found = self._back_on_line()
        if found is not None:
            return found
        for asked, reach in ASKED:
            if asked > len(times):
                break
            first_ns = times[-asked]
            if first_ns - self._last > CERTAIN_NS:
                if asked == ASKED[-1][0]:
                    return Verdict(None, self._tail())
            elif self._is_enough(asked, reach, first_ns):
                line = fit(times[-asked:])
                gap = self._gap(line, len(times) - asked + 1) if self._is_clean(line) else None
                if gap is not None and gap + asked - 1 >= self.counted:
                    return Verdict(gap + asked - 1, line, gap)
        if TEMPO <= len(times) >= self.counted and not self._silent and self._is_new_tempo():
            return self._each()
        return Verdict(None, self._tail()) if len(times) >= LONGEST else None

    # -- inside ------------------------------------------------------------------------------

    def _back_on_line(self) -> Verdict | None:
        """The verdict if the latest ticks lie on the line before, one for one."""
        times, old = self.times, self._old
        if len(times) < BACK or self._silent or old is None or self._noise * LOUD > old.period_ns:
            return None
        period, end_ns = old.period_ns, old.at(old.ticks - 1)
        if abs(end_ns - self._last) * 4 > period:
            # The tempo moves: the ticks of two beats are no line.
            return None
        gap = nearest(times[-BACK] - end_ns, period)
        offs = [t - end_ns - (gap + i) * period for i, t in enumerate(times[-BACK:])]
        worst = max(map(abs, offs))
        if worst > min(max(period // 16, 4 * self._noise), period // 4):
            return None
        arrived = len(times) - BACK + 1
        if gap != arrived and not self._calm:
            return None
        if not self._is_plausible(gap, arrived, period, (period,)):
            return None
        if not 1 <= gap <= FAR or gap + BACK - 1 < self.counted:
            return None
        first_ns = end_ns + gap * period + sum(offs) // BACK
        return Verdict(gap + BACK - 1, Line(BACK, first_ns, period, worst, worst), gap)

    def _is_enough(self, ticks: int, reach: int, first_ns: int) -> bool:
        """Whether so many ticks in line would do, the first of them at `first_ns`."""
        if not self._calm and ticks < ASKED_UNEASY:
            return False
        gap = self._along(first_ns)
        return gap <= reach and self._drawn_back(ticks, gap)

    def _each(self) -> Verdict:
        """The verdict that each tick heard is a tick."""
        line = self._tail()
        gap = len(self.times) + 1 - (0 if line is None else line.ticks)
        return Verdict(len(self.times), line, gap)

    def _drawn_back(self, ticks: int, gap: int) -> bool:
        """Whether a line through so many ticks can be drawn back over `gap` ticks.

        The variance of a fitted line at a distance (any text on least squares), the deviation
        being 5/4 of the average noise, and that taken as at least a sixtieth of a tick. Besides,
        a clock read in coarse steps may creep through one of them along the whole line.
        """
        if 2 * gap * self._worst * 10 > 3 * self._period * ticks:
            return False
        noise = max(self._noise, self._period // 60)
        spread = 25 * noise * noise * (ticks * ticks - 1 + 3 * (2 * gap + ticks - 1) ** 2)
        return spread * DRAWN_BACK * DRAWN_BACK <= 16 * self._period * self._period * ticks * (
            ticks * ticks - 1
        )

    def _along(self, t_ns: int) -> int:
        """The number of the tick at `t_ns` along the line before, the last sure one being 0."""
        return nearest(t_ns - self._last, self._period) if self._period else 1

    def _tail(self) -> Line | None:
        """A line to go on along, if the latest ticks make one, be it a poor one."""
        for asked in (ASKED[-1][0], ASKED[0][0]):
            if asked <= len(self.times):
                line = fit(self.times[-asked:])
                if self._is_clean(line) or 2 * line.worst_ns < line.period_ns > SHORTEST_NS:
                    return line
        return None

    def _is_clean(self, line: Line) -> bool:
        """Whether the ticks of a line lie on it one for one, as well as their noise allows."""
        period = line.period_ns
        if period < SHORTEST_NS:
            return False
        if line.ticks >= ASKED_UNEASY:
            # So many ticks tell for themselves how unsteady they are.
            return line.off_ns * LOUD <= period and 5 * line.worst_ns <= 2 * period
        if max(line.off_ns, self._noise) * LOUD > period:
            return False
        return line.worst_ns * 20 <= min(max(period, 80 * self._noise), 6 * period)

    def _gap(self, line: Line, arrived: int) -> int | None:
        """Ticks from the last sure one to the first of `line`, the `arrived`-th that was heard."""
        before, now = self._period, line.period_ns
        gap_ns = line.first_ns - self._last
        if len(self._before) < WEAK or not before:
            # One late tick at the start would shift all: only what was heard can be counted.
            if before and not is_like(before, now):
                return None
            intervals = self._intervals(arrived)
            if lacks_one(intervals, now, now):
                return None
            if has_close(intervals, now):
                # In a bunch one may be the double of another: ask twice, and more closely.
                close = all(abs(gap_ns - arrived * p) * 5 <= p for p in (before or now, now))
            else:
                # The first tick may have come late, and none comes early.
                close = -9 * now <= 20 * (gap_ns - arrived * now) <= 4 * now
            return arrived if close else None
        found: set[int | None] = set()
        periods = [now]
        quiet = self._noise * QUIET <= before and gap_ns <= FAR * before
        old = self._old
        if old is not None:
            old_ns = old.at(old.ticks - 1)
            if 2 * (gap_ns // before) * self._worst * 10 > 3 * before * old.ticks:
                return None
            # While the tempo moves, that is no line.
            if abs(old_ns - self._last) <= max(before // 8, 4 * self._noise):
                found.add(agreed(line.first_ns - old_ns, old.period_ns, now))
                periods.append(old.period_ns)
                if gap_ns > FAR * before:
                    # A slight bend that does not show at the end of the line does so far from it.
                    late = fit(self._before[-max(LONG, len(self._before) // 2) :])
                    late_ns = line.first_ns - late.at(late.ticks - 1)
                    found.add(agreed(late_ns, late.period_ns, now))
                    periods.append(late.period_ns)
            elif not quiet:
                return None
        elif not quiet:
            found.add(agreed(line.first_ns - self._line_ns, before, now))
            periods.append(before)
        if quiet:
            periods.append(before)
            # The last sure tick may have come late, or the line behind it may lag: ask both.
            from_line_ns = line.first_ns - self._line_ns
            by_tick = agreed(gap_ns, before, now)
            by_line = agreed(from_line_ns, before, now)
            if by_tick is None and by_line == nearest(gap_ns, now):
                by_tick = by_line
            elif by_line is None and by_tick == nearest(from_line_ns, now):
                by_line = by_tick
            found |= {by_tick, by_line}
        gap = found.pop() if len(found) == 1 else None
        if gap is None or not self._is_plausible(gap, arrived, now, periods):
            return None
        return gap

    def _is_plausible(self, gap: int, arrived: int, now_ns: int, periods: Sequence[int]) -> bool:
        """Whether ticks that were lost left a hole, and doubled ones came close together.

        `periods` are those that `gap` was measured by.
        """
        intervals = self._intervals(arrived)
        faster, slower = min(periods), max(periods)
        if strays(intervals, gap, faster, slower):
            return False
        if gap == arrived:
            return not lacks_one(intervals, faster, slower)
        # So few ticks rather tell of a line that has grown unsteady than of another tempo, too.
        if abs(now_ns - self._period) * 16 > self._period:
            return False
        if gap > arrived:
            return has_hole(intervals, self._period)
        return has_close(intervals, self._period)

    def _intervals(self, arrived: int) -> list[int]:
        """The intervals from the last sure tick to the `arrived`-th that was heard."""
        return [b - a for a, b in pairwise((self._last, *self.times[:arrived]))]

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
        if not self._is_clean(line) or not is_like(before, now):
            return False
        # The change may fall between two ticks.
        slower, faster = max(before, now), min(before, now)
        return faster * 3 <= intervals[0] * 4 <= slower * 5
