"""Builds the checked set list from the file's form: names are resolved, rules read, cues placed.

One piece after another, each with its faults in the report: patterns and their steps, parts, cues
(exactly one time, exactly one action, tracks that exist), and what steers from an instrument. What
spans several of them (leads, boundaries, presses that clash) is in `check`.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar, cast

from companion.counting import Pattern, Rule, Step, Track
from companion.setlist import forms
from companion.setlist.check import check_clashes
from companion.setlist.faults import BadText, listed, quoted
from companion.setlist.model import (
    Action,
    Address,
    Binding,
    Cue,
    Instrument,
    Kind,
    Layer,
    MuteControl,
    MuteTold,
    NoteKey,
    Part,
    Press,
    ProgramChange,
    SetList,
    Song,
    Span,
    Tells,
    Unit,
    When,
    WhenKind,
    spoken,
)
from companion.setlist.report import Report
from companion.setlist.text import UnknownTrack, folded, name, parse_rule, step_numbers
from companion.setlist.yamltree import Path
from companion.wishes import Ask

_Piece = TypeVar("_Piece", bound=Hashable)
# Stands in while a part's own pattern is not known; such a part is never handed out.
_NO_PATTERN = Pattern("?")
_KINDS = {"instruments": "instrument", "patterns": "pattern"}
_ACTIONS = ("mute", "unmute", "fill", "say", "do", "sweep")
PlacedBinding = tuple[Binding, Path]


def build(form: forms.SetForm, report: Report) -> tuple[SetList, list[Path]]:
    """The set list, and the path of each of its parts; good only if `report` has no fault."""
    _check_names(("instruments",), "instrument", report)
    _check_names(("patterns",), "pattern", report)
    names = _TrackNames(report)
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
    builder = _PartBuilder(instruments, patterns, report)
    songs: list[Song] = []
    parts: list[Part] = []
    paths: list[Path] = []
    for index, song in enumerate(form.songs):
        path: Path = ("songs", index)
        first = len(parts)
        if report.gone(path):
            parts.append(Part(first + 1, index, _NO_PATTERN))
            paths.append(path)
            songs.append(Song("?", None, range(first + 1, first + 2)))
            continue
        for part, at in builder.song(song, path, first + 1, index):
            parts.append(part)
            paths.append(at)
        if not song.parts and not report.gone((*path, "parts")):
            right = "write `parts:` and at least one `- pattern:` under it"
            report.missing((*path, "parts"), "this song has no part", right)
        numbers = range(first + 1, len(parts) + 1)
        songs.append(
            Song(song.song, song.tempo, numbers, song.notes or "", stops=song.then == "stop")
        )
    if not form.songs and not report.gone(("songs",)):
        report.missing(("songs",), "there is no song", "write at least one under `songs:`")
    notes = _build_notes(form.patterns, report)
    placed = build_controls(form.controls, report, None if report.hurt(("songs",)) else len(parts))
    controls = tuple(binding for binding, _ in placed)
    whole = SetList(
        form.set,
        tuple(songs),
        tuple(parts),
        instruments,
        clock,
        form.rare,
        notes,
        controls,
        form.curfew,
        form.first == "send",
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
    named: str, form: forms.InstrumentForm, names: _TrackNames, report: Report
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
    tells, mute_sends = _build_tells(named, form, names, report)
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
    lines: dict[int, int] = {}
    for key, step in form.steps.items():
        at = (*path, "steps", key)
        line = report.places.at(at)[0]
        try:
            numbers = step_numbers(key, length if known else None)
        except BadText as bad:
            report.key(at, bad.wrong, bad.right)
            continue
        if known and (beyond := [number for number in numbers if number > length]):
            whose = "this track" if own else "this pattern"
            right = f"write 1 to {length}, or a longer `length:`"
            report.key(at, f"{whose} has {length} steps and no step {beyond[0]}", right)
        if again := [number for number in numbers if number in steps]:
            wrong = f"step {again[0]} is here a second time, first on line {lines[again[0]]}"
            report.key(at, wrong, "keep one of the two")
        try:
            rule = sharing.rule(step.rule, names, report.patient)
        except BadText as bad:
            if isinstance(bad, UnknownTrack) and not report.whole:
                continue
            shorthand = not report.places.written((*at, "rule"))
            report.bad(at if shorthand else (*at, "rule"), bad)
            continue
        for number in numbers:
            steps[number] = sharing.step(number, rule, step.what, step.watch)
            lines.setdefault(number, line)
    step_ticks = form.step if form.step is not None else pattern.step_ticks
    return Track(named, length, step_ticks, sharing.steps([steps[n] for n in sorted(steps)]))


class Sharing:
    """What one read has built so far. Values are frozen, so whoever meets one may keep it."""

    def __init__(self) -> None:
        self._read: dict[tuple[str, tuple[str, ...]], Rule] = {}
        self._pieces: dict[Hashable, Hashable] = {}
        self._steps: dict[tuple[int, int, str, bool | None], Step] = {}
        self._runs: dict[tuple[int, ...], tuple[Step, ...]] = {}

    def rule(self, text: str, tracks: Sequence[str], suggest: bool = True) -> Rule:
        """The rule that `text` says, as `parse_rule` reads it. Raises BadText."""
        # Only `if` terms look at the names.
        key = (text, tuple(tracks) if "if" in text.casefold() else ())
        rule = self._read.get(key)
        if rule is None:
            rule = parse_rule(text, tracks, suggest)
            rule = self._read[key] = self._shared(
                replace(
                    rule,
                    cycles=self._shared(tuple(map(self._shared, rule.cycles))),
                    chances=self._shared(tuple(map(self._shared, rule.chances))),
                    conditions=self._shared(rule.conditions),
                )
            )
        return rule

    def _shared(self, piece: _Piece) -> _Piece:
        return cast(_Piece, self._pieces.setdefault(piece, piece))

    def step(self, number: int, rule: Rule, what: str = "", watch: bool | None = None) -> Step:
        """A step with a rule that came from here."""
        # Rules are kept above, so each has its identity to itself; to hash one takes longer.
        key = (number, id(rule), what, watch)
        step = self._steps.get(key)
        if step is None:
            step = self._steps[key] = Step(number, rule, what, watch)
        return step

    def steps(self, steps: Sequence[Step]) -> tuple[Step, ...]:
        """The steps of a track, all of which came from here."""
        return self._runs.setdefault(tuple(map(id, steps)), tuple(steps))


def resolve(written: str, path: Path, among: Path, report: Report) -> str | None:
    """The name declared under the mapping at `among` that `written` at `path` means.

    Capitals and spaces do not matter. None with a fault if there is none; None without a fault if
    what is declared there was itself left out as faulty.
    """
    found = report.find(written, among)
    if found is not None:
        return None if report.gone((*among, found)) else found
    declared = report.places.keys(among)
    if declared:
        right = report.suggest(written, declared)
    elif report.hurt(among):
        return None
    else:
        right = f"write it under `{among[-1]}:`, or leave it out here"
    if report.whole:
        wrong = f"no {_KINDS[str(among[-1])]} is called {quoted(written)}"
        report.value(path, wrong, right)
    return None


class _PartBuilder:
    """Builds parts, given what they refer to."""

    def __init__(
        self, instruments: Mapping[str, Instrument], patterns: Mapping[str, Pattern], report: Report
    ) -> None:
        self._instruments = instruments
        self._patterns = patterns
        self._report = report
        # The latest program of each instrument, in the order of the set.
        self._stage: dict[str, ProgramChange] = {}

    def song(
        self, form: forms.SongForm, path: Path, first: int, index: int
    ) -> Iterator[tuple[Part, Path]]:
        """The parts of a song as played, numbered from `first`, each with its path in the file.

        What a song tells further instruments is told at its start, and again after a part that
        told them something else.
        """
        report = self._report
        own = _Own(None, report.gone((*path, "on")))
        if form.on is not None:
            own = _Own(resolve(form.on, (*path, "on"), ("instruments",), report), True)
        song_also = self._also(form.also, path, set())
        built: dict[Path, Part] = {}
        number = first
        for part_form, place in _played(form.parts, report, path):
            at = (*path, *(piece for where in place for piece in ("parts", where)))
            if at not in built:
                built[at] = self._part(part_form, at, index, own)
            part = built[at]
            told = {change.instrument for change in part.changes}
            more = [
                change
                for change in song_also
                if change.instrument not in told
                and (number == first or self._stage.get(change.instrument) != change)
            ]
            changes = (*part.changes, *more)
            self._stage |= {change.instrument: change for change in changes}
            yield replace(part, number=number, changes=changes, place=place), at
            number += 1

    def _part(self, form: forms.PartForm, path: Path, song: int, song_own: _Own) -> Part:
        """One part, its number left open; a stand-in if what is at `path` was left out."""
        report = self._report
        if report.gone(path):
            return Part(0, song, _NO_PATTERN)
        named = None
        if not report.gone((*path, "pattern")):
            named = resolve(form.pattern, (*path, "pattern"), ("patterns",), report)
            if named is None:
                report.drop((*path, "pattern"))
        pattern = self._patterns.get(named or "", _NO_PATTERN)
        own = self._own(form, path, song_own)
        changes = self._changes(form, path, own)
        layers = tuple(self._layers(form, path, own))
        if form.phrases is not None and form.about is not None:
            wrong = "`phrases` says when this part ends, and `about` that you say it"
            report.key((*path, "about"), wrong, "keep one of the two")
        measured = named is not None and report.measured(named)
        end = None
        if form.phrases is not None and measured and not report.gone((*path, "phrases")):
            end = form.phrases * pattern.phrase_ticks
        cues = []
        for index, cue in enumerate(form.cues):
            at = (*path, "cues", index)
            if not report.gone(at):
                built = _build_cue(cue, at, pattern, layers, measured, end, report)
                cues += [built] if built is not None else []
        return Part(
            0,
            song,
            pattern,
            own,
            changes,
            form.phrases,
            tuple(cues),
            form.name or "",
            form.about,
            layers,
        )

    def _own(self, form: forms.PartForm, path: Path, song: _Own) -> str | None:
        """The instrument the part plays on: its own or its song's, or the only one there is."""
        report = self._report
        if form.on is not None:
            return resolve(form.on, (*path, "on"), ("instruments",), report)
        if song.written and not report.gone((*path, "on")):
            return song.name
        declared = report.places.keys(("instruments",))
        if report.gone((*path, "on")) or len(declared) != 1:
            if form.program is not None and not report.gone((*path, "on")):
                self._which(path, declared)
            return None
        return declared[0] if declared[0] in self._instruments else None

    def _which(self, path: Path, declared: list[str]) -> None:
        report = self._report
        if not report.whole:
            return
        if declared:
            wrong = "this program is for one of several instruments"
            right = "write `on:` and the name of the instrument"
        elif report.hurt(("instruments",)):
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
        elif form.bank is not None and report.whole and not report.gone((*path, "program")):
            report.key(
                (*path, "bank"), "a bank is sent with a program only", "write `program:` too"
            )
        taken = {own} if form.program is not None else set()
        changes += self._also(form.also, path, taken)
        for index, inner in enumerate(form.with_):
            at = (*path, "with", index)
            if report.gone(at) or report.gone((*at, "on")) or inner.program is None:
                continue
            other = report.find(inner.on, ("instruments",))
            if other is not None and other in taken:
                wrong = f"{quoted(other)} is told twice at the start of this part"
                report.key((*at, "program"), wrong, "keep one program for each instrument")
            taken.add(other)
            changes.append(self._change(other, inner.program, inner.bank, at))
        return tuple(change for change in changes if change is not None)

    def _also(
        self, entries: Sequence[forms.AlsoForm], path: Path, taken: set[str | None]
    ) -> list[ProgramChange]:
        """What further instruments are told; `taken` are those that are told already."""
        report = self._report
        found = []
        for index, inner in enumerate(entries):
            at = (*path, "also", index)
            if report.gone(at) or report.gone((*at, "on")):
                continue
            other = resolve(inner.on, (*at, "on"), ("instruments",), report)
            if other is not None and other in taken:
                wrong = f"{quoted(other)} is told twice at the start of this part"
                report.value((*at, "on"), wrong, "keep one program for each instrument")
            if other is not None:
                taken.add(other)
            if not report.gone((*at, "program")):
                found.append(self._change(other, inner.program, inner.bank, at))
        return [change for change in found if change is not None]

    def _layers(self, form: forms.PartForm, path: Path, own: str | None) -> Iterator[Layer]:
        """What plays beside the part."""
        report = self._report
        taken: dict[str, int] = {}
        for index, inner in enumerate(form.with_):
            at = (*path, "with", index)
            if report.gone(at):
                continue
            alone = inner.bank is not None and inner.program is None
            if alone and report.whole and not report.gone((*at, "program")):
                wrong = "a bank is sent with a program only"
                report.key((*at, "bank"), wrong, "write `program:` too")
            pattern = name = None
            if not report.gone((*at, "pattern")):
                pattern = resolve(inner.pattern, (*at, "pattern"), ("patterns",), report)
            if not report.gone((*at, "on")):
                name = resolve(inner.on, (*at, "on"), ("instruments",), report)
            if pattern is None or name is None:
                continue
            if name == own:
                wrong = f"{quoted(name)} plays the part itself"
                report.value((*at, "on"), wrong, "put what plays beside it on another instrument")
            elif name in taken:
                wrong = f"{quoted(name)} plays two patterns beside this part"
                report.value((*at, "on"), wrong, "keep one for each instrument")
            taken[name] = index
            yield Layer(self._patterns[pattern], name, inner.again)

    def _change(
        self, named: str | None, program: int, bank: int | None, path: Path
    ) -> ProgramChange | None:
        instrument = self._instruments.get(named or "")
        if instrument is None:
            if program > 128:
                right = "programs go from 0 to 127, or from 1 to 128 where the display says so"
                wrong = f"there is no program {program}"
                self._report.value((*path, "program"), wrong, right)
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


