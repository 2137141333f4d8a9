"""`companion forecast` and `companion map`: what is coming, computed and not played.

For programs as an object, for people in sentences, with bars and seconds.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import click

from companion.cli.exits import Refused
from companion.cli.extras import extra
from companion.cli.saying import (
    in_reach,
    lasting,
    many,
    plain_characters,
    refuse_faults,
    say,
    say_json,
)
from companion.cli.watching import run_or_watch
from companion.counting import (
    Grid,
    GridRow,
    Meeting,
    OutOfReach,
    Pattern,
    StepEvent,
    StepRow,
    chance_within,
    chance_within_phrase,
    next_at_once,
    next_together,
    phrase_shape,
    position,
    repeat_passes,
    repeats_after,
    rows_beside,
    step_events,
    step_rows,
)
from companion.engine.snapshot import step_sentence
from companion.follow.notes import planned_mutes
from companion.printable import percent
from companion.setlist import (
    USUAL_TEMPO,
    Action,
    Cue,
    Part,
    SetList,
    SetListError,
    Span,
    Unit,
    WhenKind,
    carried_passes,
    cue_sentence,
    cue_ticks,
    hold_ticks,
)
from companion.setlist.course import LayerPlan, Length, length_of, planned_layers
from companion.setlist.model import spoken
from companion.setlist.reading import read_set_list

# A map wider than this many phrases says nothing new for most patterns.
MAP_PHRASES = 2
MOST_MAP_PASSES = 512
# Most chances that `map --json` prints, some megabytes of them.
MOST_CELLS = 500_000
# Parts of a set that are foretold at once; to look for what each carries over takes a while.
MOST_PARTS = 400
# A picture of more is wider than the 2^16 pixels that matplotlib draws (at 150 dots an inch and
# 0.22 inches a pass), and takes minutes.
MOST_PICTURE_PASSES = 1900

# Most lines of events printed of one part with --all; without, a part fits a screen.
MOST_LINES = 200
# What stands under a part, and the prompt.
SCREEN_REST = 3
# Further than anybody looks into a part with no end.
MOST_TICKS = 1 << 20
# Most events that are worked out for one command: about a second.
MOST_EVENTS = 100_000
# Numbers of more digits are told by their length.
MOST_DIGITS = 15


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


def _planned_passes(part: Part) -> int:
    """Passes of the planned stay, or of one phrase, rounded up."""
    return -(-part.likely_ticks // part.pattern.pass_ticks)


def forecast_object(
    setlist: SetList, part: Part, passes: int, *, every_step: bool, fill: bool
) -> dict[str, Any]:
    """The object of `forecast --json`."""
    pattern = part.pattern
    until = passes * pattern.pass_ticks
    events: list[tuple[int, int, dict[str, Any]]] = []
    muted = Muted(part)
    for event in step_events(
        pattern,
        0,
        until,
        carried_passes=carried_passes(setlist, part),
        fill=fill,
        every_step=every_step,
        rare=setlist.rare,
    ):
        shown = _step_object(event)
        if event.track in muted.at(event.tick):
            shown["muted"] = True
        events.append((event.tick, 2, shown))
    plans = layers_of(setlist, part)
    for plan in plans:
        beside = Muted(part)
        for event in _layer_events(setlist, plan, until, every_step=every_step, fill=fill):
            shown = _step_object(event)
            shown |= {"layer": plan.layer.pattern.name, "on": plan.layer.instrument}
            if plan.layer.called(event.track) in beside.at(event.tick):
                shown["muted"] = True
            events.append((event.tick, 3, shown))
    for cue in part.cues:
        for tick in cue_ticks(cue.when, pattern, part.planned_ticks, 0, until):
            events.append((tick, 1, {"tick": tick, "kind": "cue"} | cue_object(cue, part)))
    boundaries = range(pattern.phrase_ticks, until, pattern.phrase_ticks)
    for number, tick in enumerate(boundaries, start=2):
        events.append((tick, 0, {"tick": tick, "kind": "phrase", "phrase": number}))
    events.sort(key=lambda each: each[:2])
    return {
        "part": part.number,
        "name": part.name,
        "pattern": pattern.name,
        "ticks_per_pass": pattern.pass_ticks,
        "repeats_after": repeat_passes(pattern),
        "within_phrase": [
            {"track": track, "step": step, "chance": chance}
            for track, step, chance in _within_phrase(setlist, part, fill=fill)
        ]
        + [
            {
                "layer": plan.layer.pattern.name,
                "on": plan.layer.instrument,
                "track": track,
                "step": step,
                "chance": chance,
            }
            for plan in plans
            for track, step, chance in _layer_within_phrase(setlist, part, plan, fill=fill)
        ],
        "layers": [
            {
                "pattern": plan.layer.pattern.name,
                "on": plan.layer.instrument,
                "ticks_per_pass": plan.layer.pattern.pass_ticks,
                "repeats_after": repeat_passes(plan.layer.pattern),
                "from_pass": plan.ticks // plan.layer.pattern.pass_ticks + 1,
                "from_step": plan.ticks
                % plan.layer.pattern.pass_ticks
                // plan.layer.pattern.step_ticks
                + 1,
                "assumed": plan.assumed,
            }
            for plan in plans
        ],
        "events": [event for _, _, event in events],
    }


def layers_of(setlist: SetList, part: Part) -> tuple[LayerPlan, ...]:
    """The layers of a part and where they stand at its start, if the set goes as planned."""
    if not part.layers:
        return ()
    return next(islice(planned_layers(setlist), part.number - 1, None))


def _step_object(event: StepEvent) -> dict[str, object]:
    """A step that may sound, for programs."""
    shown: dict[str, object] = {
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
    return shown


def _layer_events(
    setlist: SetList, plan: LayerPlan, until: int, *, every_step: bool, fill: bool
) -> list[StepEvent]:
    """The steps of a layer at the part's ticks in [0, until)."""
    events = step_events(
        plan.layer.pattern,
        plan.ticks,
        plan.ticks + until,
        fill=fill,
        every_step=every_step,
        rare=setlist.rare,
    )
    return [replace(event, tick=event.tick - plan.ticks) for event in events]


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
    *,
    more: tuple[str, ...],
    together: tuple[str, ...],
    from_pass: int | None,
    again: bool,
    **asked: Any,
) -> None:
    """Print what is coming, part by part, or when some steps next sound on one pass.

    `more` are further words, which are steps if `together` has any. Raises Refused, or UsageError
    for options that do not go together.
    """
    if more and not together:
        raise click.UsageError(f"one SET at a time; what is {more[0]!r}?")
    if from_pass is not None and not together:
        raise click.UsageError("--from is where --together begins to look; add --together")
    steps = (*together, *more)
    run_or_watch(partial(_forecast, set_file, steps, from_pass or 1, **asked), [set_file], again)


