"""Builds the checked set list from the file's form: names are resolved, rules read, cues placed.

What spans several parts (leads, boundaries) is in `boundaries`.
"""

from __future__ import annotations

from collections.abc import Mapping

from companion.counting.pattern import Pattern, Step, Track
from companion.setlist import format as forms
from companion.setlist.cuebuilding import build_cue
from companion.setlist.faults import BadText, quoted
from companion.setlist.model import (
    Instrument,
    Part,
    ProgramChange,
    SetList,
    Song,
    Span,
    Unit,
)
from companion.setlist.places import Path
from companion.setlist.report import Report
from companion.setlist.ruletext import parse_rule
from companion.setlist.text import count, folded, name


def build(form: forms.SetForm, report: Report) -> SetList:
    """The set list; usable only if `report` has no fault."""
    instruments = {
        named: _instrument(named, inner, report) for named, inner in form.instruments.items()
    }
    _check_names(("instruments",), "instrument", report)
    _check_names(("patterns",), "pattern", report)
    patterns = {
        named: _pattern(named, inner, ("patterns", named), report)
        for named, inner in form.patterns.items()
    }
    if not patterns and not report.gone(("patterns",)) and not report.hurt(("patterns",)):
        report.missing(("patterns",), "there is no pattern", "write at least one under `patterns:`")
    clock = None
    if form.clock is not None and not report.gone(("clock", "from")):
        clock = resolve(form.clock.from_, ("clock", "from"), ("instruments",), report)
    songs: list[Song] = []
    parts: list[Part] = []
    builder = _Parts(instruments, patterns, report)
    for index, song in enumerate(form.songs):
        path = ("songs", index)
        if report.gone(path):
            continue
        first = len(parts)
        for at, part in enumerate(song.parts):
            built = builder.part(part, (*path, "parts", at), len(parts) + 1, len(songs))
            parts.append(built)
        if not song.parts and not report.gone((*path, "parts")):
            report.missing((*path, "parts"), "this song has no part", "write at least one")
        songs.append(Song(song.song, song.tempo, range(first, len(parts))))
    if not form.songs and not report.gone(("songs",)):
        report.missing(("songs",), "there is no song", "write at least one under `songs:`")
    return SetList(form.set, tuple(songs), tuple(parts), instruments, clock, form.rare)


def resolve(written: str, path: Path, among: Path, report: Report) -> str | None:
    """The name declared under the mapping at `among` that `written` means; a fault if none.

    Capitals and spaces do not matter. None also if what is declared there was left out as faulty.
    """
    declared = report.places.keys(among)
    found = written if written in declared else None
    if found is None:
        found = next((key for key in declared if folded(key) == folded(written)), None)
    if found is None:
        kind = {"instruments": "instrument", "patterns": "pattern"}.get(str(among[-1]), "track")
        of = " of this pattern" if kind == "track" else ""
        if declared:
            right = report.suggest(written, declared)
        elif not report.whole or report.hurt(among):
            return None
        else:
            right = f"write it under `{among[-1]}:`, or leave it out here"
        if report.whole or kind == "track":
            report.value(path, f"no {kind}{of} is called {quoted(written)}", right)
        return None
    return None if report.gone((*among, found)) else found


def _check_names(path: Path, kind: str, report: Report) -> None:
    """Every key at `path` must be a usable name, unlike the others but for capitals."""
    seen: dict[str, str] = {}
    for key in report.places.keys(path):
        try:
            name(key)
        except BadText as bad:
            report.key((*path, key), bad.wrong, bad.right)
        if folded(key) in seen:
            wrong = (
                f"the {kind}s {quoted(seen[folded(key)])} and {quoted(key)} differ in capitals only"
            )
            report.key((*path, key), wrong, "give one of them another name")
        seen.setdefault(folded(key), key)


def _instrument(named: str, form: forms.InstrumentForm, report: Report) -> Instrument:
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
    return Instrument(
        named,
        form.port,
        form.channel - 1,
        change.programs_from,
        change.bank,
        at_once,
        lead,
        form.recount,
    )