@dataclass(frozen=True, slots=True)
class _Own:
    """The instrument of all parts of a song; `written` is whether the song says anything of it."""

    name: str | None
    written: bool


_Entry = forms.PartForm | forms.RepeatForm | forms.InnerRepeatForm


def _played(
    entries: Sequence[_Entry], report: Report, path: Path, place: tuple[int, ...] = ()
) -> Iterator[tuple[forms.PartForm, tuple[int, ...]]]:
    """The parts in the order played, each with where it is written: see `Part.place`."""
    for at, entry in enumerate(entries):
        if isinstance(entry, forms.PartForm):
            yield entry, (*place, at)
            continue
        below = (*path, "parts", at)
        if not entry.parts and not report.hurt((*below, "parts")):
            right = "write `parts:` and at least one `- pattern:` under it"
            report.missing((*below, "parts"), "this `repeat` has no part", right)
        for _ in range(entry.repeat):
            yield from _played(entry.parts, report, below, (*place, at))


def _build_cue(
    form: forms.CueForm,
    path: Path,
    pattern: Pattern,
    layers: Sequence[Layer],
    measured: bool,
    end_tick: int | None,
    report: Report,
) -> Cue | None:
    """The cue at `path` in a part with `pattern` and `layers`, or None, its faults in `report`.

    `measured` is whether the pattern's lengths are what is meant; `end_tick` is the part's planned
    length in ticks, None if it has none or a doubtful one.
    """
    when = _when(form, path, report)
    if when is not None and when.inside is not None and measured:
        _check_inside(when, (*path, "at"), pattern, report)
    if when is not None and when.kind is WhenKind.LAST and end_tick is not None:
        lead = when.span.ticks(pattern) if when.span is not None else 0
        if lead > end_tick:
            wrong = f"{quoted(f'last {when.span}')} begins before this part does"
            right = f"the part lasts {_length(end_tick, pattern)}"
            report.value((*path, "at"), wrong, right)
    tracks = {
        key: _tracks(names, (*path, key), pattern, layers, report)
        for key, names in (("mute", form.mute), ("unmute", form.unmute))
        if names is not None
    }
    written = report.places.keys(path)
    done = [key for key in written if key in _ACTIONS]
    if len(done) > 1:
        right = "write one cue for each"
        report.key((*path, done[1]), f"this cue asks for {_both(done)}", right)
        return None
    if not done:
        if not report.hurt(path):
            report.missing(path, "this cue asks for nothing", f"add {listed(_ACTIONS)}")
        return None
    key = done[0]
    if report.gone((*path, key)):
        return None
    if when is None:
        return None
    said = (form.say or form.sweep or "") if key in ("say", "sweep") else ""
    action = Action.RESTORE if key == "do" else Action(key)
    return Cue(when, action, tracks.get(key, ()), form.fill, said, form.warn)


