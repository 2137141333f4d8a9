"""Program changes that come in: an instrument's own announcement of its next pattern. Pure.

Reads them and finds the part that is meant; what an announcement says of the instrument is weighed
in `belief`. Programs, channels and banks are wire values, times are nanoseconds of one monotonic
clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from companion.follow.presses import Matches, parse
from companion.midi import BANK_HIGH, BANK_LOW
from companion.setlist import Instrument, Kind, Part, ProgramChange, SetList

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
        heard = parse(message)
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
