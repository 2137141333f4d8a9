"""Builds the parts of the set from their forms: what they refer to, and what is sent for them."""

from __future__ import annotations

from collections.abc import Mapping

from companion.counting.pattern import Pattern
from companion.setlist import format as forms
from companion.setlist.cuebuilding import build_cue
from companion.setlist.faults import quoted
from companion.setlist.model import Instrument, Part, ProgramChange
from companion.setlist.places import Path
from companion.setlist.report import Report

# Stands in while a part's own pattern is not known; such a part is never handed out.
NO_PATTERN = Pattern("?")

_KINDS = {"instruments": "instrument", "patterns": "pattern"}


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


class PartBuilder:
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
            return Part(number, song, NO_PATTERN)
        named = None
        if not report.gone((*path, "pattern")):
            named = resolve(form.pattern, (*path, "pattern"), ("patterns",), report)
            if named is None:
                report.drop((*path, "pattern"))
        pattern = self._patterns.get(named or "", NO_PATTERN)
        own = self._own(form, path)
        changes = self._changes(form, path, own)
        end = None if form.phrases is None else form.phrases * pattern.phrase_ticks
        sound = named is not None and report.measured(named)
        sound = sound and not report.gone((*path, "phrases"))
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
        for index, inner in enumerate(form.also):
            at = (*path, "also", index)
            if report.gone(at) or report.gone((*at, "on")):
                continue
            other = resolve(inner.on, (*at, "on"), ("instruments",), report)
            if other is not None and other in taken:
                wrong = f"{quoted(other)} is told twice at the start of this part"
                report.value((*at, "on"), wrong, "keep one program for each instrument")
            taken |= {other} - {None}
            if not report.gone((*at, "program")):
                changes.append(self._change(other, inner.program, inner.bank, at))
        return tuple(change for change in changes if change is not None)

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
