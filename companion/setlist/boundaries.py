"""Checks across parts: is each change in time, and does each part end where a pass does?"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from companion.counting.pattern import Pattern
from companion.counting.ticks import TICKS_PER_QUARTER
from companion.setlist.faults import quoted
from companion.setlist.model import Instrument, Part, SetList, Span, Unit
from companion.setlist.places import Path
from companion.setlist.report import Report

# A song without a tempo is judged as if at this one; common practice, no source.
USUAL_TEMPO = 120.0


def part_paths(setlist: SetList) -> Iterator[Path]:
    """The path in the file of each part, in order."""
    for index, song in enumerate(setlist.songs):
        for at in range(len(song.parts)):
            yield ("songs", index, "parts", at)


def lead_ticks(lead: Span, pattern: Pattern, tempo: float | None) -> float:
    """How many ticks `lead` lasts while `pattern` runs at `tempo` (beats a minute)."""
    if lead.unit is Unit.MILLISECONDS:
        return lead.count / 1000 * (tempo or USUAL_TEMPO) / 60 * TICKS_PER_QUARTER
    return lead.ticks(pattern)


def check_boundaries(setlist: SetList, paths: list[Path], report: Report) -> None:
    """Put into `report` every change that would come a pass early or late.

    `paths` are those of the parts. What has a fault already is not judged.
    """
    if not report.whole:
        return
    for before, after in pairwise(setlist.parts):
        here, there = paths[before.number - 1], paths[after.number - 1]
        if not _sound(before, here, report):
            continue
        waiting = [
            setlist.instruments[change.instrument]
            for change in after.changes
            if not setlist.instruments[change.instrument].at_once
            and not report.hurt(("instruments", change.instrument, "change"))
        ]
        for instrument in waiting:
            own = instrument.name == after.instrument
            path = (*there, "program") if own else (*there, "also")
            tempo = setlist.songs[before.song].tempo
            _check_lead(instrument, before.pattern, tempo, path, report)
        if waiting and not report.gone((*here, "phrases")):
            _check_end(waiting[0], before, report)


def _sound(part: Part, path: Path, report: Report) -> bool:
    """Whether the part's pattern, and so its passes and phrases, are what the writer means."""
    if report.gone(path) or report.gone((*path, "pattern")):
        return False
    return report.measured(part.pattern.name)


def _check_lead(
    instrument: Instrument, pattern: Pattern, tempo: float | None, path: Path, report: Report
) -> None:
    lead, named = instrument.lead, quoted(instrument.name)
    ticks = lead_ticks(lead, pattern, tempo)
    written: Path = ("instruments", instrument.name, "change", "send_before")
    if report.places.written(written):
        path = written
    if 0 < ticks < 1:
        wrong = f"{lead} before the boundary is less than one clock tick ahead"
        report.value(path, wrong, "write at least `1 step`")
    elif ticks > pattern.pass_ticks:
        wrong = (
            f"{named} is to be told {lead} ahead, but a pass of {quoted(pattern.name)} is shorter: "
            "the change would be taken a pass too early"
        )
        report.value(path, wrong, f"give {named} a `send_before:` of at most `{_most(pattern)}`")


def _most(pattern: Pattern) -> Span:
    """The longest lead in steps that is safely inside one pass."""
    return Span(max(1, pattern.length - 1), Unit.STEPS)


def _check_end(instrument: Instrument, part: Part, report: Report) -> None:
    pattern, planned = part.pattern, part.planned_ticks
    if planned is None or planned % pattern.pass_ticks == 0:
        return
    phrases = f"{part.phrases} phrase{'' if part.phrases == 1 else 's'}"
    wrong = (
        f"part {part.number} ends after {phrases} of {pattern.phrase_ticks} clock ticks, which is "
        f"inside a pass of {pattern.pass_ticks}, but {quoted(instrument.name)} changes only at "
        "the end of one"
    )
    path: Path = ("patterns", pattern.name)
    if report.places.written((*path, "phrase")):
        path = (*path, "phrase")
    report.value(path, wrong, f"give {quoted(pattern.name)} a phrase of {whole_phrases(pattern)}")


def whole_phrases(pattern: Pattern) -> str:
    """The phrase lengths nearest to the pattern's that are whole passes, in words."""
    passes = pattern.phrase_ticks // pattern.pass_ticks
    spans = [Span(n, Unit.PASSES) for n in (passes, passes + 1) if n]
    return " or ".join(f"`{span}`" for span in spans)
