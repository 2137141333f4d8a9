"""What `if` terms remember: exact chances at given passes, however far from the start.

The state that matters is one bit a track: whether its latest step with a rule played. A question
about the state is a polynomial in those bits, `{mask: factor}`, mask 0 being the constant; since
a bit is its own square no bit stands in a term twice. To answer it the steps are walked backwards
from the question: a step's own bit is replaced by what its rule makes of the bits before it.
Draws are independent of all before them, so each chance enters as a plain factor, and what two
tracks have in common is carried along exactly. Only tracks that can still matter are in the
polynomial. The walk ends when none is left, or when their weight is below 1e-17; where it does
not end it comes back to the same place of all cycles it has met, and the walk between is a linear
map that is raised to a power by squaring. Factors are floats.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import lcm

from companion.counting.compiled import CompiledPattern, CompiledStep
from companion.counting.terms import Terms, power, set_bit, times_bit

# A place in the count: just before the track of that index is decided at that tick.
Position = tuple[int, int]

_ENOUGH = 1e-17
# Steps walked before a return is looked for, and the largest map that is raised to a power.
_PATIENCE = 64
_MAX_MAP = 16
_MAX_LOOP = 200_000
# Terms carried over steps before a question is given up.
_MAX_WORK = 400_000
_KEEP = 50_000


class OutOfReach(Exception):
    """A question whose answer depends on more of the past than can be worked through."""


class Memory:
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
                    terms = times_bit(terms, 1 << track, played)
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

    def expect(self, terms: Terms, position: Position) -> float:
        """The expected value, from 0 to 1, of a polynomial in the bits as they stand there."""
        walk = _Walk(self, terms, position)
        mark: tuple[Terms, Position] | None = None
        patience = _PATIENCE
        while walk.find():
            if mark is not None and walk.returned(mark[1]):
                jumped = self._jump(*mark, walk.loop)
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
        walk = _Walk(self, {0: 1.0}, (events[-1][0] + 1, 0), alone=False)
        for tick, track, _, _, played in reversed(events):
            while walk.find() and walk.best is not None and walk.best[:2] > (tick, track):
                walk.step_back()
            walk.move(times_bit(walk.terms, 1 << track, played), (tick, track + 1))
        return self.expect(walk.terms, walk.position)

    def _jump(self, terms: Terms, position: Position, loop: int) -> tuple[Terms, Position] | None:
        """Go back from there by as many rounds of `loop` ticks as there are, or None."""
        rounds = (position[0] - self._regular) // loop
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
            walk = _Walk(self, {mask: 1.0}, position, alone=False)
            until = (position[0] - loop, position[1])
            while walk.find() and walk.best is not None and walk.best[:2] >= until:
                walk.step_back()
                if walk.walked > _MAX_LOOP:
                    return None
            if loop % walk.loop:
                return None
            columns[mask] = walk.terms
            wanted.extend(walk.terms)
        return power(columns, terms, rounds), (position[0] - rounds * loop, position[1])

    def look_up(self, key: tuple[int, int]) -> float | None:
        """The chance of step number key[0] on pass key[1], if it has been worked out."""
        known = self._known.get(key)
        return self._older.get(key) if known is None else known

    def _learn(self, key: tuple[int, int], value: float) -> None:
        if len(self._known) >= _KEEP:
            self._older, self._known = self._known, {}
        self._known[key] = value


class _Walk:
    """One walk backwards with a polynomial.

    `loop` is a number of ticks after which everything the walk has met so far comes again. With
    `alone` the value asked for is one number, for which known chances of single steps may stand in.
    """

    __slots__ = (
        "_cursors",
        "best",
        "look_up",
        "loop",
        "memory",
        "position",
        "terms",
        "walked",
        "work",
    )

    def __init__(
        self, memory: Memory, terms: Terms, position: Position, *, alone: bool = True
    ) -> None:
        self.look_up = memory.look_up if alone else _unknown
        self.memory = memory
        self.terms = terms
        self.position = position
        self.best: tuple[int, int, CompiledStep, int] | None = None
        self.loop = 1
        self.walked = 0
        self.work = 0
        self._cursors: dict[int, tuple[int, int, CompiledStep, int]] = {}

    def mark(self) -> tuple[Terms, Position]:
        """The state here; `loop` starts anew, with the tracks that matter from here on."""
        self.loop = 1
        self._cursors.clear()
        return self.terms, self.position

    def move(self, terms: Terms, position: Position) -> None:
        """Go on from another state further back."""
        self.terms, self.position = terms, position
        self._cursors.clear()

    def returned(self, mark: Position) -> bool:
        """Whether all steps since `mark` have been walked that lie within one loop of it."""
        return self.best is not None and self.best[:2] < (mark[0] - self.loop, mark[1])

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
        tick, order = self.position
        self.best = None
        while mask:
            track = (mask & -mask).bit_length() - 1
            mask &= mask - 1
            found = self._cursors.get(track)
            if found is None or found[:2] >= self.position:
                on = self.memory.compiled.tracks[track]
                self.loop = lcm(self.loop, on.pass_ticks)
                latest = on.latest(tick if track < order else tick - 1)
                at = -1 if latest is None else latest[0].tick(latest[1])
                if latest is None or at < self.memory.start:
                    self.terms = set_bit(self.terms, 1 << track, 0.0)
                    continue
                found = self._cursors[track] = (at, track, *latest)
            if self.best is None or found[:2] > self.best[:2]:
                self.best = found
        # Tracks found without an earlier step may have left nothing to look for.
        return self.best is not None

    def step_back(self) -> None:
        """Replace what the step found did by what there was before it."""
        if self.best is None:
            return
        tick, order, step, pass_number = self.best
        self.position = (tick, order)
        self.walked += 1
        self.work += len(self.terms)
        if self.work > _MAX_WORK:
            raise OutOfReach("the `if` terms of these tracks reach back too far to be worked out")
        del self._cursors[order]
        bit = 1 << order
        memory = self.memory
        if step.passes.period > 1:
            self.loop = lcm(self.loop, step.passes.period * step.pass_ticks)
        if not memory.may_play(step, pass_number):
            self.terms = set_bit(self.terms, bit, 0.0)
            return
        known = self.look_up((step.index, pass_number)) if step.reads else step.odds
        if known is not None and (
            not step.reads or all(not mask & bit or mask == bit for mask in self.terms)
        ):
            self.terms = set_bit(self.terms, bit, known)
            return
        replaced: Terms = {}
        moved: Terms = {}
        for mask, factor in self.terms.items():
            if mask & bit:
                moved[mask ^ bit] = factor * step.odds
            else:
                replaced[mask] = factor
        for track, played in step.reads:
            moved = times_bit(moved, 1 << track, played)
        for mask, factor in moved.items():
            replaced[mask] = replaced.get(mask, 0.0) + factor
        self.terms = {mask: factor for mask, factor in replaced.items() if factor}


def _unknown(_key: tuple[int, int]) -> float | None:
    return None
