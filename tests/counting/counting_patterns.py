"""Patterns for rehearsing the arithmetic: written ones, and random ones of all kinds."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import settings
from hypothesis import strategies as st

from companion.counting import Cycle, If, Pattern, Rule, Step, Track

NAMES = ("low drum", "shaker", "buoy bell", "foghorn")


def rehearsals(usual: int) -> settings:
    """So many examples in a usual run, ten times as many under the thorough profile."""
    return settings(max_examples=usual * max(1, settings().max_examples // 100), deadline=None)


def one_track(*rules: Rule, length: int = 16) -> Pattern:
    """A pattern of one track with these rules on its first steps, one each."""
    steps = tuple(Step(number, rule) for number, rule in enumerate(rules, start=1))
    return Pattern("slack water", length, tracks=(Track("low drum", length, 6, steps),))


def on_pass(k: int, n: int, *, chance: Fraction | None = None) -> Rule:
    """`pass K of N`, with a chance or without."""
    return Rule((Cycle(k, n),), () if chance is None else (chance,))


def off_pass(*terms: tuple[int, int]) -> Rule:
    """`not pass K of N`, several of them."""
    return Rule(tuple(Cycle(k, n, negated=True) for k, n in terms))


def by_chance(percent: int, *ifs: If) -> Rule:
    """`chance P%`, with `if` terms or without."""
    return Rule(chances=(Fraction(percent, 100),), conditions=ifs)


def cycles(largest: int) -> st.SearchStrategy[Cycle]:
    return st.integers(1, largest).flatmap(
        lambda n: st.builds(Cycle, st.integers(1, n), st.just(n), st.booleans())
    )


@st.composite
def rules(
    draw: st.DrawFn, names: tuple[str, ...], largest: int, *, chances: bool, ifs: int
) -> Rule:
    """A rule; `ifs` is how readily it looks back, 0 to 3."""
    kind = draw(st.integers(0, 11))
    terms = tuple(draw(st.lists(cycles(largest), max_size=2))) if kind % 3 else ()
    odds: tuple[Fraction, ...] = ()
    if chances and draw(st.integers(0, 2)) == 0:
        odds = (Fraction(draw(st.integers(0, 4)), 4),)
    looks: list[If] = []
    if ifs and draw(st.integers(0, 3)) < ifs:
        looks = draw(
            st.lists(
                st.builds(If, st.sampled_from((None, *names)), st.booleans()),
                min_size=1,
                max_size=2,
            )
        )
    first = {9: True, 10: False}.get(kind)
    fill = {7: True, 8: False}.get(kind)
    return Rule(terms, odds, first, fill, tuple(looks), impossible=kind == 11 and len(terms) == 2)


@st.composite
def patterns(
    draw: st.DrawFn,
    *,
    tracks: int = 3,
    length: int = 4,
    largest: int = 5,
    chances: bool = True,
    ifs: int = 2,
) -> Pattern:
    """A pattern whose tracks may have lengths and steps of their own."""
    names = NAMES[: draw(st.integers(1, tracks))]
    made = []
    for name in names:
        steps = draw(st.integers(1, length))
        numbers = draw(st.sets(st.integers(1, steps), max_size=steps))
        made.append(
            Track(
                name,
                steps,
                draw(st.sampled_from((2, 3, 4, 6))),
                tuple(
                    Step(
                        number,
                        draw(rules(names, largest, chances=chances, ifs=ifs)),
                        watch=draw(st.sampled_from((None, None, True, False))),
                    )
                    for number in sorted(numbers)
                ),
            )
        )
    return Pattern(
        "slack water",
        draw(st.integers(1, length)),
        draw(st.sampled_from((3, 6))),
        tracks=tuple(made),
    )
