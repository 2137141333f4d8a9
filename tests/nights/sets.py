"""Random sets for a night: lengths, metres, leads, one or two instruments told of each change."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from companion.counting import Cycle, Meter, Pattern, Rule, Step, Track
from companion.setlist import Instrument, NoteKey, Part, ProgramChange, SetList, Song, Span, Unit
from tests.nights.box import Kind

NAMES = (
    "slack water",
    "ebb line",
    "spring tide",
    "neap",
    "undertow",
    "long shore",
    "eddy",
    "swell",
)
METERS = (Meter(4, 4),) * 6 + (Meter(3, 4), Meter(5, 4), Meter(7, 8), Meter(6, 8), Meter(2, 4))
LEADS = (
    Span(1, Unit.STEPS),
    Span(2, Unit.STEPS),
    Span(1, Unit.BEATS),
    Span(1, Unit.BEATS),
    Span(2, Unit.BEATS),
    Span(1, Unit.BARS),
    Span(3, Unit.BARS),
    Span(50, Unit.MILLISECONDS),
    Span(200, Unit.MILLISECONDS),
    Span(1000, Unit.MILLISECONDS),
)


def random_kind(rng: Random, *, names: bool = False) -> Kind:
    """Some instrument; `names` one that tells what is chosen on it."""
    transport = names or rng.random() < 0.93
    names = names or rng.random() < 0.2
    return Kind(
        at_once=rng.random() < 0.2,
        clocks_idle=transport and rng.random() < 0.6,
        new_beat=rng.random() < 0.5,
        takes_on_start=rng.random() < 0.7,
        takes_on_stop=rng.random() < 0.2,
        recount=rng.random() < 0.7,
        transport=transport,
        senses=rng.random() < 0.3,
        announces=transport and rng.random() < 0.1,
        names=names,
        echoes=names and rng.random() < 0.3,
    )


def random_pattern(rng: Random) -> Pattern:
    """A pattern of one beat to four bars, phrases of one to eight passes."""
    step = rng.choice((6, 6, 6, 6, 3, 4, 8, 12, 24))
    meter = rng.choice(METERS)
    bars = rng.choice((1, 1, 1, 2, 4))
    length = max(24 // step, bars * meter.bar_ticks // step)
    if rng.random() < 0.2:
        length = rng.randint(-(-24 // step), 384 // step)
    return Pattern(
        name=rng.choice(NAMES),
        length=length,
        step_ticks=step,
        meter=meter,
        phrase_ticks=length * step * rng.choice((1, 2, 2, 4, 4, 8)),
    )


def random_set(rng: Random, kind: Kind) -> SetList:
    """Four to twelve parts on `drums`, some of which also change the `sampler`."""
    lead = Span(0, Unit.STEPS) if kind.at_once else rng.choice(LEADS)
    instruments = {
        "drums": Instrument("drums", at_once=kind.at_once, lead=lead, recount=kind.recount),
        "sampler": Instrument("sampler", channel=1, lead=rng.choice(LEADS)),
    }
    chosen_by_hand = rng.random() < 0.1
    parts = []
    many = rng.randint(4, 12)
    # Where it tells its program, that tells the part; else parts may share one.
    programs = rng.sample(range(128), many) if kind.names else rng.choices(range(128), k=many)
    for number, program in enumerate(programs, start=1):
        changes = [] if chosen_by_hand else [ProgramChange("drums", program)]
        if rng.random() < 0.25:
            changes.append(ProgramChange("sampler", rng.randrange(128)))
        pattern = random_pattern(rng)
        longest = max(1, 3000 // pattern.phrase_ticks)
        phrases = None if rng.random() < 0.25 else rng.randint(1, min(8, longest))
        parts.append(Part(number, 0, pattern, "drums", tuple(changes), phrases))
    song = Song("Slack water", None, range(1, len(parts) + 1))
    return SetList("Tidewater", (song,), tuple(parts), instruments)


TRACKS = ("low drum", "snap", "hat", "bell")


def with_tracks(setlist: SetList, rng: Random) -> SetList:
    """The same set where each part has tracks of its own that name their notes, some of them rare.

    Rules are cycles alone, so that whoever plays them needs to remember nothing.
    """
    parts = []
    for part in setlist.parts:
        pattern, tracks = part.pattern, []
        for name in TRACKS:
            many = rng.randint(1, max(1, pattern.length // 3))
            numbers = sorted(rng.sample(range(1, pattern.length + 1), min(many, pattern.length)))
            steps = tuple(Step(number, _rule(rng)) for number in numbers)
            tracks.append(Track(name, pattern.length, pattern.step_ticks, steps))
        name = f"{pattern.name} {part.number}"
        parts.append(replace(part, pattern=replace(pattern, name=name, tracks=tuple(tracks))))
    notes = {
        (part.pattern.name, track): NoteKey(None, 36 + at)
        for part in parts
        for at, track in enumerate(TRACKS)
    }
    return replace(setlist, parts=tuple(parts), notes=notes)


def _rule(rng: Random) -> Rule:
    if rng.random() < 0.7:
        return Rule()
    n = rng.choice((2, 4, 4, 8))
    return Rule((Cycle(rng.randint(1, n), n),))
