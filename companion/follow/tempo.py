"""The tempo of a MIDI clock, from the times of its ticks. Pure: no clock is read here.

A straight line is fitted to the latest ticks (least squares in whole nanoseconds, so nothing is
lost to rounding however long the night). What the ticks mean for the song is the conductor's.
"""

from __future__ import annotations

from collections import deque
from math import sqrt

from companion.counting.ticks import TICKS_PER_QUARTER

# Two bars of 4/4: the longer, the finer, and a tempo rarely stands still for longer.
WINDOW = 192
NS_PER_MINUTE = 60_000_000_000


class TempoTracker:
    """Follows the tempo of a clock, fed one tick at a time. Not thread-safe.

    Each tick costs a few sums, however long the window is.
    """

    __slots__ = ("_first", "_latest", "_line", "_skipped", "_sum_it", "_sum_t", "_sum_tt", "_times")

    def __init__(self) -> None:
        self.lapse()

    def lapse(self) -> None:
        """Forget everything: the clock stopped or was lost."""
        self._times: deque[int] = deque()
        self._first = 0
        self._sum_t = self._sum_it = self._sum_tt = 0
        self._skipped = 0
        self._latest = 0
        # Period and time of the latest tick on the line, in ns.
        self._line = (0.0, 0.0)

    def hear(self, t_ns: int) -> None:
        """Take one clock tick that arrived at `t_ns`."""
        times = self._times
        if not times:
            self._first = t_ns
        elif self._skipped:
            # The missing ticks are put back evenly spaced.
            before, parts = self._latest, self._skipped + 1
            self._skipped = 0
            for i in range(max(1, parts - WINDOW), parts):
                self._take(before + (t_ns - before) * i // parts)
        self._latest = t_ns
        self._take(t_ns)

    def skip(self, ticks: int) -> None:
        """Tell that `ticks` ticks were missed between the latest one and the coming one."""
        if self._times:
            self._skipped += ticks

    def when(self, ticks_ahead: int) -> int:
        """The time in ns of the tick that many after the latest; the latest's own if unknown."""
        period, latest = self._line
        return self._first + round(latest + (ticks_ahead + self._skipped) * period)

    @property
    def bpm(self) -> float:
        """Quarter notes a minute, 0.0 while unknown."""
        period = self._line[0]
        return NS_PER_MINUTE / (TICKS_PER_QUARTER * period) if period > 0 else 0.0

    @property
    def period_ns(self) -> int:
        """One tick in ns, 0 while unknown."""
        return max(0, round(self._line[0]))

    @property
    def jitter_ms(self) -> float:
        """Standard deviation of the ticks about the line, in ms; 0.0 with fewer than three."""
        n = len(self._times)
        if n < 3:
            return 0.0
        slope = 6 * (2 * self._sum_it - (n - 1) * self._sum_t)
        # n^2 (n^2 - 1) times the sum of squares, exactly.
        squares = (n * self._sum_tt - self._sum_t**2) * (n * n - 1) - slope * slope // 12
        return sqrt(max(0, squares) / (n * n * (n * n - 1) * (n - 2))) / 1e6

    def _take(self, t_ns: int) -> None:
        times = self._times
        t = t_ns - self._first
        if len(times) == WINDOW:
            old = times.popleft()
            self._sum_t -= old
            # All others move one place towards the start.
            self._sum_it -= self._sum_t
            self._sum_tt -= old * old
        n = len(times)
        times.append(t)
        sum_t = self._sum_t = self._sum_t + t
        sum_it = self._sum_it = self._sum_it + n * t
        self._sum_tt += t * t
        n += 1
        if n > 1:
            period = 6 * (2 * sum_it - (n - 1) * sum_t) / (n * (n * n - 1))
            self._line = (period, sum_t / n + (n - 1) / 2 * period)
        else:
            self._line = (0.0, float(t))
