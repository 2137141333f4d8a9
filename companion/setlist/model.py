"""The set list as checked, frozen values: what the engine follows. Reading a file is elsewhere.

Channels and programs are wire values here (0-15, 0-127); `Instrument.shown` turns a program back
into the number on the instrument's display.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum
from fractions import Fraction

from companion.counting.pattern import Pattern
from companion.setlist.controls import NOTHING_TOLD, Binding, MuteSend, NoteKey, Tells


class Unit(Enum):
    """What a span is counted in. Ticks are not written in a file; they serve as a default."""

    TICKS = "tick"
    STEPS = "step"
    BEATS = "beat"
    BARS = "bar"
    PASSES = "pass"
    PHRASES = "phrase"
    MILLISECONDS = "ms"

    def ticks(self, pattern: Pattern) -> int:
        """Ticks in one such unit while `pattern` runs. Raises ValueError for milliseconds."""
        match self:
            case Unit.TICKS:
                return 1
            case Unit.STEPS:
                return pattern.step_ticks
            case Unit.BEATS:
                return pattern.meter.beat_ticks
            case Unit.BARS:
                return pattern.meter.bar_ticks
            case Unit.PASSES:
                return pattern.pass_ticks
            case Unit.PHRASES:
                return pattern.phrase_ticks
            case Unit.MILLISECONDS:
                raise ValueError("milliseconds have no fixed number of ticks")


@dataclass(frozen=True, slots=True)
class Span:
    """A whole number of units, such as 2 bars."""

    count: int
    unit: Unit

    def ticks(self, pattern: Pattern) -> int:
        """Ticks of the span while `pattern` runs. Raises ValueError for milliseconds."""
        return self.count * self.unit.ticks(pattern)

    def __str__(self) -> str:
        plural = {"pass": "passes", "ms": "ms"}.get(self.unit.value, self.unit.value + "s")
        return f"{self.count} {self.unit.value if self.count == 1 else plural}"


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument and how it takes a pattern change.

    `port` is a glob on the MIDI port's name, None for any; `channel` 0-15; `programs_from` is the
    first number its display counts programs from; `bank` 14 bits or None; `at_once` False means it
    applies a change at the end of its running pattern; `lead` is how early a change is sent;
    `recount` whether it restarts its pass count on a change; `tells` what it tells of itself;
    `mute_sends` how it is told to mute, empty if it is not.
    """

    name: str
    port: str | None = None
    channel: int = 0
    programs_from: int = 1
    bank: int | None = None
    at_once: bool = False
    lead: Span = Span(1, Unit.BEATS)
    recount: bool = True
    tells: Tells = NOTHING_TOLD
    mute_sends: tuple[MuteSend, ...] = ()

    def shown(self, program: int) -> int:
        """The number the instrument's display shows for a wire program (0-127)."""
        return program + self.programs_from


class WhenKind(Enum):
    """How a cue says when."""

    START = "start"
    END = "end"
    NTH = "nth"
    LAST = "last"
    EVERY = "every"


@dataclass(frozen=True, slots=True)
class When:
    """When a cue is due.

    NTH: at the start of the N-th unit (`span` holds N and the unit). LAST: `span` before the end.
    EVERY: at the N-th unit and every N from there, or from the start of pass `from_pass`.
    """

    kind: WhenKind
    span: Span | None = None
    from_pass: int | None = None


class Action(Enum):
    """What a cue asks the performer to do."""

    MUTE = "mute"
    UNMUTE = "unmute"
    FILL = "fill"
    SAY = "say"
    RELOAD = "reload"
    SWEEP = "sweep"


@dataclass(frozen=True, slots=True)
class Cue:
    """A reminder: `tracks` for mute and unmute, `hold` for fill, `text` for say and sweep."""

    when: When
    action: Action
    tracks: tuple[str, ...] = ()
    hold: Span | None = None
    text: str = ""
    warn: Span = Span(1, Unit.BARS)


@dataclass(frozen=True, slots=True)
class ProgramChange:
    """A wire program (0-127) on a named instrument; `bank` 14 bits or None for none."""

    instrument: str
    program: int
    bank: int | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the set. `number` counts from 1 through the whole set, `song` indexes songs.

    `changes` are sent so that this part starts on its boundary, the part's own instrument first.
    `phrases` is the planned length, None until the performer moves on.
    """

    number: int
    song: int
    pattern: Pattern
    instrument: str | None = None
    changes: tuple[ProgramChange, ...] = ()
    phrases: int | None = None
    cues: tuple[Cue, ...] = ()

    @property
    def planned_ticks(self) -> int | None:
        """Planned length in ticks, None if the performer decides."""
        return None if self.phrases is None else self.phrases * self.pattern.phrase_ticks


@dataclass(frozen=True, slots=True)
class Song:
    """A song's title, its tempo in beats (quarter notes) a minute or None, and its part numbers."""

    title: str
    tempo: float | None
    parts: range


@dataclass(frozen=True, slots=True)
class SetList:
    """A whole set. `parts[n]` has number n + 1. `clock_from` names an instrument or is None.

    A step whose long-run rate is at most `rare` is a rare step. `notes` are those that instruments
    send when tracks play, by (pattern, track); `controls` says what presses ask for.
    """

    name: str
    songs: tuple[Song, ...]
    parts: tuple[Part, ...]
    instruments: dict[str, Instrument] = field(default_factory=dict)
    clock_from: str | None = None
    rare: Fraction = Fraction(1, 3)
    notes: dict[tuple[str, str], NoteKey] = field(default_factory=dict)
    controls: tuple[Binding, ...] = ()

    def notes_of(self, part: Part) -> dict[str, NoteKey]:
        """The notes of a part by track; a channel left open is that of the part's instrument."""
        own = self.instruments.get(part.instrument or "")
        found = {}
        for track in part.pattern.tracks:
            key = self.notes.get((part.pattern.name, track.name))
            if key is not None and key.channel is None and own is not None:
                key = replace(key, channel=own.channel)
            if key is not None:
                found[track.name] = key
        return found
