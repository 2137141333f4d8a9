"""What was heard of an instrument, in ticks from the one; and how a Standard MIDI File is read.

What is learned from it is elsewhere; live ports are the command's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

import mido
import numpy as np
from numpy.typing import NDArray

from companion.counting.pattern import TICKS_PER_QUARTER, Meter
from companion.midi import BANK_HIGH, BANK_LOW, CONTROL_CHANGE, NOTE_ON, PROGRAM_CHANGE

# A file larger than this is no pattern's: some thousand hours of notes.
MAX_BYTES = 64_000_000


class HeardNote(NamedTuple):
    """A note on: ticks from the one with a fraction, channel 0-15, number and velocity 0-127."""

    tick: float
    channel: int
    number: int
    velocity: int


class HeardProgram(NamedTuple):
    """A program change, heard or sent: ticks from the one, wire values; bank None for none."""

    tick: float
    channel: int
    program: int
    bank: int | None = None


class NoteTable(NamedTuple):
    """Notes side by side: ticks, keys (channel x 128 + number) and velocities."""

    ticks: NDArray[np.float64]
    keys: NDArray[np.int64]
    velocities: NDArray[np.int64]

    def cut(self, low: int, high: int) -> NoteTable:
        """Those from index `low` up to `high`."""
        return NoteTable(self.ticks[low:high], self.keys[low:high], self.velocities[low:high])


@dataclass(frozen=True)
class Hearing:
    """All that was heard. `end` is the tick up to which was listened.

    `tempo` is in quarter notes a minute, None where nothing says it; `tempi` are its changes, each
    with the tick from which it holds. `starts` are the ticks at which it was started anew. `source`
    is `file`, `live` or `take`. `fills` are stretches of ticks in which a fill was told to be held,
    None where fills are not told.
    """

    source: str
    notes: tuple[HeardNote, ...]
    programs: tuple[HeardProgram, ...] = ()
    end: float = 0.0
    tempo: float | None = None
    meter: Meter = field(default_factory=Meter)
    fills: tuple[tuple[float, float], ...] | None = None
    tempi: tuple[tuple[float, float], ...] = ()
    starts: tuple[float, ...] = ()

    @cached_property
    def table(self) -> NoteTable:
        """The notes in the order of time, side by side."""
        rows = sorted(self.notes)
        ticks = np.array([note.tick for note in rows], dtype=np.float64)
        keys = np.array([note.channel << 7 | note.number for note in rows], dtype=np.int64)
        velocities = np.array([note.velocity for note in rows], dtype=np.int64)
        return NoteTable(ticks, keys, velocities)

    def cut(self, end: float) -> Hearing:
        """The same, listened to no longer than up to tick `end`."""
        return replace(
            self,
            notes=tuple(note for note in self.notes if note.tick < end),
            programs=tuple(each for each in self.programs if each.tick < end),
            starts=tuple(tick for tick in self.starts if tick < end),
            end=min(end, self.end),
        )


class Music:
    """Gathers notes and program changes from messages as they come; a bank select goes with the
    program changes after it on its channel.

    MIDI 1.0 Detailed Specification 4.2.1, from memory: a note on with velocity 0 is a note off;
    controllers 0 and 32 are the high and the low seven bits of a bank.
    """

    def __init__(self) -> None:
        self.notes: list[HeardNote] = []
        self.programs: list[HeardProgram] = []
        self._banks: dict[int, dict[int, int]] = {}

    def hear(self, tick: float, message: Sequence[int]) -> None:
        """Take one whole channel message; what is neither is left alone."""
        kind, channel = message[0] & 0xF0, message[0] & 0x0F
        if kind == NOTE_ON and len(message) == 3 and message[2] > 0:
            self.notes.append(HeardNote(tick, channel, message[1], message[2]))
        elif kind == CONTROL_CHANGE and len(message) == 3 and message[1] in (BANK_HIGH, BANK_LOW):
            self._banks.setdefault(channel, {})[message[1]] = message[2]
        elif kind == PROGRAM_CHANGE and len(message) == 2:
            said = self._banks.get(channel)
            bank = None
            if said is not None:
                bank = said.get(BANK_HIGH, 0) << 7 | said.get(BANK_LOW, 0)
            self.programs.append(HeardProgram(tick, channel, message[1], bank))


class HeardError(Exception):
    """Nothing can be learned from it; the message says why, and what would help."""


def read_midi_file(path: Path) -> Hearing:
    """What a Standard MIDI File holds; its tick 0 is the one. Raises HeardError.

    Standard MIDI Files 1.0 (MIDI Manufacturers Association, 1988; from memory): a positive division
    is ticks to the quarter note.
    """
    try:
        if path.stat().st_size > MAX_BYTES:
            raise HeardError(f"{path} is too large for a MIDI file; play it in pieces")
        file = mido.MidiFile(path)
    except HeardError:
        raise
    except Exception as error:
        if isinstance(error, OSError) and error.strerror:
            raise HeardError(f"{path}: {error.strerror}") from error
        # The reader raises whatever a broken byte leads it to.
        why = f": {error}" if str(error) else ""
        raise HeardError(f"{path} is no whole MIDI file{why}; export it again") from error
    if file.type == 2:
        raise HeardError(f"{path} holds songs apart (type 2); export it as type 0 or 1")
    if not 0 < file.ticks_per_beat < 0x8000:
        raise HeardError(f"{path} counts in seconds, not in beats; export it with a tempo")
    return _hearing(file)


def _hearing(file: mido.MidiFile) -> Hearing:
    scale = TICKS_PER_QUARTER / file.ticks_per_beat
    music = Music()
    tempi: list[tuple[float, float]] = []
    meter: Meter | None = None
    end = 0.0
    for at, message in _in_time(file):
        tick = at * scale
        end = max(end, tick)
        match message.type:
            case "note_on" | "control_change" | "program_change":
                music.hear(tick, message.bytes())
            case "set_tempo" if message.tempo > 0:
                tempi.append((tick, 60e6 / message.tempo))
            case "time_signature" if meter is None and message.denominator in (2, 4, 8, 16, 32):
                meter = Meter(message.numerator, message.denominator)
    return Hearing(
        "file",
        tuple(music.notes),
        tuple(music.programs),
        end,
        _longest_held(tempi, end),
        meter or Meter(),
        tempi=tuple(tempi),
    )


def _in_time(file: mido.MidiFile) -> Iterator[tuple[int, mido.Message]]:
    """All messages of all tracks by time, those of one time in the order of the file."""
    found = []
    for track in file.tracks:
        at = 0
        for message in track:
            at += message.time
            found.append((at, message))
    found.sort(key=lambda each: each[0])
    return iter(found)


def _longest_held(tempi: list[tuple[float, float]], end: float) -> float | None:
    """The tempo that holds for most beats."""
    held: dict[float, float] = {}
    for (tick, bpm), (until, _) in zip(tempi, [*tempi, (end, 0.0)][1:], strict=True):
        held[bpm] = held.get(bpm, 0.0) + until - tick
    return max(held, key=lambda bpm: held[bpm]) if held else None
