"""The drift alarm: steps that do not play as the set list says, told from what is heard. Pure.

A pattern that was changed on the instrument, or typed wrong, shows on the same steps pass after
pass. For each step two stories are weighed, pass by pass, with the likelihoods of `counting.heard`.

- As written: it is heard with the chance that its rule gives it on that pass, given what was heard
  before. Now and then something else goes on for some passes (a hand on the pads, a fill that
  nobody told of, a break played on the mutes), and then it may be heard or not, one as likely as
  the other. Or that comes back so regularly that up to a quarter of the passes have it.
- Otherwise: on three quarters of the passes at least it does not do what its rule asks for, how
  often being unknown; where a chance decides, it is heard on a quarter at most or on three
  quarters at least.

The odds of the second are a product of factors whose mean under the first is one, taken up anew
whenever they fall below one. Each such run passes the odds asked for with a chance of one in those
at most (Ville 1939), so that alarms that are false are at most the looks divided by the odds.
Sources, from memory: Page 1954 for taking up anew; Shin, Ramdas and Rinaldo, E-detectors, 2022.

A step that stays away says something only where its track is known to sound just then: between two
notes that were sure to come, no more than a pass apart, and with most of that pass's sure notes
heard, for a hand may play one or two of a track that is muted. A step that is heard though it was
to be silent may be played by hand for as long as one likes; what tells a hand from a machine is how
evenly it keeps its place in the step. Which tracks are muted is `notes`' question.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from math import exp, inf, log

from companion.counting import Pattern, Track
from companion.counting.heard import Drawn, Rates, heard_chance

# How often a pass begins something that the set list does not know of, and ends it: once in 64
# passes, for 4 on the mean (presumed, no source).
BEGINS, ENDS = 1 / 64, 1 / 4
# Odds at which a step is said not to fit. A hundred hours of bars of 2 s have 180,000 passes; with
# 500 steps to look at that is one false alarm in such a time.
ODDS = 1e8
# Odds at which a step that did not fit is believed to fit again.
BACK_ODDS = 1e3
# Standard deviations of the place in the step, in ms: of a sequencer behind a clock and a cable,
# and of a hand. People tapping with a metronome vary by some 2 percent of the beat at best and by
# twice that mostly (Repp, Sensorimotor synchronization, 2005; from memory): 10 to 20 ms.
_MACHINE_MS, _HAND_MS = (1.0, 2.0, 4.0), (8.0, 12.0, 18.0, 27.0)
HAND_ODDS = 100.0
# Notes of one hit follow each other within such a part of a step and lie within such a part, as in
# `learn.track`: the later ones of a roll are no step of their own.
_CLOSE, _WITHIN = 0.55, 0.85
# A chance further than this from 0 and 1 is a chance; nearer, it is as good as sure.
_SURE = 1e-9
# Drawn with a chance of a quarter at most.
_SELDOM = Rates(lost=0.75)
# How likely it is that something else comes back regularly (presumed, no source).
_REGULAR = 1 / 64


@dataclass(frozen=True, slots=True)
class Misfit:
    """A step that does not play as written. `text` says so: "step 7 of bell was to be silent"."""

    track: str
    step: int
    text: str


class _Timing:
    """How evenly hits keep their place, in ms: mean and sum of squares, taken up hit by hit."""

    __slots__ = ("count", "mean", "squares")

    def __init__(self) -> None:
        self.count, self.mean, self.squares = 0, 0.0, 0.0

    def take(self, ms: float) -> None:
        self.count += 1
        off = ms - self.mean
        self.mean += off / self.count
        self.squares += off * (ms - self.mean)

    @property
    def by_machine(self) -> float:
        """The log odds that a machine plays, and no hand; the mean is anywhere (normal noise)."""
        if self.count < 2:
            return 0.0

        def best(sizes: tuple[float, ...]) -> float:
            fit = -inf
            for size in sizes:
                fit = max(fit, (1 - self.count) * log(size) - self.squares / (2 * size * size))
            return fit

        return best(_MACHINE_MS) - best(_HAND_MS)


class _Case:
    """One step of one track, weighed; `by_chance` for the passes on which a chance decides."""

    def __init__(self, by_chance: bool) -> None:
        self.by_chance = by_chance
        self.misfit = False
        # The chance that something else goes on.
        self._mishap = BEGINS
        self._begin()

    def _begin(self) -> None:
        # The log odds that the step does not play as written, and later that it does again.
        self.odds = self._back = 0.0
        # What is seldom then: to do as ruled; where a chance decides, to be heard, or not to be.
        self._seldom = [Drawn(_SELDOM) for _ in range(1 + self.by_chance)]
        self._weights = [1 / len(self._seldom)] * len(self._seldom)
        # What else comes back, and how likely that is.
        self._regular, self._comes_back = Drawn(_SELDOM), 0.0 if self.by_chance else _REGULAR
        self._timing = _Timing()
        # Passes on which it was heard, beyond those that were to be expected.
        self._beyond = 0.0

    def weigh(self, chance: float, heard: bool, ms: float | None) -> bool:
        """Take in one pass of known chance; whether what is believed of the step has changed.

        `ms` is where in the step it was heard, None if it was not.
        """
        gain = log(self._otherwise(chance, heard)) - log(self._as_written(chance, heard))
        self._beyond += heard - heard_chance(chance)
        if ms is not None and (self.by_chance or chance < 0.5):
            self._timing.take(ms)
        if self.misfit:
            self._back = max(0.0, self._back - gain)
            if self._back < log(BACK_ODDS):
                return False
            self.misfit = False
            self._begin()
            return True
        self.odds += gain
        if self.odds <= 0:
            self._begin()
        elif self.odds >= log(ODDS) and not (self.too_often and self._by_hand):
            self.misfit = True
            return True
        return False

    def _as_written(self, chance: float, heard: bool) -> float:
        p = heard_chance(chance)
        mishap = self._mishap * (1 - ENDS) + (1 - self._mishap) * BEGINS
        found = (1 - mishap) * (p if heard else 1 - p) + mishap / 2
        self._mishap = mishap / 2 / found
        if self._comes_back:
            regular = self._comes_back * exp(self._regular.take(heard == (chance < 0.5)))
            found = (1 - self._comes_back) * found + regular
            self._comes_back = regular / found
        return found

    def _otherwise(self, chance: float, heard: bool) -> float:
        seen = (heard, not heard) if self.by_chance else (heard == (chance > 0.5),)
        each = [
            weight * exp(drawn.take(bit))
            for weight, drawn, bit in zip(self._weights, self._seldom, seen, strict=True)
        ]
        found = sum(each)
        self._weights = [part / found for part in each]
        return found

    @property
    def too_often(self) -> bool:
        """Whether it is heard more often than it was to be, not less."""
        return self._beyond > 0

    @property
    def _by_hand(self) -> bool:
        return self._timing.by_machine < log(HAND_ODDS)


class _Voice:
    """One track of a pattern: its cases, and what is being heard of it. Ticks are the pattern's."""

    def __init__(self, track: Track) -> None:
        self.track = track
        self.steps = {step.number: step for step in track.steps}
        # By step and whether a chance decides.
        self.cases: dict[tuple[int, bool], _Case] = {}
        self.moved()

    def moved(self) -> None:
        """Nothing is known of what was heard just before."""
        # Where the latest hit began and the latest note came, in ticks.
        self.hit = self.latest = -inf
        # Where in its step each hit lay that is not accounted for yet, in ms, by the step's tick.
        self.places: dict[int, float] = {}
        # The steps of the latest pass that were sure to play, and whether each was heard; what has
        # stayed open since the last that was.
        self.sure: deque[tuple[int, bool]] = deque()
        self.open: list[tuple[int, float, bool, float | None]] = []

    @property
    def sounds(self) -> bool:
        """Whether the track is heard now and was within the pass before, and mostly between."""
        heard = [each for _, each in self.sure]
        # Its own place a pass ago is no second witness.
        again = self.sure[0][0] == self.sure[-1][0] - self.track.pass_ticks
        of_pass = heard[again:]
        return any(heard[:-1]) and 2 * sum(of_pass) > len(of_pass)

    def case(self, step: int, by_chance: bool) -> _Case:
        return self.cases.setdefault((step, by_chance), _Case(by_chance))


