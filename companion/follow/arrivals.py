"""Program changes that come in: an instrument's own announcement of its next pattern. Pure.

Decides what an announcement means for the set; moves nothing. Whether an instrument obeyed a change
of ours is told from its notes in `obeyed`. Programs, channels and banks are wire values, times are
nanoseconds of one monotonic clock, ticks count from the start of the running part.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from companion.follow.noted import noted
from companion.follow.taken import Matches
from companion.setlist.controls import Kind
from companion.setlist.model import Instrument, Part, ProgramChange, SetList

# MIDI 1.0: bank select, high and low seven bits, before a program change.
BANK_HIGH, BANK_LOW = 0, 32
# A change of ours that comes back within this time, or before its boundary, is an echo: devices
# pass on what they get within milliseconds, some only with their next pattern (presumed).
ECHO_NS = 2_000_000_000


@dataclass(frozen=True, slots=True)
class Announced:
    """A program that an instrument told of itself. `bank` is None if it never selected one."""

    instrument: str
    channel: int
    program: int
    bank: int | None = None


class Announcements:
    """Reads announcements out of what arrives; remembers the bank of each port and channel."""

    def __init__(self, instruments: Mapping[str, Instrument], matches: Matches) -> None:
        self._instruments = instruments
        self._matches = matches
        self._banks: dict[tuple[str, int], int] = {}

    def hear(self, port: str, message: Sequence[int]) -> Announced | None:
        """Take one MIDI message (its bytes) that arrived on `port`.

        A message that fits several instruments is that of the first which names its port.
        """
        heard = noted(message)
        if heard is None:
            return None
        key = (port, heard.channel)
        if heard.kind is Kind.CONTROLLER:
            bank = self._banks.get(key, 0)
            if heard.number == BANK_HIGH:
                self._banks[key] = heard.value << 7 | bank & 0x7F
            elif heard.number == BANK_LOW:
                self._banks[key] = bank & 0x3F80 | heard.value
            return None
        if heard.kind is not Kind.PROGRAM:
            return None
        fitting = [
            each
            for each in self._instruments.values()
            if each.channel == heard.channel
            and (each.port is None or self._matches(each.port, port))
        ]
        if not fitting:
            return None
        own = min(fitting, key=lambda each: each.port is None)
        return Announced(own.name, heard.channel, heard.number, self._banks.get(key))

    def port_gone(self, port: str) -> None:
        """Tell that `port` has vanished: what comes back may have another bank."""
        self._banks = {key: bank for key, bank in self._banks.items() if key[0] != port}


class Echoes:
    """Knows our own program changes when they come back."""

    def __init__(self) -> None:
        # For program and instrument, and for program and channel: until when.
        self._until: dict[tuple[int, str | int], int] = {}

    def sent(
        self, change: ProgramChange, channel: int, t_ns: int, boundary_ns: int | None = None
    ) -> None:
        """Take note that `change` left at `t_ns`, to take effect at about `boundary_ns`."""
        until = max(t_ns + ECHO_NS, boundary_ns or 0)
        for key in ((change.program, change.instrument), (change.program, channel)):
            self._until[key] = max(until, self._until.get(key, 0))

    def is_echo(self, announced: Announced, t_ns: int) -> bool:
        """Whether what arrived at `t_ns` is ours, on whichever port it came."""
        program = announced.program
        keys: tuple[tuple[int, str | int], ...] = (
            (program, announced.instrument),
            (program, announced.channel),
        )
        return any(t_ns <= self._until.get(key, -1) for key in keys)


class Meaning(Enum):
    """What an announcement means for the set."""

    ECHO = "our own message came back"
    SAME = "the instrument is where the set is"
    STAYS = "the instrument was told to go on and says that it stays"
    AGREES = "the instrument goes where the set goes, and then"
    GO = "the instrument goes to another part, and the set with it"
    ASIDE = "no part is led by this instrument with this program"
    UNKNOWN = "no part has this program"


@dataclass(frozen=True, slots=True)
class Reading:
    """What became of an announcement: to `part` (its number) at tick `at` of the running part.

    Both are None unless the meaning is AGREES or GO. Nothing else is to be obeyed; the part's own
    instrument needs no program change from us then, for it is on its way.
    """

    meaning: Meaning
    announced: Announced
    part: int | None = None
    at: int | None = None


def read(
    setlist: SetList,
    part: Part,
    tick: int,
    end: int | None,
    announced: Announced,
    *,
    echo: bool = False,
    sent: bool = False,
) -> Reading:
    """What `announced` means while `part` runs at `tick` and is to end at tick `end`, if known.

    `echo` says that it is a message of ours, `sent` that a change for `end` has left. An instrument
    that changes at the end of its pattern is taken to announce the next end after `tick`.
    """
    if echo:
        return Reading(Meaning.ECHO, announced)
    if has_program(part, announced):
        return Reading(Meaning.STAYS if sent else Meaning.SAME, announced)
    found = nearest_part(setlist, part.number, announced)
    if found is None:
        aside = any(_change_of(each, announced) is not None for each in setlist.parts)
        return Reading(Meaning.ASIDE if aside else Meaning.UNKNOWN, announced)
    at = tick
    if not setlist.instruments[announced.instrument].at_once:
        length = part.pattern.pass_ticks
        at = (tick // length + 1) * length
    if found == part.number + 1 and end is not None and end <= at:
        return Reading(Meaning.AGREES, announced, found, end)
    return Reading(Meaning.GO, announced, found, at)


def has_program(part: Part, announced: Announced) -> bool:
    """Whether `part` is led by the instrument, with the program it announced."""
    return part.instrument == announced.instrument and _change_of(part, announced) is not None


def nearest_part(setlist: SetList, number: int, announced: Announced) -> int | None:
    """The number of the part that an announcement means while part `number` runs.

    The nearest that follows and is led by the instrument with that program, or else the nearest
    before; None if there is none.
    """
    fitting = [each.number for each in setlist.parts if has_program(each, announced)]
    following = [each for each in fitting if each > number]
    before = [each for each in fitting if each < number]
    if following:
        return following[0]
    return before[-1] if before else None


def _change_of(part: Part, announced: Announced) -> ProgramChange | None:
    """The change of `part` that is what was announced; a bank counts only where both name one."""
    for change in part.changes:
        if (change.instrument, change.program) == (announced.instrument, announced.program):
            banks = (change.bank, announced.bank)
            if None in banks or change.bank == announced.bank:
                return change
    return None
