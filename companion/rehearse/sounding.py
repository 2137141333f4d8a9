"""From strikes to MIDI messages: every note that begins ends, within a step and whatever happens.

What is to sound is decided elsewhere; here it is known what sounds now.
"""

from __future__ import annotations

from collections.abc import Iterable

from companion.counting import Pattern
from companion.midi import NOTE_OFF, NOTE_ON
from companion.rehearse.instrument import Strike
from companion.rehearse.keys import CLICK_BEAT, CLICK_ONE, Key

# Moderate: nobody knows what is connected, nor how loud it is.
VELOCITY = 80
_CLICK_TICKS = 3


class Sounding:
    """What sounds on one output."""

    def __init__(self) -> None:
        # By key, the ticks that are left of it.
        self._left: dict[Key, int] = {}

    def tick(self, strikes: Iterable[Strike]) -> list[bytes]:
        """One tick on, with what begins on it: the messages to send, ends first.

        Of several strikes on one key one sounds, the longest. A key that still sounds ends before
        it begins anew.
        """
        begin: dict[Key, int] = {}
        for strike in strikes:
            begin[strike.key] = max(strike.ticks, begin.get(strike.key, 0))
        left = {key: ticks - 1 for key, ticks in self._left.items()}
        ending = [key for key, ticks in left.items() if ticks <= 0 or key in begin]
        self._left = {key: t for key, t in left.items() if t > 0} | begin
        on = [bytes((NOTE_ON | key.channel, key.note, VELOCITY)) for key in begin]
        return [*note_offs(ending), *on]

    def silence(self) -> list[bytes]:
        """Nothing sounds any more: the messages that end what does."""
        ending, self._left = list(self._left), {}
        return note_offs(ending)


def note_offs(keys: Iterable[Key]) -> list[bytes]:
    """The messages that end these notes."""
    return [bytes((NOTE_OFF | key.channel, key.note, 0)) for key in keys]


def click(pattern: Pattern, tick: int) -> tuple[Strike, ...]:
    """The click at `tick` of a part that plays `pattern`, below 0 in a count-in before it."""
    meter = pattern.meter
    if tick % meter.beat_ticks:
        return ()
    one = tick % meter.bar_ticks == 0
    return (Strike(CLICK_ONE if one else CLICK_BEAT, min(_CLICK_TICKS, meter.beat_ticks // 2)),)
