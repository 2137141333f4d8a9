"""Lines through a few ticks in whole nanoseconds, and how many ticks a gap is along them. Pure.

For verdicts about the count, which no rounding may decide; the tempo has its own in `lines`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

# A tempo that changes by more than 9 to 5 in one tick is more likely two clocks in one cable.
MOST = 9, 5


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


def is_like(one_ns: int, other_ns: int) -> bool:
    """Whether two periods may be of one clock, its tempo having changed between them."""
    more, less = MOST
    return less * one_ns < more * other_ns and less * other_ns < more * one_ns


def nearest(gap_ns: int, period_ns: int) -> int:
    """The whole number of ticks of `period_ns` that `gap_ns` comes nearest to."""
    return (2 * gap_ns + period_ns) // (2 * period_ns)


def agreed(gap_ns: int, before_ns: int, now_ns: int) -> int | None:
    """The one whole number of ticks that `gap_ns` comes near to at both periods, if there is."""
    ticks = nearest(gap_ns, before_ns)
    if ticks < 1 or any(abs(gap_ns - ticks * p) * 10 > 3 * p for p in (before_ns, now_ns)):
        return None
    return ticks
