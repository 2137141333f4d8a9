"""How far the ticks of a clock lie off by chance: the noise, learnt from the clock itself. Pure.

Three things are kept: the variance, how alike neighbours are, and the grain (the step of the scale
on which the clock's times are read, such as milliseconds or USB frames). Variances are in ns^2.
"""

from __future__ import annotations

from math import gcd, sqrt

# Before anything is known: 1 ms, as much as five ticks would say, and only until 24 were heard.
PRIOR, PRIOR_WEIGHT, PRIOR_ENDS = 1e12, 5, 24
# No clock is trusted to better than 10 microseconds; also keeps a jitterless one from dividing
# by zero.
LEAST = 1e8
# Ticks over which the noise is averaged.
MEMORY = 128
# A tick tells of the noise as if it were at most so many standard deviations off.
MOST = 3.0
# How alike neighbours may be by chance; more is a noise that wanders, with fewer ticks to tell.
ALIKE, MOST_ALIKE = 0.3, 0.95
# The variance is at most so many times what the differences of neighbours say: more is a line that
# does not fit, and no noise.
MISFIT = 4.0
# Intervals in whole milliseconds, one after the other, that are no coincidence.
MILLISECOND, COINCIDENCE = 1_000_000, 8


class Noise:
    """The noise of one clock. `variance` is what to reckon with."""

    __slots__ = (
        "_common",
        "_grain",
        "_latest",
        "_product",
        "_read",
        "_shown",
        "_square",
        "_step",
        "_steps",
        "_weight",
        "_whole",
        "alike",
        "variance",
    )

    def __init__(self) -> None:
        self.variance = PRIOR
        # Weighted sum of squares, and the weight.
        self._square = 0.0
        self._weight = 0.0
        # How alike neighbours are: 0 not at all, 1 if a tick is off by as much as the one before.
        self.alike = 0.0
        # The latest tick's error and its step from the one before; sums of squares of steps, and
        # of their products with the steps before.
        self._latest = 0.0
        self._step = 0.0
        self._steps = 0.0
        self._product = 0.0
        # Variance that the grain alone makes: what is read off a scale is off by up to a step,
        # evenly, so by a twelfth of the step's square. 0 while no grain was noticed.
        self._grain = 0.0
        self._whole = 0
        # The latest interval in whole milliseconds, the greatest common divisor of its changes,
        # and how many changes bore that out.
        self._read = 0
        self._common = 0
        self._shown = 0

    def learn(self, off: float) -> None:
        """Let a tick tell that lay `off` ns from where it was expected, the line's error aside."""
        step = off - self._latest
        self._latest = off
        self._steps += step * step
        self._product += step * self._step
        self._step = step
        self._add(min(off * off, MOST**2 * self.variance))

    def learn_stray(self) -> None:
        """Let a tick tell that lay so far off that it counts as `MOST` deviations."""
        self._add(MOST**2 * self.variance)

    def interval(self, ns: int) -> None:
        """Take the time between two ticks as it was read, to notice whole milliseconds."""
        whole, rest = divmod(ns + 500, MILLISECOND)
        if rest < 1000:
            change = whole - self._read
            self._read = whole
            if change:
                self._change(change)
            if self._whole < 8 * COINCIDENCE:
                self._whole += 1
            if self._whole > COINCIDENCE:
                step = MILLISECOND * (self._common if self._shown > COINCIDENCE else 1)
                self._grain = max(self._grain, step**2 / 12)
        elif self._whole > 0:
            self._whole -= 4

    def _change(self, milliseconds: int) -> None:
        """Two intervals of whole milliseconds differed by so much: perhaps all do by multiples."""
        common = gcd(self._common, milliseconds)
        if common == self._common:
            self._shown += 1
        else:
            if self._shown > COINCIDENCE:
                # It was no scale after all.
                self._grain = 0.0
            self._common, self._shown = common, 0

    def notice_grain(self, step: float) -> None:
        """Take it that times are read off a scale of such steps (ns)."""
        self._grain = max(self._grain, step * step / 12)
        self._square = max(self._square, self._grain * self._weight)
        self.variance = max(self.variance, self._grain)

    @property
    def grain(self) -> float:
        """The step of the clock's scale in ns, 0 while none was noticed."""
        return sqrt(12 * self._grain)

    @property
    def wandering(self) -> float:
        """The variance of a noise without memory in which a slow change is as hard to see.

        First-order autoregression, as in any text on time series.
        """
        alike = self.alike
        return self.variance if self._grain else self.variance * (1 + alike) / (1 - alike)

    def remember(self) -> tuple[float, float]:
        """What is known of the variance now, for `recall`."""
        return self._square, self._weight

    def recall(self, known: tuple[float, float]) -> None:
        """Unlearn what was heard since: it was no noise."""
        self._square, self._weight = known
        self._settle()

    def _add(self, square: float) -> None:
        self._square += square
        self._weight += 1
        if self._weight > MEMORY:
            keep = MEMORY / self._weight
            self._square *= keep
            self._steps *= keep
            self._product *= keep
            self._weight = MEMORY
        self._settle()

    def _settle(self) -> None:
        if self._weight < PRIOR_ENDS:
            known = (self._square + PRIOR * PRIOR_WEIGHT) / (self._weight + PRIOR_WEIGHT)
        else:
            # Of a first-order autoregression, steps have variance 2 s^2 (1 - r) and correlation
            # (r - 1)/2 with the next; unlike errors they hide no drift of the line.
            alike = 1 + 2 * self._product / self._steps if self._steps else 0.0
            self.alike = min(alike, MOST_ALIKE) if alike > ALIKE else 0.0
            most = MISFIT * self._steps / (2 * self._weight * (1 - self.alike))
            known = min(self._square / self._weight, most)
        if known < self._grain / 8 and self._whole < COINCIDENCE:
            # Nothing of the grain is seen any more: let it fade.
            self._grain *= 0.9
        self.variance = max(known, self._grain, LEAST)
