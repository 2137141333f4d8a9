"""Note values and meters in MIDI clock ticks. Only whole ticks belong here, never seconds."""

from __future__ import annotations

from dataclasses import dataclass

# MIDI 1.0: 24 timing clocks to the quarter note, so 96 to the whole note.
TICKS_PER_QUARTER = 24
TICKS_PER_WHOLE = 4 * TICKS_PER_QUARTER
# MIDI 1.0: a song position counts sixteenth notes, which are 6 clocks.
TICKS_PER_SONG_POSITION = 6

STEP_TICKS = {
    "1/4": 24,
    "1/8": 12,
    "1/8T": 8,
    "1/16": 6,
    "1/16T": 4,
    "1/32": 3,
    "1/32T": 2,
}


@dataclass(frozen=True, slots=True)
class Meter:
    """A meter such as 7/8: `beats` beats to the bar, each a 1/`unit` note.

    `unit` divides 96 (1, 2, 4, 8, 16 or 32 in practice), so a beat is a whole number of ticks.
    """

    beats: int = 4
    unit: int = 4

    @property
    def beat_ticks(self) -> int:
        """Ticks in one beat."""
        return TICKS_PER_WHOLE // self.unit

    @property
    def bar_ticks(self) -> int:
        """Ticks in one bar."""
        return self.beats * self.beat_ticks

    def __str__(self) -> str:
        return f"{self.beats}/{self.unit}"
