"""The course of a set as planned: what each instrument has by each part, how far each layer has
counted, and how long it all takes. Pure arithmetic on a checked set list.

What really happens is elsewhere; where the two may differ, the same rules are called with what is
known there.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from companion.counting import TICKS_PER_QUARTER
from companion.setlist.model import Layer, Part, ProgramChange, SetList, Song

# -- what each instrument has --------------------------------------------------------------------


def stages(setlist: SetList) -> list[dict[str, ProgramChange]]:
    """For each part of the set, the program that the plan has put on each instrument by then.

    An instrument that has been told nothing yet is left out, and so is that of a part that plays
    another pattern than before and names no program for it: what it has is the performer's affair.
    """
    found: list[dict[str, ProgramChange]] = []
    stage: dict[str, ProgramChange] = {}
    plays: dict[str, str] = {}
    for part in setlist.parts:
        told = {change.instrument: change for change in part.changes}
        name, pattern = part.instrument, part.pattern.name
        by_hand = name is not None and name not in told and plays.get(name, pattern) != pattern
        if told.items() - stage.items() or (by_hand and name in stage):
            # Parts share one mapping until it changes.
            stage = {**stage, **told}
            if by_hand:
                stage.pop(name or "", None)
        if name is not None:
            plays[name] = pattern
        found.append(stage)
    return found


def to_be_told(
    part: Part,
    stage: Mapping[str, ProgramChange],
    has: Mapping[str, ProgramChange],
    *,
    jump: bool,
) -> tuple[ProgramChange, ...]:
    """The changes by which `part` begins, its own instrument's first.

    `stage` is what the plan has put on each instrument by then, `has` the latest that we told each.
    Besides what is written for the part, an instrument that we told something else is told; a
    `jump`, which leaves parts out, tells those too of which nothing is known.
    """
    written = {change.instrument for change in part.changes}
    more = []
    for name, change in stage.items():
        differs = has.get(name) != change and (jump or name in has)
        if name not in written and differs:
            more.append(change)
    more.sort(key=lambda change: change.instrument != part.instrument)
    # The part's own instrument comes first, wherever its change is from.
    if more and more[0].instrument == part.instrument:
        return (more[0], *part.changes, *more[1:])
    return (*part.changes, *more)


# -- layers --------------------------------------------------------------------------------------


def layer_ticks(
    part: Part,
    before: Part | None,
    counted: tuple[int, ...] = (),
    played: int = 0,
    told: Collection[str] = (),
) -> tuple[int, ...]:
    """How far each layer of `part` has counted at the part's tick 0, in ticks of its own.

    `before` is the part that was left after `played` ticks, None if nothing was; `counted` is what
    this function said of it. `told` are the instruments that are told a program for `part`: what
    they play begins with it, and so does a layer that was not there before.
    """
    if before is None or not part.layers:
        return (0,) * len(part.layers)
    so_far = {
        (layer.pattern.name, layer.instrument): ticks + played
        for layer, ticks in zip(before.layers, counted, strict=True)
    }
    return tuple(
        0
        if layer.again or layer.instrument in told
        else so_far.get((layer.pattern.name, layer.instrument), 0)
        for layer in part.layers
    )


@dataclass(frozen=True, slots=True)
class LayerPlan:
    """Where a layer stands at tick 0 of a part: `ticks` of its own, if the set goes as planned.

    `assumed` says that a part of open length went before, counted as `about` so long.
    """

    layer: Layer
    ticks: int
    assumed: bool


def planned_layers(setlist: SetList) -> Iterator[tuple[LayerPlan, ...]]:
    """For each part of the set in order, its layers and where they stand."""
    before: Part | None = None
    plans: tuple[LayerPlan, ...] = ()
    for part in setlist.parts:
        if before is None or (setlist.songs[before.song].stops and before.song != part.song):
            # The instruments were stopped: everything begins.
            ticks = layer_ticks(part, None)
        else:
            told = [change.instrument for change in part.changes]
            counted = tuple(plan.ticks for plan in plans)
            ticks = layer_ticks(part, before, counted, before.likely_ticks, told)
        open_before = before is not None and before.phrases is None
        doubtful = {p.layer.instrument: p.assumed for p in plans}
        plans = tuple(
            LayerPlan(layer, at, at > 0 and (open_before or doubtful[layer.instrument]))
            for layer, at in zip(part.layers, ticks, strict=True)
        )
        before = part
        yield plans


# -- lengths -------------------------------------------------------------------------------------


def seconds_of(setlist: SetList, part: Part, ticks: int) -> float | None:
    """How long `ticks` of a part last at its song's tempo; None where that is not planned."""
    tempo = setlist.songs[part.song].tempo
    return None if not tempo else ticks * 60 / (TICKS_PER_QUARTER * tempo)


@dataclass(frozen=True, slots=True)
class Length:
    """How long a song or a set lasts.

    A part with `about` counts as that, an open one without not at all: `open_parts` are their
    numbers. `bars` are as many as there are, each in its own part's meter; `seconds` is None where
    a part that counts has no planned tempo.
    """

    bars: float
    seconds: float | None
    open_parts: tuple[int, ...]


def length_of(setlist: SetList, song: Song | None = None) -> Length:
    """The length of a song, or of the whole set."""
    bars, seconds, unknown = 0.0, 0.0, False
    open_parts = []
    for part in setlist.parts:
        if song is not None and part.number not in song.parts:
            continue
        if part.phrases is None and part.about is None:
            open_parts.append(part.number)
            continue
        bars += part.likely_ticks / part.pattern.meter.bar_ticks
        lasts = seconds_of(setlist, part, part.likely_ticks)
        unknown = unknown or lasts is None
        seconds += lasts or 0.0
    return Length(bars, None if unknown else seconds, tuple(open_parts))