def _check_inside(when: When, path: Path, pattern: Pattern, report: Report) -> None:
    """A place inside a bar or a pass must be one that it has."""
    outer, inner = when.span, when.inside
    if outer is None or inner is None:
        return
    most = outer.unit.ticks(pattern) // inner.unit.ticks(pattern)
    if inner.count > most:
        of = f"a bar of {pattern.meter}" if outer.unit is Unit.BARS else "a pass"
        wrong = f"{of} of {quoted(pattern.name)} has no {inner.unit.value} {inner.count}"
        report.value(path, wrong, f"write {inner.unit.value} 1 to {most}")


def _when(form: forms.CueForm, path: Path, report: Report) -> When | None:
    has = {key: report.places.written((*path, key)) for key in ("at", "every", "from")}
    if has["at"] and has["every"]:
        report.key((*path, "every"), "this cue has both `at` and `every`", "keep one of the two")
        return None
    if has["from"] and not has["every"]:
        report.key(
            (*path, "from"), "`from` goes with `every` only", "leave it out, or add `every:`"
        )
    if form.at is not None:
        return form.at
    if form.every is not None:
        return When(WhenKind.EVERY, form.every, form.from_)
    if not report.hurt(path):
        report.missing(path, "this cue does not say when", "add `at:` or `every:`")
    return None


