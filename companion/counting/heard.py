"""How likely it is that a step is heard, or not, taken in one pass at a time.

Sequentially, in plain Python, what `learn.rules` weighs in bulk: the same likelihoods, so that what
follows a performance and what learns from one cannot disagree. A step that plays is heard unless
its note is lost, one that is silent is heard if a stray note falls on it. What is compared with
what, and when that is enough, is for those who listen.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import exp, lgamma, log, log1p


@dataclass(frozen=True, slots=True)
class Rates:
    """The share of played notes that never arrive, and of silent steps on which one is heard.

    Both between 0 and 1, neither included. The ones given here are presumed, no source; measured
    rates of sound cables are far lower, so that these leave room for other mishaps.
    """

    lost: float = 1e-3
    stray: float = 1e-4


RATES = Rates()


def heard_chance(chance: float, rates: Rates = RATES) -> float:
    """The chance that a note is heard on a step that plays with `chance` (0 to 1).

    Never below that of a stray note: a step that hardly ever plays is heard as often as a silent
    one. Its logarithm, or that of its complement, summed over passes with 1 on those of a set and 0
    on the others, is `learn.rules.log_sure`.
    """
    return max(chance * (1.0 - rates.lost), rates.stray)


class Drawn:
    """A step that plays with an unknown chance, all chances being alike before.

    Beta-binomial, but for what is lost: the rate that is heard lies below x = 1 - lost. With
    J(h, m) the integral of r^h (1 - r)^m from 0 to x, the chance that it is heard after h passes on
    which it was and m on which it was not is J(h + 1, m) / J(h, m), and by parts that is
    (h + 1 - e) / (h + m + 2) with e = x^(h + 1) (1 - x)^(m + 1) / J(h, m).
    """

    __slots__ = ("_lost", "heard", "log", "silent")

    def __init__(self, rates: Rates = RATES) -> None:
        self.heard = self.silent = 0
        # The log likelihood of all passes so far: `learn.rules.log_drawn`.
        self.log = 0.0
        self._lost = rates.lost

    @property
    def next_heard(self) -> float:
        """The chance that it is heard on the next pass, given all before."""
        h, m = self.heard, self.silent
        return (h + 1 - _edge(h, m, self._lost)) / (h + m + 2)

    def take(self, heard: bool) -> float:
        """Take in one pass; returns its log likelihood given those before."""
        chance = self.next_heard
        gain = log(chance) if heard else log1p(-chance)
        if heard:
            self.heard += 1
        else:
            self.silent += 1
        self.log += gain
        return gain


@lru_cache(maxsize=4096)
def _edge(heard: int, silent: int, lost: float) -> float:
    """x^a (1 - x)^b over J(heard, silent), with a = heard + 1, b = silent + 1, x = 1 - lost.

    The incomplete beta function as a continued fraction (Abramowitz and Stegun 26.5.8; from
    memory), of whichever of its two tails is the smaller.
    """
    a, b, x = heard + 1.0, silent + 1.0, 1.0 - lost
    if x < (a + 1) / (a + b + 2):
        return a * _fraction(a, b, x)
    whole = lgamma(a) + lgamma(b) - lgamma(a + b) - a * log(x) - b * log(lost)
    # Far from the edge nothing is cut off.
    return 0.0 if whole > 100 else 1 / (exp(whole) - 1 / (b * _fraction(b, a, lost)))


def _fraction(a: float, b: float, x: float) -> float:
    """1 + d1 / (1 + d2 / (1 + ...)), the inverse of theirs, by its convergents, scaled (Wallis)."""
    before, now, under_before, under = 1.0, 1.0, 0.0, 1.0
    found, m = 0.0, 0
    while abs(now / under - found) > 1e-15 * abs(found):
        found = now / under
        for d in (
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
            (m + 1) * (b - m - 1) * x / ((a + 2 * m + 1) * (a + 2 * m + 2)),
        ):
            before, now = now, now + d * before
            under_before, under = under, under + d * under_before
            before, now = before / under, now / under
            under_before, under = under_before / under, 1.0
        m += 1
    return found
