"""How likely steps are: at a pass, in a stretch of ticks, pass by pass, and in the long run.

Chances at given passes are floats, good to about 1e-15; long-run rates are exact fractions except
where `if` terms look back without end.

Ticks count from the start of the part. `carried_passes` are the passes of the pattern that the
instrument had already counted by then; pass numbers of tracks go by the whole count. `fill` says
whether a fill is held all the time. Steps are given as (track, number of the step).
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from itertools import combinations

from companion.counting.compiled import CompiledPattern, CompiledStep, compile_pattern
from companion.counting.lineage import lineage, members
from companion.counting.memory import Memory
from companion.counting.outlook import memory_of, outlooks, rate
from companion.counting.pattern import Pattern


def long_run_rate(
    pattern: Pattern, track: str, number: int, *, fill: bool = False
) -> Fraction | float:
    """The share of its passes on which a step plays in the long run; see `rate`.

    Raises KeyError if the pattern has no such step.
    """
    compiled = compile_pattern(pattern)
    return rate(compiled, compiled.step(track, number), fill)


def chance_at(
    pattern: Pattern,
    track: str,
    number: int,
    pass_number: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> float:
    """The chance that a step plays on that pass of its track, all earlier draws unknown.

    Raises KeyError if the pattern has no such step, OutOfReach as `memory` does.
    """
    compiled = compile_pattern(pattern)
    memory = memory_of(compiled, carried_passes * pattern.pass_ticks, fill)
    return memory.chance(compiled.step(track, number), pass_number)


def chance_of_any(
    pattern: Pattern,
    steps: Iterable[tuple[str, int]],
    from_tick: int,
    until_tick: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> float:
    """The chance that at least one of the steps plays at ticks in [from_tick, until_tick).

    Exact also where `if` terms tie the steps to each other or to themselves. Raises KeyError for a
    step the pattern does not have.
    """
    compiled = compile_pattern(pattern)
    start = carried_passes * pattern.pass_ticks
    memory = memory_of(compiled, start, fill)
    low, high = start + max(0, from_tick), start + until_tick
    chosen = {step.index: step for step in (compiled.step(*each) for each in steps)}
    silent = 1.0
    for group in apart(compiled, chosen.values(), fill):
        silent *= none_plays(compiled, memory, group, low, high)
    return 1.0 - silent


def none_plays(
    compiled: CompiledPattern, memory: Memory, group: Iterable[CompiledStep], low: int, high: int
) -> float:
    """The chance that none of the steps plays at count ticks in [low, high)."""
    group = list(group)
    looks = outlooks(compiled, memory.fill)
    if not any(step.reads for step in group):
        silent = 1.0
        for step in group:
            for _, chance in looks[step.index].between(memory, low, high):
                silent *= 1.0 - chance
        return silent
    return memory.weigh(
        (step, at, False)
        for step in group
        for at, _ in looks[step.index].between(memory, low, high)
    )


def all_play(
    compiled: CompiledPattern, memory: Memory, steps: Iterable[CompiledStep], low: int, high: int
) -> float:
    """The chance that each of the steps plays at least once at count ticks in [low, high)."""
    looks = outlooks(compiled, memory.fill)
    chance = 1.0
    for group in apart(compiled, steps, memory.fill):
        coming = [(step, looks[step.index].between(memory, low, high)) for step in group]
        if not all(times for _, times in coming):
            return 0.0
        if not any(step.reads for step in group):
            for _, times in coming:
                silent = 1.0
                for _, each in times:
                    silent *= 1.0 - each
                chance *= 1.0 - silent
            continue
        once = [(step, times[0][0], True) for step, times in coming if len(times) == 1]
        more = [[(step, at, False) for at, _ in times] for step, times in coming if len(times) > 1]
        # Those that come more than once: all less those where one, two ... of them stay silent.
        total = 0.0
        for size in range(len(more) + 1):
            for chosen in combinations(more, size):
                wishes = once + [wish for wishes in chosen for wish in wishes]
                total += (-1) ** size * memory.weigh(wishes)
        chance *= total
    return chance


def apart(
    compiled: CompiledPattern, steps: Iterable[CompiledStep], fill: bool
) -> list[list[CompiledStep]]:
    """The steps in groups whose draws have nothing to do with each other."""
    groups: list[tuple[set[int], list[CompiledStep]]] = []
    for step in steps:
        # Draws of their own stand alone unless another group looks at that track.
        tracks = set(members(lineage(compiled, step, fill).tracks))
        group = [step]
        kept = []
        for other, found in groups:
            if tracks & other:
                tracks |= other
                group = found + group
            else:
                kept.append((other, found))
        groups = [*kept, (tracks, group)]
    return [group for _, group in groups]


def expected_hits(
    pattern: Pattern,
    first_pass: int,
    last_pass: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> list[float]:
    """How many steps play on average in each pass of the pattern from `first_pass` to `last_pass`.

    Passes are the pattern's own, counted from 1 at the start of the part.
    """
    compiled = compile_pattern(pattern)
    ticks = pattern.pass_ticks
    start = carried_passes * ticks
    memory = memory_of(compiled, start, fill)
    low, high = start + (first_pass - 1) * ticks, start + last_pass * ticks
    hits = [0.0] * (last_pass - first_pass + 1)
    for look in outlooks(compiled, fill):
        for at, chance in look.between(memory, low, high):
            hits[(look.step.tick(at) - low) // ticks] += chance
    return hits
