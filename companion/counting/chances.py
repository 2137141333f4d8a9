"""How likely steps are: at a pass, in a stretch of ticks, pass by pass, and in the long run.

What a pattern's steps and their `if` terms are belongs in `compiled`; when something comes in
`forecast` and `questions`.

The state that matters is one bit a track: whether its latest step with a rule played. A question
is answered by walking back over the steps from where it is asked: a step's own bit is replaced by
what its rule makes of the bits before it. Draws are independent of all before them, so each chance
enters as a plain factor, and what two tracks have in common is carried along exactly. Only tracks
that can still matter are followed; `_Back` finds their latest step. There are two such walks:

- `DrawMemory` asks about given passes, however far from the start. A question is a polynomial in
  the bits, `{mask: factor}`: the mask says which bits a term multiplies, mask 0 being the constant,
  and since a bit is its own square no bit stands in a term twice. The walk ends when no track is
  left, or when their weight is below 1e-17; where it does not end it comes back to the same place
  of all cycles it has met, and the walk between is a linear map, raised to a power by squaring.
  Factors are floats, good to about 1e-15.
- `long_run` asks about all passes at once, with the pass left open: instead of a factor a set of
  passes with a weight each, exact fractions. It holds once a part has run for a while, and gives
  rates, and the next pass in closed form. It does not follow memories without end.

Ticks count from the start of the part. `carried_passes` are the passes of the pattern that the
instrument had already counted by then; pass numbers of tracks go by the whole count. `fill` says
whether a fill is held all the time. Steps are given as (track, number of the step).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache
from itertools import combinations
from math import lcm

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

# A step that plays on at most this share of passes in the long run is rare.
RARE = Fraction(1, 3)
# Passes counted through for the rate of a step whose memory is endless.
_COUNTED = 1024
# Passes that tell a step's rate well enough unless they come out near the line.
_FEW = 32
_NEAR = 0.1
_SOME = 128
# A pass by which the slowest chance has settled.
_FAR = 10**12

# `DrawMemory`: the weight that is let go; steps walked before a return is looked for; the largest
# map that is raised to a power, and the steps walked for a column of it; terms carried over steps
# before a question is given up; chances kept.
_ENOUGH = 1e-17
_PATIENCE = 64
_MAX_MAP = 16
_MAX_LOOP = 200_000
_MAX_WORK = 400_000
_KEEP = 50_000

# `long_run`: where it is given up: steps walked back, sets met (more for ragged ones), and ways for
# tracks of different lengths to lie beside each other.
_MAX_WALK = 400
_THOROUGH = 2000
_MAX_ALIGNMENTS = 1024
# The sets met when all steps of a pattern are laid out, and when so many have been given up.
_QUICK = 400
_MANY = 32
_QUICKEST = 60
# An endless memory that repeats within so many passes is counted through instead.
_SHORT = 64
# A way of playing that comes up less often than this share of passes is not followed further.
_NEGLIGIBLE = 1e-18

# A point in the count: just before the track of that index is decided at that tick.
Point = tuple[int, int]
# A step that was found: its tick and track, the step, and its pass.
StepFound = tuple[int, int, CompiledStep, int]
# A polynomial in bits, factors by mask.
Terms = dict[int, float]
# What must have happened: tracks that must have played, and tracks that must have been silent.
MustHave = tuple[int, int]
PassWeights = dict[PassSet, Fraction]


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
    compiled: CompiledPattern,
    memory: DrawMemory,
    group: Iterable[CompiledStep],
    low: int,
    high: int,
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
    compiled: CompiledPattern,
    memory: DrawMemory,
    steps: Iterable[CompiledStep],
    low: int,
    high: int,
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


@dataclass(frozen=True, eq=False)
class Outlook:
    """A step and its long-run chances, laid out for counting through many passes.

    `sets` are (residue, modulus, holes as (residue, modulus), weight), None where only
    `DrawMemory` can tell. They hold from `settled` ticks after the start of the part.
    """

    step: CompiledStep
    settled: int
    sets: tuple[tuple[int, int, tuple[tuple[int, int], ...], float], ...] | None

    def between(self, memory: DrawMemory, low: int, high: int) -> list[tuple[int, float]]:
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
def memory_of(compiled: CompiledPattern, start: int, fill: bool) -> DrawMemory:
    """The memory of a pattern from a start, kept with what it has worked out."""
    return DrawMemory(compiled, start, fill)


@lru_cache(maxsize=64)
def outlooks(compiled: CompiledPattern, fill: bool) -> tuple[Outlook, ...]:
    """The outlook of every step, in the order of the file."""
    if fill and not compiled.fills:
        return outlooks(compiled, False)
    made = []
    given_up = 0
    for step in compiled.steps:
        known = long_run(compiled, step, fill, _QUICK if given_up < _MANY else _QUICKEST)
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
    known = long_run(compiled, step, fill)
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
    ticks: int | None = bearing.cycle
    # A memory comes back after whole cycles, and is looked for only where one is short enough.
    if bearing.endless and bearing.cycle <= _SOME * step.pass_ticks:
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


class OutOfReach(Exception):
    """A question whose answer depends on more of the past than can be worked through."""


class DrawMemory:
    """The chances of one pattern from one start: `start` is the count tick at which it began.

    Keeps the chances it has worked out. `fill` says whether a fill is held all the time.
    """

    def __init__(self, compiled: CompiledPattern, start: int = 0, fill: bool = False) -> None:
        self.compiled = compiled
        self.start = start
        self.fill = fill
        self._first = [start // track.pass_ticks + 1 for track in compiled.tracks]
        longest = max((track.pass_ticks for track in compiled.tracks), default=0)
        # From here on neither `first pass` nor the lack of earlier steps plays a part.
        self._regular = start + 2 * longest
        self._known: dict[tuple[int, int], float] = {}
        self._older: dict[tuple[int, int], float] = {}

    def may_play(self, step: CompiledStep, pass_number: int) -> bool:
        """Whether all but chance and `if` allows the step on that pass."""
        rule = step.rule
        return (
            not step.never
            and (rule.fill is None or rule.fill == self.fill)
            and (rule.first is None or rule.first == (pass_number == self._first[step.track]))
            and pass_number in step.passes
        )

    def chance(self, step: CompiledStep, pass_number: int) -> float:
        """The chance that the step plays on that pass, all earlier draws unknown.

        0 for a pass of the step that lies before the start. Raises OutOfReach, as `expect` does,
        where `if` terms look at each other in a circle on tracks whose lengths hardly ever meet.
        """
        # Steps that look at one track form a line back in time; their chances follow one another.
        line: list[tuple[tuple[int, int], float, bool]] = []
        value = 0.0
        while step.tick(pass_number) >= self.start and self.may_play(step, pass_number):
            if not step.reads:
                value = step.odds
                break
            key = (step.index, pass_number)
            known = self.look_up(key)
            if known is not None:
                value = known
                break
            track, played = step.reads[0]
            here = (step.tick(pass_number), step.track)
            if len(step.reads) > 1 or len(line) >= _PATIENCE:
                terms = {0: step.odds}
                for track, played in step.reads:
                    terms = _times_bit(terms, 1 << track, played)
                value = self.expect(terms, here)
                self._learn(key, value)
                break
            line.append((key, step.odds, played))
            before = self.compiled.tracks[track].latest(here[0] - (track >= step.track))
            if before is None:
                break
            step, pass_number = before
        for key, odds, played in reversed(line):
            value = odds * (value if played else 1.0 - value)
            self._learn(key, value)
        return value

    def expect(self, terms: Terms, point: Point) -> float:
        """The expected value, from 0 to 1, of a polynomial in the bits as they stand there."""
        walk = _BitWalk(self, terms, point)
        mark: tuple[Terms, Point] | None = None
        patience = _PATIENCE
        while walk.find():
            if mark is not None and walk.returned(mark[1]):
                jumped = self._jump(*mark, walk.back.loop)
                mark = None
                patience = 2 * walk.walked
                if jumped is not None:
                    walk.move(*jumped)
                    continue
            walk.step_back()
            if walk.walked >= patience:
                # What was met long ago, such as a rare cycle, is not held against the next round.
                mark = walk.mark()
                patience = 2 * walk.walked
        return min(1.0, max(0.0, walk.terms.get(0, 0.0)))

    def weigh(self, wishes: Iterable[tuple[CompiledStep, int, bool]]) -> float:
        """The chance that each step plays (True) or is silent (False) on its pass, all together.

        A step without a rule always plays; one before the start never does. Raises OutOfReach.
        """
        events = []
        for step, pass_number, played in set(wishes):
            tick = step.tick(pass_number)
            if tick < self.start or not step.rule.conditional:
                if played == (tick < self.start):
                    return 0.0
                continue
            events.append((tick, step.track, step.index, pass_number, played))
        events.sort()
        if not events:
            return 1.0
        # Wishes still to come may hang together with what was worked out for a step by itself.
        walk = _BitWalk(self, {0: 1.0}, (events[-1][0] + 1, 0), alone=False)
        for tick, track, _, _, played in reversed(events):
            while walk.find() and walk.best is not None and walk.best[:2] > (tick, track):
                walk.step_back()
            walk.move(_times_bit(walk.terms, 1 << track, played), (tick, track + 1))
        return self.expect(walk.terms, walk.back.point)

    def _jump(self, terms: Terms, point: Point, loop: int) -> tuple[Terms, Point] | None:
        """Go back from there by as many rounds of `loop` ticks as there are, or None."""
        rounds = (point[0] - self._regular) // loop
        if rounds < 4:
            return None
        columns: dict[int, Terms] = {}
        wanted = list(terms)
        while wanted:
            mask = wanted.pop()
            if mask in columns:
                continue
            if len(columns) >= _MAX_MAP:
                return None
            walk = _BitWalk(self, {mask: 1.0}, point, alone=False)
            until = (point[0] - loop, point[1])
            while walk.find() and walk.best is not None and walk.best[:2] >= until:
                walk.step_back()
                if walk.walked > _MAX_LOOP:
                    return None
            if loop % walk.back.loop:
                return None
            columns[mask] = walk.terms
            wanted.extend(walk.terms)
        return _power(columns, terms, rounds), (point[0] - rounds * loop, point[1])

    def look_up(self, key: tuple[int, int]) -> float | None:
        """The chance of step number key[0] on pass key[1], if it has been worked out."""
        known = self._known.get(key)
        return self._older.get(key) if known is None else known

    def _learn(self, key: tuple[int, int], value: float) -> None:
        if len(self._known) >= _KEEP:
            self._older, self._known = self._known, {}
        self._known[key] = value


class _BitWalk:
    """One walk backwards with a polynomial.

    With `alone` the value asked for is one number, for which known chances of single steps may
    stand in.
    """

    __slots__ = ("back", "best", "look_up", "memory", "terms", "walked", "work")

    def __init__(
        self, memory: DrawMemory, terms: Terms, point: Point, *, alone: bool = True
    ) -> None:
        self.look_up = memory.look_up if alone else _unknown
        self.memory = memory
        self.terms = terms
        self.back = _Back(memory.compiled, point, memory.start)
        self.best: StepFound | None = None
        self.walked = 0
        self.work = 0

    def mark(self) -> tuple[Terms, Point]:
        """The state here; the loop starts anew, with the tracks that matter from here on."""
        self.back.loop = 1
        self.back.move(self.back.point)
        return self.terms, self.back.point

    def move(self, terms: Terms, point: Point) -> None:
        """Go on from another state further back."""
        self.terms = terms
        self.back.move(point)

    def returned(self, mark: Point) -> bool:
        """Whether all steps since `mark` have been walked that lie within one loop of it."""
        return self.best is not None and self.best[:2] < (mark[0] - self.back.loop, mark[1])

    def find(self) -> bool:
        """Find the latest step that still matters; False when the answer is the constant term."""
        mask = 0
        weight = 0.0
        for each, factor in self.terms.items():
            if each:
                mask |= each
                weight += abs(factor)
        if weight < _ENOUGH:
            return False
        self.best, unheard = self.back.latest(mask)
        while unheard:
            self.terms = _set_bit(self.terms, unheard & -unheard, 0.0)
            unheard &= unheard - 1
        # Tracks found without an earlier step may have left nothing to look for.
        return self.best is not None

    def step_back(self) -> None:
        """Replace what the step found did by what there was before it."""
        if self.best is None:
            return
        tick, order, step, pass_number = self.best
        self.back.point = (tick, order)
        self.walked += 1
        self.work += len(self.terms)
        if self.work > _MAX_WORK:
            raise OutOfReach("the `if` terms of these tracks reach back too far to be worked out")
        bit = 1 << order
        memory = self.memory
        if step.passes.period > 1:
            self.back.meet(step.passes.period * step.pass_ticks)
        if not memory.may_play(step, pass_number):
            self.terms = _set_bit(self.terms, bit, 0.0)
            return
        known = self.look_up((step.index, pass_number)) if step.reads else step.odds
        if known is not None and (
            not step.reads or all(not mask & bit or mask == bit for mask in self.terms)
        ):
            self.terms = _set_bit(self.terms, bit, known)
            return
        replaced: Terms = {}
        moved: Terms = {}
        for mask, factor in self.terms.items():
            if mask & bit:
                moved[mask ^ bit] = factor * step.odds
            else:
                replaced[mask] = factor
        for track, played in step.reads:
            moved = _times_bit(moved, 1 << track, played)
        for mask, factor in moved.items():
            replaced[mask] = replaced.get(mask, 0.0) + factor
        self.terms = {mask: factor for mask, factor in replaced.items() if factor}


def _unknown(_key: tuple[int, int]) -> float | None:
    return None


class _Back:
    """The way back over the steps with a rule, from a point in the count.

    Steps before count tick `start` are not there, if there is one. `loop` is a number of ticks
    after which everything met so far comes again.
    """

    __slots__ = ("_cursors", "_start", "_tracks", "loop", "point")

    def __init__(self, compiled: CompiledPattern, point: Point, start: int | None = None) -> None:
        self._tracks = compiled.tracks
        self._start = start
        self._cursors: dict[int, StepFound] = {}
        self.point = point
        self.loop = 1

    def move(self, point: Point) -> None:
        """Go on from a point anywhere; to go back it is enough to set `point`."""
        self.point = point
        self._cursors.clear()

    def meet(self, ticks: int) -> None:
        """Something was met that comes again after so many ticks."""
        self.loop = lcm(self.loop, ticks)

    def latest(self, mask: int) -> tuple[StepFound | None, int]:
        """The latest step before the point on any track of the mask, and the tracks without one."""
        tick, order = self.point
        best: StepFound | None = None
        unheard = 0
        while mask:
            track = (mask & -mask).bit_length() - 1
            mask &= mask - 1
            found = self._cursors.get(track)
            if found is None or found[:2] >= self.point:
                on = self._tracks[track]
                self.loop = lcm(self.loop, on.pass_ticks)
                latest = on.latest(tick if track < order else tick - 1)
                at = -1 if latest is None else latest[0].tick(latest[1])
                if latest is None or (self._start is not None and at < self._start):
                    unheard |= 1 << track
                    continue
                found = self._cursors[track] = (at, track, *latest)
            if best is None or found[:2] > best[:2]:
                best = found
        return best, unheard


@dataclass(frozen=True)
class LongRun:
    """The chances of a step on all passes, from `settled` ticks after the start of its part.

    The chance on a pass is the sum of the `weights` of the sets it belongs to. Weights are
    positive: a step may play on exactly the passes in those sets, and next on the earliest of
    theirs. `exact` is False where something negligible (less often than once in 10**15 passes) was
    left out.
    """

    weights: tuple[tuple[PassSet, Fraction], ...]
    settled: int
    exact: bool = True

    @cached_property
    def rate(self) -> Fraction:
        """The long-run share of passes on which the step plays."""
        return sum((weight * passes.density for passes, weight in self.weights), Fraction(0))

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
    work: int = _THOROUGH,
) -> tuple[PassWeights, int, bool] | None:
    """On which i all of `targets` play, each being a step and its pass for i = 0.

    For i the whole is moved by i x `period` ticks, a multiple of the pass of every track that may
    matter. Returns weights by set of i, how many ticks the walk went back from the last target,
    and whether nothing was left out; or None if the walk was given up.
    """
    waiting = sorted((step.tick(at), step.track, step.index, at) for step, at in set(targets))
    if not waiting:
        return {ALL_PASSES: Fraction(1)}, 0, True
    last = waiting[-1][0]
    walk = _PassWalk(compiled, (last + 1, 0), fill, period)
    walked = 0
    while True:
        latest = walk.latest()
        if waiting and (latest is None or waiting[-1][:2] >= latest[:2]):
            tick, order, index, at = waiting.pop()
            step = compiled.steps[index]
            walk.back.point = (tick, order)
            if not step.rule.conditional:
                continue
            walk.want(step.track)
        elif latest is None:
            break
        else:
            tick, order, step, at = latest
            walk.back.point = (tick, order)
        walk.replace(step, at)
        walked += 1
        if walked > _MAX_WALK or walk.work > work:
            return None
    return walk.terms.get((0, 0), {}), last - walk.back.point[0], walk.exact


class _PassWalk:
    """One walk backwards for all passes: what must have happened, and on which i it is wanted."""

    def __init__(self, compiled: CompiledPattern, point: Point, fill: bool, period: int) -> None:
        self.back = _Back(compiled, point)
        self.fill = fill
        self.period = period
        self.terms: dict[MustHave, PassWeights] = {(0, 0): {ALL_PASSES: Fraction(1)}}
        self.exact = True
        self.work = 0

    def latest(self) -> StepFound | None:
        """The latest step before here that still matters."""
        mask = 0
        for played, silent in self.terms:
            mask |= played | silent
        best, unheard = self.back.latest(mask)
        while unheard:
            self._never_played(unheard & -unheard)
            unheard &= unheard - 1
        return best

    def want(self, track: int) -> None:
        """Ask that the latest step of the track played."""
        terms: dict[MustHave, PassWeights] = {}
        for (played, silent), weights in self.terms.items():
            if not silent >> track & 1:
                self._add(terms, (played | 1 << track, silent), weights, ALL_PASSES, Fraction(1))
        self.terms = terms

    def replace(self, step: CompiledStep, at: int) -> None:
        """Say what must have happened before the step instead of what it did itself."""
        bit = 1 << step.track
        passes = allowed(step, self.fill).pulled(at, self.period // step.pass_ticks)
        chance = step.chance
        terms: dict[MustHave, PassWeights] = {}
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
        terms: dict[MustHave, PassWeights] = {}
        for (played, silent), weights in self.terms.items():
            if not played & bit:
                self._add(terms, (played, silent & ~bit), weights, ALL_PASSES, Fraction(1))
        self.terms = terms

    def _add(
        self,
        terms: dict[MustHave, PassWeights],
        wanted: MustHave,
        weights: PassWeights,
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


def _with(played: int, silent: int, reads: Iterable[tuple[int, bool]]) -> MustHave | None:
    """The wish with more bits added, or None where they contradict it."""
    for track, had in reads:
        if had:
            played |= 1 << track
        else:
            silent |= 1 << track
    return None if played & silent else (played, silent)


@lru_cache(maxsize=8192)
def long_run(
    compiled: CompiledPattern, step: CompiledStep, fill: bool, work: int = _THOROUGH
) -> LongRun | None:
    """The long-run chances of a step, or None where its `if` terms reach back without end.

    None also where finding them takes more than `work` sets for one way that tracks lie together.
    """
    if not step.reads:
        passes = allowed(step, fill)
        weights = () if passes.empty else ((passes, step.chance),)
        return LongRun(weights, 0 if step.rule.first is None else step.pass_ticks)
    bearing = lineage(compiled, step, fill)
    if bearing.endless and bearing.cycle <= _SHORT * step.pass_ticks:
        return None
    lengths = [compiled.tracks[each].pass_ticks for each in members(bearing.tracks)]
    longest = max(lengths)
    period = lcm(*lengths)
    ways = period // step.pass_ticks
    if ways > _MAX_ALIGNMENTS:
        return None
    total: PassWeights = {}
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
    return LongRun(tuple(total.items()), back + 2 * longest, exact)


def _set_bit(terms: Terms, bit: int, value: float) -> Terms:
    """The polynomial with the bit replaced by a number."""
    out: Terms = {}
    for mask, factor in terms.items():
        if mask & bit:
            mask ^= bit
            factor *= value
        out[mask] = out.get(mask, 0.0) + factor
    return {mask: factor for mask, factor in out.items() if factor}


def _times_bit(terms: Terms, bit: int, played: bool) -> Terms:
    """The polynomial times the bit, or times one minus the bit."""
    out: Terms = {} if played else dict(terms)
    sign = 1.0 if played else -1.0
    for mask, factor in terms.items():
        out[mask | bit] = out.get(mask | bit, 0.0) + sign * factor
    return {mask: factor for mask, factor in out.items() if factor}


def _power(columns: dict[int, Terms], terms: Terms, rounds: int) -> Terms:
    """`terms` after the linear map with these columns has been applied `rounds` times."""
    while rounds:
        if rounds & 1:
            terms = _apply(columns, terms)
        rounds >>= 1
        if rounds:
            squared = {mask: _apply(columns, column) for mask, column in columns.items()}
            if squared == columns:
                # From here on more rounds change nothing.
                return _apply(columns, terms)
            columns = squared
    return terms


def _apply(columns: dict[int, Terms], terms: Terms) -> Terms:
    """`terms` after one application of the linear map."""
    out: Terms = {}
    for mask, factor in terms.items():
        for other, more in columns[mask].items():
            out[other] = out.get(other, 0.0) + factor * more
    return {mask: factor for mask, factor in out.items() if abs(factor) > 1e-300}
