"""Which steps an `if` can look at, how far back that goes, and how its memory repeats.

Chances are worked out elsewhere; here a step plays always, never or by chance.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import gcd, lcm

from companion.counting.compiled import CompiledPattern, CompiledStep
from companion.counting.passes import NEVER, PassSet

# Steps played through to find the period of a memory before that is given up.
_MAX_PLAYED = 20_000


@dataclass(frozen=True, slots=True)
class Lineage:
    """A step and all that its `if` terms may look at, in turn: masks by index of step and track.

    `endless` where the looking back need not come to an end; `cycle` is the number of ticks after
    which all their cycles come again.
    """

    steps: int
    tracks: int
    endless: bool
    cycle: int


def allowed(step: CompiledStep, fill: bool) -> PassSet:
    """The passes on which cycles and fill allow the step once the first pass is over."""
    rule = step.rule
    if step.never or rule.first is True or (rule.fill is not None and rule.fill != fill):
        return NEVER
    return step.passes


def members(mask: int) -> Iterator[int]:
    """The indexes in a mask, ascending."""
    while mask:
        yield (mask & -mask).bit_length() - 1
        mask &= mask - 1


def looked_at(compiled: CompiledPattern, step: CompiledStep) -> list[int]:
    """The indexes of the steps at which the `if` terms of `step` may look, on whatever pass."""
    found: set[int] = set()
    for index, _ in step.reads:
        track = compiled.tracks[index]
        if not track.offsets:
            continue
        shared = gcd(track.pass_ticks, step.pass_ticks)
        before = step.offset - (index >= step.track)
        if shared == track.pass_ticks:
            found.add(track.ruled[bisect_right(track.offsets, before % shared) - 1].index)
            continue
        for off in range(before % shared, track.pass_ticks, shared):
            found.add(track.ruled[bisect_right(track.offsets, off) - 1].index)
    return sorted(found)


def lineage(compiled: CompiledPattern, step: CompiledStep, fill: bool) -> Lineage:
    """All that bears on the step by way of `if` terms, itself included."""
    return lineages(compiled, fill)[step.index]


@lru_cache(maxsize=64)
def lineages(compiled: CompiledPattern, fill: bool) -> tuple[Lineage, ...]:
    """The lineage of every step, by index.

    Steps that look at each other in a circle share theirs; circles are found as strongly connected
    components (R. Tarjan, Depth-first search and linear graph algorithms, 1972; from memory).
    """
    if fill and not compiled.fills:
        return lineages(compiled, False)
    steps = compiled.steps
    parents = [
        [] if not step.reads or allowed(step, fill).empty else looked_at(compiled, step)
        for step in steps
    ]
    known: list[Lineage | None] = [None] * len(steps)
    number = [-1] * len(steps)
    lowest = [0] * len(steps)
    path: list[int] = []
    count = 0
    for root in range(len(steps)):
        stack = [] if number[root] >= 0 else [(root, iter(parents[root]))]
        while stack:
            at, waiting = stack[-1]
            if number[at] < 0:
                number[at] = lowest[at] = count
                count += 1
                path.append(at)
            parent = next(waiting, None)
            if parent is not None:
                if number[parent] < 0:
                    stack.append((parent, iter(parents[parent])))
                elif known[parent] is None:
                    lowest[at] = min(lowest[at], number[parent])
                continue
            stack.pop()
            if stack:
                below = stack[-1][0]
                lowest[below] = min(lowest[below], lowest[at])
            if lowest[at] == number[at]:
                circle = path[path.index(at) :]
                del path[-len(circle) :]
                shared = _shared(compiled, circle, parents, known, fill)
                for index in circle:
                    known[index] = shared
    return tuple(each for each in known if each is not None)


def _shared(
    compiled: CompiledPattern,
    circle: list[int],
    parents: list[list[int]],
    known: list[Lineage | None],
    fill: bool,
) -> Lineage:
    mask = tracks = 0
    cycle = 1
    endless = len(circle) > 1
    for index in circle:
        step = compiled.steps[index]
        mask |= 1 << index
        tracks |= 1 << step.track
        for read, _ in step.reads:
            tracks |= 1 << read
        cycle = lcm(cycle, step.pass_ticks * allowed(step, fill).period)
        for parent in parents[index]:
            above = known[parent]
            if above is None:
                endless = endless or parent == index
                continue
            mask |= above.steps
            tracks |= above.tracks
            cycle = lcm(cycle, above.cycle)
            endless = endless or above.endless
    return Lineage(mask, tracks, endless, cycle)


@lru_cache(maxsize=4096)
def memory_cycle(compiled: CompiledPattern, mask: int, cycle: int, fill: bool) -> int | None:
    """Ticks after which what the steps of a lineage do, but for chance, comes again for ever.

    Plays them from the start of a part, each outcome being yes, no or by chance, until the state
    at the end of a `cycle` has been there before. None if that takes too long.
    """
    steps = [compiled.steps[index] for index in members(mask)]
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
