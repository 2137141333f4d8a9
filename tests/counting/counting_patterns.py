"""Patterns for rehearsing the arithmetic: written ones, and random ones of all kinds."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st

from companion.counting import (
    Cycle,
    If,
    Pattern,
    Rule,
    Step,
    StepSounding,
    Track,
    compile_pattern,
    next_together,
)
from companion.counting.chances import memory_of, rate

NAMES = ("low drum", "shaker", "buoy bell", "foghorn")


def rehearsals(usual: int) -> settings:
    """So many examples in a usual run, ten times as many under the thorough profile."""
    return settings(max_examples=usual * max(1, settings().max_examples // 100), deadline=None)


def one_track(*rules: Rule, length: int = 16) -> Pattern:
    """A pattern of one track with these rules on its first steps, one each."""
    steps = tuple(Step(number, rule) for number, rule in enumerate(rules, start=1))
    return Pattern("slack water", length, tracks=(Track("low drum", length, 6, steps),))


def chance_at(
    pattern: Pattern,
    track: str,
    number: int,
    pass_number: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> float:
    """The chance that a step plays on that pass of its track, all earlier draws unknown."""
    compiled = compile_pattern(pattern)
    memory = memory_of(compiled, carried_passes * pattern.pass_ticks, fill)
    return memory.chance(compiled.step(track, number), pass_number)


def long_run_rate(
    pattern: Pattern, track: str, number: int, *, fill: bool = False
) -> Fraction | float:
    """The share of its passes on which a step plays in the long run."""
    compiled = compile_pattern(pattern)
    return rate(compiled, compiled.step(track, number), fill)


def next_step(
    pattern: Pattern, track: str, number: int, from_tick: int = 0, **asked: Any
) -> StepSounding | None:
    """When a step may next sound: when it next meets itself alone."""
    meeting = next_together(pattern, [(track, number)], from_tick, **asked)
    return None if meeting is None else meeting.soundings[0]


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
