"""The cue sheet as values: what stands on paper for each song and part. How it looks is in `page`.

Everything is worked out as if the set were played as planned. Passes are those of the step's own
track, as the instrument counts them; bars and beats count from 1 at the start of the part.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from itertools import islice
from typing import Any

from companion.counting import Grid, Meter, Pattern, build_grid, step_events
from companion.setlist import Cue, Part, SetList, Song, WhenKind, cue_sentence, cue_ticks
from companion.setlist.course import LayerPlan, planned_layers, seconds_of
from companion.setlist.model import carried

# Most hits that are worked out for one part, and most times that one cue is listed.
MOST_HITS, MOST_TIMES = 20_000, 1_000
# A map on paper shows so many phrases, and is at most so wide and so high.
MAP_PHRASES, MAP_PASSES, MAP_ROWS = 2, 32, 40


@dataclass(frozen=True, slots=True)
class CueLine:
    """A cue each time it is due. `ticks` ascend from the part's start.

    They are empty for one before the end of a part that has none: `when` says so in words.
    """

    cue: Cue
    ticks: tuple[int, ...]
    text: str
    when: str = ""
    again: str = ""


@dataclass(frozen=True, slots=True)
class RareStep:
    """A rare step and the passes of its track on which it may fall; `chance` None where it varies.

    `every` is True if these are all the passes there are; `layer` names the pattern of the layer it
    belongs to, "" for the part's own.
    """

    track: str
    step: int
    what: str
    passes: tuple[int, ...]
    chance: float | None
    every: bool
    layer: str = ""


@dataclass(frozen=True, slots=True)
class ProgramShown:
    """A program as the instrument's display numbers it; `bank` None for none, or for bank 0."""

    instrument: str
    number: int
    bank: int | None

    @property
    def where(self) -> str:
        """The instrument, and the bank on it."""
        return self.instrument + ("" if self.bank is None else f", bank {self.bank}")


@dataclass(frozen=True, slots=True)
class PartSheet:
    """One part; `programs` has the part's own first, `layers` are (pattern, instrument).

    `bars` is None for a part without a planned or rough length, `seconds` for one without tempo,
    too; `rough` says that the length is no more than about so.
    """

    number: int
    name: str
    pattern: Pattern
    instrument: str | None
    programs: tuple[ProgramShown, ...]
    program: int | None
    bars: Fraction | None
    seconds: float | None
    rough: bool
    layers: tuple[tuple[str, str], ...]
    cues: tuple[CueLine, ...]
    rare: tuple[RareStep, ...]

    @property
    def meter(self) -> Meter:
        """The meter that bars and beats are counted in."""
        return self.pattern.meter


@dataclass(frozen=True, slots=True)
class SongSheet:
    """One song; `stops` says that it ends in silence."""

    title: str
    tempo: float | None
    notes: str
    stops: bool
    parts: tuple[PartSheet, ...]
    maps: tuple[Grid, ...]

    @property
    def bars(self) -> Fraction:
        """Bars of the parts that have a length."""
        return sum((part.bars for part in self.parts if part.bars is not None), Fraction(0))

    @property
    def seconds(self) -> float | None:
        """Seconds of the parts that have a length, None without a tempo."""
        if self.tempo is None:
            return None
        return sum(part.seconds for part in self.parts if part.seconds is not None)

    @property
    def is_open(self) -> bool:
        """Whether the performer decides how long it lasts."""
        return any(part.bars is None for part in self.parts)

    @property
    def is_rough(self) -> bool:
        """Whether it lasts no more than about so long."""
        return any(part.rough for part in self.parts)


@dataclass(frozen=True, slots=True)
class CueSheet:
    """The whole set on paper. `digest` is a short hash of the file, so that a stale print shows."""

    setlist: SetList
    songs: tuple[SongSheet, ...]
    digest: str
    date: str

    @property
    def seconds(self) -> float | None:
        """Seconds of the parts that have a length, None where a song has no tempo."""
        lengths = [song.seconds for song in self.songs]
        known = [each for each in lengths if each is not None]
        return sum(known) if len(known) == len(lengths) else None

    @property
    def is_open(self) -> bool:
        """Whether the performer decides how long it lasts."""
        return any(song.is_open for song in self.songs)

    @property
    def is_rough(self) -> bool:
        """Whether it lasts no more than about so long."""
        return any(song.is_rough for song in self.songs)


