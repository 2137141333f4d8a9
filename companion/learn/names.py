"""Names for what is heard: tracks by General MIDI's drum map, channels by number.

General MIDI 1 percussion key map, channel 10, notes 35 to 81 (MIDI Manufacturers Association, 1991;
from memory), in the plainer of the usual words.
"""

from __future__ import annotations

# Channel 10, as on the wire.
DRUM_CHANNEL = 9
_FIRST = 35
_DRUMS = """
bass drum 2, bass drum 1, side stick, snare 1, hand clap, snare 2, low floor tom, closed hat,
high floor tom, pedal hat, low tom, open hat, low mid tom, high mid tom, crash 1, high tom,
ride 1, china cymbal, ride bell, tambourine, splash, cowbell, crash 2, vibraslap, ride 2,
high bongo, low bongo, muted high conga, open high conga, low conga, high timbale, low timbale,
high agogo, low agogo, cabasa, maracas, short whistle, long whistle, short guiro, long guiro,
claves, high woodblock, low woodblock, muted cuica, open cuica, muted triangle, open triangle
"""
_NAMES = tuple(name.strip() for name in _DRUMS.split(","))
_PITCHES = ("C", "C sharp", "D", "E flat", "E", "F", "F sharp", "G", "A flat", "A", "B flat", "B")


def pitch(number: int) -> str:
    """A note's name; 60 is C4 (as in the usual numbering of octaves)."""
    return f"{_PITCHES[number % 12]}{number // 12 - 1}"


def track_name(channel: int, number: int | None) -> str:
    """What to call the track of that note on that channel (0-15), or the whole channel's."""
    if number is None:
        return f"channel {channel + 1}"
    if channel == DRUM_CHANNEL and 0 <= number - _FIRST < len(_NAMES):
        return _NAMES[number - _FIRST]
    if channel == DRUM_CHANNEL:
        return f"drum {number}"
    return f"{pitch(number)} on {channel + 1}"


def instrument_name(channel: int) -> str:
    """What to call the instrument on that channel (0-15)."""
    return "drums" if channel == DRUM_CHANNEL else f"instrument {channel + 1}"