@in_reach()
def _forecast(
    set_file: Path,
    together: tuple[str, ...],
    from_pass: int,
    *,
    number: int | None,
    passes: int | None,
    every_step: bool,
    fill: bool,
    as_json: bool,
) -> None:
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
            say(*(line for _, line in answers))
        return
    wanted = [(part, passes or _planned_passes(part)) for part in parts]
    events = sum(_most_events(part, count) for part, count in wanted)
    if as_json:
        if events > MOST_EVENTS or len(parts) > MOST_PARTS:
            raise Refused(
                f"that would be {_big(len(parts))} parts with up to {_big(events)} events; "
                "ask for one, --part N, and for fewer --passes"
            )
        found = [
            forecast_object(setlist, part, count, every_step=every_step, fill=fill)
            for part, count in wanted
        ]
        _print_json(found, number)
        return
    several = number is None and len(setlist.songs) > 1
    if several:
        _tell_length(f"{setlist.name}: {many(len(setlist.songs), 'song')}", length_of(setlist))
    for index, (part, count) in enumerate(wanted):
        song = setlist.songs[part.song]
        if several and part.number == song.parts[0]:
            which = f"Song {part.song + 1} of {len(setlist.songs)}: {song.title}"
            _tell_length(which, length_of(setlist, song))
        events = sum(min(MOST_EVENTS, _most_events(*each)) for each in wanted[: index + 1])
        if index and (index >= MOST_PARTS or events > MOST_EVENTS):
            say(f"and {_big(len(parts) - index)} more parts; see one of them with --part N")
            break
        say(*forecast_lines(setlist, part, count, every_step=every_step, fill=fill), "")


def _tell_length(what: str, length: Length) -> None:
    """Say what a song or a set is and how long, where that is planned."""
    say(", ".join(filter(None, (what, lasting(length)))), "")


