"""Forecasts too large for a list of events: arrays over thousands of passes, and tables of chances.

numpy is imported on first use only; nothing an engine needs stands here. `carried_passes`, `fill`
and `rare` are as in `forecast`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from companion.counting.compiled import CompiledPattern, compile_pattern
from companion.counting.forecast import StepEvent, step_events
from companion.counting.memory import Memory
from companion.counting.odds import none_plays
from companion.counting.outlook import RARE, Outlook, memory_of, outlooks, rare_steps
from companion.counting.pattern import Pattern

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]
    Floats = NDArray[np.float64]

_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True)
class StepRow:
    """A step in a table or among arrays; `rare` says whether it belongs on the agenda."""

    track: str
    step: int
    what: str
    rare: bool


@dataclass(frozen=True, slots=True)
class EventArrays:
    """Events as arrays of one length, in the order of time; `row` points into `rows`.

    `tick` counts from the start of the part; `chance` is above 0.
    """

    tick: Ints
    row: Ints
    chance: Floats
    rows: tuple[StepRow, ...]


@dataclass(frozen=True, slots=True)
class ChanceRow:
    """One step over successive passes of the pattern: the chance that it sounds in each."""

    row: StepRow
    chances: list[float]


def events_from(
    pattern: Pattern,
    tick: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
    every_step: bool = False,
    rare: Fraction = RARE,
) -> Iterator[StepEvent]:
    """The events of `step_events` from `tick` on, one by one, without end.

    Never ends, even where nothing will come any more. Made a pass of the pattern at a time.
    """
    while True:
        until = (tick // pattern.pass_ticks + 1) * pattern.pass_ticks
        yield from step_events(
            pattern,
            tick,
            until,
            carried_passes=carried_passes,
            fill=fill,
            every_step=every_step,
            rare=rare,
        )
        tick = until


def event_arrays(
    pattern: Pattern,
    from_tick: int,
    until_tick: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
    every_step: bool = False,
    rare: Fraction = RARE,
) -> EventArrays:
    """What `step_events` gives for [from_tick, until_tick), as arrays.

    Raises OverflowError where ticks times steps go beyond 2**62.
    """
    import numpy as np

    compiled = compile_pattern(pattern)
    start = carried_passes * pattern.pass_ticks
    memory = memory_of(compiled, start, fill)
    agenda = rare_steps(compiled, rare)
    rows = _rows(compiled, agenda)
    if (start + until_tick) * max(1, len(rows)) >= 1 << 62:
        raise OverflowError("these ticks are too large for arrays; use step_events")
    low = start + max(0, from_tick)
    high = max(low, start + until_tick)
    # Steps of tracks with passes of one length come out in order; only different lengths need
    # to be merged.
    by_length: dict[int, list[Outlook]] = {}
    for look in outlooks(compiled, fill):
        if every_step or look.step.index in agenda:
            by_length.setdefault(look.step.pass_ticks, []).append(look)
    made: list[tuple[Ints, Ints, Floats]] = [(np.zeros(0, int), np.zeros(0, int), np.zeros(0))]
    for length, looks in by_length.items():
        made.extend(_blocks(length, looks, memory, low, high))
    tick, row, chance = (np.concatenate(each) for each in zip(*made, strict=True))
    if len(by_length) > 1:
        order = np.argsort(tick * len(rows) + row, kind="stable")
        tick, row, chance = tick[order], row[order], chance[order]
    return EventArrays(tick, row, chance, rows)


def _blocks(
    length: int, looks: list[Outlook], memory: Memory, low: int, high: int
) -> Iterator[tuple[Ints, Ints, Floats]]:
    """Ticks of the part, rows and chances of steps whose tracks all have passes of `length`."""
    import numpy as np

    looks = sorted(looks, key=lambda look: (look.step.offset, look.step.index))
    offsets = np.array([look.step.offset - memory.start for look in looks])
    indexes = np.array([look.step.index for look in looks])
    # So many passes at a time that a block of chances takes a few megabytes.
    at_once = max(1, _BLOCK // len(looks)) * length
    for begin in range(low - low % length, high, at_once):
        until = min(begin + at_once, high)
        grid = np.zeros((-(-(until - begin) // length), len(looks)))
        first = begin // length + 1
        for at, look in enumerate(looks):
            _fill(grid[:, at], first, look, memory, max(low, begin), until)
        passes, columns = np.nonzero(grid)
        ticks = (passes * length + begin) + offsets[columns]
        yield ticks, indexes[columns], grid[passes, columns]


def _fill(column: Floats, first: int, look: Outlook, memory: Memory, low: int, high: int) -> None:
    """Write a step's chances at count ticks in [low, high) into its column, from pass `first`."""
    step = look.step
    begin = first + (step.tick(first) < low)
    end = first + len(column) - 1
    end -= step.tick(end) >= high
    settled = end + 1
    if look.sets is not None:
        settled = -((step.offset - memory.start - look.settled) // step.pass_ticks) + 1
    for at in range(begin, min(end + 1, settled)):
        column[at - first] = memory.chance(step, at)
    begin = max(begin, settled)
    column = column[begin - first : end - first + 1]
    for residue, modulus, holes, weight in look.sets or ():
        one = (residue - begin) % modulus
        if not holes:
            column[one::modulus] += weight
            continue
        kept = column.copy()
        column[one::modulus] += weight
        for off, every in holes:
            gap = modulus * every
            hole = (residue + modulus * off - begin) % gap
            column[hole::gap] = kept[hole::gap]


def _rows(compiled: CompiledPattern, agenda: frozenset[int]) -> tuple[StepRow, ...]:
    return tuple(
        StepRow(track.name, each.step.number, each.step.what, each.index in agenda)
        for track in compiled.tracks
        for each in track.steps
    )


def chance_table(
    pattern: Pattern,
    passes: int,
    *,
    first_pass: int = 1,
    carried_passes: int = 0,
    fill: bool = False,
    rare: Fraction = RARE,
) -> list[ChanceRow]:
    """For every step the chance that it sounds in each of `passes` passes of the pattern.

    From the pattern's pass `first_pass`, counted from the start of the part. A step of a shorter
    track may come several times in one pass: the chance is that it sounds at least once.
    """
    compiled = compile_pattern(pattern)
    ticks = pattern.pass_ticks
    start = carried_passes * ticks
    memory = memory_of(compiled, start, fill)
    low = start + (first_pass - 1) * ticks
    high = low + passes * ticks
    rows = _rows(compiled, rare_steps(compiled, rare))
    table = []
    for look in outlooks(compiled, fill):
        step = look.step
        chances = [0.0] * passes
        if step.reads and step.pass_ticks < ticks:
            for at in range(passes):
                begin = low + at * ticks
                chances[at] = 1.0 - none_plays(compiled, memory, [step], begin, begin + ticks)
        else:
            for at, chance in look.between(memory, low, high):
                column = (step.tick(at) - low) // ticks
                chances[column] += (1.0 - chances[column]) * chance
        table.append(ChanceRow(rows[step.index], chances))
    return table