def _tracks(
    names: list[str], path: Path, pattern: Pattern, layers: Sequence[Layer], report: Report
) -> tuple[str, ...]:
    if not names:
        report.key(path, "no track is named here", "write the name of a track, or a list of them")
    # Up from the cue's own key to the part.
    if report.gone((*path[:-3], "pattern")):
        return ()
    known = report.places.keys(("patterns", pattern.name, "tracks"))
    if not known and report.hurt(("patterns", pattern.name)):
        return ()
    found: list[str] = []
    for index, written in enumerate(names):
        at = (*path, index)
        track = report.find(written, ("patterns", pattern.name, "tracks"))
        beside = [] if track is not None else _beside(written, layers, report)
        if len(beside) == 1:
            track = beside[0]
        if track is None:
            if not report.whole:
                continue
            if beside:
                wrong = f"{quoted(written)} plays more than once beside this part"
                report.value(at, wrong, f"write which: {' or '.join(map(quoted, beside))}")
                continue
            wrong = f"pattern {quoted(pattern.name)} has no track {quoted(written)}"
            if layers:
                wrong += ", and no layer of this part has it"
                known = [*known, *(b.called(t.name) for b in layers for t in b.pattern.tracks)]
            report.value(at, wrong, _instead(written, known, report))
        elif track in found:
            report.value(at, f"{quoted(track)} is named twice here", "name it once")
        else:
            found.append(track)
    return tuple(found)


