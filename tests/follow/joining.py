"""Somebody joins in the middle: the tests' own instrument plays a part, and a follower listens.

What sounds comes from `tests.counting.counting_player`, which shares no code with what is tested;
clock and notes go over a cable with jitter, losses and muted tracks.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from heapq import merge
from math import lcm

from companion.counting import Cycle, Meter, Pattern, Rule, Step, Track
from companion.follow.follower import Follower
from companion.follow.transport import State
from companion.setlist import Instrument, NoteKey, Part, ProgramChange, SetList, Song, load
from tests.builders import SHIPPED
from tests.counting.counting_player import play

PORT = "tide drum"
NOTE_ON, CLOCK = 0x90, (0xF8,)
BEGUN_NS = 10**9


@dataclass(frozen=True)
class Cable:
    """What becomes of notes: the share lost and doubled, jitter in ms, tracks that are muted.

    `clock_ms` is the jitter of the clock, `channel` is added to every note's own.
    """

    lost: float = 0.02
    doubled: float = 0.0
    jitter_ms: float = 3.0
    clock_ms: float = 0.5
    muted: tuple[str, ...] = ()
    channel: int = 0


@dataclass(frozen=True)
class Outcome:
    """How it went: ticks until sure, None if never; whether that was right.

    `wrong` is how often anything was sure and wrong, at any tick.
    """

    sure_after: int | None
    wrong: int
    said: str = ""


def with_notes(setlist: SetList) -> SetList:
    """A set whose every track sends a note, the same for the same name, each on its instrument."""
    named = dict.fromkeys(t.name for part in setlist.parts for t in part.pattern.tracks)
    numbers = {name: 36 + at for at, name in enumerate(named)}
    notes = {
        (part.pattern.name, track.name): NoteKey(None, numbers[track.name])
        for part in setlist.parts
        for track in part.pattern.tracks
    }
    return replace(setlist, notes=notes)


def shipped() -> list[SetList]:
    """The sets that come with it, with notes."""
    return [with_notes(load(path)) for path in SHIPPED]


def a_rule(rng: random.Random) -> Rule:
    kind = rng.random()
    if kind < 0.55:
        return Rule()
    if kind < 0.7:
        return Rule(chances=(Fraction(rng.randint(2, 8), 10),))
    n = rng.choice((2, 2, 3, 4, 4, 4, 5, 8, 8, 16))
    cycle = Cycle(rng.randint(1, n), n, rng.random() < 0.15)
    chances = (Fraction(3, 4),) if rng.random() < 0.15 else ()
    return Rule((cycle,), chances)


def a_pattern(rng: random.Random, name: str) -> Pattern:
    """A pattern as people make them: four to eight tracks, some rare steps, some odd lengths."""
    names = ["low drum", "snap", "hat", "shaker", "bell", "conch", "foghorn", "buoy"]
    tracks = []
    for track in names[: rng.randint(4, 8)]:
        length = 16 if rng.random() < 0.8 else rng.choice((12, 7, 20, 24))
        many = rng.randint(1, max(2, length // 3))
        steps = tuple(Step(n, a_rule(rng)) for n in sorted(rng.sample(range(1, length + 1), many)))
        tracks.append(Track(track, length, 6, steps))
    return Pattern(name, 16, 6, Meter(), 96 * rng.choice((4, 8)), tuple(tracks))


def a_set(rng: random.Random) -> SetList:
    """A set of a few parts on one instrument."""
    patterns = [a_pattern(rng, name) for name in ("slack water", "ebb line", "neap", "spring tide")]
    drums = Instrument("drums", channel=9)
    parts = []
    for number in range(1, rng.randint(3, 7)):
        parts.append(
            Part(
                number,
                0,
                rng.choice(patterns),
                "drums",
                (ProgramChange("drums", number),),
                rng.choice((1, 1, 2, None)),
            )
        )
    song = Song("Slack water", 120.0, range(1, len(parts) + 1))
    return with_notes(SetList("Tidewater", (song,), tuple(parts), {"drums": drums}))


def notes_of(
    setlist: SetList, part: Part, until: int, rng: random.Random
) -> list[tuple[int, str, int, int]]:
    """What one performance of a part sounds: tick, track, channel and note."""

    def draw(chance: Fraction) -> bool:
        return rng.random() < chance

    own = setlist.notes_of(part)
    found = []
    for each in sorted(play(part.pattern, until, draw), key=lambda m: (m.tick, m.track)):
        track = part.pattern.tracks[each.track].name
        if track in own:
            key = own[track]
            found.append((each.tick, track, key.channel or 0, key.number))
    return found


Event = tuple[float, int, tuple[int, ...]]


def over_cable(
    sounds: Sequence[tuple[int, str, int, int]],
    begin: int,
    until: int,
    tick_ns: float,
    cable: Cable,
    rng: random.Random,
) -> Iterator[Event]:
    """Clocks and notes in the order in which they arrive: when (ns), order, the bytes."""
    clocks = sorted(
        BEGUN_NS + (t - begin) * tick_ns + abs(rng.gauss(0, cable.clock_ms)) * 1e6
        for t in range(begin, until)
    )
    notes = []
    for tick, track, channel, number in sounds:
        if not begin <= tick < until or track in cable.muted or rng.random() < cable.lost:
            continue
        at = BEGUN_NS + (tick - begin) * tick_ns + rng.gauss(0, cable.jitter_ms) * 1e6
        message = (NOTE_ON | (channel + cable.channel) % 16, number, 100)
        notes.append((at, 1, message))
        if rng.random() < cable.doubled:
            notes.append((at + 2e6, 1, message))
    return merge([(t, 0, CLOCK) for t in clocks], sorted(notes))


def join(
    setlist: SetList,
    part: Part,
    begin: int,
    rng: random.Random,
    *,
    cable: Cable = Cable(),
    bpm: float = 120.0,
    ticks: int = 3000,
    until_sure: bool = True,
    played: Part | None = None,
) -> Outcome:
    """Join `part` at its tick `begin` and listen for so many ticks, or until it is sure.

    `played` is what the instrument has in its place.
    """
    tick_ns = 60e9 / (bpm * 24)
    until = begin + ticks
    if part.planned_ticks is not None:
        until = min(until, part.planned_ticks)
    sounds = notes_of(setlist, part if played is None else played, until, rng)
    follower = Follower(setlist, can_send=False)
    conductor = follower.conductor
    count, wrong, sure_after = -1, 0, None
    for at, _, message in over_cable(sounds, begin, until, tick_ns, cable, rng):
        follower.hear(PORT, round(at), message)
        if message is not CLOCK:
            continue
        count += 1
        if conductor.sure and conductor.state is State.RUNNING:
            if sure_after is None:
                sure_after = count
            if not right(conductor.part, conductor.tick, part, begin + count):
                wrong += 1
            if until_sure:
                break
    return Outcome(sure_after, wrong, conductor.doubt)


@dataclass(frozen=True)
class Changed:
    """How it went where something was changed by hand, which nobody told, while it listened.

    `before` says that it was sure before that, and `noticed` after how many ticks it was so no
    more; `sure_after` is of the change, in ticks, where it was sure of what plays. `wrong` counts
    the ticks at which it was sure of another place: any, but for a pass of what it knew before.
    """

    before: bool
    noticed: int | None
    sure_after: int | None
    wrong: int
    said: str = ""


def join_changed(
    setlist: SetList,
    part: Part,
    begin: int,
    rng: random.Random,
    *,
    cable: Cable = Cable(),
    bpm: float = 120.0,
    ticks: int = 2000,
) -> Changed:
    """Join `part` at its tick `begin`; at the end of one of its next passes another one begins.

    Any part of the set, or the same again; it is listened to for so many ticks more. It changes
    before its planned end, but where its last pass runs already.
    """
    length = part.pattern.pass_ticks
    first, last = begin // length + 1, begin // length + 12
    if part.planned_ticks is not None:
        last = max(min(last, part.planned_ticks // length - 1), first)
    change = rng.randint(first, last) * length
    to = rng.choice([p for p in setlist.parts if setlist.notes_of(p)])
    if to.planned_ticks is not None:
        ticks = min(ticks, to.planned_ticks)
    sounds = [each for each in notes_of(setlist, part, change, rng) if each[0] < change]
    sounds += [(change + at, *rest) for at, *rest in notes_of(setlist, to, ticks, rng)]
    follower = Follower(setlist, can_send=False)
    conductor = follower.conductor
    count, wrong = begin - 1, 0
    before, sure_after, noticed = False, None, None
    for at, _, message in over_cable(sounds, begin, change + ticks, 60e9 / (bpm * 24), cable, rng):
        follower.hear(PORT, round(at), message)
        if message is not CLOCK:
            continue
        count += 1
        sure = conductor.sure and conductor.state is State.RUNNING
        if count < change:
            before = sure
            wrong += sure and not right(conductor.part, conductor.tick, part, count)
            continue
        here = sure and right(conductor.part, conductor.tick, to, count - change)
        if before and noticed is None and (not sure or here):
            noticed = count - change
        if here and sure_after is None:
            sure_after = count - change
        excused = before and noticed is None and count < change + length
        wrong += sure and not here and not excused
    return Changed(before, noticed, sure_after, wrong, f"part {part.number} to {to.number}")


def right(shown: Part, tick: int, part: Part, played: int) -> bool:
    """Whether what is shown is what plays; of an open part, as far as it can be told."""
    if shown.number != part.number:
        return False
    if part.planned_ticks is not None:
        return tick == played
    return (tick - played) % around(part.pattern) == 0


def around(pattern: Pattern) -> int:
    """After how many ticks a pattern and its phrases come round."""
    found = lcm(pattern.phrase_ticks, pattern.pass_ticks)
    for track in pattern.tracks:
        found = lcm(found, track.pass_ticks)
        for step in track.steps:
            for cycle in step.rule.cycles:
                found = lcm(found, track.pass_ticks * cycle.n)
    return found


def a_place(setlist: SetList, rng: random.Random) -> tuple[Part, int]:
    """A random tick of a random part that sends notes."""
    part = rng.choice([p for p in setlist.parts if setlist.notes_of(p)])
    length = part.planned_ticks or min(around(part.pattern), 6000)
    return part, rng.randrange(length)


def muted_one(part: Part, rng: random.Random) -> tuple[str, ...]:
    """One track of the part."""
    return (rng.choice(part.pattern.tracks).name,)


def random_places(rng: random.Random, many: int) -> Iterator[tuple[SetList, Part, int, Cable]]:
    """So many random sets, each with a part, a tick of it, and a cable with one track muted."""
    for _ in range(many):
        setlist = a_set(rng)
        part, begin = a_place(setlist, rng)
        yield setlist, part, begin, Cable(muted=muted_one(part, rng))
