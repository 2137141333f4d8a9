"""Which steps an `if` can look at, how far back that goes, and how its memory repeats.

Chances are worked out elsewhere; here a step plays always, never or by chance.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from math import gcd, lcm

from companion.counting.compiled import CompiledPattern, CompiledStep
from companion.counting.passes import NEVER, PassSet

# Steps played through to find the period of a memory before that is given up.
_MAX_PLAYED = 20_000


@dataclass(frozen=True)
class Lineage:
    """The step and all that its `if` terms may look at, in turn; in the order of the file.

    `endless` where the looking back need not come to an end; `cycle` is the number of ticks after
    which all their cycles come again.
    """

    steps: tuple[CompiledStep, ...]
    endless: bool
    cycle: int


def allowed(step: CompiledStep, fill: bool) -> PassSet:
    """The passes on which cycles and fill allow the step once the first pass is over."""
    rule = step.rule
    if step.never or rule.first is True or (rule.fill is not None and rule.fill != fill):
        return NEVER
    return step.passes


@lru_cache(maxsize=65536)
def looked_at(compiled: CompiledPattern, step: CompiledStep) -> tuple[CompiledStep, ...]:
    """The steps at which the `if` terms of `step` may look, on whatever pass."""
    found: dict[int, CompiledStep] = {}
    for index, _ in step.reads:
        track = compiled.tracks[index]
        if not track.offsets:
            continue
        shared = gcd(track.pass_ticks, step.pass_ticks)
        before = step.offset - (index >= step.track)
        for off in range(before % shared, track.pass_ticks, shared):
            each = track.ruled[bisect_right(track.offsets, off) - 1]
            found[each.index] = each
    return tuple(found[index] for index in sorted(found))


@lru_cache(maxsize=65536)
def lineage(compiled: CompiledPattern, step: CompiledStep, fill: bool) -> Lineage:
    """All that bears on the step by way of `if` terms, itself included."""
    # Depth first; a step met again on the path that led to it closes a circle.
    found: dict[int, CompiledStep] = {step.index: step}
    path = {step.index}
    stack = [(step, iter(_parents(compiled, step, fill)))]
    endless = False
    while stack:
        on, parents = stack[-1]
        parent = next(parents, None)
        if parent is None:
            path.discard(on.index)
            stack.pop()
        elif parent.index in path:
            endless = True
        elif parent.index not in found:
            found[parent.index] = parent
            path.add(parent.index)
            stack.append((parent, iter(_parents(compiled, parent, fill))))
    steps = tuple(found[index] for index in sorted(found))
    cycle = lcm(*(each.pass_ticks * allowed(each, fill).period for each in steps))
    return Lineage(steps, endless, cycle)


def _parents(compiled: CompiledPattern, step: CompiledStep, fill: bool) -> tuple[CompiledStep, ...]:
    return () if allowed(step, fill).empty else looked_at(compiled, step)


def bearing_tracks(compiled: CompiledPattern, step: CompiledStep, fill: bool) -> set[int]:
    """The tracks whose steps bear on the step, its own included."""
    if not step.reads:
        return {step.track}
    steps = lineage(compiled, step, fill).steps
    return {each.track for each in steps} | {read for read, _ in step.reads}


@lru_cache(maxsize=4096)
def memory_cycle(
    compiled: CompiledPattern, steps: tuple[CompiledStep, ...], cycle: int, fill: bool
) -> int | None:
    """Ticks after which what the steps of a lineage do, but for chance, comes again for ever.

    Plays them from the start of a part, each outcome being yes, no or by chance, until the state
    at the end of a `cycle` has been there before. None if that takes too long.
    """
    rounds = sum(cycle // step.pass_ticks for step in steps)
    if rounds > _MAX_PLAYED // 2:
        return None
    order = sorted(
        (step.tick(at), step.track, step.index, at)
        for step in steps
        for at in range(1, cycle // step.pass_ticks + 1)
    )
    state: list[bool | None] = [False] * len(compiled.tracks)
    seen: dict[tuple[bool | None, ...], int] = {}
    for played in range(_MAX_PLAYED // rounds):
        for _, _, index, at in order:
            step = compiled.steps[index]
            state[step.track] = _outcome(step, at, not played and at == 1, state, fill)
        here = tuple(state)
        if here in seen:
            return (played - seen[here]) * cycle
        # What the first pass left behind is no state of the long run.
        if played:
            seen[here] = played
    return None


def _outcome(
    step: CompiledStep, at: int, first: bool, state: list[bool | None], fill: bool
) -> bool | None:
    rule = step.rule
    if (
        step.never
        or (rule.first is not None and rule.first != first)
        or (rule.fill is not None and rule.fill != fill)
        or at not in step.passes
    ):
        return False
    sure = step.chance == 1
    for track, wanted in step.reads:
        had = state[track]
        if had is None:
            sure = False
        elif had != wanted:
            return False
    return True if sure else None