def _pattern(named: str, form: forms.PatternForm, path: Path, report: Report) -> Pattern:
    below = (*path, "tracks")
    names = report.places.keys(below)
    _check_names(below, "track", report)
    for track in names:
        if folded(track) == "last":
            right = "give it another name, since `if last played` means the step before"
            report.key((*below, track), "a track cannot be called `last`", right)
    bare = Pattern(named, form.length, form.step, form.meter)
    tracks = tuple(
        _track(track, inner, bare, (*below, track), names, report)
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
) -> Track:
    own = form.length is not None
    length = form.length if form.length is not None else pattern.length
    where = (*path, "length") if report.gone((*path, "length")) else (*path[:2], "length")
    known = own or not report.gone(where)
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
            rule = parse_rule(step.rule, names)
        except BadText as bad:
            shorthand = not report.places.written((*at, "rule"))
            report.bad(at if shorthand else (*at, "rule"), bad)
            continue
        steps[number] = Step(number, rule, step.what, step.watch)
    step_ticks = form.step if form.step is not None else pattern.step_ticks
    return Track(named, length, step_ticks, tuple(steps[n] for n in sorted(steps)))


class _Parts:
    """Builds parts, given what they refer to."""

    def __init__(
        self, instruments: Mapping[str, Instrument], patterns: Mapping[str, Pattern], report: Report
    ) -> None:
        self._instruments = instruments
        self._patterns = patterns
        self._report = report

    def part(self, form: forms.PartForm, path: Path, number: int, song: int) -> Part:
        """One part; a stand-in if what is at `path` was left out."""
        report = self._report
        if report.gone(path):
            return Part(number, song, Pattern("?"))
        named = None
        if not report.gone((*path, "pattern")):
            named = resolve(form.pattern, (*path, "pattern"), ("patterns",), report)
            if named is None:
                report.drop((*path, "pattern"))
        pattern = self._patterns.get(named or "", Pattern("?"))
        own = self._own(form, path)
        changes = self._changes(form, path, own)
        end = None if form.phrases is None else form.phrases * pattern.phrase_ticks
        sound = not report.gone((*path, "phrases")) and not report.hurt(("patterns", pattern.name))
        cues = []
        for index, cue in enumerate(form.cues):
            at = (*path, "cues", index)
            if not report.gone(at):
                built = build_cue(cue, at, pattern, end if sound else None, report)
                cues += [built] if built is not None else []
        return Part(number, song, pattern, own, changes, form.phrases, tuple(cues))

    def _own(self, form: forms.PartForm, path: Path) -> str | None:
        """The instrument the part plays on: the one written, or the only one there is."""
        report = self._report
        if form.on is not None:
            return resolve(form.on, (*path, "on"), ("instruments",), report)
        declared = report.places.keys(("instruments",))
        if report.gone((*path, "on")) or len(declared) != 1:
            if form.program is not None and not report.gone((*path, "on")):
                self._which(path, declared)
            return None
        return declared[0] if declared[0] in self._instruments else None

    def _which(self, path: Path, declared: list[str]) -> None:
        report = self._report
        if declared:
            wrong = "this program is for one of several instruments"
            right = "write `on:` and the name of the instrument"
        elif report.hurt(("instruments",)) or not report.whole:
            return
        else:
            wrong = "this program is for an instrument, and none is declared"
            right = "write `instruments:` and the instrument at the top of the set list"
        report.key((*path, "program"), wrong, right)

    def _changes(
        self, form: forms.PartForm, path: Path, own: str | None
    ) -> tuple[ProgramChange, ...]:
        report = self._report
        changes = []
        if form.program is not None:
            changes.append(self._change(own, form.program, form.bank, path))
        elif form.bank is not None and not report.gone((*path, "program")):
            report.key(
                (*path, "bank"), "a bank is sent with a program only", "write `program:` too"
            )
        taken = {own}
        for index, inner in enumerate(form.also):
            at = (*path, "also", index)
            if report.gone(at) or report.gone((*at, "on")):
                continue
            other = resolve(inner.on, (*at, "on"), ("instruments",), report)
            if other is not None and other in taken:
                wrong = f"{quoted(other)} is told twice at the start of this part"
                report.value((*at, "on"), wrong, "keep one program for each instrument")
            taken.add(other or own)
            if not report.gone((*at, "program")):
                changes.append(self._change(other, inner.program, inner.bank, at))
        return tuple(change for change in changes if change is not None)

    def _change(
        self, named: str | None, program: int, bank: int | None, path: Path
    ) -> ProgramChange | None:
        instrument = self._instruments.get(named or "")
        if instrument is None:
            return None
        low, report = instrument.programs_from, self._report
        if report.hurt(("instruments", instrument.name, "change", "programs_from")):
            return None
        if not low <= program <= low + 127:
            right = f"{quoted(instrument.name)} counts programs from {low} to {low + 127}"
            report.value((*path, "program"), f"there is no program {program}", right)
            return None
        return ProgramChange(
            instrument.name, program - low, instrument.bank if bank is None else bank
        )
