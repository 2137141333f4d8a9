"""`companion forecast` and `companion map`: what is coming, computed and not played."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import click

from companion.cli.faults import refuse_faults
from companion.cli.main import Refused
from companion.counting.cycles import repeat_passes
from companion.counting.forecast import step_events
from companion.setlist.cues import cue_ticks, hold_ticks
from companion.setlist.faults import SetListError
from companion.setlist.model import Action, Cue, Part, SetList
from companion.setlist.plan import carried_passes
from companion.setlist.reading import read_set_list

# A map wider than this many phrases says nothing new for most patterns.
MAP_PHRASES = 2
MOST_MAP_PASSES = 512


def read(set_file: Path) -> SetList:
    """The set list, or the command ends with its faults."""
    try:
        return read_set_list(set_file)
    except SetListError as error:
        refuse_faults(error)


def chosen(setlist: SetList, number: int | None) -> list[Part]:
    """The part of that number, or all parts. Raises Refused for a number the set does not have."""
    if number is None:
        return list(setlist.parts)
    if not 1 <= number <= len(setlist.parts):
        raise Refused(f"there is no part {number}; the set has parts 1 to {len(setlist.parts)}")
    return [setlist.parts[number - 1]]


def planned_passes(part: Part) -> int:
    """Passes of the planned stay, or of one phrase, rounded up."""
    return -(-(part.phrases or 1) * part.pattern.phrase_ticks // part.pattern.pass_ticks)


def forecast_object(
    setlist: SetList, part: Part, passes: int, *, every_step: bool, fill: bool
) -> dict[str, Any]:
    """The object of `forecast --json`."""
    pattern = part.pattern
    until = passes * pattern.pass_ticks
    events: list[tuple[int, int, dict[str, Any]]] = []
    for event in step_events(
        pattern,
        0,
        until,
        carried_passes=carried_passes(setlist, part),
        fill=fill,
        every_step=every_step,
        rare=setlist.rare,
    ):
        shown = {
            "tick": event.tick,
            "kind": "step",
            "track": event.track,
            "pass": event.pass_number,
            "step": event.step,
            "chance": event.chance,
            "rare": event.rare,
        }
        if event.what:
            shown["what"] = event.what
        events.append((event.tick, 2, shown))
    for cue in part.cues:
        for tick in cue_ticks(cue.when, pattern, part.planned_ticks, 0, until):
            events.append((tick, 1, {"tick": tick, "kind": "cue"} | cue_object(cue, part)))
    boundaries = range(pattern.phrase_ticks, until, pattern.phrase_ticks)
    for number, tick in enumerate(boundaries, start=2):
        events.append((tick, 0, {"tick": tick, "kind": "phrase", "phrase": number}))
    events.sort(key=lambda each: each[:2])
    return {
        "part": part.number,
        "pattern": pattern.name,
        "ticks_per_pass": pattern.pass_ticks,
        "repeats_after": repeat_passes(pattern),
        "events": [event for _, _, event in events],
    }


def cue_object(cue: Cue, part: Part) -> dict[str, Any]:
    """What a cue asks, as JSON has it."""
    out: dict[str, Any] = {"do": cue.action.value}
    if cue.tracks:
        out["tracks"] = list(cue.tracks)
    if cue.text:
        out["text"] = cue.text
    if cue.action is Action.FILL:
        out["hold_ticks"] = hold_ticks(cue, part.pattern)
    return out


def print_json(found: Any) -> None:
    """One JSON document on standard output."""
    click.echo(json.dumps(found, ensure_ascii=False))


def map_(
    set_file: Path, number: int | None, passes: int | None, fill: bool, picture: Path | None
) -> None:
    """Draw the pass map of one part or of all, in the terminal or into a file."""
    from companion.sheet.grid import build_grid
    from companion.sheet.picturemap import PictureError, save
    from companion.sheet.textmap import draw

    setlist = read(set_file)
    parts = chosen(setlist, number)
    if picture is not None and len(parts) > 1:
        raise Refused("a picture shows one part; say which: --part N")
    for part in parts:
        pattern = part.pattern
        width = passes or min(
            MOST_MAP_PASSES,
            max(1, -(-MAP_PHRASES * pattern.phrase_ticks // pattern.pass_ticks)),
        )
        grid = build_grid(
            pattern,
            width,
            carried_passes=carried_passes(setlist, part),
            fill=fill,
            rare=setlist.rare,
        )
        title = f"Part {part.number}: {pattern.name} ({setlist.songs[part.song].title})"
        if picture is not None:
            try:
                save(grid, title, picture)
            except PictureError as error:
                raise Refused(str(error)) from error
            click.echo(f"{picture} shows part {part.number}, {pattern.name}, {width} passes")
            continue
        click.echo(title)
        click.echo(draw(grid, max(40, shutil.get_terminal_size((80, 24)).columns)))
        click.echo()
