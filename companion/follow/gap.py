"""How many ticks of a clock went by while nobody listened, and whether that is certain. Pure.

For a gap of seconds, as between the end of an engine and the next one that takes over. (Shorter
ones, of a cable, are the inquiry's.) The line that the clock kept before is drawn on across the
gap; the first ticks after it must lie on that line, at its tempo. Certain is only what the errors
of both sides, propagated over the gap, leave no other whole number for. That the instrument was
not stopped and started again meanwhile, on the beat and unheard, nothing can prove; in under ten
seconds that lie on the line, nobody has done it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

# Longest gap that is ever certain.
CERTAIN_NS = 10_000_000_000
# Ticks the line must rest on, a beat; more of them hardly count.
LEAST, MOST = 24, 192
# How far the far end of the line may be off, in ticks, at four standard errors.
REACH = 0.25
# How far off the line the ticks after the gap may lie, in ticks: four standard errors and what a
# driver may be later than before, but never more than this.
OFF, LATER_NS = 0.15, 1_000_000
# How many ticks a tempo that differs from the one before may have made of the gap, at two
# standard errors.
DRIFT = 0.5
# The first ticks after the gap may come late, for whoever hears them is only just starting.
SETTLING = 4
# How far what is expected of the next tick follows each.
SMOOTHING = 0.25
# Ticks after which it is said that nothing is certain.
LONGEST = 200
# No driver tells times more finely than this.
GRAIN_NS = 100_000


@dataclass(frozen=True, slots=True)
class Line:
    """A clock as it was: its latest tick, its period, both on the line, in ns.

    `ticks` is how many ticks the line rests on, `jitter_ns` the standard deviation about it.
    """

    tick_ns: int
    period_ns: float
    ticks: int
    jitter_ns: float

    def place(self, t_ns: float) -> float:
        """The time `t_ns` in ticks after the latest."""
        return (t_ns - self.tick_ns) / self.period_ns

    def error(self, ahead: float) -> float:
        """Standard error, in ticks, of where the line puts the tick `ahead` ticks on.

        Of a line by least squares: s sqrt(1/n + (x - mean x)^2 / sum (x - mean x)^2).
        """
        n = min(self.ticks, MOST)
        if n < 3:
            return float("inf")
        reach = (n - 1) / 2 + ahead
        return self._noise * sqrt(1 / n + reach * reach / _spread(n))

    def period_error(self) -> float:
        """Standard error of the period, as a part of it."""
        n = min(self.ticks, MOST)
        return float("inf") if n < 3 else self._noise / sqrt(_spread(n))

    @property
    def _noise(self) -> float:
        return max(self.jitter_ns, GRAIN_NS) / self.period_ns


def may_be_certain(line: Line, t_ns: int) -> bool:
    """Whether the ticks from `t_ns` on can make it certain how many went by since the line's."""
    if line.ticks < LEAST or not 0 < t_ns - line.tick_ns <= CERTAIN_NS:
        return False
    return 4 * line.error(line.place(t_ns)) <= REACH


class Far:
    """The far side of a gap: is fed each tick after it, and judges.

    `first` is the number of the first one, by the line before: the nearest whole number.
    """

    def __init__(self, line: Line, first_ns: int) -> None:
        self._line = line
        self.first = max(1, round(line.place(first_ns)))
        # Where the latest tick should have come, smoothed.
        self._due_ns = float(first_ns)
        self._index = self.first - 1
        self._heard = 0
        # The ticks that are judged: they follow one another, one for one.
        self._times: list[int] = []

    @property
    def index(self) -> int:
        """The number of the latest tick, counted from the line's."""
        return self._index

    def hear(self, t_ns: int) -> bool | None:
        """Take a tick; whether the count is right, None while that is open.

        May be asked on after that it is, if something else has to be waited for.
        """
        period_ns = self._line.period_ns
        steps = round((t_ns - self._due_ns) / period_ns) if self._heard else 1
        if self._heard:
            self._due_ns += steps * period_ns
        self._due_ns += SMOOTHING * (t_ns - self._due_ns)
        self._heard += 1
        self._index += steps
        if steps != 1 or self._heard <= SETTLING:
            self._times.clear()
        self._times.append(t_ns)
        if self._heard > LONGEST:
            return False
        return self._judge() if len(self._times) > LEAST - SETTLING else None

    def _judge(self) -> bool | None:
        line, n = self._line, len(self._times)
        middle = self._index - (n - 1) / 2
        mean_ns = self._times[0] + sum(t - self._times[0] for t in self._times) / n
        period_ns, jitter_ns = _fit(self._times, mean_ns)
        after = Line(self._times[-1], period_ns, n, jitter_ns)
        off = abs(line.place(mean_ns) - middle)
        own = after.error(-(n - 1) / 2)
        reach = line.error(middle)
        if off > min(OFF, 4 * sqrt(reach * reach + own * own) + LATER_NS / line.period_ns):
            return False
        gap = self.first
        drift = abs(period_ns / line.period_ns - 1) * gap
        error = 2 * gap * sqrt(line.period_error() ** 2 + after.period_error() ** 2)
        if drift - error > DRIFT:
            return False
        return True if drift + error <= DRIFT else None


def _fit(times: list[int], mean_ns: float) -> tuple[float, float]:
    """Period and jitter, in ns, of ticks by least squares."""
    n = len(times)
    spread = _spread(n)
    middle = (n - 1) / 2
    period = sum((i - middle) * (t - mean_ns) for i, t in enumerate(times)) / spread
    squares = sum((t - mean_ns - (i - middle) * period) ** 2 for i, t in enumerate(times))
    return period, sqrt(squares / (n - 2))


def _spread(n: int) -> float:
    """Sum of the squares of n whole numbers in a row about their mean, n(n^2 - 1)/12."""
    return n * (n * n - 1) / 12
