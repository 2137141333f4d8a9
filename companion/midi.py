"""MIDI's status bytes, and the bytes of what is sent.

MIDI 1.0 Detailed Specification 4.2.1 (MIDI Manufacturers Association, 1996; from memory). Wire
values in (channels 0-15, programs 0-127), whole messages out.
"""

from __future__ import annotations

# Channel voice messages, and bank select controllers.
NOTE_OFF, NOTE_ON, CONTROL_CHANGE, PROGRAM_CHANGE = 0x80, 0x90, 0xB0, 0xC0
BANK_HIGH, BANK_LOW = 0, 32
# System messages, those of no channel, from here on; exclusive is the first of them, and those in
# real time may fall inside it.
SYSTEM = SYSEX = 0xF0
REAL_TIME = 0xF8
SONG_POSITION = 0xF2
CLOCK, START, CONTINUE, STOP, ACTIVE_SENSING, RESET = 0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF

Message = bytes

# What our own clock and our own instrument come by, in place of a port's name.
INTERNAL = "internal clock"


def program_change(channel: int, program: int, bank: int | None = None) -> tuple[Message, ...]:
    """The messages of a program change, in order: with a bank, controllers 0 and 32 before it.

    `channel` 0-15, `program` 0-127, `bank` 0-16383 or None for no bank select. Raises ValueError
    for a value outside.
    """
    if not 0 <= channel <= 15 or not 0 <= program <= 127:
        raise ValueError("channel 0-15 and program 0-127 on the wire")
    change = bytes((PROGRAM_CHANGE | channel, program))
    if bank is None:
        return (change,)
    if not 0 <= bank <= 16383:
        raise ValueError("a bank has 14 bits")
    control = CONTROL_CHANGE | channel
    return (bytes((control, BANK_HIGH, bank >> 7)), bytes((control, BANK_LOW, bank & 0x7F)), change)


def control_change(channel: int, controller: int, value: int) -> Message:
    """The message that sets a controller. `channel` 0-15, the others 0-127; raises ValueError."""
    if not 0 <= channel <= 15 or not 0 <= controller <= 127 or not 0 <= value <= 127:
        raise ValueError("channel 0-15, controller and value 0-127 on the wire")
    return bytes((CONTROL_CHANGE | channel, controller, value))
