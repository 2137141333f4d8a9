"""The set list as checked, frozen values: what the engine follows, and what its plan says.

What a song, a part, a cue and an instrument are; the messages that steer: what an instrument tells,
what it is sent, what a press asks for; when cues are due and how far an instrument has counted.
Reading any of it from a file is elsewhere, and so is acting on it.

Channels, programs, numbers and values are as on the wire (0-15, 0-127); `Instrument.shown` turns a
program back into the number on the instrument's display.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import Enum
from fractions import Fraction

from companion.counting import Pattern
from companion.wishes import Wish

# MIDI 1.0 Detailed Specification 4.2.1, Control Change, from memory: a controller used as a switch
# is off up to 63 and on from 64.
ON_FROM = 64
# A song without a tempo is reckoned with as if at this one, in beats a minute; common practice, no
# source.
USUAL_TEMPO = 120.0


class Kind(Enum):
    """The kind of a message that steers."""

    NOTE = "note"
    CONTROLLER = "controller"
    PROGRAM = "program"


@dataclass(frozen=True, slots=True)
class Address:
    """Which message: its kind, its number, and its channel or None for any."""

    kind: Kind
    number: int
    channel: int | None = None

    def meets(self, other: Address) -> bool:
        """Whether one message may be at both addresses."""
        same = self.kind is other.kind and self.number == other.number
        return same and (None in (self.channel, other.channel) or self.channel == other.channel)

    def __str__(self) -> str:
        channel = "" if self.channel is None else f" on channel {self.channel + 1}"
        return f"{self.kind.value} {self.number}{channel}"


@dataclass(frozen=True, slots=True)
class NoteKey:
    """The note that an instrument sends when a track plays; `channel` None is the instrument's."""

    channel: int | None
    number: int


@dataclass(frozen=True, slots=True)
class MuteTold:
    """How an instrument tells that a track is muted: by a controller's value or a held note.

    With `toggles` each press (a note on, a value from 64) turns the track's state round instead.
    """

    track: str
    address: Address
    muted_high: bool = True
    toggles: bool = False

    def muted(self, value: int) -> bool:
        """Whether the track is muted at that controller value; of a note, 127 is on and 0 off."""
        return (value >= ON_FROM) == self.muted_high


@dataclass(frozen=True, slots=True)
class Tells:
    """What an instrument tells of itself. `fill` is held from value 64 on, or while a note is."""

    fill: Address | None = None
    mutes: tuple[MuteTold, ...] = ()


NOTHING_TOLD = Tells()


@dataclass(frozen=True, slots=True)
class MuteControl:
    """How an instrument is told to mute a track: a controller and its values for both states."""

    track: str
    channel: int
    controller: int
    muted: int = 127
    sounding: int = 0


@dataclass(frozen=True, slots=True)
class Press:
    """A press on a pad, key or pedal; `port` is a glob on the MIDI port's name, None for any.

    `long` means one that is held. `toggle` is for a controller that sends 127 on one press and 0
    on the next: either value is a press.
    """

    address: Address
    port: str | None = None
    long: bool = False
    toggle: bool = False

    def same(self, other: Press) -> bool:
        """Whether both are written for the same messages, the length of the press aside.

        Where one names its port or channel and the other does not, the one that does comes first.
        """
        mine, theirs = (
            None if each is None else each.casefold() for each in (self.port, other.port)
        )
        return mine == theirs and self.address == other.address


@dataclass(frozen=True, slots=True)
class Binding:
    """A press and what it asks for."""

    press: Press
    wish: Wish


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


def spoken(ticks: int, pattern: Pattern) -> str:
    """How long `ticks` are while `pattern` runs, in bars, beats and steps: "1 bar and 2 beats"."""
    said, left = [], ticks
    for unit in (Unit.BARS, Unit.BEATS, Unit.STEPS):
        whole, left = divmod(left, unit.ticks(pattern))
        if whole:
            said.append(str(Span(whole, unit)))
    if left:
        said.append(f"{Fraction(left, pattern.step_ticks)} of a step")
    return listed_and(said)