def _beside(written: str, layers: Sequence[Layer], report: Report) -> list[str]:
    """What a name may mean of what plays beside: "hum", or "hum on pads"."""
    found = []
    for layer in layers:
        tracks, words = ("patterns", layer.pattern.name, "tracks"), written.split()
        on = ["on", *layer.instrument.split()]
        if folded(" ".join(words[-len(on) :])) == folded(" ".join(on)):
            words = words[: -len(on)]
        track = report.find(" ".join(words), tracks)
        if track is not None:
            found.append(layer.called(track))
    return found


def _instead(written: str, known: list[str], report: Report) -> str:
    if not known:
        return "write the track under the pattern's `tracks:` first"
    pieces = [piece.strip() for piece in written.split(",")]
    if len(pieces) > 1 and all(piece in known for piece in pieces):
        return f"write several tracks as a list: [{', '.join(pieces)}]"
    return report.suggest(written, known)


def _length(ticks: int, pattern: Pattern) -> str:
    return spoken(ticks, pattern)


def _both(keys: list[str]) -> str:
    return " and ".join(quoted(key) for key in keys)


def _build_notes(
    patterns: Mapping[str, forms.PatternForm], report: Report
) -> dict[tuple[str, str], NoteKey]:
    """The notes of all tracks that have one, by (pattern, track)."""
    found = {}
    for pattern, form in patterns.items():
        for track, inner in form.tracks.items():
            path: Path = ("patterns", pattern, "tracks", track, "note")
            note = inner.note
            if note is not None and not report.hurt(path):
                channel = None if note.channel is None else note.channel - 1
                found[pattern, track] = NoteKey(channel, note.number)
    return found