def _print_json(found: list[dict[str, Any]], number: int | None) -> None:
    """One part's object as it is, or all of them in `parts`."""
    document = {"version": 1, "parts": found} if number is None else found[0]
    say_json(document)


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
    once = _at_once(part, steps, from_tick, carried, fill)
    found: dict[str, Any] = {
        "part": part.number,
        "pattern": part.pattern.name,
        "together": [{"track": track, "step": number} for track, number in steps],
        "next": None,
        "same_tick": None if once is None else {"tick": once.tick, "chance": once.chance},
    }
    where = f"part {part.number}, {part.pattern.name}"
    if meeting is None:
        return found, f"{where}: {names} never sound on the same pass"
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
        f"{where}: {names} next sound on the same pass, pass {_big(meeting.pass_number)}, "
        f"{clock.at(meeting.tick)}"
    )
    if meeting.chance < 1:
        sentence += f", chance {percent(meeting.chance)}%"
    if once is None:
        return found, f"{sentence}; never on the same tick"
    sentence += f"; on the same tick at {clock.at(once.tick)}"
    return found, sentence if once.chance >= 1 else f"{sentence}, chance {percent(once.chance)}%"


def _at_once(
    part: Part, steps: list[tuple[str, int]], from_tick: int, carried: int, fill: bool
) -> Meeting | None:
    """When the steps next sound on one tick; None where that is never, or nobody can say."""
    try:
        return next_at_once(part.pattern, steps, from_tick, carried_passes=carried, fill=fill)
    except OutOfReach:
        return None


@in_reach()
def map_(
    set_file: Path,
    number: int | None,
    passes: int | None,
    fill: bool,
    picture: Path | None,
    as_json: bool,
) -> None:
    """Draw the pass map of one part or of all, in the terminal or into a file; or print it."""
    from companion.counting import build_grid
    from companion.sheet import draw

    setlist = read(set_file)
    parts = chosen(setlist, number)
    if picture is not None and len(parts) > 1:
        raise Refused("a picture shows one part; say which: --part N")
    if picture is not None and (passes or 0) > MOST_PICTURE_PASSES:
        raise Refused(f"a picture shows at most {MOST_PICTURE_PASSES} passes; ask for fewer")
    shown = [(part, passes or _map_passes(part.pattern)) for part in parts]
    if as_json:
        cells = sum(
            each * len(track.steps)
            for part, each in shown
            for what in (part.pattern, *(layer.pattern for layer in part.layers))
            for track in what.tracks
        )
        if cells > MOST_CELLS:
            raise Refused(
                f"that is over {MOST_CELLS} chances; ask for one --part, or fewer --passes"
            )
    objects = []
    for part, width in shown:
        pattern, carried = part.pattern, carried_passes(setlist, part)
        if as_json:
            objects.append(_map_object(setlist, part, width, carried, fill=fill))
            if picture is None:
                continue
        grid = build_grid(pattern, width, carried_passes=carried, fill=fill, rare=setlist.rare)
        title = f"Part {part.number}: {pattern.name} ({setlist.songs[part.song].title})"
        if picture is not None:
            more = _rows_beside(setlist, part, width, fill=fill)
            _save(replace(grid, rows=(*grid.rows, *more)), title, picture)
            if not as_json:
                say(f"{picture} shows part {part.number}, {pattern.name}, {width} passes")
            continue
        columns = max(40, shutil.get_terminal_size((80, 24)).columns)
        say(title)
        plain = plain_characters()
        say(*draw(grid, columns, plain=plain).split("\n"))
        for plan in layers_of(setlist, part):
            layer = plan.layer.pattern
            first = plan.ticks // layer.pass_ticks
            beside = build_grid(layer, width, first=first, fill=fill, rare=setlist.rare)
            say(f"Beside it: {layer.name} on {plan.layer.instrument}, from its pass {first + 1}")
            say(*draw(beside, columns, plain=plain).split("\n"))
        say("")
    if as_json:
        say_json({"version": 1, "parts": objects})


def _rows_beside(setlist: SetList, part: Part, passes: int, *, fill: bool) -> Iterator[GridRow]:
    """The rows of a part's layers on the passes of the part, if the set goes as planned."""
    for plan in layers_of(setlist, part):
        layer, ticks = plan.layer, part.pattern.pass_ticks
        rows, _ = rows_beside(
            layer.pattern, plan.ticks, ticks, passes, fill=fill, rare=setlist.rare
        )
        for row in rows:
            yield replace(row, track=layer.called(row.track))