def cue_sheet(setlist: SetList, digest: str, date: str) -> CueSheet:
    """What stands on paper for `setlist`; `digest` and `date` are printed as they are."""
    places: list[list[_Place]] = [[] for _ in setlist.songs]
    plan = zip(setlist.parts, carried(setlist), planned_layers(setlist), strict=True)
    for part, passes, layers in plan:
        places[part.song].append((part, passes, layers))
    songs = tuple(map(partial(_song, setlist), setlist.songs, places))
    return CueSheet(setlist, songs, digest, date)


# A part, the passes that its instrument has counted before it, and where its layers stand.
_Place = tuple[Part, int, tuple[LayerPlan, ...]]


def as_object(sheet: CueSheet) -> dict[str, Any]:
    """The object of `sheet --json`."""
    return {
        "version": 1,
        "set": sheet.setlist.name,
        "hash": sheet.digest,
        "date": sheet.date,
        "seconds": _rounded(None if sheet.is_open else sheet.seconds),
        "songs": [
            {
                "song": song.title,
                "tempo": song.tempo,
                "bars": None if song.is_open else number(song.bars),
                "seconds": _rounded(None if song.is_open else song.seconds),
                "notes": song.notes or None,
                "stops": song.stops,
                "parts": [_part_object(part) for part in song.parts],
            }
            for song in sheet.songs
        ],
    }


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 3)


def number(bars: Fraction) -> int | float:
    """A number of bars for people and programs: whole where it is."""
    return bars.numerator if bars.denominator == 1 else round(float(bars), 2)


def place(meter: Meter, tick: int) -> tuple[int, int]:
    """The bar and the beat in which a tick of a part lies, from 1."""
    bar, rest = divmod(tick, meter.bar_ticks)
    return bar + 1, rest // meter.beat_ticks + 1


def _part_object(part: PartSheet) -> dict[str, Any]:
    timed = sorted(
        ((tick, line.text) for line in part.cues for tick in line.ticks), key=lambda each: each[0]
    )
    cues = []
    for tick, text in timed:
        bar, beat = place(part.meter, tick)
        cues.append({"bar": bar, "beat": beat, "text": text, "tick": tick})
    return {
        "part": part.number,
        "name": part.name,
        "pattern": part.pattern.name,
        "on": part.instrument,
        "program": part.program,
        "programs": [
            {"on": each.instrument, "program": each.number, "bank": each.bank}
            for each in part.programs
        ],
        "bars": None if part.bars is None else number(part.bars),
        "seconds": _rounded(part.seconds),
        "about": part.rough,
        "layers": [{"pattern": pattern, "on": on} for pattern, on in part.layers],
        "cues": cues,
        "cues_before_the_end": [
            {"when": line.when, "text": line.text} for line in part.cues if not line.ticks
        ],
        "rare": [
            {
                "track": step.track,
                "step": step.step,
                "what": step.what,
                "passes": list(step.passes),
                "chance": step.chance,
                **({"layer": step.layer} if step.layer else {}),
            }
            for step in part.rare
        ],
    }


def _song(setlist: SetList, song: Song, places: list[_Place]) -> SongSheet:
    maps: dict[str, Grid] = {}
    for part, passes, layers in places:
        if part.pattern.name not in maps:
            maps[part.pattern.name] = _map(setlist, part.pattern, passes)
        for plan in layers:
            pattern = plan.layer.pattern
            if pattern.name not in maps:
                maps[pattern.name] = _map(setlist, pattern, 0)
    return SongSheet(
        song.title,
        song.tempo,
        song.notes,
        song.stops,
        tuple(_part(setlist, *place) for place in places),
        tuple(maps.values()),
    )


