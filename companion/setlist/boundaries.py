"""Checks across parts: is each change in time, and does each part end where a pass does?"""

from __future__ import annotations

from collections.abc import Iterator
from math import gcd

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


def check_boundaries(setlist: SetList, report: Report) -> None:
    """Put into `report` every change that would come a pass early or late."""
    paths = list(part_paths(setlist))
    for before, after in zip(setlist.parts, setlist.parts[1:], strict=False):
        here, there = paths[before.number - 1], paths[after.number - 1]
        if report.gone((*here, "pattern")) or report.hurt(("patterns", before.pattern.name)):
            continue
        if before.pattern.name == "?" and report.gone(here):
            continue
        late = [
            setlist.instruments[change.instrument]
            for change in after.changes
            if not setlist.instruments[change.instrument].at_once
            and not report.hurt(("instruments", change.instrument))
        ]
        for instrument in late:
            _check_lead(instrument, before, there, setlist, report)
        if late and not report.gone((*here, "phrases")):
            _check_end(late[0], before, here, report)


def _check_lead(
    instrument: Instrument, before: Part, there: Path, setlist: SetList, report: Report
) -> None:
    pattern, lead = before.pattern, instrument.lead
    ticks = lead_ticks(lead, pattern, setlist.songs[before.song].tempo)
    written: Path = ("instruments", instrument.name, "change", "send_before")
    path = written if report.places.written(written) else (*there, "program")
    if lead.count and ticks < 1:
        wrong = f"{lead} before the boundary is less than one clock tick ahead"
        report.value(path, wrong, "write at least `1 step`")
    elif ticks > pattern.pass_ticks:
        wrong = (
            f"{quoted(instrument.name)} is to be told {lead} ahead, but one pass of "
            f"{quoted(pattern.name)} is shorter: the change would be taken a pass too early"
        )
        report.value(path, wrong, f"write at most `{_most(pattern)}`")


def _most(pattern: Pattern) -> Span:
    """The longest lead in steps that is safely inside one pass."""
    return Span(max(1, pattern.length - 1), Unit.STEPS)


def _check_end(instrument: Instrument, before: Part, here: Path, report: Report) -> None:
    pattern, planned = before.pattern, before.planned_ticks
    if planned is None or planned % pattern.pass_ticks == 0:
        return
    passes = pattern.phrase_ticks // pattern.pass_ticks
    wanted = f"`{Span(passes, Unit.PASSES)}` or " if passes else ""
    wanted += f"`{Span(passes + 1, Unit.PASSES)}`"
    rounds = pattern.pass_ticks // gcd(pattern.phrase_ticks, pattern.pass_ticks)
    wrong = (
        f"this part ends after {planned} clock ticks, inside a pass of {quoted(pattern.name)} "
        f"({pattern.pass_ticks} ticks), and {quoted(instrument.name)} changes at the end of one"
    )
    right = f"write a multiple of {rounds}, or give the pattern a `phrase:` of {wanted}"
    report.value((*here, "phrases"), wrong, right)