class _TrackNames:
    """The names of the tracks of all patterns."""

    def __init__(self, report: Report) -> None:
        self._report = report
        self._spelled: dict[str, dict[str, None]] = {}
        # Where a pattern was left out its tracks are not known, and no name can be called wrong.
        self._all = report.whole and not report.gone(("patterns",))
        for pattern in report.places.keys(("patterns",)):
            path: Path = ("patterns", pattern)
            self._all = self._all and not (report.gone(path) or report.gone((*path, "tracks")))
            for track in report.places.keys((*path, "tracks")):
                self._spelled.setdefault(folded(track), {})[track] = None

    def meant(self, written: str, path: Path) -> list[str]:
        """What `written`, the key at `path`, means, as each pattern spells it; a fault if none."""
        found = self._spelled.get(folded(written))
        if found is not None:
            return list(found)
        report = self._report
        if self._all:
            known = [next(iter(names)) for names in self._spelled.values()]
            right = report.suggest(written, known) if known else "write the track first"
            report.key(path, f"no pattern has a track {quoted(written)}", right)
        return []


def _build_tells(
    named: str, form: forms.InstrumentForm, names: _TrackNames, report: Report
) -> tuple[Tells, tuple[MuteControl, ...]]:
    """What an instrument tells, and how it is told to mute."""
    own, below = form.channel - 1, ("instruments", named, "tells")
    fill = None
    if form.tells.fill is not None:
        fill = _address(form.tells.fill, (*below, "fill"), own, report)
    mutes: list[MuteTold] = []
    for written, told in form.tells.mutes.items():
        path: Path = (*below, "mutes", written)
        address = _address(told, path, own, report)
        tracks = names.meant(written, path)
        if told.toggle and report.places.written((*path, "muted_at")):
            wrong = "a toggle says only that the state turns round, not which it is"
            report.key((*path, "muted_at"), wrong, "leave `muted_at` out")
        high = told.muted_at == "high"
        if address is not None:
            mutes += [MuteTold(track, address, high, told.toggle) for track in tracks]
    sends: list[MuteControl] = []
    taken: dict[tuple[int, int], str] = {}
    for written, send in form.send_mutes.items():
        path = ("instruments", named, "send_mutes", written)
        tracks = names.meant(written, path)
        if report.hurt(path):
            continue
        if send.muted == send.sounding:
            key = "sounding" if report.places.written((*path, "sounding")) else "muted"
            wrong = f"muted and sounding have the same value {send.muted}"
            report.value((*path, key), wrong, "give them two different values")
        channel = own if send.channel is None else send.channel - 1
        other = taken.setdefault((channel, send.controller), written)
        if other != written:
            wrong = f"controller {send.controller} mutes {quoted(other)} already"
            report.value((*path, "controller"), wrong, "take another controller or channel")
        sends += [
            MuteControl(track, channel, send.controller, send.muted, send.sounding)
            for track in tracks
        ]
    return Tells(fill, tuple(mutes)), tuple(sends)


