"""What a performer asks of a pattern, answered in plain values: the forecast command's questions.

Each function answers one question; wording is for whoever shows the answer. Ticks count from the
start of the part; `carried_passes` and `fill` are as in `odds`. Where a step is named that the
pattern does not have KeyError is raised, and OutOfReach where `if` terms reach back too far.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from companion.counting.cycles import Sounding, next_step, repeat_passes
from companion.counting.meetings import Meeting, next_together
from companion.counting.odds import chance_of_any, expected_hits
from companion.counting.pattern import Pattern

__all__ = [
    "Meeting",
    "PassHits",
    "PhraseShape",
    "Repeat",
    "Sounding",
    "Within",
    "chance_within",
    "chance_within_phrase",
    "hits_of_pass",
    "next_step",
    "next_together",
    "phrase_shape",
    "repeats_after",
]


@dataclass(frozen=True, slots=True)
class Repeat:
    """After how many passes of the pattern, and so ticks, all but chance repeats.

    `phrases` is the number of whole phrases that takes, None if it ends inside one.
    """

    passes: int
    ticks: int
    phrases: int | None


@dataclass(frozen=True, slots=True)
class Within:
    """The chance that at least one of some steps sounds at ticks in [from_tick, until_tick)."""

    from_tick: int
    until_tick: int
    chance: float


@dataclass(frozen=True, slots=True)
class PassHits:
    """How many steps play on average in a pass of the pattern, which begins at `tick`.

    `pass_number` is as counted by the instrument.
    """

    pass_number: int
    tick: int
    hits: float


@dataclass(frozen=True, slots=True)
class PhraseShape:
    """The fullest and the emptiest pass of a phrase (the earliest of equals), and all of them."""

    phrase: int
    fullest: PassHits
    emptiest: PassHits
    passes: tuple[PassHits, ...]


def repeats_after(pattern: Pattern) -> Repeat:
    """When everything but chance repeats exactly."""
    passes = repeat_passes(pattern)
    ticks = passes * pattern.pass_ticks
    phrases, rest = divmod(ticks, pattern.phrase_ticks)
    return Repeat(passes, ticks, None if rest else phrases)


def chance_within(
    pattern: Pattern,
    steps: Iterable[tuple[str, int]],
    from_tick: int,
    until_tick: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> Within:
    """The chance that at least one of the steps sounds in [from_tick, until_tick)."""
    chance = chance_of_any(
        pattern, steps, from_tick, until_tick, carried_passes=carried_passes, fill=fill
    )
    return Within(from_tick, until_tick, chance)


def chance_within_phrase(
    pattern: Pattern,
    steps: Iterable[tuple[str, int]],
    phrase: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> Within:
    """The chance that at least one of the steps sounds in that phrase of the part (from 1)."""
    begin = (phrase - 1) * pattern.phrase_ticks
    return chance_within(
        pattern,
        steps,
        begin,
        begin + pattern.phrase_ticks,
        carried_passes=carried_passes,
        fill=fill,
    )


def hits_of_pass(
    pattern: Pattern, pass_number: int, *, carried_passes: int = 0, fill: bool = False
) -> PassHits:
    """How many steps play on average in a pass of the pattern; passes as the instrument counts."""
    own = pass_number - carried_passes
    hits = expected_hits(pattern, own, own, carried_passes=carried_passes, fill=fill)
    return PassHits(pass_number, (own - 1) * pattern.pass_ticks, hits[0])


def phrase_shape(
    pattern: Pattern, phrase: int, *, carried_passes: int = 0, fill: bool = False
) -> PhraseShape:
    """The fullest and the emptiest of the passes that begin in that phrase of the part (from 1).

    A phrase shorter than a pass may have none begin in it; then the pass it lies in is taken.
    """
    ticks, length = pattern.pass_ticks, pattern.phrase_ticks
    first = -(-(phrase - 1) * length // ticks)
    last = -(-phrase * length // ticks) - 1
    if last < first:
        first = last = (phrase - 1) * length // ticks
    hits = expected_hits(pattern, first + 1, last + 1, carried_passes=carried_passes, fill=fill)
    passes = tuple(
        PassHits(carried_passes + at + 1, at * ticks, count)
        for at, count in enumerate(hits, start=first)
    )
    return PhraseShape(
        phrase,
        max(passes, key=lambda each: each.hits),
        min(passes, key=lambda each: each.hits),
        passes,
    )
