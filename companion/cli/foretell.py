"""`companion forecast` and `companion map`: what is coming, computed and not played."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import click

from companion.cli.exits import Refused
from companion.cli.faults import refuse_faults
from companion.cli.forecastlines import Clock, big, forecast_lines, percent, within_phrase
from companion.counting.cycles import repeat_passes
from companion.counting.forecast import step_events
from companion.counting.meetings import next_together
from companion.counting.memory import OutOfReach
from companion.setlist.cues import cue_ticks, hold_ticks
from companion.setlist.faults import SetListError
from companion.setlist.model import Action, Cue, Part, SetList
from companion.setlist.plan import carried_passes
from companion.setlist.reading import read_set_list

# A map wider than this many phrases says nothing new for most patterns.
MAP_PHRASES = 2
MOST_MAP_PASSES = 512
# A picture of more is wider than the 2^16 pixels that matplotlib draws (at 150 dots an inch and
# 0.22 inches a pass), and takes minutes.
MOST_PICTURE_PASSES = 1900


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
        "within_phrase": [
            {"track": track, "step": step, "chance": chance}
            for track, step, chance in within_phrase(setlist, part, fill=fill)
        ],
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


def forecast(
    set_file: Path,
    number: int | None,
    passes: int | None,
    *,
    every_step: bool,
    fill: bool,
    together: tuple[str, ...],
    from_pass: int,
    as_json: bool,
) -> None:
    """Print what is coming, part by part, or when some steps next sound on one pass."""
    setlist = read(set_file)
    parts = chosen(setlist, number)
    if together:
        answers = [
            _together(setlist, part, together, from_pass, fill)
            for part in parts
            if number is not None or _has_steps(part, together)
        ]
        if not answers:
            for part in parts:
                if _has_tracks(part, together):
                    # Only steps are missing; which it has is told.
                    _step_names(part, together)
            raise Refused(f"no part has {' and '.join(together)}; write TRACK:STEP as in the file")
        if as_json:
            _print_json([found for found, _ in answers], number)
        else:
            click.echo("\n".join(line for _, line in answers))
        return
    if as_json:
        found = [
            forecast_object(
                setlist, part, passes or planned_passes(part), every_step=every_step, fill=fill
            )
            for part in parts
        ]
        _print_json(found, number)
        return
    for part in parts:
        count = passes or planned_passes(part)
        click.echo(
            "\n".join(forecast_lines(setlist, part, count, every_step=every_step, fill=fill))
        )
        click.echo()


def _print_json(found: list[dict[str, Any]], number: int | None) -> None:
    """One part's object as it is, or all of them in `parts`."""
    document = {"version": 1, "parts": found} if number is None else found[0]
    click.echo(json.dumps(document, ensure_ascii=False))


def _step_names(part: Part, words: tuple[str, ...]) -> list[tuple[str, int]]:
    """TRACK:STEP words as (track, step) of a part's pattern. Raises Refused."""
    tracks = {track.name.lower(): track for track in part.pattern.tracks}
    found = []
    for word in words:
        name, _, step = word.rpartition(":")
        track = tracks.get(name.strip().lower())
        if track is None or not step.strip().isdecimal():
            known = ", ".join(t.name for t in part.pattern.tracks) or "none"
            raise Refused(
                f"{word!r} is no step of {part.pattern.name}; "
                f"write TRACK:STEP with one of its tracks: {known}"
            )
        if all(int(step) != s.number for s in track.steps):
            has = ", ".join(str(s.number) for s in track.steps) or "none"
            raise Refused(f"{track.name} has no step {int(step)} in the file; it has: {has}")
        found.append((track.name, int(step)))
    return found


def _has_steps(part: Part, words: tuple[str, ...]) -> bool:
    try:
        _step_names(part, words)
    except Refused:
        return False
    return True


def _has_tracks(part: Part, words: tuple[str, ...]) -> bool:
    names = {track.name.lower() for track in part.pattern.tracks}
    return all(word.rpartition(":")[0].strip().lower() in names for word in words)


def _together(
    setlist: SetList, part: Part, words: tuple[str, ...], from_pass: int, fill: bool
) -> tuple[dict[str, Any], str]:
    """When the steps next sound on one pass: as JSON has it, and as a sentence."""
    steps = _step_names(part, words)
    carried = carried_passes(setlist, part)
    from_tick = max(0, from_pass - 1 - carried) * part.pattern.pass_ticks
    try:
        meeting = next_together(part.pattern, steps, from_tick, carried_passes=carried, fill=fill)
    except OutOfReach as error:
        raise Refused(f"part {part.number}: {error}") from error
    names = " and ".join(f"{track} {number}" for track, number in steps)
    found: dict[str, Any] = {
        "part": part.number,
        "pattern": part.pattern.name,
        "together": [{"track": track, "step": number} for track, number in steps],
        "next": None,
    }
    where = f"part {part.number}, {part.pattern.name}"
    if meeting is None:
        return found, f"{where}: {names} never sound on one pass"
    found["next"] = {
        "pass": meeting.pass_number,
        "tick": meeting.tick,
        "chance": meeting.chance,
        "steps": [
            {"track": s.track, "step": s.step, "tick": s.tick, "pass": s.pass_number}
            for s in meeting.soundings
        ],
    }
    clock = Clock.of(setlist, part)
    sentence = (
        f"{where}: {names} next sound together on pass {big(meeting.pass_number)}, "
        f"{clock.at(meeting.tick)}"
    )
    if meeting.chance < 1:
        sentence += f", chance {percent(meeting.chance)}"
    return found, sentence


def map_(
    set_file: Path, number: int | None, passes: int | None, fill: bool, picture: Path | None
) -> None:
    """Draw the pass map of one part or of all, in the terminal or into a file."""
    from companion.counting.grid import build_grid
    from companion.sheet.picturemap import PictureError, save
    from companion.sheet.textmap import draw

    setlist = read(set_file)
    parts = chosen(setlist, number)
    if picture is not None and len(parts) > 1:
        raise Refused("a picture shows one part; say which: --part N")
    if picture is not None and (passes or 0) > MOST_PICTURE_PASSES:
        raise Refused(f"a picture shows at most {MOST_PICTURE_PASSES} passes; ask for fewer")
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
