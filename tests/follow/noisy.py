"""An instrument that plays a pattern by its own reading of the rules and sends its notes badly.

An independent judge for those who listen: it knows nothing of `companion.follow`.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from companion.counting import ALWAYS, Cycle, If, Pattern, Rule, Step, Track
from companion.setlist import NoteKey

Note = tuple[int, int, int]
BAR, PHRASE = 96, 768


def pattern(name: str, **tracks: tuple[int, ...]) -> Pattern:
    """A bar, with these steps of each track, all without a rule."""
    made = (Track(n, 16, 6, tuple(Step(k) for k in steps)) for n, steps in tracks.items())
    return Pattern(name, phrase_ticks=PHRASE, tracks=tuple(made))


SLACK = pattern("slack water", drum=(1, 5, 9, 13), shaker=(3,), hat=(3, 7, 11, 15))
EBB = pattern("ebb line", drum=(1, 4, 11), shaker=(9,), hat=(1, 5, 7, 13))
NOTES = {"drum": NoteKey(9, 36), "shaker": NoteKey(9, 42), "hat": NoteKey(9, 44)}
WRITTEN = {(p.name, track): key for p in (SLACK, EBB) for track, key in NOTES.items()}


@dataclass
class NoisyDrum:
    """Plays `pattern` for ever, pass after pass; `muted` tracks draw but do not sound.

    `lost` is the share of notes that never arrive, `stray` that of silent steps at which a note is
    sent all the same. Notes arrive between one tick early and `swing` ticks late.
    """

    pattern: Pattern
    notes: Mapping[str, NoteKey]
    seed: int
    lost: float = 1e-3
    stray: float = 1e-4
    swing: int = 1
    fill: bool = False
    muted: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.latest: dict[str, bool] = {}

    def plays(self, track: str, step: Step, pass_number: int) -> bool:
        """Draw one step, as the contract of the set list says it."""
        rule = step.rule
        ok = not rule.impossible
        ok = ok and all(((pass_number - c.k) % c.n == 0) != c.negated for c in rule.cycles)
        ok = ok and rule.first in (None, pass_number == 1) and rule.fill in (None, self.fill)
        for condition in rule.conditions:
            ok = ok and self.latest.get(condition.track or track, False) == condition.played
        for chance in rule.chances:
            ok = ok and self.rng.random() < chance
        if rule.conditional:
            self.latest[track] = ok
        return ok

    def play(self, until_tick: int, from_tick: int = 0) -> Iterator[Note]:
        """(tick, channel, note) of all that arrives, in order, of steps in [from, until)."""
        random_ = self.rng.random
        spots = []
        for order, track in enumerate(self.pattern.tracks):
            for at in range(from_tick // track.pass_ticks, -(-until_tick // track.pass_ticks)):
                for step in track.steps:
                    tick = at * track.pass_ticks + (step.number - 1) * track.step_ticks
                    if from_tick <= tick < until_tick:
                        spots.append((tick, order, track.name, step, at + 1))
        sent = []
        for tick, _, name, step, at in sorted(spots, key=lambda spot: spot[:2]):
            sounds = self.plays(name, step, at) and name not in self.muted
            share = 1 - self.lost if sounds else self.stray
            if random_() < share and name in self.notes:
                late = self.rng.randint(-1, self.swing) if tick else 0
                key = self.notes[name]
                sent.append((tick + late, key.channel or 0, key.number))
        return iter(sorted(sent))


def rule(chance: Fraction | float | None = None, **more: object) -> Rule:
    """A rule with at most one chance term, as a Rule takes the rest."""
    chances = () if chance is None else (Fraction(chance).limit_denominator(1000),)
    return Rule(chances=chances, **more)  # type: ignore[arg-type]


def typical() -> Pattern:
    """One bar, with a track of each kind that a listener meets."""

    def track(name: str, **steps: Rule) -> Track:
        listed = tuple(Step(int(n[1:]), r) for n, r in steps.items())
        return Track(name, 16, 6, listed)

    every_4th = rule(cycles=(Cycle(4, 4),))
    return Pattern(
        "slack water",
        tracks=(
            track("low drum", s1=ALWAYS, s5=ALWAYS, s9=ALWAYS, s13=ALWAYS, s16=every_4th),
            track("snap", s5=ALWAYS),
            track("hat", **{f"s{n}": ALWAYS for n in range(1, 17)}),
            track("bell", s11=every_4th),
            track("shaker", s3=rule(0.6)),
            track("conch", s7=rule(0.25), s8=rule(0.25), s15=rule(0.25)),
            track("gull", s10=rule(0.1)),
            track(
                "foam",
                s2=rule(0.5),
                s4=rule(conditions=(If(None, True),)),
                s6=rule(conditions=(If(None, False),)),
                s12=rule(0.8, conditions=(If("shaker", True),)),
            ),
        ),
    )


def notes_of(pattern: Pattern, channel: int = 9) -> dict[str, NoteKey]:
    """A note for each track, from 36 up."""
    return {track.name: NoteKey(channel, 36 + i) for i, track in enumerate(pattern.tracks)}
