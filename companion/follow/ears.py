"""Where the music is, found by ear: which part plays, and which tick of it. Pure.

Theory of operation
-------------------
A **place** is a part and the count at which its instrument's own count began. What is heard under a
place is known: the same compiled steps that are forecast say for each track, at each step of the
grid, how likely a note is. Notes and silences are weighed for all places at once, because the
likelihood of a place falls into factors, each of which knows it by a remainder only:

- a track, by the place modulo the track's own pass: where in its pass it is;
- a step with `pass K of N`, by the number of its passes modulo N.

Each factor is a short vector over its own remainders, brought up to date by what was heard. They
meet where places are compared: by going through the passes of a part whose length is planned, else
by the Chinese remainder theorem, remainder by remainder, the likeliest first. So a cycle of any
length costs what its rules cost, and is never gone through.

A track may have its reasons: it is muted, or played by hand, and begins and ceases to be so; notes
are lost and strays come in. Each track has the chances of its three states beside, and what it
tells is bounded, for a list may be wrong: `CHANCES` says how often a track or a rule is another
than the list says. So no place is believed on the word of one step alone. Beside all
places stands that none is right: each note then comes as often as it came.

A hand may change what plays while it is listened to, and nobody tells: at the end of any pass
(`CHANCES.changed`), to any part, to the same again, or to what is none of the set. A **change** is
such an end at tick T, as likely as all that ends a pass there by what was heard before it. A place
that begins with it is as likely as that, and as what was heard since makes it: known from tick 0
on, it is one lane beside the ways to lie in a pass. This is the forward filter of a chain that
begins anew (Adams and MacKay, Bayesian online changepoint detection, 2007; from memory), but that
what is far below all is forgotten. Where it becomes clear only by and by where passes end, all is
heard again with a change at each end. So a place is found only once what was heard since each end
of a pass, the last one as well, speaks against a change there; and what a change began is found as
any place is. An instrument that changes at once may do so at any tick: there the performer has the
word.

The prior of a place is the weight of the worlds of the belief that it belongs to. What is found is
handed to `Conductor.found_by_ear`, and is listened to for some passes more. Where other places
have most of the weight by then, a hand may have acted unseen, and so the belief is told; where one
of them is found, that is handed on. What nobody listed, or silence, speaks for no other place.
Who listens only to mutes, or to whether a change was taken, stands in `notes`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial
from math import atan2, cos, exp, gcd, hypot, inf, lcm, lgamma, log, log1p, pi, sin
from typing import NamedTuple

from companion.counting import (
    TICKS_PER_SONG_POSITION,
    CompiledStep,
    Pattern,
    compile_pattern,
)
from companion.counting.heard import Rates, heard_chance
from companion.follow.belief import MISCOUNTED, WEIGHTS, Belief, Place, matter
from companion.follow.conductor import UNLIKE_FOUND, ByEar, Conductor, ends_by_plan
from companion.follow.notes import window
from companion.follow.presses import Matches, parse
from companion.follow.transport import State
from companion.setlist import Kind, NoteKey, Part, SetList, recounts


class Chances(NamedTuple):
    """How likely things are while the place is looked for. Judgement all of them, no source.

    They are worse than any sound cable: what is taken for likelier than it is costs time, what is
    taken for rarer makes sure too soon.
    """

    # Notes that never arrive, and steps of the grid on which one falls that nobody listed.
    heard: Rates = Rates(lost=0.03, stray=0.001)
    # A track is muted, or plays by hand and not by its rules, as listening begins; and how often a
    # pass it becomes so or ceases to be.
    muted: float = 0.1
    by_hand: float = 0.01
    turns: float = 1 / 64
    # How often a hand plays, of the steps of the grid.
    hand_plays: float = 0.3
    # A fill is held where nobody tells.
    fill: float = 0.05
    # At the end of a pass what plays is changed by hand, or begun anew, and nobody tells.
    changed: float = 1 / 32
    # The rule of a step, or the whole of a track, is another than the list says.
    other_rule: float = 1 / 400
    other_track: float = 1 / 1500
    # It is elsewhere than the worlds of the belief say, and nothing of the set plays, at the least.
    anything: float = 0.05
    nothing: float = 0.02
    # A place is taken for found at such odds against all others together.
    odds: float = 1e4


CHANCES = Chances()
# A track speaks for a place if it plays so much likelier by its list than just as often; in nats.
SPEAKS = 4.0
# So many tracks must, and so many more for each that plays something else.
LEAST_SPEAKERS, FOR_EACH_STRANGE = 2, 3
# A cycle of more passes than these is no vector: its step is taken to play as often as it does.
LONGEST_VECTOR = 512
# Passes that are gone through one by one; more are joined remainder by remainder.
MOST_PASSES = 1024
# Places this far below the best, in nats, are not joined any further; nor more than so many.
FAR, MOST_JOINED = 20.0, 512
# Changes so far below all, in nats, are forgotten.
FORGOTTEN = 15.0
# Ways to lie in a pass that are looked into, of all patterns.
MOST_WAYS = 4
# A pattern so far below the best, in nats, is not listened for any more.
HOPELESS = 40.0
# Places are compared every so many ticks: two beats.
COMPARED = 48
# By so much more the count was in doubt than a tick ago: there may be ticks that nobody heard.
NEW_DOUBT = 1e-6
# Where a pass ends is taken for likely from such a share of all on, and until it is below another.
LIKELY, UNLIKELY = 0.25, 1e-3
# To find a change that nobody knew of, so many passes are heard again at most.
LOOKED_BACK = 12
# What was found is listened to for so many passes more, and longer while it has not this share of
# all that may be; it is in doubt where that share is elsewhere.
WATCHED, SETTLED, DOUBTED = 16, 0.99, 0.75
# Weights are brought back before they come near to what cannot be told from nothing.
LEAST = 1e-100
# So many notes are kept: far more than it takes.
MOST_NOTES = 20_000
# Listening begins anew after so many passes of which nothing in the set makes sense.
PATIENCE = 6
# The tick of the grid on which steps fall: at such odds, by so many notes.
GRID_ODDS, GRID_NOTES, GRID_LATEST = 1e7, 8, 256
# How a note lies about the tick of its step: on it, a tick off, late by swing, anywhere.
_ON, _OFF, _SWUNG, _ASTRAY = 0.9, 0.03, 0.015, 0.002
# Notes before and after a tick, in ticks, are of that tick if the least lies between these.
_EARLIEST = -0.3

# A place that is so likely is what a person may confirm.
CLEAR = 0.9

Key = tuple[int | None, int]
Ends = tuple[int, int]
States = Mapping[Key, tuple[float, float]]
Notes = Sequence[tuple[float, Key]]
_NOTHING = ByEar()


# -- one track -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Ruled:
    """A step with a cycle: its place in the pass, and its chance by the pass modulo the cycle."""

    at: int
    step: CompiledStep
    chances: tuple[float, ...]


class _Voice:
    """One track at one key, for every way to lie in its pass ("lane": the place modulo the pass).

    Three states, each with a weight by lane: as listed, muted, by hand. Steps of a grid of `grid`
    ticks are told in order; what was heard on them is 0 or 1. Behind the `ways` there may be lanes
    that were added: these begin with a part, and it is known that no pass went before.
    """

    def __init__(self, steps: Sequence[CompiledStep], length: int, grid: int) -> None:
        """`length` is that of its pass, in steps of the grid."""
        self.length = length
        self._grid = grid
        self._steps = steps
        self._plans: dict[bool | None, _Listed] = {}
        self.ruled = self._plan(False).ruled
        self.begin()

    def begin(self) -> None:
        """Nothing has been heard; there is each way to lie in the pass."""
        chances = CHANCES
        stray, hand = chances.heard.stray, chances.hand_plays
        # How likely silence is, and a note, where it is muted, or played by hand.
        self._otherwise = (1 - stray, 1 - hand), (stray, hand)
        many = self.ways = self.length
        self._starts = list(range(many))
        self._listed = [1 - chances.muted - chances.by_hand] * many
        self._muted = [chances.muted] * many
        self._by_hand = [chances.by_hand] * many
        # What the latter two are to be multiplied by, the same in every lane.
        self._as_muted = self._as_by_hand = 1.0
        self._log = 0.0
        self._offsets = [0.0] * many
        self._told = 0
        # By lane, for each step with a cycle: by the number of passes before, modulo the cycle, how
        # much likelier that makes what was heard than any other on average.
        self.cycles: list[list[list[float]]] = [
            [[1.0] * len(each.chances) for each in self.ruled] for _ in self._starts
        ]
        self._lay()

    def add(self, start: int, before: tuple[float, float] | None) -> None:
        """One more lane, whose first pass begins now, on step `start` of the grid.

        `before` is how likely it was muted, and played by hand.
        """
        muted, hand = CHANCES.muted, CHANCES.by_hand
        if before is not None:
            muted, hand = before
        self._starts.append(start)
        self._listed.append(1 - muted - hand)
        self._muted.append(muted / self._as_muted)
        self._by_hand.append(hand / self._as_by_hand)
        self._offsets.append(-self._log)
        self.cycles.append([[1.0] * len(each.chances) for each in self.ruled])
        self._lay()

    def keep(self, added: Sequence[int], *, ways: bool) -> None:
        """Forget all that were added but these, and perhaps the ways to lie in the pass."""
        lanes = [*range(self.ways if ways else 0), *(self.ways + lane for lane in added)]
        self.ways = self.ways if ways else 0
        self._starts = [self._starts[lane] for lane in lanes]
        for weights in (self._listed, self._muted, self._by_hand, self._offsets):
            weights[:] = [weights[lane] for lane in lanes]
        self.cycles = [self.cycles[lane] for lane in lanes]
        self._lay()

    def _lay(self) -> None:
        # The lanes by where in a pass of the grid their passes begin.
        self._beginning: dict[int, list[int]] = {}
        for lane, start in enumerate(self._starts):
            self._beginning.setdefault(start % self.length, []).append(lane)

    def _plan(self, fill: bool | None) -> _Listed:
        plan = self._plans.get(fill)
        if plan is None:
            plan = self._plans[fill] = _Listed(self._steps, self.length, self._grid, fill)
        return plan

    def tell(self, at: int, heard: bool, fill: bool | None) -> None:
        """Whether a note was heard on step `at` of the grid."""
        self._told += 1
        if not self._starts:
            return
        plan = self._plans.get(fill) or self._plan(fill)
        as_muted, as_by_hand = self._otherwise[heard]
        length, here = self.length, at % self.length
        for lane in self._beginning.get(here, ()):
            self._turn(lane)
        opening = plan.opening
        for n, each in enumerate(plan.ruled):
            for lane in self._beginning.get((here - each.at) % length, ()):
                number = (at - self._starts[lane]) // length
                if opening and number == 0 and lane >= self.ways and each.at in opening:
                    continue
                muted = self._muted[lane] * self._as_muted
                hand = self._by_hand[lane] * self._as_by_hand
                otherwise = muted * as_muted + hand * as_by_hand
                listed = self._listed[lane]
                mean = listed * plan.likely(heard, each.at) + otherwise
                if mean < LEAST:
                    continue
                listed, otherwise = listed / mean, otherwise / mean
                likely = plan.by_pass(n, heard, number)
                vector = [
                    v * (listed * p + otherwise)
                    for v, p in zip(self.cycles[lane][n], likely, strict=True)
                ]
                mean = sum(vector) / len(vector)
                self.cycles[lane][n] = [v / mean for v in vector]
                self._offsets[lane] += log(mean)
        likely = plan.by_lane(heard, here) if self.ways else []
        added = self._starts[self.ways :]
        if added:
            likely = likely + [
                _likely(opening[(at - start) % length], heard)
                if opening and at - start < length and (at - start) % length in opening
                else plan.likely(heard, (at - start) % length)
                for start in added
            ]
        self._listed = [w * p for w, p in zip(self._listed, likely, strict=True)]
        self._as_muted *= as_muted
        self._as_by_hand *= as_by_hand
        if self._told % length == 0 or self._as_muted < LEAST:
            self._fold()

    def stray(self) -> None:
        """A note was heard where no step of the grid is."""
        stray = CHANCES.heard.stray
        self._listed = [weight * stray for weight in self._listed]
        self._as_muted *= stray
        self._as_by_hand *= CHANCES.hand_plays
        if self._starts and self._as_muted < LEAST:
            self._fold()

    def _turn(self, lane: int) -> None:
        """A pass of a lane went by, with which a mute, or a hand, may have come or gone."""
        turns, a, b = CHANCES.turns, self._as_muted, self._as_by_hand
        listed, muted, hand = self._listed[lane], self._muted[lane] * a, self._by_hand[lane] * b
        # Of what leaves a state most goes to the list, and what leaves that is muted mostly.
        stay, total = 1 - 2 * turns, (listed + muted + hand) * turns
        self._listed[lane] = listed * stay + total
        self._muted[lane] = (muted * stay + total * 0.8) / a
        self._by_hand[lane] = (hand * stay + total * 0.2) / b

    def _fold(self) -> None:
        """Bring all weights back to where they can be told from nothing."""
        a, b = self._as_muted, self._as_by_hand
        self._as_muted = self._as_by_hand = 1.0
        weights = zip(self._listed, self._muted, self._by_hand, strict=True)
        top = max(x + y * a + z * b for x, y, z in weights)
        self._listed = [x / top for x in self._listed]
        self._muted = [y * a / top for y in self._muted]
        self._by_hand = [z * b / top for z in self._by_hand]
        self._log += log(top)

    def logs(self) -> list[float]:
        """The log likelihood of all that was told, by lane, whichever pass it is."""
        a, b, whole = self._as_muted, self._as_by_hand, self._log
        weights = zip(self._listed, self._muted, self._by_hand, self._offsets, strict=True)
        return [whole + _log(x + y * a + z * b) + off for x, y, z, off in weights]

    def state(self, lane: int) -> tuple[float, float]:
        """How likely it is muted, and played by hand."""
        muted, hand = self._muted[lane] * self._as_muted, self._by_hand[lane] * self._as_by_hand
        whole = max(self._listed[lane] + muted + hand, 1e-300)
        return muted / whole, hand / whole

    def strange(self, lane: int) -> bool:
        """Whether, lying so, it plays by hand rather than by its list."""
        hand = self._by_hand[lane] * self._as_by_hand
        return hand > self._listed[lane] + self._muted[lane] * self._as_muted


class _Listed:
    """What a track's list says of each step of the grid, with a fill held, or not, or unknown."""

    def __init__(
        self, steps: Sequence[CompiledStep], length: int, grid: int, fill: bool | None
    ) -> None:
        means = [0.0] * length
        ruled = []
        # What the first pass of a part has otherwise.
        self.opening: dict[int, float] = {}
        for step in steps:
            at = step.offset // grid
            chances = chances_by_pass(step, fill)
            if step.rule.first is not None:
                plays = step.rule.first and not step.never and 1 in step.passes
                self.opening[at] = step.odds if plays else 0.0
            means[at] = sum(chances) / len(chances)
            if len(set(chances)) > 1:
                ruled.append(_Ruled(at, step, chances))
        self.ruled = tuple(ruled)
        self._likely = tuple([_likely(mean, heard) for mean in means] for heard in (False, True))
        self._by_lane: dict[tuple[bool, int], list[float]] = {}
        self._by_pass: dict[tuple[int, bool, int], list[float]] = {}

    def likely(self, heard: bool, at: int) -> float:
        """How likely what was heard is on step `at` of a pass, whichever pass it is."""
        return self._likely[heard][at]

    def by_lane(self, heard: bool, here: int) -> list[float]:
        """The same for each way to lie in the pass, where step 0 of it is at step `here`."""
        found = self._by_lane.get((heard, here))
        if found is None:
            likely = self._likely[heard]
            found = [likely[here - lane] for lane in range(len(likely))]
            self._by_lane[heard, here] = found
        return found

    def by_pass(self, n: int, heard: bool, number: int) -> list[float]:
        """The same for step `n` with a cycle, on pass `number` (0 is the first) less so many."""
        chances = self.ruled[n].chances
        number %= len(chances)
        found = self._by_pass.get((n, heard, number))
        if found is None:
            found = [_likely(chances[number - less], heard) for less in range(len(chances))]
            self._by_pass[n, heard, number] = found
        return found


