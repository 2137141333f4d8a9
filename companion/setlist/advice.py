"""What is allowed in a set list but probably not meant. Faults, which stop a set, are elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from companion.counting.compiled import compile_pattern
from companion.setlist.boundaries import part_paths, whole_phrases
from companion.setlist.cues import cue_ticks, hold_ticks
from companion.setlist.faults import quoted
from companion.setlist.model import Cue, Part, SetList, Span, Unit
from companion.setlist.notices import Advice, placed
from companion.setlist.patternadvice import copies, copy_advice, note_advice, phrase_advice
from companion.setlist.places import Path, Places
from companion.setlist.stays import stays
from companion.setlist.stepadvice import step_advice


def advise(setlist: SetList, places: Places | None = None) -> list[Advice]:
    """All advice about a set list without faults, by position.

    `places` are those of its file. Without them positions are 1:1, and patterns that no part plays
    go unnoticed, for a set list has only patterns that are played.
    """
    found = [*_instruments(setlist), *_patterns(setlist, places), *_parts(setlist)]
    if places is None:
        return found
    return sorted(placed(found, places), key=lambda advice: (advice.line, advice.column))


def _instruments(setlist: SetList) -> Iterator[Advice]:
    used = {setlist.clock_from} | {part.instrument for part in setlist.parts}
    used |= {change.instrument for part in setlist.parts for change in part.changes}
    for name, instrument in setlist.instruments.items():
        path: Path = ("instruments", name)
        if name not in used:
            yield Advice(path, f"{quoted(name)} plays in no part", "leave it out, or add `on:`")
        lead = instrument.lead
        musical = lead.unit not in (Unit.TICKS, Unit.MILLISECONDS)
        if instrument.at_once and musical and lead.count:
            yield Advice(
                (*path, "change", "send_before"),
                f"{quoted(name)} changes at once, and so {lead} too early",
                "leave `send_before` out, or give it in ms",
            )


def _patterns(setlist: SetList, places: Places | None) -> Iterator[Advice]:
    played = {part.pattern.name: part.pattern for part in setlist.parts}
    copied = copies(played.values())
    # What is advised of a pattern need not be said again of its copies.
    again = {name for names in copied.values() for name in names}
    by_name = stays(setlist)
    for name, pattern in played.items():
        if name in copied:
            yield copy_advice(name, copied[name])
        yield from note_advice(setlist, pattern)
        if name not in again:
            compiled = compile_pattern(pattern)
            yield from step_advice(compiled, by_name[name], places)
            yield from phrase_advice(compiled, by_name[name])
    for name in places.keys(("patterns",)) if places is not None else ():
        if name not in played:
            yield Advice(("patterns", name), f"no part plays {quoted(name)}", "add one, or drop it")


def _parts(setlist: SetList) -> Iterator[Advice]:
    paths = list(part_paths(setlist))
    for part, path in zip(setlist.parts, paths, strict=True):
        for index, cue in enumerate(part.cues):
            yield from _cue(cue, part, (*path, "cues", index))
    for before, after in pairwise(setlist.parts):
        waiting = [c for c in after.changes if not setlist.instruments[c.instrument].at_once]
        uneven = before.pattern.phrase_ticks % before.pattern.pass_ticks
        if before.phrases is None and waiting and uneven:
            yield Advice(
                paths[before.number - 1],
                f"a phrase of {quoted(before.pattern.name)} may end inside a pass, but "
                f"{quoted(waiting[0].instrument)} changes only at the end of one",
                f"give the pattern a phrase of {whole_phrases(before.pattern)}",
            )


def _cue(cue: Cue, part: Part, path: Path) -> Iterator[Advice]:
    end = part.planned_ticks
    if end is None:
        return
    # One tick more than the part has, for `end` itself.
    due = next(cue_ticks(cue.when, part.pattern, end, 0, end + 1), None)
    if due is None or (due == end and cue.when.kind.value != "end"):
        yield Advice(
            path, f"this cue never comes: {_planned(part)}", "place it earlier, or drop it"
        )
        return
    hold = hold_ticks(cue, part.pattern)
    if due + hold > end:
        held = cue.hold or Span(0, Unit.BARS)
        yield Advice(path, f"a fill of {held} from here goes on past the part's end", "shorten it")


def _planned(part: Part) -> str:
    return f"the part ends after {Span(part.phrases or 0, Unit.PHRASES)}"
