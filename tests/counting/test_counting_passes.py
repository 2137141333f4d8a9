"""Sets of passes against plain counting, and against sympy."""

from __future__ import annotations

from fractions import Fraction
from math import lcm

import sympy
from hypothesis import given
from hypothesis import strategies as st
from sympy.ntheory.modular import crt

from companion.counting import Cycle, PassSet
from companion.counting.passes import NEVER, Congruence
from tests.counting.counting_patterns import cycles, rehearsals


@given(st.lists(st.tuples(st.integers(0, 500), st.integers(1, 128)), min_size=1, max_size=5))
@rehearsals(400)
def test_cycles_meet_where_the_chinese_remainder_theorem_says(terms: list[tuple[int, int]]) -> None:
    met: Congruence | None = Congruence(1, 0)
    for residue, modulus in terms:
        met = None if met is None else met.meet(Congruence.of(residue, modulus))
    expected = crt([modulus for _, modulus in terms], [residue for residue, _ in terms])
    if expected is None:
        assert met is None
    else:
        # sympy gives the product of the moduli for those that are not coprime.
        around = int(sympy.ilcm(1, *(modulus for _, modulus in terms)))
        assert met == Congruence(around, int(expected[0]) % around)


def test_sunzis_number() -> None:
    # Sunzi Suanjing, chapter 3, problem 26 (third to fifth century; from memory): by threes two
    # are left, by fives three, by sevens two; the answer is 23.
    passes = PassSet.of([Cycle(2, 3), Cycle(3, 5), Cycle(2, 7)])
    assert passes.at_or_after(1) == 23
    assert passes.base.modulus == 105


@given(st.lists(cycles(9), max_size=6), st.integers(1, 300))
@rehearsals(600)
def test_a_set_of_passes_is_what_counting_finds(terms: list[Cycle], begin: int) -> None:
    passes = PassSet.of(terms)
    around = lcm(*(cycle.n for cycle in terms))
    holds = [all(cycle.holds(number) for cycle in terms) for number in range(1, around + 1)]

    def on(number: int) -> bool:
        return holds[(number - 1) % around]

    assert all((number in passes) == on(number) for number in range(1, around + 1))
    assert passes.density == Fraction(sum(holds), around)
    assert passes.empty == (not any(holds))
    soonest = next((at for at in range(begin, begin + around) if on(at)), None)
    assert passes.at_or_after(begin) == soonest
    until = begin + 100
    assert list(passes.between(begin, until)) == [at for at in range(begin, until + 1) if on(at)]
    periods = [each for each in range(1, around + 1) if around % each == 0]
    shortest = next(p for p in periods if all(holds[i] == holds[i % p] for i in range(around)))
    assert passes.period == shortest
    others = [part for part in passes.rest if begin in part]
    assert len(others) == (not on(begin))


@given(st.lists(cycles(6), max_size=4), st.lists(cycles(6), max_size=4))
@rehearsals(300)
def test_what_two_sets_share(ours: list[Cycle], theirs: list[Cycle]) -> None:
    both = PassSet.of(ours).meet(PassSet.of(theirs))
    for number in range(1, 121):
        assert (number in both) == all(cycle.holds(number) for cycle in ours + theirs)


@given(st.lists(cycles(6), max_size=4), st.integers(-20, 20), st.integers(1, 8))
@rehearsals(300)
def test_passes_seen_through_a_longer_or_shorter_count(
    terms: list[Cycle], shift: int, factor: int
) -> None:
    passes = PassSet.of(terms)
    stretched = passes.stretched(factor, shift)
    pulled = passes.pulled(shift, factor)
    for number in range(-60, 60):
        turn, off = divmod(number - shift, factor)
        assert (number in stretched) == (off == 0 and turn in passes)
        assert (number in pulled) == (shift + factor * number in passes)


def test_many_exclusions_with_large_cycles_neither_take_long_nor_lose_a_pass() -> None:
    primes = [127, 113, 109, 107, 103, 101, 97, 89, 83, 79, 73, 71]
    passes = PassSet.of([Cycle(1, prime, negated=True) for prime in primes])
    # Different primes are independent (Chinese remainder theorem), so the shares multiply.
    share = Fraction(1)
    for prime in primes:
        share *= Fraction(prime - 1, prime)
    assert passes.density == share
    assert passes.at_or_after(1) == 2
    assert passes.period == sympy.ilcm(*primes)
    # Pass K of 12 is left out for every K: nothing is left.
    assert PassSet.of([Cycle(k, 12, negated=True) for k in range(1, 13)]).empty
    assert PassSet.of([Cycle(1, 2), Cycle(2, 4)]) == NEVER


def test_a_cover_by_different_cycles_is_seen() -> None:
    # Erdos 1950 (from memory): 0 mod 2, 0 mod 3, 1 mod 4, 5 mod 6, 7 mod 12 cover all numbers.
    cover = [(2, 2), (3, 3), (1, 4), (5, 6), (7, 12)]
    assert PassSet.of([Cycle(k, n, negated=True) for k, n in cover]).empty
    left = PassSet.of([Cycle(k, n, negated=True) for k, n in cover[:-1]])
    assert left.density == Fraction(1, 12)
    assert left.at_or_after(1) == 7
    assert left.at_or_after(8 + 12 * 10**40) == 19 + 12 * 10**40
