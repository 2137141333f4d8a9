"""Play rules as values: what must hold for a step to sound. Reading them from text is setlist's."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import prod


@dataclass(frozen=True, slots=True)
class Cycle:
    """`pass K of N`: holds on passes K, K+N, K+2N ...; negated, on all the others."""

    k: int
    n: int
    negated: bool = False

    def holds(self, pass_number: int) -> bool:
        """Whether the term holds on that pass (1 is the first)."""
        return ((pass_number - self.k) % self.n == 0) != self.negated

    def __str__(self) -> str:
        return f"{'not ' if self.negated else ''}pass {self.k} of {self.n}"


@dataclass(frozen=True, slots=True)
class If:
    """`if last played`, `if TRACK silent`: what the latest conditional step did.

    `track` is None for the step's own track.
    """

    track: str | None
    played: bool

    def __str__(self) -> str:
        return f"if {self.track or 'last'} {'played' if self.played else 'silent'}"


@dataclass(frozen=True, slots=True)
class Rule:
    """One or more terms, all of which must hold. A rule with no term is `always`.

    `chances` keeps each chance term (0 to 1); they are drawn apart, so they multiply.
    `first` is True for `first pass`, False for `after first pass`; `fill` likewise for `fill` and
    `no fill`. Terms that contradict (`fill, no fill`) set `impossible`.
    """

    cycles: tuple[Cycle, ...] = ()
    chances: tuple[Fraction, ...] = ()
    first: bool | None = None
    fill: bool | None = None
    conditions: tuple[If, ...] = ()
    impossible: bool = False

    @property
    def conditional(self) -> bool:
        """Whether the rule is anything but `always`: only such steps are seen by `if` terms."""
        return bool(
            self.cycles
            or self.chances
            or self.first is not None
            or self.fill is not None
            or self.conditions
            or self.impossible
        )

    @property
    def chance(self) -> Fraction:
        """The product of the chance terms, 1 if there is none."""
        return prod(self.chances, start=Fraction(1))


ALWAYS = Rule()