def _map_passes(pattern: Pattern) -> int:
    """How many passes a map shows that nobody asked to be wider."""
    phrases = -(-MAP_PHRASES * pattern.phrase_ticks // pattern.pass_ticks)
    return min(MOST_MAP_PASSES, max(1, phrases))


def _map_object(
    setlist: SetList, part: Part, passes: int, carried: int, *, fill: bool
) -> dict[str, Any]:
    """A part of `map --json`: every step, on the passes of its own track from `from_pass` on."""
    rows = step_rows(part.pattern, passes, carried_passes=carried, fill=fill, rare=setlist.rare)
    return {
        "part": part.number,
        "pattern": part.pattern.name,
        "passes": passes,
        "rows": list(map(_row_object, rows)),
        "layers": [
            {
                "pattern": plan.layer.pattern.name,
                "on": plan.layer.instrument,
                "from_pass": plan.ticks // plan.layer.pattern.pass_ticks + 1,
                "assumed": plan.assumed,
                "rows": [
                    _row_object(row)
                    for row in step_rows(
                        plan.layer.pattern,
                        passes,
                        from_tick=plan.ticks,
                        fill=fill,
                        rare=setlist.rare,
                    )
                ],
            }
            for plan in layers_of(setlist, part)
        ],
    }


def _row_object(row: StepRow) -> dict[str, Any]:
    return {
        "track": row.track,
        "step": row.number,
        "what": row.what,
        "rare": row.rare,
        "from_pass": row.first_pass,
        "chances": list(row.chances),
    }


def _save(grid: Grid, title: str, picture: Path) -> None:
    """Draw a map into a file. Raises Refused."""
    from companion.sheet import PictureError, save

    try:
        with extra("pictures"):
            save(grid, title, picture)
    except PictureError as error:
        raise Refused(str(error)) from error


@dataclass(frozen=True, slots=True)
class Clock:
    """Turns ticks of a part into bars and minutes at the song's tempo."""

    pattern: Pattern
    bpm: float
    presumed: bool

    @classmethod
    def of(cls, setlist: SetList, part: Part) -> Clock:
        """The clock of a part."""
        tempo = setlist.songs[part.song].tempo
        return cls(part.pattern, tempo or USUAL_TEMPO, tempo is None)

    def at(self, tick: int) -> str:
        """Where a tick lies, such as "bar 4 beat 4, at 0:07"."""
        meter = self.pattern.meter
        bar, in_bar = divmod(tick, meter.bar_ticks)
        return f"bar {_big(bar + 1)} beat {in_bar // meter.beat_ticks + 1}, at {self.lasting(tick)}"

    def lasting(self, ticks: int) -> str:
        """How long ticks last, such as "1:05", or in days and years where that is long."""
        # Whole numbers: a repeat may have more digits than a float can hold.
        seconds = ticks * 60_000 // round(self.bpm * 1000 * 24)
        if seconds < 86_400:
            hours, rest = divmod(seconds, 3600)
            minutes = f"{rest // 60:02d}" if hours else f"{rest // 60}"
            return (f"{hours}:" if hours else "") + f"{minutes}:{rest % 60:02d}"
        days = seconds // 86_400
        return f"{_big(days)} days" if days < 730 else f"{_big(days // 365)} years"


def _most_events(part: Part, passes: int) -> int:
    """How many events so many passes of a part have at most."""
    pattern = part.pattern
    ticks = passes * pattern.pass_ticks
    every = [pattern, *(layer.pattern for layer in part.layers)]
    tracks = [track for each in every for track in each.tracks]
    steps = sum(len(track.steps) * (ticks // track.pass_ticks + 1) for track in tracks)
    cues = sum(1 + ticks // _cue_period(cue, pattern) for cue in part.cues)
    return steps + cues + ticks // pattern.phrase_ticks


def _cue_period(cue: Cue, pattern: Pattern) -> int:
    again = cue.when.kind is WhenKind.EVERY and cue.when.span is not None
    return cue.when.span.ticks(pattern) if again and cue.when.span is not None else 1 << 62


def _affordable(part: Part, passes: int) -> int:
    """As many of so many passes as have MOST_EVENTS events at most, or one."""
    each = max(1, _most_events(part, passes) // max(1, passes))
    return passes if _most_events(part, passes) <= MOST_EVENTS else max(1, MOST_EVENTS // each)


def forecast_lines(
    setlist: SetList, part: Part, passes: int, *, every_step: bool, fill: bool
) -> list[str]:
    """What is coming in the first `passes` passes of a part."""
    pattern, clock = part.pattern, Clock.of(setlist, part)
    wanted, passes = passes, _affordable(part, passes)
    lines = _head(setlist, part, clock)
    lines.append(_repeat(pattern, clock))
    carried = carried_passes(setlist, part)
    shape = phrase_shape(pattern, 1, carried_passes=carried, fill=fill)
    if shape.fullest.hits > shape.emptiest.hits:
        lines.append(
            f"  fullest pass of a phrase: pass {shape.fullest.pass_number}, "
            f"{shape.fullest.hits:.1f} hits expected; "
            f"emptiest: pass {shape.emptiest.pass_number}, {shape.emptiest.hits:.1f}"
        )
    for track, step, chance in _within_phrase(setlist, part, fill=fill):
        lines.append(f"  {track}, step {step}: {percent(chance)}% to sound within a phrase")
    plans = layers_of(setlist, part)
    for plan in plans:
        for track, step, chance in _layer_within_phrase(setlist, part, plan, fill=fill):
            said = f"{plan.layer.called(track)}, step {step}: {percent(chance)}%"
            lines.append(f"  {said} to sound within a phrase")
    until = passes * pattern.pass_ticks
    muted = Muted(part)
    events = [
        (e.tick, 2, step_sentence(e.track, e.step, e.what, e.chance) + muted.word(e))
        for e in step_events(
            pattern,
            0,
            until,
            carried_passes=carried,
            fill=fill,
            every_step=every_step,
            rare=setlist.rare,
        )
    ]
    for plan in plans:
        name, on, muted = plan.layer.pattern.name, plan.layer.instrument, Muted(part)
        events += [
            (
                e.tick,
                3,
                f"{name}: {step_sentence(e.track, e.step, e.what, e.chance)}"
                + muted.word(e, plan.layer.called(e.track)),
            )
            for e in _layer_events(setlist, plan, until, every_step=every_step, fill=fill)
        ]
        here = position(plan.layer.pattern, plan.ticks)
        presumed = ", presumed" if plan.assumed else ""
        lines.append(
            f"  beside it {name} on {on}, from pass {here.pass_number} step {here.step}{presumed}"
        )
    for cue in part.cues:
        ticks = cue_ticks(cue.when, pattern, part.planned_ticks, 0, until)
        events += [(tick, 1, cue_sentence(cue)) for tick in ticks]
    for number, tick in enumerate(range(pattern.phrase_ticks, until, pattern.phrase_ticks), 2):
        events.append((tick, 0, f"phrase {number} begins"))
    events.sort()
    if every_step:
        lines += [f"  {clock.at(tick)}: {text}" for tick, _, text in events[:MOST_LINES]]
        more = len(events) - MOST_LINES
    else:
        told = _told_once(events, clock)
        # At least as many lines as a small screen has left.
        room = max(6, shutil.get_terminal_size((80, 24)).lines - len(lines) - SCREEN_REST)
        lines += told[:room]
        more = len(told) - room
    if passes < wanted:
        lines.append(f"  and more than {MOST_EVENTS} events besides; ask for fewer --passes")
    elif more > 0:
        lines.append(f"  and {more} more; see --all or --json, or fewer --passes")
    return lines


def _told_once(events: list[tuple[int, int, str]], clock: Clock) -> list[str]:
    """A line for each thing that comes, where it comes first, and how often it comes again."""
    ticks: dict[tuple[int, str], list[int]] = {}
    for tick, order, text in events:
        # That phrases begin one after another needs no telling but once.
        same = "phrase" if order == 0 else text
        ticks.setdefault((order, same), []).append(tick)
    lines = []
    for tick, order, text in events:
        found = ticks[order, "phrase" if order == 0 else text]
        if tick == found[0]:
            lines.append(f"  {clock.at(tick)}: {text}{_again(found, clock.pattern)}")
    return lines


def _again(ticks: list[int], pattern: Pattern) -> str:
    """How often what came at the first of `ticks` comes again."""
    apart = {later - sooner for sooner, later in pairwise(ticks)}
    if len(apart) == 1:
        return f", then every {_bars(pattern, apart.pop())}".replace("every 1 ", "every ")
    return f", and {len(ticks) - 1} times more" if apart else ""


class Muted:
    """Which tracks of a part the plan has muted, tick by tick; ask for ticks in rising order."""

    def __init__(self, part: Part) -> None:
        self._part = part
        end = part.planned_ticks
        changes = [c for c in part.cues if c.action in (Action.MUTE, Action.UNMUTE)]
        self._due = sorted(
            tick
            for cue in changes
            for tick in cue_ticks(cue.when, part.pattern, end, 0, (end or MOST_TICKS) + 1)
        )
        self._next = 0
        self._muted: frozenset[str] = frozenset()

    def at(self, tick: int) -> frozenset[str]:
        """Their names at `tick`."""
        if self._next < len(self._due) and self._due[self._next] <= tick:
            while self._next < len(self._due) and self._due[self._next] <= tick:
                self._next += 1
            self._muted = planned_mutes(self._part, self._part.planned_ticks, tick)
        return self._muted

    def word(self, event: StepEvent, called: str = "") -> str:
        """What is said of a step that will not be heard; `called` is its track, if a layer's."""
        return " (muted)" if (called or event.track) in self.at(event.tick) else ""


def _within_phrase(setlist: SetList, part: Part, *, fill: bool) -> list[tuple[str, int, float]]:
    """(track, step, chance to sound at least once in the first phrase) of rare chance steps.

    Steps that are certain to sound in it, or certain not to, are left out.
    """
    pattern, carried = part.pattern, carried_passes(setlist, part)
    events = step_events(
        pattern, 0, pattern.phrase_ticks, carried_passes=carried, fill=fill, rare=setlist.rare
    )
    keys = dict.fromkeys((e.track, e.step) for e in events if e.chance < 1)
    found = []
    for key in keys:
        chance = chance_within_phrase(pattern, [key], 1, carried_passes=carried, fill=fill).chance
        if chance < 1:
            found.append((*key, chance))
    return found


def _layer_within_phrase(
    setlist: SetList, part: Part, plan: LayerPlan, *, fill: bool
) -> list[tuple[str, int, float]]:
    """The same of a layer, within the part's first phrase."""
    pattern, low = plan.layer.pattern, plan.ticks
    high = low + part.pattern.phrase_ticks
    events = step_events(pattern, low, high, fill=fill, rare=setlist.rare)
    found = []
    for key in dict.fromkeys((e.track, e.step) for e in events if e.chance < 1):
        chance = chance_within(pattern, [key], low, high, fill=fill).chance
        if chance < 1:
            found.append((*key, chance))
    return found


def _head(setlist: SetList, part: Part, clock: Clock) -> list[str]:
    pattern = part.pattern
    song = setlist.songs[part.song].title
    first = f"Part {part.number} of {len(setlist.parts)}: {part.name} ({song})"
    if part.own_name:
        first += f", pattern {pattern.name}"
    if part.instrument is not None:
        first += f", on {part.instrument}"
    for change in part.changes:
        shown = setlist.instruments[change.instrument].shown(change.program)
        own = change.instrument == part.instrument
        first += f", program {shown}" + ("" if own else f" on {change.instrument}")
    tempo = f"{clock.bpm:g} beats a minute" + (", presumed" if clock.presumed else "")
    if part.planned_ticks is None:
        stay = "until you move on"
        if part.about:
            stay += f", about {Span(part.about, Unit.PHRASES)}, {clock.lasting(part.likely_ticks)}"
    else:
        stay = f"{Span(part.phrases or 0, Unit.PHRASES)}, {clock.lasting(part.planned_ticks)}"
    return [
        first,
        f"  a pass is {_bars(pattern, pattern.pass_ticks)}, "
        f"a phrase {_bars(pattern, pattern.phrase_ticks)}; planned, at {tempo}: {stay}",
    ]


def _repeat(pattern: Pattern, clock: Clock) -> str:
    repeat = repeats_after(pattern)
    if repeat.passes == 1:
        return "  every pass is the same but for chance"
    line = (
        f"  everything but chance repeats after {_big(repeat.passes)} passes, "
        f"{clock.lasting(repeat.ticks)}"
    )
    if repeat.phrases is None:
        return f"{line}: not a whole number of phrases"
    return f"{line}: {_big(repeat.phrases)} phrase{'s' if repeat.phrases > 1 else ''}"


def _bars(pattern: Pattern, ticks: int) -> str:
    bars, rest = divmod(ticks, pattern.meter.bar_ticks)
    if rest == 0:
        return str(Span(bars, Unit.BARS))
    beats, rest = divmod(ticks, pattern.meter.beat_ticks)
    return str(Span(beats, Unit.BEATS)) if rest == 0 else spoken(ticks, pattern)


def _big(number: int) -> str:
    """A whole number for people: in groups of three digits, or by its length if it is huge."""
    digits = f"{number:,}".replace(",", " ")
    count = len(str(number))
    return digits if count <= MOST_DIGITS else f"about 10^{count - 1} (a number of {count} digits)"
