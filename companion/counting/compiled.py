"""A pattern made ready for counting: one record a step, and which steps its `if` terms look at.

Everything here is worked out once for a pattern. How likely a step is belongs in `chances`; where
it matters here, a step plays always, never or by chance.

Positions are count ticks: ticks of the instrument's own count, which began `start` ticks before
the part did (0 where the instrument restarts its count with the part).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from math import gcd, lcm

from companion.counting.passes import NEVER, PassSet
from companion.counting.pattern import Pattern, Rule, Step

# Patterns kept; a large one with its forecasts takes about 3 MB.
_KEEP = 32
_KEPT: dict[int, CompiledPattern] = {}
# Steps played through to find the period of a memory before that is given up.
_MAX_PLAYED = 20_000


@dataclass(frozen=True, eq=False)
class CompiledStep:
    """One step: when it begins in a pass of its track, and what its rule comes to.

    `passes` are those its cycle terms allow; `reads` are the tracks its `if` terms look at and
    whether they must have played. `never` is set where the terms cannot hold together.
    """

    index: int
    track: int
    offset: int
    pass_ticks: int
    step: Step
    passes: PassSet
    chance: Fraction
    odds: float
    reads: tuple[tuple[int, bool], ...]
    never: bool

    @property
    def rule(self) -> Rule:
        """The rule as written."""
        return self.step.rule

    def tick(self, pass_number: int) -> int:
        """The count tick at which the step begins in that pass of its track."""
        return (pass_number - 1) * self.pass_ticks + self.offset


@dataclass(frozen=True, eq=False)
class CompiledTrack:
    """One track: all its steps, and those with a rule, by the ticks at which they begin."""

    index: int
    name: str
    pass_ticks: int
    steps: tuple[CompiledStep, ...]
    ruled: tuple[CompiledStep, ...]
    offsets: tuple[int, ...] = field(repr=False)

    def latest(self, tick: int) -> tuple[CompiledStep, int] | None:
        """The latest step with a rule that begins at `tick` or earlier, and its pass number."""
        if not self.offsets:
            return None
        passes, off = divmod(tick, self.pass_ticks)
        at = bisect_right(self.offsets, off) - 1
        return self.ruled[at], passes + (at >= 0)


@dataclass(frozen=True, eq=False)
class CompiledPattern:
    """A pattern made ready. `steps` holds every step, in the order of the file.

    `fills` says whether it makes any difference that a fill is held.
    """

    pattern: Pattern
    tracks: tuple[CompiledTrack, ...]
    steps: tuple[CompiledStep, ...]
    by_name: dict[str, int]
    fills: bool

    def step(self, track: str, number: int) -> CompiledStep:
        """The step of that number on that track. Raises KeyError if either is not there."""
        for each in self.tracks[self.by_name[track]].steps:
            if each.step.number == number:
                return each
        raise KeyError(number)


def compile_pattern(pattern: Pattern) -> CompiledPattern:
    """The pattern made ready for counting, worked out once for each object and kept.

    Kept by identity: to hash a large pattern takes longer than to forecast it.
    """
    kept = _KEPT.get(id(pattern))
    if kept is None or kept.pattern is not pattern:
        kept = _compile(pattern)
        while len(_KEPT) >= _KEEP:
            _KEPT.pop(next(iter(_KEPT)), None)
        _KEPT[id(pattern)] = kept
    return kept


def _compile(pattern: Pattern) -> CompiledPattern:
    by_name: dict[str, int] = {}
    for index, track in enumerate(pattern.tracks):
        by_name.setdefault(track.name, index)
    tracks = []
    every: list[CompiledStep] = []
    for index, track in enumerate(pattern.tracks):
        steps: list[CompiledStep] = []
        for step in sorted(track.steps, key=lambda each: each.number):
            offset = (step.number - 1) * track.step_ticks
            number = len(every) + len(steps)
            steps.append(_compiled(number, index, offset, track.pass_ticks, step, by_name))
        ruled = tuple(each for each in steps if each.rule.conditional)
        offsets = tuple(each.offset for each in ruled)
        tracks.append(
            CompiledTrack(index, track.name, track.pass_ticks, tuple(steps), ruled, offsets)
        )
        every.extend(steps)
    fills = any(step.rule.fill is not None for step in every)
    return CompiledPattern(pattern, tuple(tracks), tuple(every), by_name, fills)


def _compiled(
    index: int, track: int, offset: int, pass_ticks: int, step: Step, by_name: dict[str, int]
) -> CompiledStep:
    rule = step.rule
    passes = PassSet.of(rule.cycles)
    reads = set()
    # A track the pattern does not have never played.
    never = rule.impossible or passes.empty or not rule.chance
    for condition in rule.conditions:
        other = track if condition.track is None else by_name.get(condition.track)
        if other is not None:
            reads.add((other, condition.played))
        elif condition.played:
            never = True
    never = never or any((other, not played) in reads for other, played in reads)
    return CompiledStep(
        index=index,
        track=track,
        offset=offset,
        pass_ticks=pass_ticks,
        step=step,
        passes=passes,
        chance=rule.chance,
        odds=float(rule.chance),
        reads=tuple(sorted(reads)),
        never=never,
    )


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


def looked_at(compiled: CompiledPattern, step: CompiledStep, index: int) -> set[int]:
    """The steps of track `index`, by index, that may be the latest with a rule before `step`.

    At one tick earlier tracks of the file are decided first.
    """
    track = compiled.tracks[index]
    if not track.ruled:
        return set()
    before = step.offset - (index >= step.track)
    shared = gcd(track.pass_ticks, step.pass_ticks)
    return {
        track.ruled[bisect_right(track.offsets, off) - 1].index
        for off in range(before % shared, track.pass_ticks, shared)
    }


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
        []
        if not step.reads or allowed(step, fill).empty
        else sorted({each for on, _ in step.reads for each in looked_at(compiled, step, on)})
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
