"""The pass map as values: passes across, steps down, the chance of each. How it looks is elsewhere.

A cell is the chance that the step sounds at least once during that pass of the pattern.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from companion.counting.chances import RARE, memory_of, outlooks, rare_steps
from companion.counting.compiled import CompiledPattern, CompiledStep, compile_pattern
from companion.counting.pattern import Pattern


@dataclass(frozen=True, slots=True)
class GridRow:
    """One step, or all steps of a track that always play; `chances` has one value a pass.

    `numbers` are the steps it stands for; `what` is the performer's name for it. `fill_only` says
    that it plays only while a fill is held.
    """

    track: str
    numbers: tuple[int, ...]
    what: str
    rare: bool
    chances: tuple[float, ...]
    fill_only: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """A pass map: `rows` in the order of the file, for `passes` passes from `first` on.

    Passes count from 0 at the start of the part. `boundaries` are those that a phrase begins with
    or within; `ragged` is set where a boundary lies inside its pass. `hits` are the hits to expect
    of these rows in each pass; `left_out` is how many rows there was no room for.
    """

    pattern: Pattern
    passes: int
    rows: tuple[GridRow, ...]
    boundaries: frozenset[int]
    ragged: bool
    hits: tuple[float, ...]
    first: int = 0
    left_out: int = 0


def build_grid(
    pattern: Pattern,
    passes: int,
    *,
    first: int = 0,
    most_rows: int | None = None,
    carried_passes: int = 0,
    fill: bool = False,
    rare: Fraction = RARE,
) -> Grid:
    """The map of `passes` passes of a part from pass `first` on.

    With `most_rows`, rare steps are kept before others that have a rule, and those before the steps
    that always play. The remaining arguments are those of `step_events`. Raises OutOfReach where
    `DrawMemory` does.
    """
    ticks = pattern.pass_ticks
    start = carried_passes * ticks
    found = _rows(
        pattern, start, start + first * ticks, ticks, passes, most_rows, fill=fill, rare=rare
    )
    phrase = pattern.phrase_ticks
    begins = -(-first * ticks // phrase) * phrase
    starts = range(begins, (first + passes) * ticks, phrase)
    return Grid(
        pattern=pattern,
        passes=passes,
        rows=found.rows,
        boundaries=frozenset(tick // ticks for tick in starts),
        ragged=phrase % ticks != 0,
        hits=found.hits,
        first=first,
        left_out=found.left_out,
    )


def rows_beside(
    pattern: Pattern,
    from_tick: int,
    column_ticks: int,
    columns: int,
    *,
    most_rows: int | None = None,
    fill: bool = False,
    rare: Fraction = RARE,
) -> tuple[tuple[GridRow, ...], int]:
    """What plays beside another pattern, on the passes of that one; and how many rows are left out.

    The first column begins at `from_tick` of its own count, each lasts `column_ticks`. The rest is
    as for `build_grid`.
    """
    found = _rows(pattern, 0, from_tick, column_ticks, columns, most_rows, fill=fill, rare=rare)
    return found.rows, found.left_out


class _Found(NamedTuple):
    rows: tuple[GridRow, ...]
    hits: tuple[float, ...]
    left_out: int


def _rows(
    pattern: Pattern,
    start: int,
    low: int,
    ticks: int,
    passes: int,
    most_rows: int | None,
    *,
    fill: bool,
    rare: Fraction,
) -> _Found:
    """Rows of so many columns of `ticks` each, the first at count `low`; it began at `start`."""
    compiled = compile_pattern(pattern)
    memory = memory_of(compiled, start, fill)
    agenda = rare_steps(compiled, rare)
    looks = outlooks(compiled, fill)
    high = low + passes * ticks
    hits = [0.0] * passes

    def silent(step: CompiledStep) -> list[float]:
        """The chance that the step stays silent, pass by pass."""
        quiet = [1.0] * passes
        zero = step.offset - step.pass_ticks - low
        for at, chance in looks[step.index].between(memory, low, high):
            place = (at * step.pass_ticks + zero) // ticks
            quiet[place] *= 1.0 - chance
            hits[place] += chance
        return quiet

    groups = list(_groups(compiled))
    kept = groups if most_rows is None else _first_needed(groups, agenda, most_rows)
    rows = []
    for steps in kept:
        lead = steps[0]
        missing = zip(*map(silent, steps), strict=True)
        rows.append(
            GridRow(
                compiled.tracks[lead.track].name,
                tuple(step.step.number for step in steps),
                lead.step.what if lead.rule.conditional else "",
                lead.rule.conditional and lead.index in agenda,
                tuple(1.0 - min(column) for column in missing),
                lead.rule.fill is True,
            )
        )
    return _Found(tuple(rows), tuple(hits), len(groups) - len(kept))


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step, pass by pass of its own track: `chances` from pass `first_pass` on."""

    track: str
    number: int
    what: str
    rare: bool
    first_pass: int
    chances: tuple[float, ...]


def step_rows(
    pattern: Pattern,
    passes: int,
    *,
    from_tick: int = 0,
    carried_passes: int = 0,
    fill: bool = False,
    rare: Fraction = RARE,
) -> list[StepRow]:
    """Every step of a part, each with its chance on the first `passes` passes of its own track.

    In the order of the file. The first pass is the one in which the part begins, or that of
    `from_tick`, whole, for a layer that has counted so far. The remaining arguments are those of
    `step_events`. Raises OutOfReach where `DrawMemory` does.
    """
    compiled = compile_pattern(pattern)
    start = carried_passes * pattern.pass_ticks
    memory = memory_of(compiled, start, fill)
    agenda = rare_steps(compiled, rare)
    looks = outlooks(compiled, fill)
    rows = []
    for track in compiled.tracks:
        for step in track.steps:
            first = (start + from_tick) // step.pass_ticks + 1
            low = max(start, (first - 1) * step.pass_ticks)
            until = (first - 1 + passes) * step.pass_ticks
            chances = [0.0] * passes
            for at, chance in looks[step.index].between(memory, low, until):
                chances[at - first] = chance
            is_rare = step.rule.conditional and step.index in agenda
            rows.append(
                StepRow(
                    track.name, step.step.number, step.step.what, is_rare, first, tuple(chances)
                )
            )
    return rows


def _groups(compiled: CompiledPattern) -> Iterator[list[CompiledStep]]:
    """The steps of each row: first those of a track that always play, then the others singly."""
    for track in compiled.tracks:
        steady = [step for step in track.steps if not step.rule.conditional]
        if steady:
            yield steady
        yield from ([step] for step in track.steps if step.rule.conditional)


def _first_needed(
    groups: list[list[CompiledStep]], agenda: frozenset[int], most: int
) -> list[list[CompiledStep]]:
    def need(at: int) -> int:
        lead = groups[at][0]
        return 2 if not lead.rule.conditional else lead.index not in agenda

    chosen = sorted(range(len(groups)), key=need)[:most]
    return [groups[at] for at in sorted(chosen)]
