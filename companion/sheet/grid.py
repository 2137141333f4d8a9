"""The pass map as values: passes across, steps down, the chance of each. How it looks is elsewhere.

A cell is the chance that the step sounds at least once during that pass of the pattern.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from fractions import Fraction

from companion.counting.forecast import step_events
from companion.counting.odds import RARE
from companion.counting.pattern import Pattern


@dataclass(frozen=True, slots=True)
class Row:
    """One step, or all steps of a track that always play; `chances` has one value a pass.

    `numbers` are the steps it stands for; `what` is the performer's name for it.
    """

    track: str
    numbers: tuple[int, ...]
    what: str
    rare: bool
    chances: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A pass map: `rows` in the order of the file.

    `boundaries` are the passes (0 is the first) that a phrase begins with or within; `ragged` is
    set where a boundary lies inside its pass. `hits` are the expected hits in each pass.
    """

    pattern: Pattern
    passes: int
    rows: tuple[Row, ...]
    boundaries: frozenset[int]
    ragged: bool
    hits: tuple[float, ...]


def build_grid(
    pattern: Pattern,
    passes: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
    rare: Fraction = RARE,
) -> Grid:
    """The map of the first `passes` passes of a part; the arguments are those of `step_events`."""
    events = step_events(
        pattern,
        0,
        passes * pattern.pass_ticks,
        carried_passes=carried_passes,
        fill=fill,
        every_step=True,
        rare=rare,
    )
    silent: dict[tuple[str, int], list[float]] = defaultdict(lambda: [1.0] * passes)
    rare_steps: set[tuple[str, int]] = set()
    hits = [0.0] * passes
    for event in events:
        at = event.tick // pattern.pass_ticks
        silent[event.track, event.step][at] *= 1.0 - event.chance
        hits[at] += event.chance
        if event.rare:
            rare_steps.add((event.track, event.step))
    rows: list[Row] = []
    for track in pattern.tracks:
        steady = [s.number for s in track.steps if not s.rule.conditional]
        if steady:
            missing = [silent[track.name, number] for number in steady]
            chances = tuple(1.0 - min(column) for column in zip(*missing, strict=True))
            rows.append(Row(track.name, tuple(steady), "", False, chances))
        for step in track.steps:
            if step.rule.conditional:
                key = track.name, step.number
                chances = tuple(1.0 - value for value in silent[key])
                rows.append(Row(track.name, (step.number,), step.what, key in rare_steps, chances))
    starts = range(0, passes * pattern.pass_ticks, pattern.phrase_ticks)
    return Grid(
        pattern=pattern,
        passes=passes,
        rows=tuple(rows),
        boundaries=frozenset(tick // pattern.pass_ticks for tick in starts),
        ragged=pattern.phrase_ticks % pattern.pass_ticks != 0,
        hits=tuple(hits),
    )
