"""Builds the checked set list from the file's form: names are resolved, rules read, cues placed.

What spans several parts (leads, boundaries) is in `boundaries`.
"""

from __future__ import annotations

from companion.counting.pattern import Pattern, Step, Track
from companion.setlist import format as forms
from companion.setlist.clashes import check_clashes
from companion.setlist.faults import BadText, quoted
from companion.setlist.model import Instrument, Part, SetList, Song, Span, Unit
from companion.setlist.parts import NO_PATTERN, PartBuilder, resolve
from companion.setlist.places import Path
from companion.setlist.report import Report
from companion.setlist.ruletext import UnknownTrack
from companion.setlist.sharing import Sharing
from companion.setlist.steering import TrackNames, build_controls, build_notes, build_tells
from companion.setlist.text import count, folded, name


def build(form: forms.SetForm, report: Report) -> tuple[SetList, list[Path]]:
    """The set list, and the path of each of its parts; good only if `report` has no fault."""
    _check_names(("instruments",), "instrument", report)
    _check_names(("patterns",), "pattern", report)
    names = TrackNames(report)
    instruments = {
        named: _instrument(named, inner, names, report) for named, inner in form.instruments.items()
    }
    sharing = Sharing()
    patterns = {
        named: _pattern(named, inner, ("patterns", named), report, sharing)
        for named, inner in form.patterns.items()
    }
    if not patterns and not report.hurt(("patterns",)):
        report.missing(("patterns",), "there is no pattern", "write at least one under `patterns:`")
    clock = None
    if form.clock is not None and not report.gone(("clock", "from")):
        clock = resolve(form.clock.from_, ("clock", "from"), ("instruments",), report)
    builder = PartBuilder(instruments, patterns, report)
    songs: list[Song] = []
    parts: list[Part] = []
    paths: list[Path] = []
    for index, song in enumerate(form.songs):
        path: Path = ("songs", index)
        first = len(parts)
        if report.gone(path):
            parts.append(Part(first + 1, index, NO_PATTERN))
            paths.append(path)
            songs.append(Song("?", None, range(first, first + 1)))
            continue
        for at, part in enumerate(song.parts):
            paths.append((*path, "parts", at))
            parts.append(builder.part(part, paths[-1], len(parts) + 1, index))
        if not song.parts and not report.gone((*path, "parts")):
            right = "write `parts:` and at least one `- pattern:` under it"
            report.missing((*path, "parts"), "this song has no part", right)
        songs.append(Song(song.song, song.tempo, range(first, len(parts))))
    if not form.songs and not report.gone(("songs",)):
        report.missing(("songs",), "there is no song", "write at least one under `songs:`")
    notes = build_notes(form.patterns, report)
    placed = build_controls(form.controls, report, None if report.hurt(("songs",)) else len(parts))
    controls = tuple(binding for binding, _ in placed)
    whole = SetList(
        form.set, tuple(songs), tuple(parts), instruments, clock, form.rare, notes, controls
    )
    check_clashes(placed, whole, report)
    return whole, paths


def _check_names(path: Path, kind: str, report: Report) -> None:
    """Every key at `path` must be a usable name, unlike the others but for capitals."""
    seen: dict[str, str] = {}
    for key in report.places.keys(path):
        try:
            name(key)
        except BadText as bad:
            report.key((*path, key), bad.wrong, bad.right)
        if folded(key) in seen:
            both = f"{quoted(seen[folded(key)])} and {quoted(key)}"
            wrong = f"the {kind}s {both} differ only in capitals or spaces"
            report.key((*path, key), wrong, "give one of them another name")
        seen.setdefault(folded(key), key)


def _instrument(
    named: str, form: forms.InstrumentForm, names: TrackNames, report: Report
) -> Instrument:
    change = form.change
    at_once = change.takes_effect == "at once"
    lead = change.send_before
    if lead is None:
        lead = Span(1, Unit.TICKS if at_once else Unit.BEATS)
    elif lead.count == 0 and not at_once:
        report.value(
            ("instruments", named, "change", "send_before"),
            f"{quoted(named)} takes a change at its pattern's end, so a change sent on the "
            "boundary comes a pass too late",
            "write at least `1 step`",
        )
    tells, mute_sends = build_tells(named, form, names, report)
    return Instrument(
        named,
        form.port,
        form.channel - 1,
        change.programs_from,
        change.bank,
        at_once,
        lead,
        form.recount,
        tells,
        mute_sends,
    )


def _pattern(
    named: str, form: forms.PatternForm, path: Path, report: Report, sharing: Sharing
) -> Pattern:
    below = (*path, "tracks")
    names = report.places.keys(below)
    _check_names(below, "track", report)
    for track in names:
        if folded(track) == "last":
            right = "give it another name, since `if last played` means the step before"
            report.key((*below, track), "a track cannot be called `last`", right)
    bare = Pattern(named, form.length, form.step, form.meter)
    tracks = tuple(
        _track(track, inner, bare, (*below, track), names, report, sharing)
        for track, inner in form.tracks.items()
    )
    return Pattern(named, form.length, form.step, form.meter, form.phrase.ticks(bare), tracks)


def _track(
    named: str,
    form: forms.TrackForm,
    pattern: Pattern,
    path: Path,
    names: list[str],
    report: Report,
    sharing: Sharing,
) -> Track:
    own = form.length is not None
    length = form.length if form.length is not None else pattern.length
    where = (*path, "length") if report.gone((*path, "length")) else (*path[:2], "length")
    known = report.whole and (own or not report.gone(where))
    steps: dict[int, Step] = {}
    for key, step in form.steps.items():
        at = (*path, "steps", key)
        number = count(key)
        if number is None or number < 1:
            right = f"write a step's number, from 1 to {length}"
            report.key(at, f"{quoted(key)} is no step", right)
            continue
        if known and number > length:
            whose = "this track" if own else "this pattern"
            right = f"write 1 to {length}, or a longer `length:`"
            report.key(at, f"{whose} has {length} steps and no step {number}", right)
        if number in steps:
            report.key(at, f"step {number} is here a second time", "keep one of the two")
        try:
            rule = sharing.rule(step.rule, names, report.patient)
        except BadText as bad:
            if isinstance(bad, UnknownTrack) and not report.whole:
                continue
            shorthand = not report.places.written((*at, "rule"))
            report.bad(at if shorthand else (*at, "rule"), bad)
            continue
        steps[number] = sharing.step(number, rule, step.what, step.watch)
    step_ticks = form.step if form.step is not None else pattern.step_ticks
    return Track(named, length, step_ticks, sharing.steps([steps[n] for n in sorted(steps)]))