def _likely(chance: float, heard: bool) -> float:
    note = heard_chance(chance, CHANCES.heard)
    return note if heard else 1 - note


def chances_by_pass(step: CompiledStep, fill: bool | None) -> tuple[float, ...]:
    """The chance of a step on passes 1, 2 ... of its cycle; once the first pass is over."""
    rule, cycle = step.rule, step.passes.period
    chance = step.odds
    if step.never or rule.first:
        chance = 0.0
    elif rule.fill is not None:
        held = CHANCES.fill if fill is None else float(fill)
        chance *= held if rule.fill else 1 - held
    if step.reads:
        # What it looks at was heard or not; either is well possible.
        chance *= 0.5
    if cycle > LONGEST_VECTOR:
        return (chance * float(step.passes.density),)
    return tuple(chance * (number in step.passes) for number in range(1, cycle + 1))


# -- the tracks of all patterns of one instrument ------------------------------------------------


class _Way(NamedTuple):
    """A way to lie in the pass of a pattern, and what the passes before are known by.

    `origin` is a step of the grid at which a pass begins; `score` what is told by all that the
    number of passes before has no part in. `factors` are (modulus, vector): the log likelihood by
    the passes before `origin`, modulo the modulus.
    """

    sheet: _Sheet
    origin: int
    score: float
    factors: tuple[tuple[int, list[float]], ...]


