"""What a performer asks of a pattern, answered in plain values: the forecast command's questions.

When it repeats, when a step next sounds or several next sound together, how likely something is in
a phrase, and which of its passes are full. Wording is for whoever shows the answer; the chances
behind it are worked out in `chances`.

Ticks count from the start of the part; `carried_passes` and `fill` are as in `chances`. Where a
step is named that the pattern does not have KeyError is raised, and OutOfReach where `if` terms
reach back too far. Nothing here walks through the full cycle, which may have any number of digits,
except where said.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import product
from math import gcd, lcm, prod

from companion.counting.chances import (
    DrawMemory,
    OutOfReach,
    all_play,
    apart,
    chance_of_any,
    expected_hits,
    followed,
    long_run,
    memory_of,
    outlooks,
)
from companion.counting.compiled import (
    CompiledPattern,
    CompiledStep,
    allowed,
    compile_pattern,
    lineage,
    members,
    memory_cycle,
)
from companion.counting.passes import ALL_PASSES, PassSet
from companion.counting.pattern import Pattern

# Passes tried one by one where no closed form is at hand, before the question is given up.
_MAX_TRIED = 4096
# Passes tried in the hope that steps which meet often meet soon, before congruences are solved.
_SOON = 32
# Ways for tracks of different lengths to lie beside each other before that is given up.
_MAX_WAYS = 1024


@dataclass(frozen=True, slots=True)
class Repeat:
    """After how many passes of the pattern, and so ticks, all but chance repeats.

    `phrases` is the number of whole phrases that takes, None if it ends inside one.
    """

    passes: int
    ticks: int
    phrases: int | None


@dataclass(frozen=True, slots=True)
class StepSounding:
    """A step that may sound: `tick` from the start of the part, `pass_number` its track's own."""

    track: str
    step: int
    what: str
    tick: int
    pass_number: int
    chance: float


@dataclass(frozen=True, slots=True)
class Meeting:
    """A pass of the pattern on which all of some steps may sound, and the chance that all do.

    `pass_number` is as counted by the instrument, `tick` the pass's first tick, from the start of
    the part; `soundings` are in the order of time.
    """

    pass_number: int
    tick: int
    chance: float
    soundings: tuple[StepSounding, ...]


@dataclass(frozen=True, slots=True)
class Within:
    """The chance that at least one of some steps sounds at ticks in [from_tick, until_tick)."""

    from_tick: int
    until_tick: int
    chance: float


@dataclass(frozen=True, slots=True)
class PassHits:
    """How many steps play on average in a pass of the pattern, which begins at `tick`.

    `pass_number` is as counted by the instrument.
    """

    pass_number: int
    tick: int
    hits: float


@dataclass(frozen=True, slots=True)
class PhraseShape:
    """The fullest and the emptiest pass of a phrase (the earliest of equals), and all of them."""

    phrase: int
    fullest: PassHits
    emptiest: PassHits
    passes: tuple[PassHits, ...]


def repeats_after(pattern: Pattern) -> Repeat:
    """When everything but chance repeats exactly."""
    passes = repeat_passes(pattern)
    ticks = passes * pattern.pass_ticks
    phrases, rest = divmod(ticks, pattern.phrase_ticks)
    return Repeat(passes, ticks, None if rest else phrases)


