"""How likely steps are: at a pass, in a stretch of ticks, pass by pass, and in the long run.

Chances at given passes are floats, good to about 1e-15; long-run rates are exact fractions except
where `if` terms look back without end.

Ticks count from the start of the part. `carried_passes` are the passes of the pattern that the
instrument had already counted by then; pass numbers of tracks go by the whole count. `fill` says
whether a fill is held all the time. Steps are given as (track, number of the step).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from companion.counting.compiled import CompiledPattern, CompiledStep, compile_pattern
from companion.counting.lineage import lineage, memory_cycle
from companion.counting.memory import Memory
from companion.counting.pattern import Pattern
from companion.counting.standing import standing

# A step that plays on at most this share of passes in the long run is rare.
RARE = Fraction(1, 3)
# Passes counted through for the rate of a step whose memory is endless.
_COUNTED = 4096
# A pass by which the slowest chance has settled.
_FAR = 10**12


@dataclass(frozen=True, eq=False)
class Outlook:
    """A step and its standing chances, laid out for counting through many passes.

    `sets` are (residue, modulus, holes as (residue, modulus), weight), None where only `memory`
    can tell. They hold from `settled` ticks after the start of the part.
    """

    step: CompiledStep
    settled: int
    sets: tuple[tuple[int, int, tuple[tuple[int, int], ...], float], ...] | None

    def between(self, memory: Memory, low: int, high: int) -> list[tuple[int, float]]:
        """(pass, chance) for each time the step may play at count ticks in [low, high)."""
        step, start = self.step, memory.start
        length, offset = step.pass_ticks, step.offset
        first = -((offset - max(low, start)) // length) + 1
        last = (high - 1 - offset) // length + 1
        found: list[tuple[int, float]] = []
        unsettled = last if self.sets is None else -((offset - start - self.settled) // length)
        if first <= unsettled:
            for at in step.passes.between(first, min(last, unsettled)):
                chance = memory.chance(step, at)
                if chance > 0.0:
                    found.append((at, chance))
            first = unsettled + 1
        if not self.sets or first > last:
            return found
        if len(self.sets) == 1:
            residue, modulus, holes, weight = self.sets[0]
            inside = range(first + (residue - first) % modulus, last + 1, modulus)
            if not holes:
                found += [(at, weight) for at in inside]
            else:
                found += [(at, weight) for at in _unless(inside, residue, modulus, holes)]
            return found
        sums: dict[int, float] = {}
        for residue, modulus, holes, weight in self.sets:
            inside = range(first + (residue - first) % modulus, last + 1, modulus)
            for at in _unless(inside, residue, modulus, holes) if holes else inside:
                sums[at] = sums.get(at, 0.0) + weight
        return found + sorted(sums.items())


def _unless(
    passes: range, residue: int, modulus: int, holes: tuple[tuple[int, int], ...]
) -> list[int]:
    return [
        at
        for at in passes
        if all(((at - residue) // modulus - off) % every for off, every in holes)
    ]


@lru_cache(maxsize=64)
def memory_of(compiled: CompiledPattern, start: int, fill: bool) -> Memory:
    """The memory of a pattern from a start, kept with what it has worked out."""
    return Memory(compiled, start, fill)


@lru_cache(maxsize=128)
def outlooks(compiled: CompiledPattern, fill: bool) -> tuple[Outlook, ...]:
    """The outlook of every step, in the order of the file."""
    made = []
    for step in compiled.steps:
        known = standing(compiled, step, fill)
        if known is None:
            made.append(Outlook(step, 0, None))
            continue
        sets = tuple(
            (
                passes.base.residue,
                passes.base.modulus,
                tuple((hole.residue, hole.modulus) for hole in passes.holes),
                float(weight),
            )
            for passes, weight in known.weights
        )
        made.append(Outlook(step, known.settled, sets))
    return tuple(made)


@lru_cache(maxsize=65536)
def rate(compiled: CompiledPattern, step: CompiledStep, fill: bool = False) -> Fraction | float:
    """The share of its passes on which the step plays in the long run.

    A fraction, exact, unless `if` terms look back without end: then a float, the mean over one
    round of their memory, or over 4096 passes far from the start where a round is longer still.
    """
    known = standing(compiled, step, fill)
    if known is not None:
        return known.rate
    line = lineage(compiled, step, fill)
    ticks = memory_cycle(compiled, line.steps, line.cycle, fill) if line.endless else line.cycle
    rounds = _COUNTED
    if ticks is not None and ticks <= _COUNTED * step.pass_ticks:
        rounds = ticks // step.pass_ticks
    memory = memory_of(compiled, 0, fill)
    return sum(memory.chance(step, _FAR + at) for at in range(rounds)) / rounds


@lru_cache(maxsize=128)
def rare_steps(compiled: CompiledPattern, rare: Fraction = RARE) -> frozenset[int]:
    """The indexes of the steps that belong on the agenda.

    What `watch` says; or else those whose long-run rate, with no fill held, is at most `rare`. A
    step that only plays in a fill is therefore rare.
    """
    found = set()
    for step in compiled.steps:
        watch = step.step.watch
        # A mean of floats may miss an exact rate by its last digits.
        if watch or (watch is None and rate(compiled, step) <= rare + Fraction(1, 10**12)):
            found.add(step.index)
    return frozenset(found)


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
    for group in apart(compiled, chosen.values()):
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


def apart(
    compiled: CompiledPattern, steps: Iterable[CompiledStep]
) -> list[list[CompiledStep]]:
    """The steps in groups whose draws have nothing to do with each other."""
    groups: list[tuple[set[int], list[CompiledStep]]] = []
    for step in steps:
        # Draws of their own stand alone unless another group looks at that track.
        tracks = {step.track}
        for read, _ in step.reads:
            tracks |= {read} | compiled.reached[read]
        members = [step]
        kept = []
        for other, found in groups:
            if tracks & other:
                tracks |= other
                members = found + members
            else:
                kept.append((other, found))
        groups = [*kept, (tracks, members)]
    return [members for _, members in groups]


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
