"""What is allowed in a set list but probably not meant. Faults, which stop a set, are elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from math import gcd
from pathlib import Path as FilePath

from companion.counting.pattern import Pattern, Track
from companion.counting.rules import Cycle, Rule
from companion.setlist.boundaries import part_paths, whole_phrases
from companion.setlist.cues import cue_ticks, hold_ticks
from companion.setlist.faults import Fault, printable, quoted
from companion.setlist.model import Cue, Part, SetList, Span, Unit
from companion.setlist.places import Path, Places


@dataclass(frozen=True, slots=True)
class Advice:
    """One piece of advice: what is noticed, what would be better, and where in the file.

    `path` leads there, as in ("songs", 0, "parts", 1); `line` and `column` count from 1.
    """

    path: Path
    notice: str
    better: str
    line: int = 1
    column: int = 1

    @property
    def text(self) -> str:
        """The advice in one sentence, fit for a screen."""
        return printable(f"{self.notice}; {self.better}")

    def render(self, file: str | FilePath) -> str:
        """The advice as one line, `FILE:LINE:COLUMN: what it is; what would be better`."""
        return Fault(self.line, self.column, self.notice, self.better).render(file)


def advise(setlist: SetList, places: Places | None = None) -> list[Advice]:
    """All advice about a set list without faults, by position.

    `places` are those of its file. Without them positions are 1:1, and patterns that no part plays
    go unnoticed, for a set list has only patterns that are played.
    """
    found = [*_instruments(setlist), *_patterns(setlist, places), *_parts(setlist)]
    if places is None:
        return found
    placed = []
    for advice in found:
        line, column = places.at(advice.path)
        placed.append(replace(advice, line=line, column=column))
    return sorted(placed, key=lambda advice: (advice.line, advice.column))


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
    for pattern in played.values():
        for track in pattern.tracks:
            yield from _track(pattern, track)
    for name in places.keys(("patterns",)) if places is not None else ():
        if name not in played:
            yield Advice(("patterns", name), f"no part plays {quoted(name)}", "add one, or drop it")


def _track(pattern: Pattern, track: Track) -> Iterator[Advice]:
    conditional = {t.name for t in pattern.tracks if any(s.rule.conditional for s in t.steps)}
    for step in track.steps:
        path: Path = ("patterns", pattern.name, "tracks", track.name, "steps", step.number)
        if never(step.rule):
            yield Advice(path, "this step never plays", "change its rule, or drop it")
        for condition in step.rule.conditions:
            if condition.track is not None and condition.track not in conditional:
                yield Advice(
                    path,
                    f"{quoted(condition.track)} has no step with a rule of its own, so it always "
                    "counts as silent",
                    "look at another track, or leave the term out",
                )


def never(rule: Rule) -> bool:
    """Whether `rule` is seen to hold on no pass, its terms taken two by two."""
    if rule.impossible or 0 in rule.chances or Cycle(1, 1, negated=True) in rule.cycles:
        return True
    if rule.first and not all(cycle.holds(1) for cycle in rule.cycles):
        return True
    return any(_apart(a, b) for a, b in combinations(rule.cycles, 2))


def _apart(a: Cycle, b: Cycle) -> bool:
    """Whether two cycles never hold on one pass: K1 = K2 modulo gcd(N1, N2) decides (CRT)."""
    if a.negated and b.negated:
        return a.n == b.n == 2 and a.k != b.k
    if a.negated or b.negated:
        held, barred = (b, a) if a.negated else (a, b)
        return held.n % barred.n == 0 and (held.k - barred.k) % barred.n == 0
    return (a.k - b.k) % gcd(a.n, b.n) != 0


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
