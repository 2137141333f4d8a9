"""When several steps next sound on one and the same pass of the pattern: congruences, solved.

Ticks count from the start of the part; `carried_passes` and `fill` are as in `odds`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import product
from math import lcm, prod

from companion.counting.compiled import CompiledPattern, CompiledStep, compile_pattern
from companion.counting.cycles import MAX_TRIED, Sounding, one_round, sounding
from companion.counting.lineage import allowed, lineage, members
from companion.counting.memory import Memory, OutOfReach
from companion.counting.odds import all_play, apart
from companion.counting.outlook import memory_of, outlooks
from companion.counting.passes import ALL_PASSES, PassSet
from companion.counting.pattern import Pattern
from companion.counting.standing import followed, standing

# Passes tried in the hope that steps which meet often meet soon, before congruences are solved.
_SOON = 32
# Ways for tracks of different lengths to lie beside each other before that is given up.
_MAX_WAYS = 1024


@dataclass(frozen=True, slots=True)
class Meeting:
    """A pass of the pattern on which all of some steps may sound, and the chance that all do.

    `pass_number` is as counted by the instrument, `tick` the pass's first tick, from the start of
    the part; `soundings` are in the order of time.
    """

    pass_number: int
    tick: int
    chance: float
    soundings: tuple[Sounding, ...]


def next_together(
    pattern: Pattern,
    steps: Iterable[tuple[str, int]],
    from_tick: int = 0,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> Meeting | None:
    """The next pass of the pattern on which all the steps can sound, each at least once.

    A step of a track with its own length sounds in the pass of the pattern that its tick falls
    into, which may be none of them or several to a pass. What sounds before `from_tick` does not
    count. None if they never meet: because their cycles do not (K1 of N1 and K2 of N2 meet only if
    K1 = K2 modulo gcd(N1, N2)), or because `if` terms keep them apart. Raises as `next_step` does.
    """
    compiled = compile_pattern(pattern)
    chosen = list({step.index: step for step in (compiled.step(*each) for each in steps)}.values())
    start = carried_passes * pattern.pass_ticks
    memory = memory_of(compiled, start, fill)
    low = start + max(0, from_tick)
    first = -(-low // pattern.pass_ticks)
    if low % pattern.pass_ticks:
        found = _meeting(compiled, chosen, memory, low, first * pattern.pass_ticks)
        if found is not None:
            return found
    return _next_meeting(compiled, chosen, memory, first)


def _meeting(
    compiled: CompiledPattern, steps: list[CompiledStep], memory: Memory, low: int, high: int
) -> Meeting | None:
    chance = all_play(compiled, memory, steps, low, high)
    if chance <= 0.0:
        return None
    looks = outlooks(compiled, memory.fill)
    soundings = sorted(
        (step.tick(at), step.index, sounding(compiled, step, at, memory))
        for step in steps
        for at, _ in looks[step.index].between(memory, low, high)
    )
    ticks = compiled.pattern.pass_ticks
    at = low // ticks
    return Meeting(at + 1, at * ticks - memory.start, chance, tuple(each[2] for each in soundings))


def _next_meeting(
    compiled: CompiledPattern, steps: list[CompiledStep], memory: Memory, first: int
) -> Meeting | None:
    """The first meeting in a pass from number `first`, here counted from 0."""
    ticks = compiled.pattern.pass_ticks
    known = [standing(compiled, step, memory.fill) for step in steps]
    settled = max((each.settled for each in known if each is not None), default=0)
    settled = max(settled, max((step.pass_ticks for step in steps), default=0))
    regular = -(-(memory.start + settled) // ticks)
    for at in range(first, regular):
        found = _meeting(compiled, steps, memory, at * ticks, (at + 1) * ticks)
        if found is not None:
            return found
    first = max(first, regular)
    ways, sure = _ways(compiled, steps, memory.fill)
    limit = None if sure else one_round(compiled, steps, memory.fill)
    begun = first
    for _ in range(MAX_TRIED):
        common = first_common(ways, first)
        if common is None:
            return None
        found = _meeting(compiled, steps, memory, common * ticks, (common + 1) * ticks)
        if found is not None:
            return found
        first = common + 1
        if limit is not None and (first - begun) * ticks > limit + ticks:
            return None
    raise OutOfReach("no pass was found on which these steps can sound together")


def _ways(
    compiled: CompiledPattern, steps: list[CompiledStep], fill: bool
) -> tuple[list[list[PassSet]], bool]:
    """For each group of steps the sets of passes (from 0) on which the whole group can sound.

    The second value is False if some of those passes may turn out to be impossible.
    """
    ways: list[list[PassSet]] = []
    sure = True
    for group in apart(compiled, steps, fill):
        if any(step.reads for step in group):
            joint = _group_ways(compiled, group, fill)
            if joint is not None:
                ways.append(joint)
                continue
            sure = False
        for step in group:
            alone = _group_ways(compiled, [step], fill, by_cycles=True)
            if alone is None:
                raise OutOfReach("too many ways for the lengths of these tracks to lie together")
            ways.append(alone)
    return ways, sure


def _group_ways(
    compiled: CompiledPattern, group: list[CompiledStep], fill: bool, *, by_cycles: bool = False
) -> list[PassSet] | None:
    """Those passes for one group; with `by_cycles` for one step, whose `if` terms are left out."""
    ticks = compiled.pattern.pass_ticks
    bearing = {step.track for step in group}
    if not by_cycles:
        bearing = {each for step in group for each in members(lineage(compiled, step, fill).tracks)}
    period = lcm(ticks, *(compiled.tracks[each].pass_ticks for each in bearing))
    rounds = period // ticks
    if rounds > _MAX_WAYS:
        return None
    found: dict[PassSet, None] = {}
    whole = 0
    for way in range(rounds):
        # Which passes of their own the steps begin in that pass of the pattern.
        times = [
            range(
                -((step.offset - way * ticks) // step.pass_ticks) + 1,
                -((step.offset - (way + 1) * ticks) // step.pass_ticks) + 1,
            )
            for step in group
        ]
        if prod(map(len, times)) > _MAX_WAYS:
            return None
        everywhere = False
        for passes in product(*times):
            targets = list(zip(group, passes, strict=True))
            if by_cycles:
                turns = [
                    allowed(step, fill).pulled(at, period // step.pass_ticks)
                    for step, at in targets
                ]
            else:
                result = followed(compiled, targets, fill, period)
                if result is None:
                    return None
                turns = list(result[0])
            for each in turns:
                if not each.empty:
                    everywhere = everywhere or each == ALL_PASSES
                    found[each.stretched(rounds, way)] = None
        whole += everywhere
    return [ALL_PASSES] if whole == rounds else list(found)


def first_common(ways: list[list[PassSet]], first: int, looks: int = _SOON) -> int | None:
    """The first number from `first` on that lies, for each list, in one of its sets.

    Leaps ahead `looks` times to where the list that comes last allows it at the earliest, which
    finds a meeting that is near; then solves the congruences of every choice of sets.
    """
    at = first
    for _ in range(looks):
        furthest = at
        for sets in ways:
            times = [each.at_or_after(furthest) for each in sets]
            reached = [each for each in times if each is not None]
            if not reached:
                return None
            furthest = min(reached)
        if furthest == at:
            return at
        at = furthest
    best: int | None = None
    order = sorted(ways, key=len)
    waiting = [(ALL_PASSES, 0)]
    while waiting:
        both, depth = waiting.pop()
        meets = both.at_or_after(first)
        if meets is None or (best is not None and meets >= best):
            continue
        if depth == len(order):
            best = meets
            continue
        waiting.extend((both.meet(each), depth + 1) for each in order[depth])
    return best