class _Sheet:
    """One pattern by the keys of its instrument, and the parts that play it.

    `grid` is that of its steps, in ticks; `base` a tick of the count on which they fall, None until
    that is clear, `off` how far beside their own its notes lie. `absent` are the keys that no track
    of it plays, `changes` those with which the lanes begin that were added to its voices.
    """

    def __init__(
        self, pattern: Pattern, notes: Mapping[str, NoteKey], every: Sequence[Key]
    ) -> None:
        self.pattern = pattern
        self.parts: list[Part] = []
        self.grid = gcd(pattern.pass_ticks, *(track.step_ticks for track in pattern.tracks))
        self._early, self._late = window(self.grid)
        self.length = pattern.pass_ticks // self.grid
        compiled = compile_pattern(pattern)
        keys = [_key(note) for note in notes.values()]
        # Where two tracks share one, of which a note is nobody can tell.
        self.names = {
            _key(note): name for name, note in notes.items() if keys.count(_key(note)) == 1
        }
        self.absent = tuple(key for key in every if key not in keys)
        self.voices: dict[Key, _Voice] = {}
        for key, name in self.names.items():
            track = compiled.tracks[compiled.by_name[name]]
            self.voices[key] = _Voice(track.steps, track.pass_ticks // self.grid, self.grid)
        self.begin()

    @cached_property
    def around(self) -> int:
        """After how many passes all that is heard of it comes round."""
        lengths = [
            voice.length * cycle
            for voice in self.voices.values()
            for cycle in (1, *(len(each.chances) for each in voice.ruled))
        ]
        return lcm(*(each // gcd(each, self.length) for each in lengths))

    def begin(self) -> None:
        """Nothing has been heard."""
        self.base: int | None = None
        self.off = 0.0
        self.again(0)

    def again(self, begun: int) -> None:
        """Hear it all again, since `begun`."""
        base = 0 if self.base is None else self.base
        self._next = -(-(begun + self._early - base) // self.grid)
        # How many of the notes have been taken in, and on which steps they lie.
        self._taken = 0
        self._sounded: dict[Key, set[int]] = {key: set() for key in self.voices}
        self.changes: list[_Change] = []
        self._to_come: list[_Change] = []
        for voice in self.voices.values():
            voice.begin()

    def look(self, notes: Notes, tick: int, begun: int, fill: bool | None) -> None:
        """The count is at `tick`, since `begun` it was listened to: take in what is over by now."""
        if self.base is None:
            # It is no change to it that so many passes did not show.
            least = tick - PATIENCE * self.pattern.pass_ticks
            self._to_come = [change for change in self._to_come if change.at > least]
            if tick % COMPARED or not self._find(notes, begun):
                return
            assert self.base is not None
        base, grid, early, late = self.base, self.grid, self._early, self._late
        while self._taken < len(notes) and notes[self._taken][0] < tick + 1:
            at, key = notes[self._taken]
            self._taken += 1
            voice = self.voices.get(key)
            if voice is None:
                continue
            on = round(at - self.off)
            after = (on - base + early) % grid - early
            if after <= late:
                self._sounded[key].add((on - base - after) // grid)
            else:
                voice.stray()
        while base + self._next * grid + late + 1 < tick:
            step = self._next
            self._next += 1
            while self._to_come and self._to_come[0].at <= base + step * grid:
                self._add(self._to_come.pop(0))
            for key, voice in self.voices.items():
                sounded = self._sounded[key]
                heard = step in sounded
                voice.tell(step, heard, fill)
                if heard:
                    sounded.discard(step)

    def change(self, change: _Change) -> None:
        """It may begin with `change`."""
        self._to_come.append(change)

    def _add(self, change: _Change) -> None:
        assert self.base is not None
        start, beside = divmod(change.at - self.base, self.grid)
        if not beside:
            self.changes.append(change)
            for key, voice in self.voices.items():
                voice.add(start, change.states.get(key))

    def states(self, place: Found, begun: int) -> States:
        """How likely each key is muted, and played by hand, if it is at `place`."""
        assert self.base is not None
        start = (place.counted - self.base) // self.grid
        if place.counted <= begun:
            return {key: v.state(start % v.length) for key, v in self.voices.items() if v.ways}
        lanes = [n for n, change in enumerate(self.changes) if change.at == place.counted]
        return {k: v.state(v.ways + lane) for k, v in self.voices.items() for lane in lanes}

    def keep(self, changes: Collection[_Change]) -> None:
        """Forget all changes but these, and those that are to come."""
        lanes = [n for n, change in enumerate(self.changes) if change in changes]
        if len(lanes) < len(self.changes):
            self._forget(lanes, ways=True)

    def give_up(self) -> None:
        """It has not played all along."""
        self._forget(range(len(self.changes)), ways=False)

    def _forget(self, lanes: Sequence[int], *, ways: bool) -> None:
        self.changes = [self.changes[lane] for lane in lanes]
        for voice in self.voices.values():
            voice.keep(lanes, ways=ways)

    def falls_on(self, tick: int) -> bool:
        """Whether a step of its grid does, as far as it is known by now."""
        return self.base is not None and (tick - self.base) % self.grid == 0

    def _find(self, notes: Notes, begun: int) -> bool:
        """Find the ticks on which its steps fall, where that is clear."""
        own = [at for at, key in notes[-GRID_LATEST:] if key in self.voices]
        if len(own) < GRID_NOTES:
            return False
        east = sum(cos(2 * pi * at) for at in own)
        north = sum(sin(2 * pi * at) for at in own)
        if hypot(east, north) < 0.5 * len(own):
            return False
        off = atan2(north, east) / (2 * pi)
        if off < _EARLIEST:
            off += 1
        many = [0] * self.grid
        for at in own:
            many[round(at - off) % self.grid] += 1
        weights = []
        for base in range(self.grid):
            weight = 0.0
            for at, times in enumerate(many):
                late = (at - base + self._early) % self.grid - self._early
                how = _ON if late == 0 else _OFF if late in (-1, 1) else _SWUNG
                weight += times * log(how if late <= self._late else _ASTRAY)
            weights.append(weight)
        base = max(range(self.grid), key=lambda each: weights[each])
        rest = [weight for each, weight in enumerate(weights) if each != base]
        if rest and _sum(rest) > weights[base] - log(GRID_ODDS):
            return False
        self.base, self.off = base, off
        to_come = self._to_come
        self.again(begun)
        self._to_come = to_come
        return True

    def ways(self, heard: _Heard, first: int) -> Iterator[tuple[float, int]]:
        """For each way to lie in the pass, at most how likely it is, and where a pass begins.

        The latest that begins at step `first` of the grid, or sooner.
        """
        fixed = [sum(heard.silent[key] for key in self.absent)] * self.length
        for key, logs in heard.logs[id(self)].items():
            bounds = [
                each + sum(log(max(v)) for v in vectors)
                for each, vectors in zip(logs, self.voices[key].cycles, strict=False)
            ]
            if self.length % len(bounds):
                most = max(bounds)
                fixed = [each + most for each in fixed]
            else:
                times = self.length // len(bounds)
                fixed = [x + y for x, y in zip(fixed, bounds * times, strict=True)]
        for way, bound in enumerate(fixed):
            yield bound, first - (first - way) % self.length

    def changed(self, room: _Room) -> list[tuple[float, bool]]:
        """For each of its changes the log likelihood of it, and all before.

        Also whether enough tracks speak for it, and few enough play something else.
        """
        other, listed = log(CHANCES.other_track), log(1 - CHANCES.other_track)
        rule, whole = CHANCES.other_rule, room.whole
        spans = [room.since(change) for change in self.changes]
        scores = [change.before(self) - whole for change in self.changes]
        speak, strange = [0] * len(scores), [0] * len(scores)
        for key in self.absent:
            for lane, span in enumerate(spans):
                alone, absent, by_hand = span[key]
                scores[lane] += _two(absent + listed, max(alone, absent) + other)
                strange[lane] += by_hand
        for key, voice in self.voices.items():
            logs = voice.logs()[voice.ways :]
            for lane, span in enumerate(spans):
                alone, absent, _ = span[key]
                told = _two(logs[lane] + listed, max(alone, absent, logs[lane]) + other)
                scores[lane] += told
                speak[lane] += told - alone > SPEAKS
                strange[lane] += voice.strange(voice.ways + lane)
                if room.recounts:
                    for vector in voice.cycles[voice.ways + lane]:
                        scores[lane] += log(vector[0] * (1 - rule) + rule)
        # Keys that tracks share tell nothing, here or anywhere.
        for lane, span in enumerate(spans):
            scores[lane] += sum(
                span[k][0] for k in room.keys if k not in self.absent and k not in self.voices
            )
        return [(score, _enough(n, m)) for score, n, m in zip(scores, speak, strange, strict=True)]

    def way(self, heard: _Heard, origin: int) -> _Way:
        """All that is known of lying so."""
        score, whole = sum(heard.silent[key] for key in self.absent), self.length
        vectors: dict[int, list[float]] = {}

        def add(modulus: int, of: Callable[[int], float]) -> None:
            """`of` says what a beginning of the count tells."""
            into = vectors.setdefault(modulus, [0.0] * modulus)
            for passes in range(modulus):
                into[passes] += of(origin - whole * passes)

        def in_track(key: Key, began: int) -> float:
            logs = heard.logs[id(self)][key]
            return logs[began % len(logs)]

        def in_cycle(key: Key, n: int, began: int) -> float:
            length = self.voices[key].length
            vector = heard.cycles(self, key, began % length)[n]
            return vector[began // length % len(vector)]

        for key, voice in self.voices.items():
            length = voice.length
            ways = length // gcd(length, whole)
            if ways == 1:
                score += in_track(key, origin)
            else:
                add(ways, partial(in_track, key))
            for n, each in enumerate(voice.ruled):
                cycle = len(each.chances) * length
                add(cycle // gcd(cycle, whole), partial(in_cycle, key, n))
        return _Way(self, origin, score, tuple(sorted(vectors.items())))


class _Heard:
    """What has been heard by now, each track's word bounded; made anew for each comparison."""

    def __init__(self, room: _Room, *, other_rule: float | None = None) -> None:
        self._other = CHANCES.other_rule if other_rule is None else other_rule
        self.logs: dict[int, dict[Key, list[float]]] = {}
        self._cycles: dict[tuple[int, Key, int], list[list[float]]] = {}
        raw = {
            id(sheet): {key: voice.logs()[: voice.ways] for key, voice in sheet.voices.items()}
            for sheet in room.ready
        }
        other, listed = log(CHANCES.other_track), log(1 - CHANCES.other_track)
        alone = {key: room.alone(key) for key in room.keys}
        absent = {key: room.absent(key) for key in room.keys}
        self.by_hand = frozenset(key for key, (_, by_hand) in absent.items() if by_hand)
        rest = {key: max(alone[key], absent[key][0]) for key in room.keys}
        for logs_of in raw.values():
            for key, logs in logs_of.items():
                rest[key] = max(rest[key], _sum(logs) - log(len(logs)))
        for sheet, logs_of in raw.items():
            self.logs[sheet] = {
                key: [_two(each + listed, rest[key] + other) - alone[key] for each in logs]
                for key, logs in logs_of.items()
            }
        self.silent = {
            key: _two(absent[key][0] + listed, rest[key] + other) - alone[key] for key in room.keys
        }

    def cycles(self, sheet: _Sheet, key: Key, lane: int) -> list[list[float]]:
        """The log likelihoods of the steps with a cycle, each by its passes before: against all."""
        found = self._cycles.get((id(sheet), key, lane))
        if found is None:
            other = self._other
            found = []
            for vector in sheet.voices[key].cycles[lane]:
                found.append([_log(v * (1 - other) + other) for v in vector])
            self._cycles[id(sheet), key, lane] = found
        return found


class Expected(NamedTuple):
    """At tick `at` a change may come.

    `weights` are of the patterns that play before, in logs, `states` how likely each key is muted,
    and played by hand.
    """

    at: int
    weights: Mapping[int, float]
    states: States


class _Change:
    """What plays may have been changed by hand at tick `at`, which nobody told.

    `told` and `counts` are what had been heard by then, `states` how likely each key was muted, and
    played by hand. `all` is how likely all that is, in logs, and `but` without one pattern.
    """

    def __init__(self, at: int, told: int, counts: dict[Key, int], states: States) -> None:
        self.at, self.told, self.counts, self.states = at, told, counts, states
        self.all = -inf
        self.but: dict[int, float] = {}

    def weigh(self, weights: Mapping[int, float], more: float, recounts: bool) -> None:
        """`weights` are those of the patterns that had played, in logs, and `more` of each."""
        self.all = _sum(weights.values()) + more
        if not recounts:
            # To choose the same again is no change, as far as anybody can hear.
            self.but = {
                sheet: _sum(w for each, w in weights.items() if each != sheet) + more
                for sheet in weights
            }

    def before(self, sheet: _Sheet | None) -> float:
        """How likely all before is, and that it changed to the pattern (None: to none of them)."""
        return self.all if sheet is None else self.but.get(id(sheet), self.all)


class _Room:
    """One instrument: what is heard of its keys, and the patterns it may play them by."""

    def __init__(self, setlist: SetList, parts: Sequence[Part]) -> None:
        name = parts[0].instrument
        self.instrument = None if name is None else setlist.instruments[name]
        self.recounts = self.instrument is None or self.instrument.recount
        # By the change, to each of its parts or to something else.
        self.share = log(CHANCES.changed / (len(parts) + 1))
        noted = {part.number: setlist.notes_of(part) for part in parts}
        self.keys = tuple(
            dict.fromkeys(_key(note) for notes in noted.values() for note in notes.values())
        )
        self.all: list[_Sheet] = []
        for part in parts:
            sheet = next((s for s in self.all if s.pattern is part.pattern), None)
            if sheet is None:
                sheet = _Sheet(part.pattern, noted[part.number], self.keys)
                self.all.append(sheet)
            sheet.parts.append(part)
        self.begin(0)

    def begin(self, tick: int) -> None:
        """Nothing has been heard before `tick`."""
        # Where notes lie, in ticks of the count.
        self._notes: list[tuple[float, Key]] = []
        self._begun = tick
        self.sheets = list(self.all)
        for sheet in self.sheets:
            sheet.begin()
        self._forget()

    def again(self) -> None:
        """Hear it all again."""
        for sheet in self.all:
            sheet.again(self._begun)
        self._forget()

    def _forget(self) -> None:
        self._tick = self._begun
        self._taken = 0
        self._counts = dict.fromkeys(self.keys, 0)
        self.changes: list[_Change] = []

    def change(self, expected: Expected) -> None:
        """Something may have been changed."""
        change = _Change(expected.at, self._told, dict(self._counts), expected.states)
        change.weigh(expected.weights, self.whole + self.share, self.recounts)
        self.changes.append(change)
        for sheet in self.all:
            if change.before(sheet) > -inf:
                sheet.change(change)

    def since(self, change: _Change) -> dict[Key, tuple[float, float, bool]]:
        """What each key played since `change`, in logs: alone, absent, and whether by hand."""
        found = {}
        told = self._told - change.told
        for key, count in self._counts.items():
            heard = count - change.counts[key]
            steps = max(told, heard)
            found[key] = _alone(steps, heard), *_absent(steps, heard)
        return found

    @property
    def whole(self) -> float:
        """What all keys played, if each note comes as often as it came: log likelihood."""
        return sum(self.alone(key) for key in self.keys)

    @property
    def _told(self) -> int:
        return (self._tick - self._begun) // TICKS_PER_SONG_POSITION

    def changed(self) -> Iterator[tuple[_Change, _Sheet | None, float, bool]]:
        """What may play since a change, None for no pattern of the set, with its log likelihood.

        Also whether enough of it speaks for that.
        """
        whole = self.whole
        for change in self.changes:
            alone = sum(each[0] for each in self.since(change).values())
            yield change, None, change.all + alone - whole, False
        for sheet in self.all:
            if sheet.changes:
                for change, (score, speaks) in zip(sheet.changes, sheet.changed(self), strict=True):
                    yield change, sheet, score, speaks

    def keep(self, alive: Mapping[int | None, Collection[_Change]]) -> None:
        """Forget all changes but these, by the pattern that began (None: none of the set)."""
        for sheet in self.all:
            sheet.keep(alive.get(id(sheet), ()))
        self.changes = [change for change in self.changes if change in alive.get(None, ())]

    def listen_for(self, sheets: Sequence[_Sheet]) -> None:
        """Pass over all patterns but these, until there is a change."""
        for sheet in self.sheets:
            if sheet not in sheets:
                sheet.give_up()
        self.sheets = list(sheets)

    def take(self, at: float, channel: int, note: int) -> None:
        """A note began at `at`, in ticks of the count."""
        key: Key = channel, note
        if key not in self._counts:
            key = None, note
            if key not in self._counts:
                return
        self._notes.append((at, key))

    def look(self, tick: int, fill: bool | None) -> None:
        """The count is at `tick`: take in what is over by now."""
        self._tick, notes = tick, self._notes
        while self._taken < len(notes) and notes[self._taken][0] < tick + 1:
            self._counts[notes[self._taken][1]] += 1
            self._taken += 1
        for sheet in self.all:
            sheet.look(notes, tick, self._begun, fill)

    @property
    def ready(self) -> list[_Sheet]:
        """The patterns whose steps are heard by now."""
        return [sheet for sheet in self.sheets if sheet.base is not None]

    def alone(self, key: Key) -> float:
        """The log likelihood of what a key played, if each note comes as often as it came."""
        return _alone(*self._steps(key))

    def absent(self, key: Key) -> tuple[float, bool]:
        """The same if no track plays it, and whether a hand does."""
        return _absent(*self._steps(key))

    def _steps(self, key: Key) -> tuple[int, int]:
        """How many sixteenths went by, and on how many a key was heard."""
        heard = self._counts[key]
        return max(self._told, heard), heard

    @property
    def full(self) -> bool:
        """Whether more has been heard than is of any use."""
        return len(self._notes) > MOST_NOTES

    @property
    def passes(self) -> float:
        """How many passes of the longest pattern went by."""
        longest = max(sheet.pattern.pass_ticks for sheet in self.all)
        return (self._tick - self._begun) / longest

    def hears(self, port: str, matches: Matches) -> bool:
        """Whether what arrives on `port` may be its own."""
        named = None if self.instrument is None else self.instrument.port
        return named is None or matches(named, port)


def _key(note: NoteKey) -> Key:
    return note.channel, note.number


@lru_cache(maxsize=8192)
def _alone(told: int, heard: int) -> float:
    """The log likelihood of notes on `heard` of `told` sixteenths, if the chance is unknown.

    Jeffreys' prior (Krichevsky and Trofimov, 1981; from memory).
    """
    return lgamma(heard + 0.5) + lgamma(told - heard + 0.5) - lgamma(told + 1) - 2 * lgamma(0.5)


def _absent(told: int, heard: int) -> tuple[float, bool]:
    """The same if no track plays it, and whether a hand does."""
    stray, hand = CHANCES.heard.stray, CHANCES.hand_plays
    silent = heard * log(stray) + (told - heard) * log(1 - stray)
    played = heard * log(hand) + (told - heard) * log(1 - hand) + log(CHANCES.by_hand)
    return _two(silent, played), played > silent


def _enough(speak: int, strange: int) -> bool:
    """Whether so many tracks that speak for a place are enough, where others play by hand."""
    return speak >= LEAST_SPEAKERS + FOR_EACH_STRANGE * strange


# -- places --------------------------------------------------------------------------------------


class Found(NamedTuple):
    """Where it may be: `start` is the count at the part's tick 0, `weight` its share of all.

    `passes` are those before the running one, `counted` the count at which its instrument's own
    count began: before the part, if it does not begin anew with each. `alike` is the same for all
    that can never be told apart by what is listed, `shown` for all that differ in rare steps only.
    `told` is what was heard of it, a log likelihood.
    """

    part: int
    start: int
    counted: int
    passes: int
    weight: float
    alike: tuple[int, int, int]
    shown: tuple[int, int]
    told: float


def joined(
    factors: Sequence[tuple[int, list[float]]], until: int | None
) -> tuple[list[tuple[int, float]], int]:
    """Numbers with their sums over `factors`, (modulus, vector): vector[number % modulus] of each.

    All numbers below `until`, or without it below the least common multiple of the moduli, which is
    returned beside; but for those that are far below the best.
    """
    whole = lcm(*(modulus for modulus, _ in factors)) if factors else 1
    most = whole if until is None else until
    if most <= MOST_PASSES:
        found = [(n, sum(v[n % m] for m, v in factors)) for n in range(most)]
    else:
        found, known = [(0, 0.0)], 1
        # The most telling first.
        for modulus, vector in sorted(factors, key=lambda f: min(f[1]) - max(f[1])):
            shared, both = gcd(known, modulus), lcm(known, modulus)
            turns = modulus // shared
            inverse = pow(known // shared, -1, turns) if turns > 1 else 0
            wider = []
            for number, score in found:
                for residue in range(number % shared, modulus, shared):
                    # Chinese remainder theorem.
                    steps = (residue - number) // shared * inverse % turns
                    wider.append((number + known * steps, score + vector[residue]))
            known = both
            top = max(score for _, score in wider)
            wider.sort(key=lambda each: -each[1])
            found = [each for each in wider[:MOST_JOINED] if each[1] > top - FAR]
        if until is not None:
            found = [(at, score) for n, score in found for at in range(n, until, whole)]
    if not found:
        return [], whole
    top = max(score for _, score in found)
    return [each for each in found if each[1] > top - FAR], whole


# -- who listens ---------------------------------------------------------------------------------


class _Weighed(NamedTuple):
    """All places, the likeliest first.

    `speaks` is whether enough tracks speak for a place, by part and start, `rest` the share of what
    is no place. `ends` are the ticks of the count at which passes may end, by room, as (tick modulo
    length, length), and how likely that is, `before` by pattern the logs of what then is over.
    """

    found: list[Found]
    speaks: dict[tuple[int, int], bool]
    rest: float
    ends: dict[tuple[int, Ends], float]
    before: dict[tuple[int, Ends], dict[int, float]]


class Ears:
    """Listens for the place of one set while the count is unsure. One caller at a time.

    `says` is what is known by now. `any` is whether the set names notes at all.
    """

    def __init__(self, setlist: SetList, matches: Matches) -> None:
        self._setlist = setlist
        self._matches = matches
        self._begun: int | None = None
        self._compared = self._tick = 0
        self._doubt = 0.0
        # The worlds when last looked at, and the places of those that mattered.
        self._worlds: Belief = ()
        self._known: set[tuple[int, int | None]] = set()
        # The parts that may go on beyond their ends.
        self._over: set[int] = set()
        # Where passes end by all that is likely, by room, and what may change with the next tick.
        self._ends: set[tuple[int, Ends]] = set()
        self._changes: dict[int, Expected] = {}
        # What was found and is listened to for a while, until such a tick; by what it was weighed.
        self._found: set[tuple[int, int]] = set()
        self._until = 0
        self._prior: _Prior | None = None
        self.says = _NOTHING
        self.any = any(setlist.notes_of(part) for part in setlist.parts)

    @cached_property
    def _rooms(self) -> list[_Room]:
        """Made when first needed: a set that starts with a start needs no ears."""
        by_instrument: dict[str | None, list[Part]] = {}
        for part in self._setlist.parts:
            if self._setlist.notes_of(part):
                by_instrument.setdefault(part.instrument, []).append(part)
        return [_Room(self._setlist, parts) for parts in by_instrument.values()]

    def hear(self, port: str, t_ns: int, message: Sequence[int], conductor: Conductor) -> None:
        """Take one channel message that arrived on `port` at `t_ns`."""
        if self._begun is None:
            return
        heard = parse(message)
        if heard is None or heard.kind is not Kind.NOTE or not heard.on:
            return
        ticks = conductor.ticks
        period_ns = ticks.period_ns
        if not period_ns:
            return
        # Behind a tick that was held up it was held up as well: it is of that tick.
        due_ns = ticks.time_of(ticks.ticks)
        late = conductor.clock_ns - due_ns > period_ns / 2
        at = ticks.ticks + (t_ns - (conductor.clock_ns if late else due_ns)) / period_ns
        for room in self._rooms:
            if room.hears(port, self._matches):
                room.take(at, heard.channel, heard.number)

    def ticked(self, conductor: Conductor, fill: bool | None) -> bool:
        """Tell that a tick may have been counted; `fill` is whether a fill is held, if known.

        Returns whether the place was found just now.
        """
        others = self._look_at(conductor)
        listens = conductor.listens
        # Of an instrument of our own nothing is heard once it is found.
        watches = self._found and conductor.state is State.RUNNING and not conductor.rehearses
        if not (listens or watches):
            if self._begun is not None:
                self._end()
            return False
        ticks = conductor.ticks
        tick, before = ticks.ticks, self._tick
        self._tick = tick
        # Where another count becomes the likeliest, what was heard lies elsewhere by it; and where
        # something new may have begun, it says nothing of that.
        moved = tick < before or (tick > before + 1 and not ticks.sure)
        # Nor of ticks that may have been lost since.
        doubt, doubted = (
            0.0 if ticks.sure else ticks.wrong_by_one + ticks.wrong_by_more,
            self._doubt,
        )
        moved = moved or doubt > 1.5 * doubted + NEW_DOUBT
        self._doubt = doubt
        moved = moved or others
        if not listens and (moved or tick > self._until):
            self._end()
            return False
        if self._begun is None or moved:
            self._begin(tick)
        for n, change in list(self._changes.items()):
            if change.at <= tick:
                del self._changes[n]
                self._rooms[n].change(change)
        for room in self._rooms:
            room.look(tick, fill)
        if not self._due(tick):
            return False
        self._compared = tick
        return self._compare(conductor, tick, fill)

    # -- inside ------------------------------------------------------------------------------

    def _see_over(self, conductor: Conductor) -> None:
        """Take in which parts may go on beyond their ends, before other worlds are believed in.

        One that was beyond it when its place was lost, and the one before: that it is over is known
        by the count alone.
        """
        for world in matter(self._worlds) if self._worlds else ():
            if world.part and world.start is not None:
                planned = ends_by_plan(self._setlist, world.part)
                if planned is not None and conductor.ticks.ticks - world.start >= planned:
                    self._over = {world.part}
                else:
                    self._over.discard(world.part)

    def _look_at(self, conductor: Conductor) -> bool:
        """Whether there are worlds that were not there before."""
        worlds = conductor.situation.worlds
        if worlds is self._worlds:
            return False
        self._see_over(conductor)
        self._worlds, before = worlds, self._known
        self._known = {(world.part, world.start) for world in matter(worlds)}
        return not self._known <= before

    def _begin(self, tick: int) -> None:
        for room in self._rooms:
            room.begin(max(tick, 0))
        # Nothing is heard of what was before the first tick.
        self._begun = self._compared = max(tick, 0)
        self._ends, self._changes = set(), {}
        self._found, self._prior = set(), None
        self.says = _NOTHING

    def _end(self) -> None:
        self._begun, self._found, self.says = None, set(), _NOTHING

    def _due(self, tick: int) -> bool:
        """Whether to compare: before a pass ends, and once in a while."""
        if not self._ends:
            return tick // COMPARED != self._compared // COMPARED
        ends = any((tick + 1 - at) % length == 0 for _, (at, length) in self._ends)
        return ends or tick - self._compared >= COMPARED

    def _compare(self, conductor: Conductor, tick: int, fill: bool | None) -> bool:
        """Weigh all places against each other; hand on what is found."""
        begun = self._begun
        if begun is None or not any(room.ready for room in self._rooms):
            return False
        prior = self._prior or _Prior(self._setlist, conductor, self._over)
        weighed = self._weigh(prior, begun, tick)
        likely = {end for end, share in weighed.ends.items() if share > LIKELY}
        if not likely <= self._ends:
            # What changed where nobody knew that a pass may have ended is looked for now.
            longest = max(length for _, (_, length) in likely)
            if tick - begun > LOOKED_BACK * longest:
                self._begin(tick)
                return False
            self._ends |= likely
            weighed = self._again(prior, begun, tick, fill)
        self._ends = {end for end in self._ends if weighed.ends.get(end, 0.0) > UNLIKELY}
        self._expect(weighed, begun, tick)
        found = weighed.found
        if not found:
            return False
        best = found[0]
        speaks = weighed.speaks[best.part, best.start]
        if speaks and self._settled(conductor, prior, found, tick):
            return True
        if self._found:
            self._doubts(conductor, prior, weighed, tick)
            return False
        most = max(room.passes for room in self._rooms if room.ready)
        lost = weighed.rest > 0.99 and most > PATIENCE
        if lost or any(room.full for room in self._rooms):
            self._begin(tick)
            return False
        self._say(conductor, found, tick, speaks)
        return False

    def _again(self, prior: _Prior, begun: int, tick: int, fill: bool | None) -> _Weighed:
        """Hear it all again, with a change at each tick at which a pass may have ended."""
        self._changes = {}
        for room in self._rooms:
            room.again()
        ends = {
            at
            for _, (end, length) in self._ends
            for at in range(begun + 1 + (end - begun - 1) % length, tick + 1, length)
        }
        for at in sorted(ends):
            for room in self._rooms:
                room.look(at, fill)
            self._expect(self._weigh(prior, begun, at), begun, at - 1)
            for n, change in self._changes.items():
                self._rooms[n].change(change)
            self._changes = {}
        for room in self._rooms:
            room.look(tick, fill)
        return self._weigh(prior, begun, tick)

    def _expect(self, weighed: _Weighed, begun: int, tick: int) -> None:
        """Where a pass may end with `tick`, something may change with the next one."""
        for n, room in enumerate(self._rooms):
            before: dict[int, list[float]] = {}
            for end in self._ends:
                if end[0] == n and (tick + 1 - end[1][0]) % end[1][1] == 0:
                    for sheet, weight in weighed.before.get(end, {}).items():
                        before.setdefault(sheet, []).append(weight)
            if before:
                sheets = {id(sheet): sheet for sheet in room.all}
                best = next((each for each in weighed.found if each.alike[0] in sheets), None)
                states = {} if best is None else sheets[best.alike[0]].states(best, begun)
                weights = {sheet: _sum(each) for sheet, each in before.items()}
                self._changes[n] = Expected(tick + 1, weights, states)

    def _weigh(self, prior: _Prior, begun: int, tick: int) -> _Weighed:
        """Weigh all places by what was heard from the count `begun` to `tick`."""
        bounds: list[tuple[float, int, int, _Sheet, _Heard]] = []
        for n, room in enumerate(self._rooms):
            heard = _Heard(room)
            for sheet in room.ready:
                assert sheet.base is not None
                first = (begun - sheet.base) // sheet.grid
                for bound, origin in sheet.ways(heard, first):
                    bounds.append((bound, origin, n, sheet, heard))
        if not bounds:
            return _Weighed([], {}, 1.0, {}, {})
        bounds.sort(key=lambda each: -each[0])
        top = bounds[0][0]
        for room in self._rooms:
            hopeful = {id(b[3]) for b in bounds if b[0] > top - HOPELESS}
            if any(id(sheet) not in hopeful for sheet in room.ready):
                room.listen_for([s for s in room.sheets if s.base is None or id(s) in hopeful])
        found: list[Found] = []
        speaks: dict[tuple[int, int], bool] = {}
        before: dict[tuple[int, Ends], dict[int, list[float]]] = {}
        most = {id(sheet): log(prior.most(sheet)) for _, _, _, sheet, _ in bounds}
        rest = [log(prior.nothing)]

        def ended(n: int, sheet: _Sheet, at: int, weights: list[float]) -> None:
            length = sheet.pattern.pass_ticks
            of = before.setdefault((n, (at % length, length)), {})
            of.setdefault(id(sheet), []).extend(weights)

        for many, (bound, origin, n, sheet, heard) in enumerate(bounds):
            if bound < top - FAR:
                rest += [bound + most[id(sheet)] for bound, _, _, sheet, _ in bounds[many:]]
                break
            assert sheet.base is not None
            at = sheet.base + origin * sheet.grid
            if many >= MOST_WAYS:
                rest.append(bound + most[id(sheet)])
                ended(n, sheet, at, rest[-1:])
                continue
            way = sheet.way(heard, origin)
            believed = self._believed(heard, way)
            places, untold = self._places(way, prior, begun, tick)
            found += places
            rest += untold
            for each in places:
                speaks[each.part, each.start] = believed
            ended(n, sheet, at, [each.weight for each in places])
        changed: list[tuple[int, _Change, _Sheet | None, float]] = []
        for n, room in enumerate(self._rooms):
            for change, to, score, enough in room.changed():
                changed.append((n, change, to, score))
                if to is None or not room.recounts or not to.falls_on(change.at):
                    # Nobody knows how likely it is that it plays all along.
                    rest.append(score)
                    continue
                places = list(self._begun_by(change, to, begun, tick, score))
                found += places
                for each in places:
                    speaks[each.part, each.start] = enough
                ended(n, to, change.at, [each.weight for each in places])
        whole = _sum([each.weight for each in found] + rest)
        for n, room in enumerate(self._rooms):
            alive: dict[int | None, list[_Change]] = {}
            for m, change, to, score in changed:
                if m == n and score > whole - FORGOTTEN:
                    alive.setdefault(None if to is None else id(to), []).append(change)
            room.keep(alive)
        found = [
            each._replace(weight=exp(each.weight - whole))
            for each in sorted(found, key=lambda each: -each.weight)
        ]
        summed = {
            end: {sheet: _sum((*weights, rest[0])) for sheet, weights in of.items()}
            for end, of in before.items()
        }
        ends = {end: exp(_sum(of.values()) - whole) for end, of in summed.items()}
        return _Weighed(found, speaks, exp(_sum(rest) - whole), ends, summed)

    def _begun_by(
        self, change: _Change, sheet: _Sheet, begun: int, tick: int, score: float
    ) -> Iterator[Found]:
        """The places of a pattern that began with `change`."""
        length, at = sheet.pattern.pass_ticks, change.at
        passes = (tick - at) // length
        assert sheet.base is not None
        # What it is like, if it had been so all along.
        first = sheet.base + (begun - sheet.base) // sheet.grid * sheet.grid
        ticks = first - (first - at) % length
        alike = id(sheet), ticks, (ticks - at) // length % sheet.around
        for part in sheet.parts:
            ends = ends_by_plan(self._setlist, part.number) is not None
            around = at if ends else at % part.pattern.phrase_ticks
            yield Found(part.number, at, at, passes, score, alike, (part.number, around), score)

    def _doubts(self, conductor: Conductor, prior: _Prior, weighed: _Weighed, tick: int) -> None:
        """Take in how likely what was found still is."""
        # Silence, or what nobody listed, speaks for no other place.
        whole = sum(each.weight for each in weighed.found)
        here = sum(each.weight for each in weighed.found if self._as_found(each, weighed.found))
        if here > (1 - DOUBTED) * whole or not whole:
            if here < SETTLED * whole:
                # It is not over before that is clear.
                self._until = max(self._until, tick + COMPARED)
            return
        self._found, self._prior = set(), prior
        conductor.unseen(UNLIKE_FOUND)
        self._look_at(conductor)

    def _as_found(self, place: Found, found: Sequence[Found]) -> bool:
        """Whether that is the place that was found, or none that could be told apart from it."""
        if (place.part, place.start) in self._found:
            return True
        if ends_by_plan(self._setlist, place.part) is not None:
            return False
        return any(
            (each.part, each.start) in self._found
            and (each.alike, each.shown) == (place.alike, place.shown)
            for each in found
        )

    def _settled(self, conductor: Conductor, prior: _Prior, found: list[Found], tick: int) -> bool:
        """Whether that is clear enough; then it is handed on."""
        best, least, begun = found[0], 1 / CHANCES.odds, self._begun
        assert begun is not None
        if self._found and self._as_found(best, found):
            return False
        instrument = self._setlist.parts[best.part - 1].instrument
        if instrument is not None and self._setlist.instruments[instrument].at_once:
            # It may have changed at any tick.
            return False
        alike = {each.shown for each in found if each.alike == best.alike}
        near = [each for each in found if each.shown in alike]
        if 1 - sum(each.weight for each in near) > least:
            return False
        near = [each for each in near if each.alike[:2] == best.alike[:2]]
        if any(each.alike != best.alike for each in near):
            # They differ in nothing but rare steps. What each of them says of itself is what comes
            # of it, whatever its list says: here a step is believed on its word alone.
            near = self._by_its_word(near)
            best = near[0]
            others = sum(each.weight for each in near if each.alike != best.alike)
            if others > least * sum(each.weight for each in near):
                return False
        at: dict[tuple[int, int], float] = {}
        for each in near:
            if each.alike == best.alike and each.weight > least * best.weight:
                place = each.part, each.start
                if each.shown == best.shown and each.start > begun:
                    # It may have begun again as a phrase of it did, and nothing is different.
                    place = best.part, best.start
                at[place] = at.get(place, 0.0) + each.weight / best.weight
        if at.keys() == prior.matter:
            # Nothing that is listed tells them apart.
            self.says = _NOTHING
            return False
        if any(part in prior.beyond for part, _ in at):
            # It may as well play on beyond its end, or have begun again by hand.
            return False
        # What cannot be ruled out matters, however much the plan speaks against it.
        conductor.found_by_ear(
            [Place(*place, max(weight, 2 * WEIGHTS.line)) for place, weight in at.items()]
        )
        self._look_at(conductor)
        self._found, self._prior, self.says = set(at), prior, _NOTHING
        length = self._setlist.parts[best.part - 1].pattern.pass_ticks
        self._until = tick + WATCHED * length
        return True

    def _by_its_word(self, near: list[Found]) -> list[Found]:
        """The same places by what is heard of rules that are taken to be as listed."""
        _, ticks, _ = near[0].alike
        room, sheet = next(
            (room, s) for room in self._rooms for s in room.all if id(s) == near[0].alike[0]
        )
        if sheet not in room.ready:
            # All of them began with a change.
            return near
        heard = _Heard(room, other_rule=0.0)
        assert sheet.base is not None
        way = sheet.way(heard, (ticks - sheet.base) // sheet.grid)
        found = []
        for each in near:
            told = each.told
            if each.alike[1] >= each.counted:
                passes = (ticks - each.counted) // sheet.pattern.pass_ticks
                told = way.score + sum(v[passes % m] for m, v in way.factors)
            found.append(each._replace(weight=_log(each.weight) - each.told + told))
        top = max(each.weight for each in found)
        found = [each._replace(weight=exp(each.weight - top)) for each in found]
        return sorted(found, key=lambda each: -each.weight)

    def _places(
        self, way: _Way, prior: _Prior, begun: int, tick: int
    ) -> tuple[list[Found], list[float]]:
        """The places that lie so, with the logs of their weights; and those of what is no place.

        The part had begun by the count `begun`, when listening began, and was not over; by now, at
        `tick`, it may well be: while the place is in doubt nobody is told to change.
        """
        found: list[Found] = []
        untold = []
        sheet, pattern = way.sheet, way.sheet.pattern
        assert sheet.base is not None
        ticks, length = sheet.base + way.origin * sheet.grid, pattern.pass_ticks
        phrase = lcm(pattern.phrase_ticks, length) // length
        told = lcm(*(modulus for modulus, _ in way.factors))
        for part in sheet.parts:
            until, planned = None, ends_by_plan(self._setlist, part.number)
            factors = way.factors
            if planned is None:
                # Its phrases are to be told apart, too.
                factors = (*factors, (phrase, [0.0] * phrase))
            else:
                until = max(-(-(planned - (begun - ticks)) // length), 0)
            most = None if until is None else max(until, prior.reach(part, ticks, length))
            numbers, whole = joined(factors, most)
            somewhere = prior.untold(part)
            if somewhere and numbers:
                best = max(score for _, score in numbers)
                untold.append(way.score + best + log(somewhere))
            for passes, score in numbers:
                for start, counted, weight in prior.of(part, ticks, passes, length * whole, until):
                    around = start if planned is not None else start % pattern.phrase_ticks
                    found.append(
                        Found(
                            part.number,
                            start,
                            counted,
                            (tick - start) // length,
                            way.score + score + log(weight),
                            (id(sheet), ticks, passes % told),
                            (part.number, around),
                            way.score + score,
                        )
                    )
        return found, untold

    def _believed(self, heard: _Heard, way: _Way) -> bool:
        """Whether enough tracks speak for lying so, and few enough play something else."""
        speak, strange = 0, sum(key in heard.by_hand for key in way.sheet.absent)
        for key, logs in heard.logs[id(way.sheet)].items():
            voice = way.sheet.voices[key]
            ways = voice.length // gcd(voice.length, way.sheet.length)
            lanes = [(way.origin - way.sheet.length * n) % voice.length for n in range(ways)]
            best = max(lanes, key=lambda lane: logs[lane])
            speak += logs[best] > SPEAKS
            strange += voice.strange(best)
        return _enough(speak, strange)

    def _say(self, conductor: Conductor, found: list[Found], tick: int, speaks: bool) -> None:
        """Put what is known by now into words; `speaks` is whether enough tracks speak for it."""
        likely = [each for each in found if each.weight > 0.01 * found[0].weight]
        sheets = list(dict.fromkeys(each.alike[0] for each in likely))
        names = list(
            dict.fromkeys(self._setlist.parts[each.part - 1].pattern.name for each in likely)
        )
        if sum(each.weight for each in likely) < 0.9 or len(names) > 2:
            self.says = ByEar("listening for the place", "press 1 on the one, or wait")
            return
        words = f"listening: {' or '.join(names)}"
        if len(sheets) == 1:
            words += _passes(self._setlist.parts[likely[0].part - 1].pattern, likely)
        settles = self._settles(likely, tick)
        helps = f"{settles} tells, or press 1 on the one" if settles else "press 1 on the one"
        best = likely[0]
        place = Place(best.part, best.start, 1.0) if best.weight > CLEAR else None
        # Where a count is on the screen, `c` means that one.
        if len(likely) > 1 or not speaks or conductor.state is not State.READY:
            place = None
        elif place is not None:
            helps = "press c if that is right, or 1 on the one"
        self.says = ByEar(words, helps, place)

    def _settles(self, likely: Sequence[Found], tick: int) -> str:
        """The step that tells the two likeliest places apart soonest, in words."""
        if len(likely) < 2 or likely[0].alike[0] != likely[1].alike[0]:
            return ""
        one, other = likely[:2]
        sheet = next(s for room in self._rooms for s in room.all if id(s) == one.alike[0])
        soonest: tuple[int, str] | None = None
        for key, name in sheet.names.items():
            for each in sheet.voices[key].ruled:
                step = each.step
                # Only a place in the same pass has its steps at the same ticks.
                if (other.counted - one.counted) % step.pass_ticks:
                    continue
                first = (tick - one.counted) // step.pass_ticks
                for number in range(first, first + step.passes.period + 1):
                    at = one.counted + number * step.pass_ticks + step.offset
                    further = number + (one.counted - other.counted) // step.pass_ticks
                    if at > tick and (number + 1 in step.passes) != (further + 1 in step.passes):
                        if soonest is None or at < soonest[0]:
                            soonest = at, f"step {step.step.number} of {name}"
                        break
        if soonest is None:
            return ""
        passes = (soonest[0] - tick) // sheet.pattern.pass_ticks
        when = "in this pass" if not passes else f"in {passes} pass{'es' * (passes > 1)}"
        return f"{soonest[1]} {when}"


class _Prior:
    """The weight that the worlds of the belief give to places before anything is heard."""

    def __init__(self, setlist: SetList, conductor: Conductor, over: Collection[int]) -> None:
        self._setlist = setlist
        self._somewhere: dict[int, float] = {}
        # By part, the count at which its instrument's began, and what that had counted before it.
        self._at: dict[tuple[int, int, int], float] = {}
        anything = 0.0
        held, ticks = conductor.situation, conductor.ticks
        # The parts that may be played beyond their ends by now: how often, notes do not tell.
        self.beyond = set(over)
        # Where the song began by all worlds, and nothing before.
        began = [
            None if w.start is None or w.offset is None else w.start - w.offset
            for w, _ in held.worlds
            if w.part
        ]
        # A count that is not sure may be off by more than its chances say: they are not all kept.
        off = 0 if ticks.sure else MISCOUNTED
        self._song = (
            None if None in began else min((b - off for b in began if b is not None), default=None)
        )
        counts = ((ticks.ticks, 1.0),) if ticks.sure else ticks.chances
        # Nobody has said which part plays, nor where the set has been.
        new = conductor.state is State.READY and not held.played
        for world, weight in held.worlds:
            if world.part == 0:
                anything = 1.0 if new else weight
            elif new and world.start is None and world.part == 1:
                continue
            elif world.start is None:
                self._somewhere[world.part] = self._somewhere.get(world.part, 0.0) + weight
            else:
                part = setlist.parts[world.part - 1]
                length, planned = part.pattern.pass_ticks, ends_by_plan(setlist, world.part)
                # Or it is wished to go on.
                asked = held.plan.part == world.part and (held.plan.end or inf) > (planned or inf)
                if planned is not None and (asked or ticks.ticks - world.start >= planned):
                    self.beyond.add(world.part)
                for count, chance in counts:
                    # If there were more ticks, it began so many sooner by the count that is shown.
                    start = world.start - world.passes * length - (count - ticks.ticks)
                    place = world.part, start, world.passes * length
                    self._at[place] = self._at.get(place, 0.0) + weight * chance
        # The places that matter, where all that matters is a place.
        self.matter = {(w.part, w.start) for w in matter(held.worlds)} if ticks.sure else set()
        # What an instrument that counts on plays, and since when, no note tells.
        self._unknown = anything
        anything = max(anything, CHANCES.anything)
        self.nothing = max(anything / 2, CHANCES.nothing)
        # A hand that chose something chose the same again as likely as all others together.
        self._any = anything / 2 / len(setlist.parts)
        self._again = held.plan.part, anything / 2

    def reach(self, part: Part, ticks: int, length: int) -> int:
        """How many passes of `length` before the count `ticks` its own count may have begun."""
        return max(
            ((ticks - at) // length + 1 for number, at, _ in self._at if number == part.number),
            default=0,
        )

    def of(
        self, part: Part, ticks: int, passes: int, around: int, until: int | None
    ) -> Iterator[tuple[int, int, float]]:
        """The counts at which part `part`, and its instrument's count, may have begun.

        Each with its weight; the latter is so many passes before `ticks`, less than `until` where
        nothing else is known. Where no end is planned (`until` None) what lies `around` ticks apart
        is the same to the ear.
        """
        length = part.pattern.pass_ticks
        start = ticks - passes * length
        for (number, at, before), weight in self._at.items():
            same = at == start or (until is None and at <= ticks and (at - start) % around == 0)
            if number == part.number and same:
                yield at + before, at, weight
        spread = self._spread(part.number)
        if self._song is not None and start < self._song:
            return
        if spread and (until is None or passes < until) and recounts(self._setlist, part):
            # Not shared among the ways to lie in a pass: most changes come where one ends.
            yield start, start, spread / (around // length if until is None else until)

    def untold(self, part: Part) -> float:
        """The weight of where notes do not tell, since nobody knows what went before the part.

        What an instrument counts that does not begin anew with each part tells of no part.
        """
        if recounts(self._setlist, part):
            return 0.0
        return self._somewhere.get(part.number, 0.0) + self._unknown

    def _spread(self, number: int) -> float:
        """The weight of all places of a part of which nothing else is known."""
        again = self._again[1] if number == self._again[0] else 0.0
        return self._somewhere.get(number, 0.0) + self._any + again

    def most(self, sheet: _Sheet) -> float:
        """At most that of any place of a pattern."""
        numbers = {part.number for part in sheet.parts}
        somewhere = sum(self._spread(number) for number in numbers)
        at = sum(weight for (part, _, _), weight in self._at.items() if part in numbers)
        return max(somewhere + at, 1e-300)


def _passes(pattern: Pattern, likely: Sequence[Found]) -> str:
    """The passes of the phrase that are likely, and the phrases, in words."""
    in_phrase, left = divmod(pattern.phrase_ticks, pattern.pass_ticks)
    if left or in_phrase < 2:
        return ""
    passes = sorted({each.passes % in_phrase + 1 for each in likely})
    if len(passes) > 4:
        return f", one of {len(passes)} passes"
    said = f", pass {' or '.join(map(str, passes))} of {in_phrase}"
    phrases = sorted({each.passes // in_phrase + 1 for each in likely})
    if 1 < len(phrases) <= 3:
        said += f", phrase {' or '.join(map(str, phrases))}"
    return said


def _log(number: float) -> float:
    return log(number) if number > 0.0 else -inf


def _sum(logs: Iterable[float]) -> float:
    """The logarithm of the sum of numbers, given by theirs."""
    logs = list(logs)
    top = max(logs, default=-inf)
    return top if top == -inf else top + log(sum(exp(each - top) for each in logs))


def _two(one: float, other: float) -> float:
    """The logarithm of the sum of two numbers, given by theirs."""
    top, low = (one, other) if one > other else (other, one)
    return top if low == -inf else top + log1p(exp(low - top))
