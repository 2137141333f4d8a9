"""The standing chances of a step: for all passes at once, once its part has run for a while.

A standing is a list of sets of passes, each with a weight: the chance on a pass is the sum of the
weights of the sets it belongs to. Weights are positive fractions, so a step may play on exactly
the passes in those sets, its long-run rate is a sum of densities, and its next pass is the
earliest of theirs. Here `if` terms are followed backwards as in `memory`, but with the pass left
open. What a step does in the first passes of a part, before all its `if` terms find something to
look at, belongs in `memory`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache
from math import lcm

from companion.counting.compiled import CompiledPattern, CompiledStep
from companion.counting.lineage import allowed, lineage, members
from companion.counting.passes import ALL_PASSES, PassSet

Weights = dict[PassSet, Fraction]
# What must have happened: tracks that must have played, and tracks that must have been silent.
Wanted = tuple[int, int]

# Where the search is given up: steps walked back, sets met (more for ragged ones), and ways for
# tracks of different lengths to lie beside each other.
_MAX_WALK = 400
THOROUGH = 2000
_MAX_ALIGNMENTS = 1024
# An endless memory that repeats within so many passes is counted through instead.
_SHORT = 64
# A way of playing that comes up less often than this share of passes is not followed further.
_NEGLIGIBLE = 1e-18


@dataclass(frozen=True)
class Standing:
    """Standing chances: `weights` by set of passes; they hold from `settled` ticks after the start.

    `settled` counts from the start of the part. `exact` is False where something negligible (less
    often than once in 10**15 passes) was left out.
    """

    weights: tuple[tuple[PassSet, Fraction], ...]
    settled: int
    exact: bool = True

    @cached_property
    def rate(self) -> Fraction:
        """The long-run share of passes on which the step plays."""
        return sum((weight * passes.density for passes, weight in self.weights), Fraction(0))

    @property
    def never(self) -> bool:
        """Whether the step never plays once the standing holds."""
        return not self.weights

    def chance(self, pass_number: int) -> Fraction:
        """The chance on that pass."""
        hit = (weight for passes, weight in self.weights if pass_number in passes)
        return sum(hit, Fraction(0))

    def at_or_after(self, pass_number: int) -> int | None:
        """The first pass from there on which the step may play, or None if there is none."""
        found = (passes.at_or_after(pass_number) for passes, _ in self.weights)
        return min((each for each in found if each is not None), default=None)


def followed(
    compiled: CompiledPattern,
    targets: Iterable[tuple[CompiledStep, int]],
    fill: bool,
    period: int,
    work: int = THOROUGH,
) -> tuple[Weights, int, bool] | None:
    """On which i all of `targets` play, each being a step and its pass for i = 0.

    For i the whole is moved by i x `period` ticks, a multiple of the pass of every track that may
    matter. Returns weights by set of i, how many ticks the walk went back from the last target,
    and whether nothing was left out; or None if the walk was given up.
    """
    walk = _Walk(compiled, fill, period)
    waiting = sorted((step.tick(at), step.track, step.index, at) for step, at in set(targets))
    if not waiting:
        return {ALL_PASSES: Fraction(1)}, 0, True
    last = waiting[-1][0]
    tick, order = last + 1, 0
    walked = 0
    while True:
        latest = walk.latest(tick, order)
        if waiting and (latest is None or waiting[-1][:2] >= latest[:2]):
            tick, order, index, at = waiting.pop()
            step = compiled.steps[index]
            if not step.rule.conditional:
                continue
            walk.want(step.track)
        elif latest is None:
            break
        else:
            tick, order, step, at = latest
        walk.replace(step, at)
        walked += 1
        if walked > _MAX_WALK or walk.work > work:
            return None
    return walk.terms.get((0, 0), {}), last - tick, walk.exact


class _Walk:
    """The state of one walk backwards: what must have happened, and on which i it is wanted."""

    def __init__(self, compiled: CompiledPattern, fill: bool, period: int) -> None:
        self.compiled = compiled
        self.fill = fill
        self.period = period
        self.terms: dict[Wanted, Weights] = {(0, 0): {ALL_PASSES: Fraction(1)}}
        self.exact = True
        self.work = 0

    def latest(self, tick: int, order: int) -> tuple[int, int, CompiledStep, int] | None:
        """The latest step that still matters before track `order` at `tick`: with its pass."""
        mask = 0
        for played, silent in self.terms:
            mask |= played | silent
        best = None
        for track in self.compiled.tracks:
            if not mask >> track.index & 1:
                continue
            found = track.latest(tick if track.index < order else tick - 1)
            if found is None:
                self._never_played(1 << track.index)
                continue
            key = (found[0].tick(found[1]), track.index)
            if best is None or key > best[:2]:
                best = (*key, *found)
        return best

    def want(self, track: int) -> None:
        """Ask that the latest step of the track played."""
        terms: dict[Wanted, Weights] = {}
        for (played, silent), weights in self.terms.items():
            if not silent >> track & 1:
                self._add(terms, (played | 1 << track, silent), weights, ALL_PASSES, Fraction(1))
        self.terms = terms

    def replace(self, step: CompiledStep, at: int) -> None:
        """Say what must have happened before the step instead of what it did itself."""
        bit = 1 << step.track
        passes = allowed(step, self.fill).pulled(at, self.period // step.pass_ticks)
        chance = step.chance
        terms: dict[Wanted, Weights] = {}
        for (played, silent), weights in self.terms.items():
            if played & bit:
                wanted = _with(played ^ bit, silent, step.reads)
                if wanted is not None:
                    self._add(terms, wanted, weights, passes, chance)
            elif silent & bit:
                silent ^= bit
                for others in passes.rest:
                    self._add(terms, (played, silent), weights, others, Fraction(1))
                if chance < 1:
                    self._add(terms, (played, silent), weights, passes, 1 - chance)
                # The ways for the terms to fail: the first does, or only the second, and so on.
                for upto, (track, had) in enumerate(step.reads):
                    failing = (*step.reads[:upto], (track, not had))
                    wanted = _with(played, silent, failing)
                    if wanted is not None:
                        self._add(terms, wanted, weights, passes, chance)
            else:
                self._add(terms, (played, silent), weights, ALL_PASSES, Fraction(1))
        self.terms = terms

    def _never_played(self, bit: int) -> None:
        terms: dict[Wanted, Weights] = {}
        for (played, silent), weights in self.terms.items():
            if not played & bit:
                self._add(terms, (played, silent & ~bit), weights, ALL_PASSES, Fraction(1))
        self.terms = terms

    def _add(
        self,
        terms: dict[Wanted, Weights],
        wanted: Wanted,
        weights: Weights,
        passes: PassSet,
        factor: Fraction,
    ) -> None:
        if passes.empty:
            return
        into = terms.setdefault(wanted, {})
        for each, weight in weights.items():
            self.work += 1 + len(each.holes) * len(passes.holes) // 2 + len(each.holes) ** 2 // 8
            both = each if passes is ALL_PASSES else each.meet(passes)
            if both.empty:
                continue
            if factor != 1:
                weight *= factor
            if wanted != (0, 0) and float(weight) / both.base.modulus < _NEGLIGIBLE:
                self.exact = False
                continue
            before = into.get(both)
            into[both] = weight if before is None else before + weight
        if not into:
            del terms[wanted]


def _with(played: int, silent: int, reads: Iterable[tuple[int, bool]]) -> Wanted | None:
    """The wish with more bits added, or None where they contradict it."""
    for track, had in reads:
        if had:
            played |= 1 << track
        else:
            silent |= 1 << track
    return None if played & silent else (played, silent)


@lru_cache(maxsize=8192)
def standing(
    compiled: CompiledPattern, step: CompiledStep, fill: bool, work: int = THOROUGH
) -> Standing | None:
    """The standing chances of a step, or None where its `if` terms reach back without end.

    None also where finding them takes more than `work` sets for one way that tracks lie together.
    """
    if not step.reads:
        passes = allowed(step, fill)
        weights = () if passes.empty else ((passes, step.chance),)
        return Standing(weights, 0 if step.rule.first is None else step.pass_ticks)
    bearing = lineage(compiled, step, fill)
    if bearing.endless and bearing.cycle <= _SHORT * step.pass_ticks:
        return None
    lengths = [compiled.tracks[each].pass_ticks for each in members(bearing.tracks)]
    longest = max(lengths)
    period = lcm(*lengths)
    ways = period // step.pass_ticks
    if ways > _MAX_ALIGNMENTS:
        return None
    total: Weights = {}
    back, exact = 0, True
    for way in range(ways):
        found = followed(compiled, [(step, way + ways)], fill, period, work)
        if found is None:
            return None
        weights_by_turn, ticks, whole = found
        for turns, weight in weights_by_turn.items():
            passes = turns.stretched(ways, way + ways)
            total[passes] = total.get(passes, Fraction(0)) + weight
        back, exact = max(back, ticks), exact and whole
    return Standing(tuple(total.items()), back + 2 * longest, exact)
