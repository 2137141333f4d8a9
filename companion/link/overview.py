"""What engine and screens say to each other seldom: the plan of the set, the map of its pattern.

Each goes out once to a screen that comes in, and again when it changes; the newest one counts. What
changes all the time is in the snapshot.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.link.coding import BadMessage, Shape, line, parse

# Longest line of either: what a slow screen may have to wait for.
MAX_OVERVIEW = 1 << 16
# How a line of each begins; the client tells them apart by it before it looks inside.
PLAN_LINE, MAP_LINE = b'{"plan":', b'{"map":'

NEVER, ALWAYS = "0", "9"


@dataclass(frozen=True, slots=True)
class PlanSong:
    """A song of the set. `tempo` is in beats (quarter notes) a minute, 0 where none is planned."""

    title: str
    tempo: float = 0.0


@dataclass(frozen=True, slots=True)
class PlanPart:
    """A part of the set. `number` and `song` count from 1.

    `phrases` is its planned length, None while the performer decides. `seconds` is how long it
    lasts at its song's tempo, 0 where that is not known; a part with no planned length is taken for
    one phrase. `program` is what its instrument is told for it, as the instrument shows it.
    """

    number: int
    song: int
    pattern: str
    phrases: int | None = None
    phrase_ticks: int = 768
    bar_ticks: int = 96
    seconds: float = 0.0
    instrument: str = ""
    program: int | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole set, or of a very long one the parts around the running one.

    `songs` begin with song `first_song`. `seconds_before` and `seconds_after` are those of parts
    left out at either end.
    """

    set_name: str = ""
    first_song: int = 1
    songs: tuple[PlanSong, ...] = ()
    parts: tuple[PlanPart, ...] = ()
    seconds_before: float = 0.0
    seconds_after: float = 0.0


@dataclass(frozen=True, slots=True)
class MapRow:
    """A step over successive passes, or all steps of a track that always play.

    `steps` are their numbers. `levels` has one character a pass: see `level`. `fill_only` says that
    it plays only while a fill is held.
    """

    track: str
    steps: tuple[int, ...] = ()
    what: str = ""
    rare: bool = False
    fill_only: bool = False
    levels: str = ""


@dataclass(frozen=True, slots=True)
class PatternMap:
    """The pass map of the pattern that part `part` plays, around the present pass.

    It begins with pass `first` (0 is the first of the part) and has `passes` passes.
    `phrases_before` is what the instrument had counted before the part began. `left_out` is how
    many steps there was no room for. `note` says in plain words why there are no rows.
    """

    part: int
    pattern: str = ""
    first: int = 0
    passes: int = 0
    pass_ticks: int = 96
    phrase_ticks: int = 768
    phrases_before: int = 0
    rows: tuple[MapRow, ...] = ()
    left_out: int = 0
    note: str = ""


def level(chance: float) -> str:
    """A chance (0 to 1) as one character: 0 never, 9 always, D between up to D eighths."""
    if chance <= 0:
        return NEVER
    return ALWAYS if chance >= 1 else str(min(8, int(chance * 8 - 1e-9) + 1))


def encode_plan(plan: Plan) -> bytes:
    """The plan as a line. Raises BadMessage for one that is longer than MAX_OVERVIEW."""
    return _bounded(line({"plan": _PLAN.body(plan)}))


def encode_map(pattern_map: PatternMap) -> bytes:
    """The map as a line. Raises BadMessage for one that is longer than MAX_OVERVIEW."""
    return _bounded(line({"map": _MAP.body(pattern_map)}))


def decode_plan(text: bytes) -> Plan:
    """The plan in a line. Raises BadMessage; fields of a newer engine are passed over."""
    plan = _PLAN.value(parse(text).get("plan"))
    assert isinstance(plan, Plan)
    return plan


def decode_map(text: bytes) -> PatternMap:
    """The map in a line. Raises BadMessage; fields of a newer engine are passed over."""
    found = _MAP.value(parse(text).get("map"))
    assert isinstance(found, PatternMap)
    return found


def _bounded(encoded: bytes) -> bytes:
    if len(encoded) > MAX_OVERVIEW:
        raise BadMessage(f"{len(encoded)} bytes are more than an overview may have")
    return encoded


_PLAN = Shape(Plan, songs=Shape(PlanSong), parts=Shape(PlanPart))
_MAP = Shape(PatternMap, rows=Shape(MapRow))
