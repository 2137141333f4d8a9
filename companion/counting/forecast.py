"""What is coming: the steps that may play in a stretch of ticks, with their chances.

Ticks count from the start of the part. `carried_passes`, `fill` and `rare` mean the same
everywhere here:

- `carried_passes` are the passes of the pattern that the instrument had already counted when the
  part began. Rules and step grid go by the whole count; `first pass` is the pass of the track
  during which the part began, and `if` remembers nothing from before the part.
- `fill` says whether a fill is held all the time.
- `rare` is the long-run rate up to which a step is rare.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from fractions import Fraction
from functools import lru_cache

from companion.counting.chances import RARE, Outlook, memory_of, outlooks, rare_steps
from companion.counting.compiled import CompiledPattern, compile_pattern
from companion.counting.pattern import Pattern


@dataclass(frozen=True, slots=True)
class StepEvent:
    """A step that may play: `tick` from the start of the part, the rest counted by its own track.

    `chance` is above 0 and at most 1; `rare` says whether it belongs on the agenda.
    """

    tick: int
    track: str
    pass_number: int
    step: int
    chance: float
    rare: bool
    what: str


_KEEP_PASSES = 64
_NEW = object.__new__
_SET_TICK, _SET_TRACK, _SET_PASS, _SET_STEP, _SET_CHANCE, _SET_RARE, _SET_WHAT = (
    StepEvent.__dict__[each.name].__set__ for each in fields(StepEvent)
)


def _event(
    tick: int, track: str, pass_number: int, step: int, chance: float, rare: bool, what: str
) -> StepEvent:
    """A StepEvent made in half the time its own constructor takes; thousands are made at once."""
    event = _NEW(StepEvent)
    _SET_TICK(event, tick)
    _SET_TRACK(event, track)
    _SET_PASS(event, pass_number)
    _SET_STEP(event, step)
    _SET_CHANCE(event, chance)
    _SET_RARE(event, rare)
    _SET_WHAT(event, what)
    return event


def prepare(pattern: Pattern) -> None:
    """Work out once what every later forecast of this very pattern needs, fills included."""
    compiled = compile_pattern(pattern)
    rare_steps(compiled)
    outlooks(compiled, False)
    outlooks(compiled, True)


def step_events(
    pattern: Pattern,
    from_tick: int,
    until_tick: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
    every_step: bool = False,
    rare: Fraction = RARE,
) -> list[StepEvent]:
    """The steps that may play at ticks in [from_tick, until_tick), soonest first.

    What comes at one tick is in the order of the file. Only rare steps are given unless
    `every_step` is set; steps whose chance is 0 are left out. Raises OutOfReach where `DrawMemory`
    does.
    """
    compiled = compile_pattern(pattern)
    view = _view(compiled, carried_passes * pattern.pass_ticks, fill, every_step, rare)
    return view.events(max(0, from_tick), until_tick)


@lru_cache(maxsize=32)
def _view(
    compiled: CompiledPattern, start: int, fill: bool, every_step: bool, rare: Fraction
) -> _View:
    return _View(compiled, start, fill, every_step, rare)


class _View:
    """Forecasts of one kind for one pattern; events already made are kept, a pass at a time."""

    def __init__(
        self, compiled: CompiledPattern, start: int, fill: bool, every_step: bool, rare: Fraction
    ) -> None:
        agenda = rare_steps(compiled, rare)
        self._memory = memory_of(compiled, start, fill)
        self._ticks = compiled.pattern.pass_ticks
        self._kept: dict[int, list[StepEvent]] = {}
        self._facts = [
            (track.name, each.step.number, each.index in agenda, each.step.what)
            for track in compiled.tracks
            for each in track.steps
        ]
        # Steps whose chances are one plain progression from the start are most, and go fast.
        self._plain: list[tuple[int, list[tuple[int, int, int, int, float]]]] = []
        self._others: list[Outlook] = []
        looks = outlooks(compiled, fill)
        for track in compiled.tracks:
            plain = []
            for step in track.steps:
                look = looks[step.index]
                if not (every_step or step.index in agenda):
                    continue
                sets = look.sets
                if look.settled or sets is None or len(sets) > 1 or (sets and sets[0][2]):
                    self._others.append(look)
                elif sets:
                    residue, modulus, _, weight = sets[0]
                    plain.append((step.offset, step.index, residue, modulus, weight))
            if plain:
                self._plain.append((track.pass_ticks, plain))

    def events(self, low: int, high: int) -> list[StepEvent]:
        """The events at ticks of the part in [low, high)."""
        if high <= low:
            return []
        first, last = low // self._ticks, (high - 1) // self._ticks
        if last - first >= _KEEP_PASSES:
            return self._made(low, high)
        kept = self._kept
        missing = [at for at in range(first, last + 1) if at not in kept]
        if missing:
            near = range(first - _KEEP_PASSES // 2, last + _KEEP_PASSES // 2)
            kept = {at: made for at, made in kept.items() if at in near}
            kept.update(self._by_pass(missing[0], missing[-1]))
            self._kept = kept
        events: list[StepEvent] = []
        for at in range(first, last + 1):
            events += kept[at]
        if events and events[0].tick < low:
            events = [event for event in events if event.tick >= low]
        if events and events[-1].tick >= high:
            events = [event for event in events if event.tick < high]
        return events

    def _by_pass(self, first: int, last: int) -> dict[int, list[StepEvent]]:
        made: dict[int, list[StepEvent]] = {at: [] for at in range(first, last + 1)}
        for event in self._made(first * self._ticks, (last + 1) * self._ticks):
            made[event.tick // self._ticks].append(event)
        return made

    def _made(self, low: int, high: int) -> list[StepEvent]:
        start = self._memory.start
        low, high = low + start, high + start
        found: list[tuple[int, int, int, float]] = []
        for length, plain in self._plain:
            passes, off = divmod(low, length)
            end, end_off = divmod(high, length)
            for offset, index, residue, modulus, weight in plain:
                first = passes + 1 + (offset < off)
                zero = offset - length - start
                for at in range(
                    first + (residue - first) % modulus, end + 1 + (offset < end_off), modulus
                ):
                    found.append((at * length + zero, index, at, weight))
        for look in self._others:
            index, length = look.step.index, look.step.pass_ticks
            zero = look.step.offset - length - start
            for at, chance in look.between(self._memory, low, high):
                found.append((at * length + zero, index, at, chance))
        found.sort()
        events = []
        facts = self._facts
        for tick, index, at, chance in found:
            track, number, is_rare, what = facts[index]
            events.append(_event(tick, track, at, number, chance, is_rare, what))
        return events
