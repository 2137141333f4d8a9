"""Channel messages as kind, number and value: what a pad, a pedal or an instrument sent.

No meaning is given here. System messages, pressure and pitch bend are passed over: they are no
presses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from companion.setlist.controls import ON_FROM, Address, Kind

# MIDI 1.0 Detailed Specification 4.2.1 (from memory): channel voice messages.
NOTE_OFF, NOTE_ON, CONTROL_CHANGE, PROGRAM_CHANGE = 0x80, 0x90, 0xB0, 0xC0
# Channel mode messages look like controllers with these numbers and above (MIDI 1.0).
MODES = 120


@dataclass(frozen=True, slots=True)
class Noted:
    """One channel message: `channel` 0-15, `number` 0-127.

    `value` is a note's velocity (0 for a release) or a controller's value; 127 for a program.
    """

    kind: Kind
    channel: int
    number: int
    value: int

    @property
    def on(self) -> bool:
        """Whether it is a press: any note that begins, a controller from 64 up, any program."""
        return self.value > 0 if self.kind is Kind.NOTE else self.value >= ON_FROM

    def fits(self, address: Address) -> bool:
        """Whether this is a message of that address."""
        return (
            self.kind is address.kind
            and self.number == address.number
            and address.channel in (None, self.channel)
        )


def noted(message: Sequence[int]) -> Noted | None:
    """The message as a `Noted`, None for anything else, broken messages included."""
    if len(message) < 2 or not 0 <= message[1] <= 127:
        return None
    status, channel = message[0] & 0xF0, message[0] & 0x0F
    if status == PROGRAM_CHANGE and len(message) == 2:
        return Noted(Kind.PROGRAM, channel, message[1], 127)
    if len(message) != 3 or not 0 <= message[2] <= 127:
        return None
    if status == NOTE_ON:
        return Noted(Kind.NOTE, channel, message[1], message[2])
    if status == NOTE_OFF:
        return Noted(Kind.NOTE, channel, message[1], 0)
    if status == CONTROL_CHANGE and message[1] < MODES:
        return Noted(Kind.CONTROLLER, channel, message[1], message[2])
    return None
