"""Advice about whole patterns: copies, repeats that do not fit the phrase, notes given twice."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from math import gcd, lcm

from companion.counting.compiled import CompiledPattern, CompiledStep
from companion.counting.cycles import repeat_passes
from companion.counting.pattern import Pattern
from companion.setlist.controls import NoteKey
from companion.setlist.faults import quoted
from companion.setlist.model import SetList, Span, Unit
from companion.setlist.notices import Advice, amount
from companion.setlist.ruletext import LONGEST_CYCLE
from companion.setlist.stays import Stay
from companion.setlist.stepadvice import step_path


def copies(patterns: Iterable[Pattern]) -> dict[str, list[str]]:
    """The names of patterns that are alike in all but name, those after the first by the first.

    A pattern without steps says nothing of how it sounds and is like no other.
    """
    first: dict[Pattern, str] = {}
    found: dict[str, list[str]] = {}
    for pattern in patterns:
        if any(track.steps for track in pattern.tracks):
            original = first.setdefault(replace(pattern, name=""), pattern.name)
            if original != pattern.name:
                found.setdefault(original, []).append(pattern.name)
    return found


def copy_advice(original: str, copied: list[str]) -> Advice:
    """Advice about patterns that are like another in all but name."""
    more = len(copied) - 1
    others = f", and so {'is' if more == 1 else 'are'} {more} more" if more else ""
    return Advice(
        ("patterns", copied[0]),
        f"{quoted(copied[0])} is {quoted(original)} once more under another name{others}",
        "write what differs, or play the one pattern in both parts",
    )


def note_advice(setlist: SetList, pattern: Pattern) -> Iterator[Advice]:
    """Advice about tracks whose notes cannot be told apart."""
    taken: dict[NoteKey, str] = {}
    for track in pattern.tracks:
        note = setlist.notes.get((pattern.name, track.name))
        if note is not None and taken.setdefault(note, track.name) != track.name:
            yield Advice(
                ("patterns", pattern.name, "tracks", track.name, "note"),
                f"note {note.number} is that of {quoted(taken[note])} too, so what is heard of the "
                "two cannot be told apart",
                "let the instrument send another note, or leave this one out",
            )


def phrase_advice(compiled: CompiledPattern, stays: list[Stay]) -> Iterator[Advice]:
    """Advice about a pattern whose rules count in a number that does not go with its phrase.

    A rule on every second phrase is no slip, nor is a track whose own length drifts against the
    phrase; a count that fits neither way is likely to be one, where a part has several phrases.
    """
    pattern = compiled.pattern
    ticks = max((stay.part.planned_ticks or _ENDLESS for stay in stays), default=0)
    if ticks <= pattern.phrase_ticks:
        return
    odd = [step for step in compiled.steps if _odd(step, pattern, ticks)]
    if not odd:
        return
    step, repeat = odd[0], repeat_passes(pattern)
    phrases = lcm(repeat * pattern.pass_ticks, pattern.phrase_ticks) // pattern.phrase_ticks
    differ = "differ"
    if phrases < _FAR:
        differ += f" and come round after {amount(phrases, 'phrase', 'phrases')}"
    rule = quoted(", ".join(map(str, step.rule.cycles)))
    fits = "does not fit"
    if len(odd) > 1:
        fits = f"and {amount(len(odd) - 1, 'more rule', 'more rules')} do not fit"
    yield Advice(
        step_path(compiled, step),
        f"{quoted(pattern.name)} repeats after {amount(repeat, 'pass', 'passes')} and its phrase "
        f"is {phrase_in_words(pattern)}, so phrases {differ}: {rule} {fits}",
        f"count in {_fitting(step, pattern)} passes if they should be alike",
    )


# So many phrases are never played through.
_FAR = 10_000
# Longer than any part.
_ENDLESS = 1 << 62


def _odd(step: CompiledStep, pattern: Pattern, ticks: int) -> bool:
    """Whether what the step counts neither divides the phrase nor is divided by it.

    Only for tracks that fit the phrase, and counts that come round in `ticks`.
    """
    if step.never or pattern.phrase_ticks % step.pass_ticks:
        return False
    length, counts = pattern.phrase_ticks // step.pass_ticks, step.passes.period
    shared = gcd(length, counts)
    return shared not in (length, counts) and counts * step.pass_ticks <= ticks


def _fitting(step: CompiledStep, pattern: Pattern) -> str:
    """The counts nearest to the step's that do fit the phrase, in words."""
    length, counts = pattern.phrase_ticks // step.pass_ticks, step.passes.period
    fitting = [n for n in range(1, min(length, LONGEST_CYCLE) + 1) if length % n == 0]
    below = [n for n in fitting if 1 < n < counts][-1:]
    above = [n for n in fitting if n > counts][:1]
    return " or ".join(map(str, below + above or fitting[-1:]))


def phrase_in_words(pattern: Pattern) -> str:
    """How long the pattern's phrase is, in passes if they are whole."""
    for unit in (Unit.PASSES, Unit.BARS, Unit.STEPS):
        whole, over = divmod(pattern.phrase_ticks, unit.ticks(pattern))
        if not over:
            return str(Span(whole, unit))
    return f"{pattern.phrase_ticks} clock ticks"
