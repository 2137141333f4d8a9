"""Judges what was learned by what plays, whatever it is called and however long its track is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from companion.counting import Pattern
from companion.learn.heard import HeardNote, Hearing
from companion.learn.learner import LearnedPattern, LearnedStep, LearnedTrack
from companion.learn.rules import plays
from tests.counting.counting_player import ifs_hold, moments, sure_part
from tests.learn.player import Struck


def hearing_of(notes: list[Struck], end: float) -> Hearing:
    """Notes as heard from a file."""
    heard = (HeardNote(each.tick, each.channel, each.note, each.velocity) for each in notes)
    return Hearing("file", tuple(heard), end=end)


@dataclass(frozen=True)
class Said:
    """What a pattern that was learned says of ticks: steps by note, and where they lie."""

    pattern: LearnedPattern

    def track(self, note: int) -> LearnedTrack | None:
        return next((each for each in self.pattern.tracks if each.note == note), None)

    def steps_at(self, note: int, ticks: NDArray[np.int64]) -> list[LearnedStep | None]:
        """The step that lies on each of these ticks, None where none does."""
        track = self.track(note)
        if track is None:
            return [None] * len(ticks)
        steps = {step.number: step for step in track.steps}
        return [
            None
            if tick % track.step_ticks
            else steps.get(int(tick) // track.step_ticks % track.length + 1)
            for tick in ticks
        ]

    def plays_surely(self, note: int, ticks: NDArray[np.int64]) -> NDArray[np.int8]:
        """1 where a note is sure to play, 0 where it is sure not to, -1 where chance decides."""
        track = self.track(note)
        found = np.zeros(len(ticks), dtype=np.int8)
        if track is None:
            return found
        whole = track.length * track.step_ticks
        for step in track.steps:
            mine = ticks % whole == (step.number - 1) * track.step_ticks
            passes = ticks[mine] // whole + 1
            allowed = plays(step.rule, passes)
            drawn = step.rule.chance or step.rule.condition is not None
            found[mine] = np.where(allowed, -1 if drawn else 1, 0)
        return found


# What a draft foretells -------------------------------------------------------------------------


@dataclass(frozen=True)
class Foretold:
    """A draft held against notes: `wrong` are (track, step) that did what could not be."""

    wrong: frozenset[tuple[str, int]]
    moments: int
    unheard: int


def foretell(
    pattern: Pattern, keys: dict[str, tuple[int, int]], notes: Sequence[Struck], ticks: int
) -> Foretold:
    """Hold a drafted pattern against a performance of `ticks` ticks, by the rules of the format.

    `keys` are channel and note of each drafted track. Each step is asked in time order whether it
    may play, or must, with what the steps before it really did; `unheard` notes lie on no step.
    """
    at = {key: name for name, key in keys.items()}
    sounded: set[tuple[str, int]] = set()
    for note in notes:
        name = at.get((note.channel, note.note))
        if name is not None:
            sounded.add((name, round(note.tick)))
    names = [track.name for track in pattern.tracks]
    last = [False] * len(names)
    wrong: set[tuple[str, int]] = set()
    explained: set[tuple[str, int]] = set()
    asked = 0
    for moment, step in moments(pattern, ticks):
        name = names[moment.track]
        plays_now = (name, moment.tick) in sounded
        explained.add((name, moment.tick))
        asked += 1
        may = sure_part(pattern, step.rule, moment, 0, fill=False)
        if step.rule.conditional:
            may = may and ifs_hold(pattern, step.rule, moment.track, last)
            last[moment.track] = plays_now
        must = may and step.rule.chance == 1
        if (plays_now and not may) or (must and not plays_now):
            wrong.add((name, moment.step))
    return Foretold(frozenset(wrong), asked, len(sounded - explained))