def listed_and(words: list[str]) -> str:
    """Words as a sentence has them: "1 bar, 2 beats and 1 step"."""
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


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
    mute_sends: tuple[MuteControl, ...] = ()

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

    NTH: at the start of the N-th unit (`span` holds N and the unit), or of the M-th unit inside it
    (`inside` holds M and that unit). LAST: `span` before the end. EVERY: at the N-th unit and every
    N from there, or from the start of pass `from_pass`.
    """

    kind: WhenKind
    span: Span | None = None
    from_pass: int | None = None
    inside: Span | None = None


class Action(Enum):
    """What a cue asks the performer to do."""

    MUTE = "mute"
    UNMUTE = "unmute"
    FILL = "fill"
    SAY = "say"
    RESTORE = "restore"
    SWEEP = "sweep"


@dataclass(frozen=True, slots=True)
class Cue:
    """A reminder: `tracks` for mute and unmute, `hold` for fill, `text` for say and sweep.

    A track of a layer stands there as the layer has it `called`.
    """

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
class Layer:
    """What plays beside a part on another instrument, with a count of its own.

    The same pattern on the same instrument in the part before goes on counting, unless `again`.
    """

    pattern: Pattern
    instrument: str
    again: bool = False

    def called(self, track: str) -> str:
        """A track of it by a name that no other beside the part has, such as "hum on pads"."""
        return f"{track} on {self.instrument}"


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the set. `number` counts from 1 through the whole set, `song` indexes songs.

    `changes` are sent so that this part starts on its boundary, the part's own instrument first.
    `phrases` is the planned length, None until the performer moves on; `about` is then the rough
    one, None if nothing is said. `own_name` is what the performer calls it, "" for its pattern's
    name. `place` leads to where it is written under its song's `parts:`, by position and on into
    `repeat` blocks.
    """

    number: int
    song: int
    pattern: Pattern
    instrument: str | None = None
    changes: tuple[ProgramChange, ...] = ()
    phrases: int | None = None
    cues: tuple[Cue, ...] = ()
    own_name: str = ""
    about: int | None = None
    layers: tuple[Layer, ...] = ()
    place: tuple[int, ...] = ()

    @property
    def name(self) -> str:
        """What the performer calls it: its own name, or its pattern's."""
        return self.own_name or self.pattern.name

    @property
    def planned_ticks(self) -> int | None:
        """Planned length in ticks, None if the performer decides."""
        return None if self.phrases is None else self.phrases * self.pattern.phrase_ticks

    @property
    def likely_ticks(self) -> int:
        """Planned length in ticks; of an open part the rough one, or else one phrase."""
        return (self.phrases or self.about or 1) * self.pattern.phrase_ticks


@dataclass(frozen=True, slots=True)
class Song:
    """A song's title, its tempo in beats (quarter notes) a minute or None, and its part numbers.

    `notes` are the performer's own words for its start. `stops` says that its last part ends in
    silence: the performer stops the instruments there.
    """

    title: str
    tempo: float | None
    parts: range
    notes: str = ""
    stops: bool = False


@dataclass(frozen=True, slots=True)
class SetList:
    """A whole set. `parts[n]` has number n + 1. `clock_from` names an instrument or is None.

    A step whose long-run rate is at most `rare` is a rare step. `notes` are those that instruments
    send when tracks play, by (pattern, track); `controls` says what presses ask for. `curfew` is
    the time of day in minutes at which the night ends, None if nothing is said; `sends_first` says
    that part 1's programs go out before anything is started.
    """

    name: str
    songs: tuple[Song, ...]
    parts: tuple[Part, ...]
    instruments: dict[str, Instrument] = field(default_factory=dict)
    clock_from: str | None = None
    rare: Fraction = Fraction(1, 3)
    notes: dict[tuple[str, str], NoteKey] = field(default_factory=dict)
    controls: tuple[Binding, ...] = ()
    curfew: int | None = None
    sends_first: bool = False

    def all_that_plays(self) -> Iterator[Part | Layer]:
        """Each part, and after it its layers."""
        for part in self.parts:
            yield part
            yield from part.layers

    def notes_of(self, part: Part | Layer) -> dict[str, NoteKey]:
        """The notes of a part or layer by track; a channel left open is its instrument's."""
        own = self.instruments.get(part.instrument or "")
        found = {}
        for track in part.pattern.tracks:
            key = self.notes.get((part.pattern.name, track.name))
            if key is not None and key.channel is None and own is not None:
                key = replace(key, channel=own.channel)
            if key is not None:
                found[track.name] = key
        return found