def _part(
    setlist: SetList, part: Part, carried_passes: int, layers: tuple[LayerPlan, ...]
) -> PartSheet:
    is_open = part.phrases is None and part.about is None
    own = next((c for c in part.changes if c.instrument == part.instrument), None)
    programs = tuple(
        ProgramShown(
            c.instrument, setlist.instruments[c.instrument].shown(c.program), c.bank or None
        )
        for c in part.changes
    )
    ticks = part.likely_ticks
    rare = list(_rare_steps(setlist, part.pattern, 0, ticks, carried_passes))
    for plan in layers:
        # A layer counts on by itself: what lies before this part is its own past.
        pattern = plan.layer.pattern
        rare += _rare_steps(setlist, pattern, plan.ticks, ticks, layer=pattern.name)
    return PartSheet(
        part.number,
        part.name,
        part.pattern,
        part.instrument,
        programs,
        None if own is None else setlist.instruments[own.instrument].shown(own.program),
        None if is_open else Fraction(ticks, part.pattern.meter.bar_ticks),
        None if is_open else seconds_of(setlist, part, ticks),
        part.about is not None,
        tuple((plan.layer.pattern.name, plan.layer.instrument) for plan in layers),
        tuple(_cues(part)),
        tuple(rare),
    )


def _cues(part: Part) -> Iterator[CueLine]:
    """The cues in the order in which they first come, those before an open end last."""
    pattern, planned = part.pattern, part.planned_ticks
    lines = []
    for cue in part.cues:
        text, again = cue_sentence(cue), ""
        when = cue.when
        until = part.likely_ticks
        if when.kind is WhenKind.END:
            until += 1
        elif planned is None and when.kind in (WhenKind.NTH, WhenKind.EVERY):
            # Once at least, however late that is.
            until = max(until, 1 + next(cue_ticks(when, pattern, planned, 0, 1 << 62)))
        if when.kind is WhenKind.EVERY and when.span is not None:
            span = when.span
            again = f"every {span.unit.value if span.count == 1 else span}"
        ticks = tuple(islice(cue_ticks(when, pattern, planned, 0, until), MOST_TIMES))
        if ticks:
            lines.append(CueLine(cue, ticks, text, again=again))
        elif planned is None and when.kind in (WhenKind.END, WhenKind.LAST):
            said = "end" if when.span is None else f"last {when.span}"
            lines.append(CueLine(cue, (), text, said))
    lines.sort(key=lambda line: line.ticks[0] if line.ticks else 1 << 62)
    return iter(lines)


def _rare_steps(
    setlist: SetList,
    pattern: Pattern,
    start: int,
    ticks: int,
    carried_passes: int = 0,
    layer: str = "",
) -> Iterator[RareStep]:
    """The rare steps in so many `ticks` of a pattern from tick `start` on."""
    each_pass = 1 + sum(
        len(track.steps) * (1 + pattern.pass_ticks // track.pass_ticks) for track in pattern.tracks
    )
    until = start + min(ticks, max(1, MOST_HITS // each_pass) * pattern.pass_ticks)
    found: dict[tuple[str, int], dict[int, float]] = {}
    names: dict[tuple[str, int], str] = {}
    for event in step_events(
        pattern, start, until, carried_passes=carried_passes, rare=setlist.rare
    ):
        if event.rare:
            key = event.track, event.step
            names[key] = event.what
            chances = found.setdefault(key, {})
            chances[event.pass_number] = max(event.chance, chances.get(event.pass_number, 0.0))
    order = {track.name: at for at, track in enumerate(pattern.tracks)}
    lengths = {track.name: track.pass_ticks for track in pattern.tracks}
    for (track, step), chances in sorted(found.items(), key=lambda f: (order[f[0][0]], f[0][1])):
        passes = tuple(sorted(chances))
        same = set(chances.values())
        yield RareStep(
            track,
            step,
            names[track, step],
            passes,
            same.pop() if len(same) == 1 else None,
            len(passes) > 1 and len(passes) >= (until - start) // lengths[track],
            layer,
        )


def _map(setlist: SetList, pattern: Pattern, carried_passes: int) -> Grid:
    """The pass map of a pattern: two phrases, or as much of them as fits."""
    wanted = -(-MAP_PHRASES * pattern.phrase_ticks // pattern.pass_ticks)
    return build_grid(
        pattern,
        max(1, min(MAP_PASSES, wanted)),
        most_rows=MAP_ROWS,
        carried_passes=carried_passes,
        rare=setlist.rare,
    )