def repeat_passes(pattern: Pattern) -> int:
    """Passes of the pattern after which everything but chance repeats exactly; of any size.

    The least common multiple of the pattern's pass and of each track's pass times the cycles of
    its rules. Cycles count for what they come to: `pass 1 of 1`, and terms that can never hold
    together, add nothing. `first pass` does not count, for it does not come back. Where `if` terms
    look back without end, what they remember may take several rounds to come back (a lone
    `if last silent` plays on every other pass); that is counted by playing their steps through,
    and left out if that would take more than 20,000 steps.
    """
    compiled = compile_pattern(pattern)
    ticks = pattern.pass_ticks
    for track in compiled.tracks:
        cycles = (step.passes.period for step in track.steps if not step.never)
        ticks = lcm(ticks, track.pass_ticks * lcm(*cycles))
    remembered = set()
    for step in compiled.steps:
        for fill in (False, True) if step.reads else ():
            line = lineage(compiled, step, fill)
            if line.endless:
                remembered.add((line.steps, line.cycle, fill))
    for steps, cycle, fill in remembered:
        ticks = lcm(ticks, memory_cycle(compiled, steps, cycle, fill) or 1)
    return ticks // pattern.pass_ticks


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
    K1 = K2 modulo gcd(N1, N2)), or because `if` terms keep them apart.

    In closed form, but for steps whose `if` terms look back without end: those are tried pass by
    pass for one round of their memory. Raises KeyError for a step the pattern does not have, and
    OutOfReach if no answer was found within 4096 passes and a round is longer.
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


