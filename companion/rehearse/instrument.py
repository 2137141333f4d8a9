"""The virtual instrument: plays a compiled set by its play rules, and takes what it is sent.

It stands for all instruments of the set, and behaves as set lists take it for granted of real ones:
a program change waits for the end of the running pass, or is taken at once; a part begins with pass
1 where its instrument restarts its count; what plays beside it goes on counting from part to part.
It has counts of its own and never asks the follower. Positions are ticks of the part.

What it draws depends on the seed, on how many ticks it has played and on the step, and on nothing
else: not on the tempo, nor on whether a fill was held before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from hashlib import blake2b
from struct import pack

from companion.counting import CompiledStep, compile_pattern
from companion.rehearse.keys import Key, Keys
from companion.setlist import Layer, Part, SetList, recounts
from companion.setlist.course import layer_ticks

# A draw is a whole number below this.
_DRAWS = 1 << 64
Draw = Callable[[int, Fraction], bool]


@dataclass(frozen=True, slots=True)
class Strike:
    """A note that begins: its key and how many ticks it lasts."""

    key: Key
    ticks: int


@dataclass(frozen=True, slots=True)
class _Waiting:
    """A part that was chosen by a program change, and whether that is taken at once."""

    part: int
    at_once: bool


class VirtualInstrument:
    """Plays one set. One caller at a time.

    For each tick `advance` and then `strikes` is called. What it is sent between the two may count
    for this very tick. `part` is the number of the part, `tick` the tick of it that was played
    last, -1 before the first; `carried` passes were counted before it began.
    """

    def __init__(self, setlist: SetList, seed: int) -> None:
        self._seed = pack(">Q", seed % (1 << 64))
        # Ticks played since it was made: what is drawn never comes again.
        self._played = 0
        self._playing = False
        # Tracks that are muted, each with its instrument.
        self._muted: set[tuple[str, str]] = set()
        self._setlist = setlist
        self._keys = Keys(setlist)
        self._waiting: _Waiting | None = None
        self._layers: list[_Voice] = []
        self.place(1, -1, 0)

    @property
    def waits(self) -> bool:
        """Whether a part was chosen that has not begun."""
        return self._waiting is not None

    @property
    def untouched(self) -> bool:
        """Whether nothing at all of the part has been played or counted."""
        return self.tick < 0 and not any(voice.base for voice in self._voices)

    @property
    def keys(self) -> frozenset[Key]:
        """Every key on which it may sound."""
        return self._keys.all

    def adopt(self, setlist: SetList, part: int) -> None:
        """Go on by another version of the set list, in which the running part is number `part`."""
        before, ticks = self._voices, [voice.base for voice in self._layers]
        self._setlist = setlist
        self._keys = Keys(setlist)
        layers = len(setlist.parts[part - 1].layers)
        self.place(part, self.tick, self.carried, (ticks + [0] * layers)[:layers])
        for old, new in zip(before, self._voices, strict=False):
            new.remember(old)

    # -- what is done to it ------------------------------------------------------------------

    def tell(self, instrument: str, part: int, *, now: bool = False) -> None:
        """A program change for part `part` arrived at `instrument`.

        What is taken at once begins with the next tick; with this one if it came with that: `now`.
        """
        self._told.add(instrument)
        if self._setlist.parts[part - 1].instrument != instrument:
            # What plays beside the part begins with it.
            return
        if not self._playing:
            self.place(part, -1, 0)
            return
        at_once = self._setlist.instruments[instrument].at_once
        if at_once and now:
            self._take(part)
        else:
            self._waiting = _Waiting(part, at_once)

    def mute(self, instrument: str, track: str, muted: bool) -> None:
        """`instrument` is told that its track is muted, or sounds."""
        (self._muted.add if muted else self._muted.discard)((instrument, track))

    def place(self, part: int, tick: int, carried: int, layers: Sequence[int] = ()) -> None:
        """It is put at `tick` of part `part`; `carried` passes were counted before that began.

        `layers` is how far each of its layers had counted then, in ticks; nowhere without.
        """
        self._enter(part, carried)
        self.tick = tick
        for voice, ticks in zip(self._layers, layers or [0] * len(self._layers), strict=True):
            voice.base = ticks

    def start(self) -> None:
        """It plays on from where it stands."""
        self._playing = True

    def stop(self) -> None:
        """It stands still where it is; what waits goes on waiting."""
        self._playing = False

    # -- what it does ------------------------------------------------------------------------

    def advance(self) -> None:
        """One tick on; a part that waits begins where the pass ends."""
        self.tick += 1
        self._played += 1
        waiting = self._waiting
        if waiting is not None:
            ended = self.tick > 0 and self.tick % self._part.pattern.pass_ticks == 0
            if ended or waiting.at_once:
                self._take(waiting.part)

    def strikes(self, fill: bool) -> list[Strike]:
        """What begins on this tick; `fill` says whether a fill is held."""
        found = []
        for number, voice in enumerate(self._voices):

            def draw(step: int, chance: Fraction, voice: int = number) -> bool:
                return self._draw(voice, step, chance)

            for track, strike in voice.play(self.tick, fill, draw):
                if (voice.instrument, track) not in self._muted:
                    found.append(strike)
        return found

    # -- inside ------------------------------------------------------------------------------

    @property
    def _voices(self) -> list[_Voice]:
        return [self._voice, *self._layers]

    def _take(self, part: int) -> None:
        """Part `part` begins on this tick, in place of the running one."""
        before, goal, played = self._part, self._setlist.parts[part - 1], self.tick
        carried = 0
        if not recounts(self._setlist, goal):
            carried = self.carried + played // before.pattern.pass_ticks
        began = tuple(voice.base for voice in self._layers)
        counted = layer_ticks(goal, before, began, played, self._told)
        going_on = {(v.instrument, v.pattern.name, v.base + played): v for v in self._layers}
        self._enter(part, carried)
        self.tick = 0
        self._layers = [
            going_on.get((new.instrument, new.pattern.name, ticks), new).counted(ticks)
            for new, ticks in zip(self._layers, counted, strict=True)
        ]

    def _enter(self, part: int, carried: int) -> None:
        self.part = part
        self.tick = -1
        self.carried = carried
        self._part = entered = self._setlist.parts[part - 1]
        self._waiting = None
        # The instruments that were told a program since the part began.
        self._told: set[str] = set()
        start = carried * entered.pattern.pass_ticks
        self._voice = _Voice(entered, self._keys, start)
        self._layers = [_Voice(layer, self._keys) for layer in entered.layers]

    def _draw(self, voice: int, step: int, chance: Fraction) -> bool:
        place = pack(">QQQ", self._played, voice, step)
        drawn = int.from_bytes(blake2b(place, key=self._seed, digest_size=8).digest(), "big")
        return drawn * chance.denominator < chance.numerator * _DRAWS


class _Voice:
    """One pattern as it is played: its steps by their place in a pass, what each track did last.

    `base` is how far it had counted, in ticks, at tick 0 of the part; `start` where it began.
    """

    def __init__(self, what: Part | Layer, keys: Keys, start: int = 0) -> None:
        self.pattern = what.pattern
        self.instrument = what.instrument or ""
        self.base = start
        self._keys = keys.of(what)
        compiled = compile_pattern(what.pattern)
        self._tracks = [
            (track, {step.offset: step for step in track.steps}) for track in compiled.tracks
        ]
        # The pass of each track in which it began.
        self._first = [start // track.pass_ticks for track in compiled.tracks]
        # An `if` that finds no earlier step with a rule reads as silent.
        self._played = [False] * len(compiled.tracks)

    def counted(self, ticks: int) -> _Voice:
        """The same, having counted so far as the part begins."""
        self.base = ticks
        return self

    def remember(self, other: _Voice) -> None:
        """Take over what the tracks of an earlier version of the pattern did last."""
        if len(other._played) == len(self._played):
            self._played = other._played

    def play(self, tick: int, fill: bool, draw: Draw) -> Iterator[tuple[str, Strike]]:
        """The tracks that sound at `tick` of the part, and how. Ticks come one after the other."""
        at = self.base + tick
        for track, steps in self._tracks:
            passes, offset = divmod(at, track.pass_ticks)
            step = steps.get(offset)
            if step is None:
                continue
            first = passes == self._first[track.index]
            plays = self._plays(step, passes + 1, first, fill, draw)
            if step.rule.conditional:
                self._played[track.index] = plays
            if plays:
                length = self.pattern.tracks[track.index].step_ticks
                yield track.name, Strike(self._keys[track.name], max(length // 2, 1))

    def _plays(self, step: CompiledStep, number: int, first: bool, fill: bool, draw: Draw) -> bool:
        rule = step.rule
        if step.never or (rule.first is not None and rule.first != first):
            return False
        if (rule.fill is not None and rule.fill != fill) or number not in step.passes:
            return False
        if any(self._played[track] != played for track, played in step.reads):
            return False
        return step.chance == 1 or draw(step.index, step.chance)
