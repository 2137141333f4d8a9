"""Sets of pass numbers that repeat for ever: what cycle terms leave, met, counted and stepped.

Congruences only; what a pattern, a track or a chance is belongs elsewhere. Nothing here walks
through a whole cycle, so moduli may have any number of digits.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache
from math import gcd, lcm
from typing import NamedTuple

from companion.counting.pattern import Cycle


class Congruence(NamedTuple):
    """All whole numbers that leave `residue` (0 to modulus - 1) when divided by `modulus`."""

    modulus: int
    residue: int

    @classmethod
    def of(cls, number: int, modulus: int) -> Congruence:
        """The congruence that `number` belongs to."""
        return cls(modulus, number % modulus)

    def meet(self, other: Congruence) -> Congruence | None:
        """What lies in both, or None where they never meet (Chinese remainder theorem)."""
        turns = other.pulled(self.residue, self.modulus)
        if turns is None:
            return None
        modulus = self.modulus * turns.modulus
        return Congruence(modulus, self.residue + self.modulus * turns.residue)

    def pulled(self, shift: int, factor: int) -> Congruence | None:
        """Those i for which shift + factor x i lies in this, or None if none does."""
        shared = gcd(factor, self.modulus)
        gap = self.residue - shift
        if gap % shared:
            return None
        rest = self.modulus // shared
        return Congruence(rest, gap // shared * pow(factor // shared, -1, rest) % rest)

    def within(self, other: Congruence) -> bool:
        """Whether all of this lies in `other`."""
        return not self.modulus % other.modulus and self.residue % other.modulus == other.residue

    def at_or_after(self, number: int) -> int:
        """The first member that is not below `number`."""
        return number + (self.residue - number) % self.modulus


EVERY = Congruence(1, 0)


@dataclass(frozen=True)
class PassSet:
    """The members of `base` but for `holes`; a hole counts in turns of the base.

    Member number i of the base is base.residue + base.modulus x i; it is left out when i lies in
    any hole. No hole lies within another. A set without members has the one hole EVERY.
    """

    base: Congruence = EVERY
    holes: tuple[Congruence, ...] = ()

    @classmethod
    def of(cls, cycles: Iterable[Cycle]) -> PassSet:
        """The passes on which all of `cycles` hold."""
        base: Congruence | None = EVERY
        holes = []
        for cycle in cycles:
            if cycle.negated:
                holes += [Congruence.of(k, cycle.n) for k in cycle.every_k]
                continue
            # What several passes of one cycle have in common, but for what lies between them.
            step = gcd(cycle.n, *(k - cycle.k for k in cycle.more))
            if base is not None:
                base = base.meet(Congruence.of(cycle.k, step))
            between = range(cycle.k % step, cycle.n, step)
            named = {k % cycle.n for k in cycle.every_k}
            holes += [Congruence(cycle.n, k) for k in between if k not in named]
        return NEVER if base is None else cls.without(base, holes)

    @classmethod
    def without(cls, base: Congruence, outer: Iterable[Congruence]) -> PassSet:
        """The members of `base` that lie in none of `outer` (counted like the base itself)."""
        inner = (each.pulled(base.residue, base.modulus) for each in outer)
        return cls(base, _outermost({hole for hole in inner if hole is not None}))

    @cached_property
    def density(self) -> Fraction:
        """The share of all passes that belong to the set, exact."""
        return _uncovered(self.holes) / self.base.modulus

    @cached_property
    def empty(self) -> bool:
        """Whether no pass at all belongs to the set."""
        return EVERY in self.holes or (len(self.holes) > 1 and not self.density)

    @cached_property
    def period(self) -> int:
        """The smallest number of passes after which the set repeats; 1 if it is empty."""
        if self.empty:
            return 1
        turns = lcm(*(hole.modulus for hole in self.holes))
        for prime in _primes(turns):
            while turns % prime == 0 and self._repeats_after(turns // prime):
                turns //= prime
        return self.base.modulus * turns

    def __contains__(self, number: int) -> bool:
        turn, off = divmod(number - self.base.residue, self.base.modulus)
        return not off and all((turn - hole.residue) % hole.modulus for hole in self.holes)

    def at_or_after(self, number: int) -> int | None:
        """The first member that is not below `number`, or None if there is none.

        With k holes at most 2**k members of the base are looked at: k congruences that cover as
        many whole numbers in a row cover them all (Crittenden and Vanden Eynden, Any n arithmetic
        progressions covering the first 2**n integers cover all integers, 1970; from memory).
        """
        if self.empty:
            return None
        found = self.base.at_or_after(number)
        if self.holes:
            turn = (found - self.base.residue) // self.base.modulus
            while not all((turn - hole.residue) % hole.modulus for hole in self.holes):
                turn += 1
            found = self.base.residue + self.base.modulus * turn
        return found

    def between(self, first: int, last: int) -> Iterator[int]:
        """The members from `first` to `last`, both included, ascending."""
        inside = range(self.base.at_or_after(first), last + 1, self.base.modulus)
        if not self.holes:
            yield from inside
            return
        residue, modulus = self.base.residue, self.base.modulus
        for number in inside:
            turn = (number - residue) // modulus
            if all((turn - hole.residue) % hole.modulus for hole in self.holes):
                yield number

    def meet(self, other: PassSet) -> PassSet:
        """What lies in both."""
        if other == ALL_PASSES:
            return self
        if self == ALL_PASSES:
            return other
        base = self.base.meet(other.base)
        if base is None:
            return NEVER
        return PassSet.without(base, [*self._outer_holes(), *other._outer_holes()])

    def stretched(self, factor: int, shift: int) -> PassSet:
        """The numbers shift + factor x member, such as the ticks at which the passes begin."""
        base = Congruence.of(shift + factor * self.base.residue, factor * self.base.modulus)
        # The turns of the new base start elsewhere when the residue has wrapped round.
        moved = (shift + factor * self.base.residue - base.residue) // base.modulus
        holes = (Congruence.of(hole.residue + moved, hole.modulus) for hole in self.holes)
        return PassSet(base, tuple(sorted(holes)))

    def pulled(self, shift: int, factor: int) -> PassSet:
        """Those i for which shift + factor x i belongs to the set."""
        base = self.base.pulled(shift, factor)
        if base is None:
            return NEVER
        outer = (hole.pulled(shift, factor) for hole in self._outer_holes())
        return PassSet.without(base, (hole for hole in outer if hole is not None))

    @cached_property
    def rest(self) -> tuple[PassSet, ...]:
        """All other passes, as sets of which no two meet."""
        apart = [] if self.base == EVERY else [PassSet(EVERY, (self.base,))]
        outer = list(self._outer_holes())
        for at, hole in enumerate(outer):
            part = PassSet.without(hole, outer[:at])
            if not part.empty:
                apart.append(part)
        return tuple(apart)

    def _outer_holes(self) -> Iterator[Congruence]:
        for hole in self.holes:
            yield Congruence.of(
                self.base.residue + self.base.modulus * hole.residue,
                self.base.modulus * hole.modulus,
            )

    def _repeats_after(self, turns: int) -> bool:
        """Whether each hole, moved by `turns`, lies in the holes taken together."""
        return all(
            PassSet.without(Congruence.of(hole.residue + turns, hole.modulus), self.holes).empty
            for hole in self.holes
        )


NEVER = PassSet(EVERY, (EVERY,))
ALL_PASSES = PassSet()


def _outermost(congruences: set[Congruence]) -> tuple[Congruence, ...]:
    kept: list[Congruence] = []
    for each in sorted(congruences):
        if not any(each.within(other) for other in kept):
            kept.append(each)
    return tuple(kept)


@lru_cache(maxsize=4096)
def _uncovered(holes: tuple[Congruence, ...]) -> Fraction:
    """The share of the whole numbers that lies in none of `holes`, exact.

    Splits by the residues of one prime at a time. A hole whose modulus has that prime falls into
    one residue only, the residues without such a hole are alike, and holes whose moduli share no
    prime are independent (Chinese remainder theorem), so the cost follows the number of holes.
    """
    if not holes:
        return Fraction(1)
    if len(holes) == 1:
        return Fraction(holes[0].modulus - 1, holes[0].modulus)
    if EVERY in holes:
        return Fraction(0)
    groups = _groups(holes)
    if len(groups) > 1:
        share = Fraction(1)
        for group in groups:
            share *= _uncovered(group)
        return share
    counts: dict[int, int] = defaultdict(int)
    for hole in holes:
        for prime in _primes(hole.modulus):
            counts[prime] += 1
    prime = max(counts, key=lambda each: (counts[each], -each))
    split = [hole for hole in holes if hole.modulus % prime == 0]
    residues = {hole.residue % prime for hole in split}
    rest = tuple(hole for hole in holes if hole.modulus % prime)
    total = (prime - len(residues)) * _uncovered(rest)
    for residue in residues:
        total += _uncovered(PassSet.without(Congruence(prime, residue), holes).holes)
    return total / prime


def _groups(holes: tuple[Congruence, ...]) -> list[tuple[Congruence, ...]]:
    groups: list[tuple[int, list[Congruence]]] = []
    for hole in holes:
        product, members = hole.modulus, [hole]
        rest = []
        for other, found in groups:
            if gcd(product, other) > 1:
                product = lcm(product, other)
                members = found + members
            else:
                rest.append((other, found))
        groups = [*rest, (product, members)]
    return [tuple(sorted(members)) for _, members in groups]


def _primes(number: int) -> list[int]:
    """The primes that divide `number`, whose prime factors are small (moduli are at most 128)."""
    found = []
    prime = 2
    while prime * prime <= number:
        if number % prime == 0:
            found.append(prime)
            while number % prime == 0:
                number //= prime
        prime += 1
    if number > 1:
        found.append(number)
    return found
