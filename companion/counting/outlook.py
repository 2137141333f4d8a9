"""Every step's standing chances laid out for counting through many passes, and which are rare.

Questions about ticks and windows belong in `odds`, events in `forecast`.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from companion.counting.compiled import CompiledPattern, CompiledStep
from companion.counting.lineage import allowed, lineage, memory_cycle
from companion.counting.memory import Memory
from companion.counting.standing import standing

# A step that plays on at most this share of passes in the long run is rare.
RARE = Fraction(1, 3)
# Passes counted through for the rate of a step whose memory is endless.
_COUNTED = 1024
# Passes that tell a step's rate well enough unless they come out near the line.
_FEW = 32
_NEAR = 0.1
_SOME = 128
# How much work a standing may be here, and how much once so many have been given up in vain.
_QUICK = 400
_MANY = 32
_QUICKEST = 60
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


@lru_cache(maxsize=32)
def memory_of(compiled: CompiledPattern, start: int, fill: bool) -> Memory:
    """The memory of a pattern from a start, kept with what it has worked out."""
    return Memory(compiled, start, fill)


@lru_cache(maxsize=64)
def outlooks(compiled: CompiledPattern, fill: bool) -> tuple[Outlook, ...]:
    """The outlook of every step, in the order of the file."""
    if fill and not compiled.fills:
        return outlooks(compiled, False)
    made = []
    given_up = 0
    for step in compiled.steps:
        known = standing(compiled, step, fill, _QUICK if given_up < _MANY else _QUICKEST)
        if known is None:
            given_up += 1
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


@lru_cache(maxsize=8192)
def rate(compiled: CompiledPattern, step: CompiledStep, fill: bool = False) -> Fraction | float:
    """The share of its passes on which the step plays in the long run.

    A fraction, exact, unless `if` terms look back without end: then a float, the mean over one
    round of their memory, or over 1024 passes far from the start where a round is longer still.
    """
    if fill and not compiled.fills:
        return rate(compiled, step)
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


@lru_cache(maxsize=64)
def rare_steps(compiled: CompiledPattern, rare: Fraction = RARE) -> frozenset[int]:
    """The indexes of the steps that belong on the agenda.

    What `watch` says; or else those whose long-run rate, with no fill held, is at most `rare`. A
    step that only plays in a fill is therefore rare. Where a step's `if` terms hang together with
    so much that its rate has no closed form, the mean of its chances over 32 passes decides, or
    over 128 where that comes near the line.
    """
    found = set()
    for step, look in zip(compiled.steps, outlooks(compiled, False), strict=True):
        watch = step.step.watch
        if watch is None:
            watch = allowed(step, False).density * step.chance <= rare
        if watch is False and step.step.watch is None and step.reads:
            # A sum of floats may miss an exact rate by its last digits.
            watch = _about(compiled, step, look, rare) <= rare + Fraction(1, 10**12)
        if watch:
            found.add(step.index)
    return frozenset(found)


def _about(
    compiled: CompiledPattern, step: CompiledStep, look: Outlook, line: Fraction
) -> Fraction | float:
    if look.sets is not None:
        return rate(compiled, step)
    bearing = lineage(compiled, step, False)
    if not bearing.endless and bearing.cycle <= _SOME * step.pass_ticks:
        return rate(compiled, step)
    ticks = memory_cycle(compiled, bearing.steps, bearing.cycle, False)
    if ticks is not None and ticks <= _SOME * step.pass_ticks:
        return rate(compiled, step)
    memory = memory_of(compiled, 0, False)
    mean = 0.0
    for passes in (_FEW, _SOME):
        mean = sum(memory.chance(step, _COUNTED + at) for at in range(passes)) / passes
        if abs(mean - line) > _NEAR:
            break
    return mean
