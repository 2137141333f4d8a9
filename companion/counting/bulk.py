"""Forecasts too large for a list of events: arrays over thousands of passes, and tables of chances.

numpy is imported on first use only; nothing an engine needs stands here. `carried_passes`, `fill`
and `rare` are as in `forecast`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from companion.counting.compiled import CompiledPattern, CompiledTrack, compile_pattern
from companion.counting.forecast import StepEvent, step_events
from companion.counting.memory import Memory
from companion.counting.odds import none_plays
from companion.counting.outlook import RARE, Outlook, memory_of, outlooks, rare_steps
from companion.counting.pattern import Pattern

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


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

    `tick` (int64) counts from the start of the part; `chance` (float64) is above 0; `row` is int32.
    """

    tick: NDArray[np.int64]
    row: NDArray[np.int32]
    chance: NDArray[np.float64]
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

    Ticks must stay below 2**62; passes are tick // ticks in a pass of the track, plus 1, of the
    whole count. Raises OverflowError beyond that.
    """
    import numpy as np

    compiled = compile_pattern(pattern)
    start = carried_passes * pattern.pass_ticks
    if start + until_tick >= 1 << 62:
        raise OverflowError("arrays hold ticks below 2**62 only")
    memory = memory_of(compiled, start, fill)
    agenda = rare_steps(compiled, rare)
    low, high = start + max(0, from_tick), start + until_tick
    ticks: list[NDArray[np.int64]] = []
    steps: list[NDArray[np.int32]] = []
    chances: list[NDArray[np.float64]] = []
    looks = outlooks(compiled, fill)
    for track in compiled.tracks:
        wanted = [
            looks[step.index] for step in track.steps if every_step or step.index in agenda
        ]
        if not wanted or high <= low:
            continue
        first, chance = _grid(track, wanted, memory, low, high)
        at, column = np.nonzero(chance)
        offsets = np.array([look.step.offset for look in wanted], dtype=np.int64)
        indexes = np.array([look.step.index for look in wanted], dtype=np.int32)
        base = (first - 1) * track.pass_ticks - start
        ticks.append(base + at * track.pass_ticks + offsets[column])
        steps.append(indexes[column])
        chances.append(chance[at, column])
    if not ticks:
        empty = np.zeros(0, dtype=np.int64)
        return EventArrays(empty, empty.astype(np.int32), empty.astype(float), ())
    tick = np.concatenate(ticks)
    # Each track is in order already; a stable sort merges them, file order kept at one tick.
    order = np.argsort(tick, kind="stable")
    return EventArrays(
        tick[order],
        np.concatenate(steps)[order],
        np.concatenate(chances)[order],
        _rows(compiled, agenda),
    )


def _rows(compiled: CompiledPattern, agenda: frozenset[int]) -> tuple[StepRow, ...]:
    return tuple(
        StepRow(track.name, each.step.number, each.step.what, each.index in agenda)
        for track in compiled.tracks
        for each in track.steps
    )


def _grid(
    track: CompiledTrack, looks: list[Outlook], memory: Memory, low: int, high: int
) -> tuple[int, NDArray[np.float64]]:
    """The first pass, and chances by pass and step for ticks in [low, high)."""
    import numpy as np

    length = track.pass_ticks
    first, last = low // length + 1, (high - 1) // length + 1
    grid = np.zeros((last - first + 1, len(looks)))
    for at, look in enumerate(looks):
        column = grid[:, at]
        begin = first + (look.step.tick(first) < low)
        end = last - (look.step.tick(last) >= high)
        settled = end + 1
        if look.sets is not None:
            settled = -((look.step.offset - memory.start - look.settled) // length) + 1
        for early in range(begin, min(end + 1, settled)):
            column[early - first] = memory.chance(look.step, early)
        begin = max(begin, settled)
        if begin > end:
            continue
        for residue, modulus, holes, weight in look.sets or ():
            one = begin + (residue - begin) % modulus
            if not holes:
                column[one - first : end - first + 1 : modulus] += weight
                continue
            part = np.zeros(end - first + 1)
            part[one - first :: modulus] = weight
            for off, every in holes:
                hole, gap = residue + modulus * off, modulus * every
                part[begin + (hole - begin) % gap - first :: gap] = 0.0
            column[: end - first + 1] += part
    return first, grid


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
