"""Advice about steps: rules that never hold, and steps that no part is long enough for.

Only what is certain is told: whatever is played, fills included, such a step stays silent.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from companion.counting.compiled import CompiledPattern, CompiledStep
from companion.counting.passes import PassSet
from companion.counting.pattern import Pattern
from companion.counting.rules import Cycle, Rule
from companion.setlist.answers import unanswered
from companion.setlist.faults import quoted
from companion.setlist.model import Span, Unit
from companion.setlist.notices import Advice, grouped, on_pass
from companion.setlist.places import Path, Places
from companion.setlist.stays import Stay
from companion.setlist.text import folded

# Different stays of one pattern that are looked into; with more of them some part is long enough.
MOST_STAYS = 64
# Of several steps with one failing so many are named; the rest are counted.
MOST_NAMED = 3
# Nobody plays one pattern for longer; common practice, no source.
MOST_PHRASES = 32

_EXCLUDE = "its terms exclude one another"
_OPPOSITES = (("fill", "no fill"), ("first pass", "after first pass"))


@dataclass(frozen=True, slots=True)
class Missed:
    """A step that would first play on pass `at` of its track; `stay` comes nearest to it."""

    step: CompiledStep
    at: int
    stay: Stay


def step_advice(
    compiled: CompiledPattern, stays: list[Stay], places: Places | None
) -> Iterator[Advice]:
    """Advice about the steps of a pattern that parts play for `stays`."""
    never, missed = silent_steps(compiled, stays, places)
    for index, why in sorted(never.items()):
        path = step_path(compiled, compiled.steps[index])
        yield Advice(path, f"this step never plays: {why}", "change its rule, or drop it")
    yield from _always_silent(compiled, never)
    told = [each for each in missed if each.step.step.watch is not False]
    if told:
        yield _told_missed(compiled, told, len(stays))


def silent_steps(
    compiled: CompiledPattern, stays: list[Stay], places: Places | None = None
) -> tuple[dict[int, str], list[Missed]]:
    """The steps that stay silent in all of `stays`: by index why, and those that come too late."""
    never = _contradictory(compiled, places)
    never |= unanswered(compiled, never.keys())
    missed: list[Missed] = []
    different = list({(stay.start, stay.end): stay for stay in reversed(stays)}.values())[::-1]
    if len(different) > MOST_STAYS:
        return never, missed
    for step in compiled.steps:
        if step.index in never or not step.rule.conditional:
            continue
        found = _missed(step, different)
        if found is not None:
            missed.append(found)
        elif _asks_in_vain(step, different):
            never[step.index] = "it asks for the first pass, on which its other terms do not hold"
    return never, missed


def step_path(compiled: CompiledPattern, step: CompiledStep) -> Path:
    """Where a step is in the file."""
    track = compiled.tracks[step.track].name
    return ("patterns", compiled.pattern.name, "tracks", track, "steps", step.step.number)


def contradiction(rule: Rule, text: str = "") -> str | None:
    """Why `rule` holds on no pass at all, in words; None if nothing in it says so.

    `text` is the rule as written, for its words.
    """
    if 0 in rule.chances:
        return "its chance is 0"
    for one, other in combinations(rule.conditions, 2):
        if one.track == other.track and one.played != other.played:
            return f"{quoted(str(one))} and {quoted(str(other))} cannot both hold"
    if rule.impossible:
        said = {folded(term) for term in text.split(",")}
        for one_word, other_word in _OPPOSITES:
            if {one_word, other_word} <= said:
                return f"{quoted(one_word)} and {quoted(other_word)} cannot both hold"
        return _EXCLUDE
    return _no_pass(rule.cycles)


def _no_pass(cycles: tuple[Cycle, ...]) -> str | None:
    if not PassSet.of(cycles).empty:
        return None
    for cycle in cycles:
        if PassSet.of([cycle]).empty:
            return f"{quoted(str(cycle))} leaves no pass"
    for one, other in combinations(cycles, 2):
        if PassSet.of([one, other]).empty:
            return f"{quoted(str(one))} and {quoted(str(other))} never fall on the same pass"
    return "its terms leave no pass on which all of them hold"


def _contradictory(compiled: CompiledPattern, places: Places | None) -> dict[int, str]:
    """Steps whose own terms exclude one another, with the reason."""
    found = {}
    for step in compiled.steps:
        if step.never:
            path = step_path(compiled, step)
            text = ""
            if places is not None:
                text = places.text((*path, "rule")) or places.text(path) or ""
            found[step.index] = contradiction(step.rule, text) or _EXCLUDE
    return found


def _always_silent(compiled: CompiledPattern, never: dict[int, str]) -> Iterator[Advice]:
    """Terms that always hold because the track they look at has nothing to look at."""
    for step in compiled.steps:
        for track, played in step.reads:
            if step.index in never or played or compiled.tracks[track].offsets:
                continue
            yield Advice(
                step_path(compiled, step),
                f"{quoted(compiled.tracks[track].name)} has no step with a rule of its own, so it "
                "always counts as silent",
                "look at another track, or leave the term out",
            )


def _first(step: CompiledStep, start: int) -> int | None:
    """The first pass on which the step might play in a part that begins at count tick `start`."""
    length = step.pass_ticks
    fresh = start // length + 1
    begins = -((step.offset - start) // length) + 1
    if step.rule.first:
        return fresh if fresh >= begins and fresh in step.passes else None
    if step.rule.first is False:
        begins = max(begins, fresh + 1)
    return step.passes.at_or_after(begins)


def _asks_in_vain(step: CompiledStep, stays: list[Stay]) -> bool:
    return all(stay.start is not None and _first(step, stay.start) is None for stay in stays)


def _missed(step: CompiledStep, stays: list[Stay]) -> Missed | None:
    """The step if no stay reaches it; None if one does or may, or if the step never plays."""
    best: Missed | None = None
    nearest = 0
    for stay in stays:
        if stay.start is None:
            return None
        at = _first(step, stay.start)
        if at is None:
            continue
        if stay.end is None or step.tick(at) < stay.end:
            return None
        beyond = step.tick(at) - stay.end
        if best is None or beyond < nearest:
            best, nearest = Missed(step, at, stay), beyond
    return best


def _told_missed(compiled: CompiledPattern, missed: list[Missed], parts: int) -> Advice:
    """One piece of advice for all steps of a pattern that its parts are too short for."""
    step, at, stay = missed[0].step, missed[0].at, missed[0].stay
    pattern = compiled.pattern
    own = "" if step.pass_ticks == pattern.pass_ticks else " of its track"
    whole, over = divmod(stay.end or 0, step.pass_ticks)
    ends = f"ends in pass {grouped(whole + 1)}" if over else f"ends after pass {grouped(whole)}"
    part = f"part {stay.part.number} {ends}"
    if parts > 1:
        part = f"no part with {quoted(pattern.name)} is so long ({part})"
    earliest = " at the earliest" if step.reads else ""
    others = [
        f"step {each.step.step.number} of {quoted(compiled.tracks[each.step.track].name)}"
        for each in missed[1:]
    ]
    if len(others) > MOST_NAMED + 1:
        others[MOST_NAMED:] = [f"{len(others) - MOST_NAMED} more"]
    nor = f", nor {'does' if len(missed) == 2 else 'do'} {_listed(others)}" if others else ""
    rules = "change the rules" if others else "change the rule"
    phrases = max(_phrases(pattern, each) for each in missed)
    if phrases <= MOST_PHRASES:
        rules = f"let a part last {Span(phrases, Unit.PHRASES)}, or {rules}"
    return Advice(
        step_path(compiled, step),
        f"this step does not come up{nor}: it first plays {on_pass(at)}{own}{earliest}, and {part}",
        rules,
    )


def _phrases(pattern: Pattern, missed: Missed) -> int:
    """How many phrases the part of that stay needs to reach the step."""
    return (missed.step.tick(missed.at) - (missed.stay.start or 0)) // pattern.phrase_ticks + 1


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
