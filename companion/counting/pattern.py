"""Patterns as values, and where in a pattern a tick lies."""

from __future__ import annotations

from dataclasses import dataclass, field

from companion.counting.rules import ALWAYS, Rule
from companion.counting.ticks import Meter


@dataclass(frozen=True, slots=True)
class Step:
    """One step that may play. `number` counts from 1.

    `watch` True keeps it on the agenda, False keeps it off, None leaves that to its rarity.
    """

    number: int
    rule: Rule = ALWAYS
    what: str = ""
    watch: bool | None = None


@dataclass(frozen=True, slots=True)
class Track:
    """A track with its own length in steps and its own step in ticks; `steps` ascend by number."""

    name: str
    length: int
    step_ticks: int
    steps: tuple[Step, ...] = ()

    @property
    def pass_ticks(self) -> int:
        """Ticks in one pass of this track."""
        return self.length * self.step_ticks


@dataclass(frozen=True, slots=True)
class Pattern:
    """A pattern; `tracks` in the order of the file. `phrase_ticks` is a whole number of ticks."""

    name: str
    length: int = 16
    step_ticks: int = 6
    meter: Meter = field(default_factory=Meter)
    phrase_ticks: int = 768
    tracks: tuple[Track, ...] = ()

    @property
    def pass_ticks(self) -> int:
        """Ticks in one pass of the pattern."""
        return self.length * self.step_ticks


@dataclass(frozen=True, slots=True)
class Place:
    """Where a tick lies, all numbers from 1 but `phrase_ticks_left` (1 to phrase_ticks)."""

    pass_number: int
    step: int
    bar: int
    beat: int
    phrase: int
    phrase_pass: int
    phrase_ticks_left: int


def place(pattern: Pattern, tick: int, carried_passes: int = 0, carried_phrases: int = 0) -> Place:
    """Where `tick` (ticks from the start of the part, 0 or more) lies in `pattern`.

    `carried_passes` and `carried_phrases` are what an instrument that does not restart its count
    had already counted when the part began.
    """
    passes, in_pass = divmod(tick, pattern.pass_ticks)
    phrases, in_phrase = divmod(tick, pattern.phrase_ticks)
    bars, in_bar = divmod(tick, pattern.meter.bar_ticks)
    return Place(
        pass_number=carried_passes + passes + 1,
        step=in_pass // pattern.step_ticks + 1,
        bar=bars + 1,
        beat=in_bar // pattern.meter.beat_ticks + 1,
        phrase=carried_phrases + phrases + 1,
        phrase_pass=passes - (tick - in_phrase) // pattern.pass_ticks + 1,
        phrase_ticks_left=pattern.phrase_ticks - in_phrase,
    )