class PatternDrift:
    """Watches the steps of one pattern through a night. One caller at a time.

    `misfits` are the steps that do not play as written, in the order of the file; `count` rises
    with each change of them.
    """

    def __init__(self, pattern: Pattern) -> None:
        self.pattern = pattern
        self.count = 0
        self.misfits: tuple[Misfit, ...] = ()
        self._voices = {track.name: _Voice(track) for track in pattern.tracks}
        # Passes of tracks that end at these ticks, the soonest first found.
        self._ends: dict[str, int] = {}
        self._next_end = 0
        self.moved(0)

    def moved(self, tick: int) -> None:
        """Tell that the count is at `tick` now, in ticks of the pattern since its own start."""
        for name, voice in self._voices.items():
            voice.moved()
            length = voice.track.pass_ticks
            self._ends[name] = (tick // length + 1) * length
        self._next_end = min(self._ends.values(), default=0)

    def note(self, name: str, tick: int, late_ms: float, tick_ms: float) -> None:
        """Take a note of a track, `late_ms` after the clock of `tick`."""
        voice = self._voices[name]
        step_ticks = voice.track.step_ticks
        at = tick + late_ms / tick_ms
        again = at - voice.latest < _CLOSE * step_ticks and at - voice.hit < _WITHIN * step_ticks
        voice.latest = at
        if again:
            return
        voice.hit = at
        # A note may overtake its clock by a tick, and swing is late.
        cell = (tick + (1 if step_ticks > 1 else 0)) // step_ticks * step_ticks
        voice.places[cell] = (at - cell) * tick_ms

    def settled(self, name: str, step: int, tick: int, chance: float, heard: bool) -> None:
        """Take in a listed step at `tick`: its chance, and whether it was heard."""
        voice = self._voices[name]
        ms = voice.places.pop(tick, None) if heard else None
        sure = chance > 1 - _SURE
        if sure:
            voice.sure.append((tick, heard))
        while voice.sure and voice.sure[0][0] < tick - voice.track.pass_ticks:
            voice.sure.popleft()
        if sure and heard:
            if voice.sounds:
                for each in voice.open:
                    self._weigh(voice, *each)
            voice.open.clear()
        if chance < _SURE or (sure and heard):
            self._weigh(voice, step, chance, heard, ms)
        elif any(each for _, each in voice.sure):
            voice.open.append((step, chance, heard, ms))
        else:
            voice.open.clear()

    def passed(self, tick: int, late: int) -> None:
        """Tell that `tick` has come, and all notes up to `late` ticks before it."""
        if tick - late < self._next_end:
            return
        for name, end in self._ends.items():
            if tick - late >= end:
                self._end_pass(self._voices[name], end)
                self._ends[name] = end + self._voices[name].track.pass_ticks
        self._next_end = min(self._ends.values())

    # -- inside ------------------------------------------------------------------------------

    def _end_pass(self, voice: _Voice, end: int) -> None:
        """Take in the steps that are not listed, of the pass that ends at `end`."""
        step_ticks, begin = voice.track.step_ticks, end - voice.track.pass_ticks
        here = {at: ms for at, ms in voice.places.items() if at < end}
        for at in here:
            del voice.places[at]
        heard = {(at - begin) // step_ticks + 1: ms for at, ms in here.items() if at >= begin}
        known = [step for step, _ in voice.cases if step not in voice.steps]
        for step in {*known, *(step for step in heard if step not in voice.steps)}:
            self._weigh(voice, step, 0.0, step in heard, heard.get(step))

    def _weigh(
        self, voice: _Voice, step: int, chance: float, heard: bool, ms: float | None
    ) -> None:
        case = voice.case(step, _SURE <= chance <= 1 - _SURE)
        if case.weigh(chance, heard, ms):
            self.count += 1
            # Screens ask far more often than this changes.
            self.misfits = tuple(
                Misfit(name, step, _sentence(each, step, case))
                for name, each in self._voices.items()
                for step, case in _first_of_each(each)
            )


def _first_of_each(voice: _Voice) -> Iterator[tuple[int, _Case]]:
    seen = set()
    for (step, _), case in sorted(voice.cases.items()):
        if case.misfit and step not in seen:
            seen.add(step)
            yield step, case


def _sentence(voice: _Voice, step: int, case: _Case) -> str:
    listed = voice.steps.get(step)
    if listed is None:
        meant = "be silent"
    elif not listed.rule.conditional:
        meant = "play"
    else:
        meant = f"play on {'fewer' if case.too_often else 'more'} passes"
    return f"step {step} of {voice.track.name} was to {meant}"
