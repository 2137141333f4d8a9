"""The tests' own instrument, on paper: it plays a set's patterns into notes and MIDI files.

What sounds comes from `tests.counting.counting_player`, which shares no code with what is tested;
here it gets channels, notes, and what a cable and a hand do to it: notes lost and doubled, timing
that is not exact.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import mido

from companion.counting import Pattern
from tests.counting.counting_player import Moment, play

PER_QUARTER = 480
SCALE = PER_QUARTER // 24


@dataclass(frozen=True)
class Hand:
    """How notes are spoiled: shares lost and doubled, noise in steps, swing in ticks."""

    lost: float = 0.0
    doubled: float = 0.0
    noise: float = 0.0
    swing: float = 0.0


CLEAN = Hand()


@dataclass(frozen=True)
class Struck:
    """A note on at a tick from the beginning of all."""

    tick: float
    channel: int
    note: int
    velocity: int = 100


def sounding(pattern: Pattern, ticks: int, rng: random.Random) -> set[Moment]:
    """What sounds of one performance."""

    def draw(chance: Fraction) -> bool:
        return rng.random() < chance

    return play(pattern, ticks, draw)


def struck(
    pattern: Pattern,
    ticks: int,
    notes: dict[str, tuple[int, int]],
    rng: random.Random,
    *,
    begin: int = 0,
    hand: Hand = CLEAN,
    muted: Sequence[tuple[str, int, int]] = (),
) -> list[Struck]:
    """The notes of a performance; `notes` are channel and number by track, `muted` has ticks."""
    found = []
    for moment in sorted(sounding(pattern, ticks, rng), key=lambda each: (each.tick, each.track)):
        track = pattern.tracks[moment.track]
        if any(name == track.name and low <= moment.tick < high for name, low, high in muted):
            continue
        if rng.random() < hand.lost:
            continue
        tick = begin + moment.tick + rng.gauss(0.0, hand.noise) * track.step_ticks
        tick += hand.swing * ((moment.step - 1) % 2)
        channel, note = notes[track.name]
        found.append(Struck(max(0.0, tick), channel, note))
        if rng.random() < hand.doubled:
            found.append(Struck(max(0.0, tick) + 0.05, channel, note))
    return found


def write_file(
    path: Path,
    notes: Sequence[Struck],
    *,
    end: float,
    programs: Sequence[tuple[float, int, int]] = (),
    bpm: float = 118.0,
) -> None:
    """A file of type 1 with the notes, and program changes as (tick, channel, program)."""
    events: list[tuple[int, int, mido.Message]] = []
    for each in notes:
        at = round(each.tick * SCALE)
        events.append(
            (
                at,
                1,
                mido.Message(
                    "note_on", channel=each.channel, note=each.note, velocity=each.velocity
                ),
            )
        )
        events.append(
            (at + SCALE, 0, mido.Message("note_off", channel=each.channel, note=each.note))
        )
    for tick, channel, program in programs:
        at = round(tick * SCALE)
        events.append((at, 0, mido.Message("program_change", channel=channel, program=program)))
    events.sort(key=lambda each: each[:2])
    file = mido.MidiFile(ticks_per_beat=PER_QUARTER)
    meta = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm))])
    track = mido.MidiTrack()
    now = 0
    for at, _, message in events:
        track.append(message.copy(time=at - now))
        now = at
    track.append(mido.MetaMessage("end_of_track", time=max(0, round(end * SCALE) - now)))
    file.tracks += [meta, track]
    file.save(path)
