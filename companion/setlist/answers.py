"""Steps that wait for another to have played which never does. Chances do not matter here."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection
from math import gcd

from companion.counting.compiled import CompiledPattern, CompiledStep
from companion.counting.rules import If
from companion.setlist.faults import quoted

# Ways for `if` terms to look at steps, above which they are not followed.
MOST_LOOKS = 500_000


def unanswered(compiled: CompiledPattern, never: Collection[int]) -> dict[int, str]:
    """The steps whose `if ... played` is never met, by index, and why, in words.

    `never` are those that never play for other reasons. Nothing is told of a pattern where it
    would take long.
    """
    asking = [
        step
        for step in compiled.steps
        if step.index not in never and any(played for _, played in step.reads)
    ]
    ways = sum(_ways(compiled, step, track) for step in asking for track, _ in step.reads)
    if ways > MOST_LOOKS:
        return {}
    waiting = {
        step.index: [_seen(compiled, step, track) for track, played in step.reads if played]
        for step in asking
    }
    # Whoever is not found to be able to play by way of others that are, never plays.
    able = {step.index for step in compiled.steps} - set(never) - waiting.keys()
    grown = True
    while grown:
        grown = False
        for index, seen in list(waiting.items()):
            if all(not group.isdisjoint(able) for group in seen):
                able.add(index)
                del waiting[index]
                grown = True
    return {index: _why(compiled, compiled.steps[index], able) for index in waiting}


def _ways(compiled: CompiledPattern, step: CompiledStep, track: int) -> int:
    """In how many ways the step may lie beside a pass of the track."""
    length = compiled.tracks[track].pass_ticks
    return length // gcd(length, step.pass_ticks)


def _seen(compiled: CompiledPattern, step: CompiledStep, track: int) -> set[int]:
    """The steps of the track, by index, that may be the latest with a rule before the step.

    At one tick earlier tracks of the file are decided first.
    """
    other = compiled.tracks[track]
    if not other.ruled:
        return set()
    before = step.offset - (track >= step.track)
    shared = gcd(other.pass_ticks, step.pass_ticks)
    return {
        other.ruled[bisect_right(other.offsets, off) - 1].index
        for off in range(before % shared, other.pass_ticks, shared)
    }


def _why(compiled: CompiledPattern, step: CompiledStep, able: set[int]) -> str:
    """Which of the step's terms is never met."""
    unmet = (
        (track, seen)
        for track, played in step.reads
        if played and (seen := _seen(compiled, step, track)).isdisjoint(able)
    )
    track, seen = next(unmet)
    term, named = quoted(_term(compiled, step, track)), quoted(compiled.tracks[track].name)
    if not seen:
        return f"{named} has no step with a rule of its own, so it always counts as silent"
    if seen == {step.index}:
        return f"{term} finds no other step before it that has a rule"
    if len(seen) == 1:
        number = compiled.steps[seen.pop()].step.number
        return f"{term} looks at step {number} of {named}, which never plays"
    return f"{term} looks at steps of {named} that never play"


def _term(compiled: CompiledPattern, step: CompiledStep, track: int) -> str:
    """The `if ... played` term of the step that looks at the track, as the file may have it."""
    for condition in step.rule.conditions:
        other = step.track if condition.track is None else compiled.by_name.get(condition.track)
        if condition.played and other == track:
            return str(condition)
    return str(If(compiled.tracks[track].name, True))