def cue_ticks(
    when: When, pattern: Pattern, end_tick: int | None, from_tick: int, until_tick: int
) -> Iterator[int]:
    """Ticks in [from_tick, until_tick) at which `when` is due, ascending.

    `end_tick` is where the part ends, in ticks from its start, or None while that is open: then
    `end` and `last` are not due at all. What would fall before the part's start is not due.
    """
    match when.kind:
        case WhenKind.START:
            yield from _one(0, from_tick, until_tick)
        case WhenKind.END:
            if end_tick is not None:
                yield from _one(end_tick, from_tick, until_tick)
        case WhenKind.NTH:
            yield from _one(_nth(when, pattern), from_tick, until_tick)
        case WhenKind.LAST:
            if end_tick is not None:
                yield from _one(end_tick - _span(when).ticks(pattern), from_tick, until_tick)
        case WhenKind.EVERY:
            period = _span(when).ticks(pattern)
            if when.from_pass is None:
                first = _nth(when, pattern)
            else:
                first = (when.from_pass - 1) * pattern.pass_ticks
            rounds = max(0, -(-(from_tick - first) // period))
            yield from range(first + rounds * period, until_tick, period)


def hold_ticks(cue: Cue, pattern: Pattern) -> int:
    """How long a fill cue asks the fill to be held, in ticks; 0 for any other cue."""
    return cue.hold.ticks(pattern) if cue.hold is not None else 0


def cue_sentence(cue: Cue) -> str:
    """A cue in plain words, such as "mute shaker and hat"."""
    match cue.action:
        case Action.MUTE | Action.UNMUTE:
            return f"{cue.action.value} {_listed(cue.tracks)}"
        case Action.FILL:
            return f"hold the fill for {cue.hold}"
        case Action.SAY:
            return cue.text
        case Action.RESTORE:
            return "restore the pattern"
        case Action.SWEEP:
            # What to move is in the performer's own words, not always the name of a thing.
            return f"sweep: {cue.text}"


def _listed(names: tuple[str, ...]) -> str:
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _one(tick: int, from_tick: int, until_tick: int) -> Iterator[int]:
    if tick >= 0 and from_tick <= tick < until_tick:
        yield tick


def _nth(when: When, pattern: Pattern) -> int:
    spans = (_span(when), when.inside) if when.inside is not None else (_span(when),)
    return sum((span.count - 1) * span.unit.ticks(pattern) for span in spans)


def _span(when: When) -> Span:
    if when.span is None:
        raise ValueError(f"a cue of kind {when.kind.value} needs a span")
    return when.span


def carried_passes(setlist: SetList, part: Part) -> int:
    """Passes that the instrument has counted before `part` begins, if the set is played as planned.

    0 where its instrument restarts the count on a change. A part without a planned length counts
    as `about` so many phrases, or else as one.
    """
    for each, passes in zip(setlist.parts, carried(setlist), strict=False):
        if each.number == part.number:
            return passes
    raise ValueError(f"the set has no part {part.number}")


def carried(setlist: SetList) -> Iterator[int]:
    """For each part of the set in order, what `carried_passes` says of it."""
    passes = 0
    for part in setlist.parts:
        if recounts(setlist, part):
            passes = 0
        yield passes
        passes += part.likely_ticks // part.pattern.pass_ticks


def recounts(setlist: SetList, part: Part) -> bool:
    """Whether the count of passes begins anew with the part."""
    if part.number == 1 or part.instrument is None:
        return True
    return setlist.instruments[part.instrument].recount
