"""Messages that steer: what an instrument tells, what it is sent, and what a press asks for.

Values only, as on the wire: channels 0-15, numbers and values 0-127. Reading them from a file is
elsewhere; so is acting on them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

# MIDI 1.0: a controller used as a switch is off up to 63 and on from 64 (from memory).
ON_FROM = 64


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
class MuteSend:
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


class Ask(Enum):
    """What a press asks for."""

    NEXT = "next"
    NOW = "now"
    STAY = "stay"
    BACK = "back"
    ALIGN = "align"
    NUDGE_FORWARD = "nudge forward"
    NUDGE_BACK = "nudge back"
    ARM = "arm"
    DISARM = "disarm"
    UNDO = "undo"
    CONFIRM = "confirm"
    PART = "part"
    FILL = "fill"


@dataclass(frozen=True, slots=True)
class Wanted:
    """A wish and what goes with it.

    `unit` is `bar`, `pass`, `phrase` or empty for ALIGN, `pass` or `phrase` for the nudges, `pass`
    or empty, for a phrase, for NEXT; `part` the number from 1 for PART. FILL lasts while the press
    is held, or to the next with `toggle`.
    """

    ask: Ask
    unit: str = ""
    part: int | None = None

    def __str__(self) -> str:
        more = self.unit if self.part is None else str(self.part)
        return f"{self.ask.value} {more}".strip()


@dataclass(frozen=True, slots=True)
class Binding:
    """A press and what it asks for."""

    press: Press
    wish: Wanted