def next_at_once(
    pattern: Pattern,
    steps: Iterable[tuple[str, int]],
    from_tick: int = 0,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> Meeting | None:
    """The next tick at which all the steps can sound at once; otherwise as `next_together`.

    It is that question for passes as short as what all steps have in common: two that begin in one
    of those begin on its first tick.
    """
    grain = gcd(pattern.step_ticks, *(track.step_ticks for track in pattern.tracks))
    carried = carried_passes * (pattern.pass_ticks // grain)
    short = replace(pattern, length=1, step_ticks=grain)
    return next_together(short, steps, from_tick, carried_passes=carried, fill=fill)


def chance_within(
    pattern: Pattern,
    steps: Iterable[tuple[str, int]],
    from_tick: int,
    until_tick: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> Within:
    """The chance that at least one of the steps sounds in [from_tick, until_tick)."""
    chance = chance_of_any(
        pattern, steps, from_tick, until_tick, carried_passes=carried_passes, fill=fill
    )
    return Within(from_tick, until_tick, chance)


def chance_within_phrase(
    pattern: Pattern,
    steps: Iterable[tuple[str, int]],
    phrase: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> Within:
    """The chance that at least one of the steps sounds in that phrase of the part (from 1)."""
    begin = (phrase - 1) * pattern.phrase_ticks
    return chance_within(
        pattern,
        steps,
        begin,
        begin + pattern.phrase_ticks,
        carried_passes=carried_passes,
        fill=fill,
    )


def phrase_shape(
    pattern: Pattern, phrase: int, *, carried_passes: int = 0, fill: bool = False
) -> PhraseShape:
    """The fullest and the emptiest of the passes that begin in that phrase of the part (from 1).

    A phrase shorter than a pass may have none begin in it; then the pass it lies in is taken.
    """
    ticks, length = pattern.pass_ticks, pattern.phrase_ticks
    first = -(-(phrase - 1) * length // ticks)
    last = -(-phrase * length // ticks) - 1
    if last < first:
        first = last = (phrase - 1) * length // ticks
    hits = expected_hits(pattern, first + 1, last + 1, carried_passes=carried_passes, fill=fill)
    passes = tuple(
        PassHits(carried_passes + at + 1, at * ticks, count)
        for at, count in enumerate(hits, start=first)
    )
    return PhraseShape(
        phrase,
        max(passes, key=lambda each: each.hits),
        min(passes, key=lambda each: each.hits),
        passes,
    )


def _one_round(compiled: CompiledPattern, steps: list[CompiledStep], fill: bool) -> int | None:
    """Ticks by which all that the steps can do has shown itself, first passes included."""
    lines = [lineage(compiled, step, fill) for step in steps]
    cycle = lcm(*(line.cycle for line in lines))
    if any(line.endless for line in lines):
        mask = 0
        for line in lines:
            mask |= line.steps
        ticks = memory_cycle(compiled, mask, cycle, fill)
        return None if ticks is None else 4 * ticks
    return 2 * cycle


def _sounding(
    compiled: CompiledPattern, step: CompiledStep, at: int, memory: DrawMemory
) -> StepSounding:
    """The step on that pass of its track."""
    track = compiled.tracks[step.track].name
    tick = step.tick(at) - memory.start
    return StepSounding(track, step.step.number, step.step.what, tick, at, memory.chance(step, at))


def _meeting(
    compiled: CompiledPattern, steps: list[CompiledStep], memory: DrawMemory, low: int, high: int
) -> Meeting | None:
    chance = all_play(compiled, memory, steps, low, high)
    if chance <= 0.0:
        return None
    looks = outlooks(compiled, memory.fill)
    soundings = sorted(
        (step.tick(at), step.index, _sounding(compiled, step, at, memory))
        for step in steps
        for at, _ in looks[step.index].between(memory, low, high)
    )
    ticks = compiled.pattern.pass_ticks
    at = low // ticks
    return Meeting(at + 1, at * ticks - memory.start, chance, tuple(each[2] for each in soundings))


def _next_meeting(
    compiled: CompiledPattern, steps: list[CompiledStep], memory: DrawMemory, first: int
) -> Meeting | None:
    """The first meeting in a pass from number `first`, here counted from 0."""
    ticks = compiled.pattern.pass_ticks
    known = [long_run(compiled, step, memory.fill) for step in steps]
    ways, sure, settled = _ways(compiled, steps, memory.fill)
    settled = max(settled, max((each.settled for each in known if each is not None), default=0))
    settled = max(settled, max((step.pass_ticks for step in steps), default=0))
    regular = -(-(memory.start + settled) // ticks)
    for at in range(first, regular):
        found = _meeting(compiled, steps, memory, at * ticks, (at + 1) * ticks)
        if found is not None:
            return found
    first = max(first, regular)
    limit = None if sure else _one_round(compiled, steps, memory.fill)
    begun = first
    for _ in range(_MAX_TRIED):
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
) -> tuple[list[list[PassSet]], bool, int]:
    """For each group of steps the sets of passes (from 0) on which the whole group can sound.

    The second value is False if some of those passes may turn out to be impossible. The sets hold
    from so many ticks after the start of the part on as the third value says: before that, steps
    may sound whose chances die away.
    """
    ways: list[list[PassSet]] = []
    sure = True
    settled = 0
    for group in apart(compiled, steps, fill):
        if any(step.reads for step in group):
            joint = _group_ways(compiled, group, fill)
            if joint is not None:
                ways.append(joint[0])
                settled = max(settled, joint[1])
                continue
            sure = False
        for step in group:
            alone = _group_ways(compiled, [step], fill, by_cycles=True)
            if alone is None:
                raise OutOfReach("too many ways for the lengths of these tracks to lie together")
            ways.append(alone[0])
    return ways, sure, settled


def _group_ways(
    compiled: CompiledPattern, group: list[CompiledStep], fill: bool, *, by_cycles: bool = False
) -> tuple[list[PassSet], int] | None:
    """Those passes for one group, and the ticks after which they hold.

    With `by_cycles` for one step, whose `if` terms are left out.
    """
    ticks = compiled.pattern.pass_ticks
    bearing = {step.track for step in group}
    if not by_cycles:
        bearing = {each for step in group for each in members(lineage(compiled, step, fill).tracks)}
    period = lcm(ticks, *(compiled.tracks[each].pass_ticks for each in bearing))
    rounds = period // ticks
    if rounds > _MAX_WAYS:
        return None
    found: dict[PassSet, None] = {}
    whole = back = 0
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
                back = max(back, result[1])
            for each in turns:
                if not each.empty:
                    everywhere = everywhere or each == ALL_PASSES
                    found[each.stretched(rounds, way)] = None
        whole += everywhere
    longest = max(compiled.tracks[each].pass_ticks for each in bearing)
    return [ALL_PASSES] if whole == rounds else list(found), back + 2 * longest


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
