"""How likely it is that a step is heard, or not, taken in one pass at a time.

Sequentially, in plain Python, what `learn.rules` weighs in bulk: the same likelihoods, so that what
follows a performance and what learns from one cannot disagree. A step that plays is heard unless
its note is lost, one that is silent is heard if a stray note falls on it. What is compared with
what, and when that is enough, is for those who listen.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, log1p


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
    one.
    """
    return max(chance * (1.0 - rates.lost), rates.stray)


def log_heard(chance: float, heard: bool, rates: Rates = RATES) -> float:
    """The log likelihood of one pass of a step that plays with a known chance (0 to 1).

    Summed over passes, with 1 on those of a set and 0 on the others, `learn.rules.log_sure`.
    """
    p = heard_chance(chance, rates)
    return log(p) if heard else log1p(-p)


class Drawn:
    """A step that plays with an unknown chance, all chances being alike before.

    Beta-binomial, but for what is lost: the rate that is heard lies below x = 1 - lost. With
    J(h, m) the integral of r^h (1 - r)^m from 0 to x, the chance of a silent pass after h heard and
    m silent ones is J(h, m + 1) / J(h, m), and by parts that is (m + 1 + b) / (h + m + 2) with
    b = x^(h + 1) (1 - x)^(m + 1) / J(h, m), which each pass multiplies. Nothing is subtracted that
    is nearly as large, so a night of passes loses no digits.
    """

    __slots__ = ("_edge", "_kept", "heard", "log", "silent")

    def __init__(self, rates: Rates = RATES) -> None:
        self.heard = self.silent = 0
        # The log likelihood of all passes so far: `learn.rules.log_drawn`.
        self.log = 0.0
        self._kept = 1.0 - rates.lost
        self._edge = rates.lost

    @property
    def next_heard(self) -> float:
        """The chance that it is heard on the next pass, given all before."""
        return (self.heard + 1 - self._edge) / (self.heard + self.silent + 2)

    def take(self, heard: bool) -> float:
        """Take in one pass; returns its log likelihood given those before."""
        chance = self.next_heard if heard else 1.0 - self.next_heard
        self._edge *= (self._kept if heard else 1.0 - self._kept) / chance
        if heard:
            self.heard += 1
        else:
            self.silent += 1
        gain = log(chance)
        self.log += gain
        return gain