def build_controls(
    bindings: Sequence[forms.BindingForm], report: Report, parts: int | None = None
) -> list[PlacedBinding]:
    """The bindings without faults, each with its path; `parts` is how many the set has."""
    found = []
    for index, form in enumerate(bindings):
        path: Path = ("controls", index)
        if report.gone(path) or report.gone((*path, "press")) or report.gone((*path, "wish")):
            continue
        press = _press(form.press, (*path, "press"), report)
        wish = form.wish
        if wish.part is not None and parts is not None and wish.part > parts:
            right = "write `part 1`" if parts == 1 else f"write `part 1` to `part {parts}`"
            report.value((*path, "wish"), f"there is no part {wish.part}", right)
        elif press is not None and _possible(form, path, report):
            found.append((Binding(press, wish), path))
    return found


def _possible(form: forms.BindingForm, path: Path, report: Report) -> bool:
    """Whether the press can do what is asked of it."""
    press, held = form.press, form.wish.ask is Ask.FILL
    if held and press.program is not None:
        wrong, right = "a program change cannot be held, as a fill must be", "use a note"
    elif held and press.long:
        wrong = "a fill is held from the first moment, so its press cannot be a long one"
        right = "leave `long` out"
    else:
        return True
    report.value((*path, "wish"), wrong, right)
    return False


def _press(form: forms.PressForm, path: Path, report: Report) -> Press | None:
    written = _messages(form)
    if not _one(written, ("note", "controller", "program"), path, report):
        return None
    kind, number = written[0]
    if form.long and form.toggle:
        wrong = "a toggle has no long press, for it does not tell when it is let go"
        report.key((*path, "long"), wrong, "keep one of the two")
        return None
    if form.long and kind is Kind.PROGRAM:
        report.key((*path, "long"), "a program change has no long press", "leave `long` out")
        return None
    if form.toggle and kind is not Kind.CONTROLLER:
        wrong = f"only a controller can be a toggle, not a {kind.value}"
        report.key((*path, "toggle"), wrong, "leave `toggle` out")
        return None
    if kind is Kind.PROGRAM:
        low = form.programs_from
        if not low <= number <= low + 127:
            right = f"programs go from {low} to {low + 127} here"
            report.value((*path, "program"), f"there is no program {number}", right)
            return None
        number -= low
    elif report.places.written((*path, "programs_from")):
        right = "leave it out, or write `program:`"
        report.key((*path, "programs_from"), "`programs_from` goes with `program` only", right)
        return None
    channel = None if form.channel is None else form.channel - 1
    return Press(Address(kind, number, channel), form.port, form.long, form.toggle)


def _address(form: forms.MessageForm, path: Path, own: int, report: Report) -> Address | None:
    if report.hurt(path):
        return None
    written = _messages(form)
    if not _one(written, ("note", "controller"), path, report):
        return None
    return Address(*written[0], own if form.channel is None else form.channel - 1)


def _messages(form: forms.MessageForm | forms.PressForm) -> list[tuple[Kind, int]]:
    numbers: list[tuple[Kind, int | None]] = [
        (kind, getattr(form, kind.value, None)) for kind in Kind
    ]
    return [(kind, number) for kind, number in numbers if number is not None]


def _one(
    written: list[tuple[Kind, int]], keys: tuple[str, ...], path: Path, report: Report
) -> bool:
    """Whether exactly one message is written; if not, that is a fault, unless it was cut out."""
    if len(written) > 1:
        kinds = " and ".join(quoted(kind.value) for kind, _ in written)
        last = [key for key in report.places.keys(path) if key in keys][-1]
        report.key((*path, last), f"{kinds} are two messages", "keep one of them")
    elif not written and not report.hurt(path):
        report.missing(path, "no message is named here", f"add {listed(keys)}")
    return len(written) == 1 and not report.hurt(path)
