"""The messages between engine and screens, as frozen values, and their lines. No socket here.

A snapshot is everything a screen needs to draw itself; screens draw from the newest one alone. What
changes seldom, the plan of the set and the map of its pattern, goes out once to a screen that comes
in, and again when it changes. From a screen come a hello and wishes. What stands at its default is
left out of a line; fields of a newer program are passed over.

Positions are ticks from the start of the running part; `at_ns` is the host's monotonic clock.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from functools import cache
from typing import Annotated, Any, Literal, TypeVar

import msgspec

import companion
from companion.wishes import Ask, Later, NoWish, WhyNot, Wish

__all__ = [
    "ALWAYS",
    "MAP_LINE",
    "MAX_CLIENT_LINE",
    "MAX_LINE",
    "MAX_OVERVIEW",
    "NEVER",
    "PLAN_LINE",
    "PROTOCOL",
    "BadMessage",
    "Coming",
    "Later",
    "LayerView",
    "LinkError",
    "MapRow",
    "Misfit",
    "PatternMap",
    "PlanPart",
    "PlanSong",
    "ProgramView",
    "SetPlan",
    "Snapshot",
    "TrackView",
    "Trouble",
    "UnknownWish",
    "WhyNot",
    "Wish",
    "decode_hello",
    "decode_map",
    "decode_plan",
    "decode_snapshot",
    "decode_wish",
    "encode_hello",
    "encode_map",
    "encode_plan",
    "encode_snapshot",
    "encode_wish",
    "level",
]

# Beyond 64 bits a figure is an error somewhere, and would overflow a float on the screen.
Count = Annotated[int, msgspec.Meta(ge=-(1 << 63), le=(1 << 63) - 1)]

_Kind = TypeVar("_Kind")


class LinkError(Exception):
    """The other side of the link cannot be reached or understood."""


class BadMessage(LinkError):
    """A line that is not a message of this protocol."""


def body(value: Any) -> dict[str, Any]:
    """A frozen value as a JSON object, and the frozen values in its tuples too."""
    return _body(value, _defaults(value.__class__))


def _body(value: Any, defaults: tuple[tuple[str, Any], ...]) -> dict[str, Any]:
    # What stands at its default is left out: the reader fills it in, and most of an agenda is
    # defaults. Less to encode is less time in the interpreter that the clock shares.
    found = {}
    for name, default in defaults:
        content = getattr(value, name)
        if content != default:
            if type(content) is tuple and is_dataclass(content[0]):
                inner = _defaults(content[0].__class__)
                content = [_body(item, inner) for item in content]
            found[name] = content
    return found


@cache
def _defaults(kind: Any) -> tuple[tuple[str, Any], ...]:
    return tuple(
        (f.name, () if f.default_factory is not MISSING else f.default) for f in fields(kind)
    )


def line(message: dict[str, Any]) -> bytes:
    """A message as one line. Raises ValueError for a figure that is no number."""
    # A port's name may hold bytes that are no UTF-8: they become "?", for the line must go out.
    return _ENCODER.encode(message).encode("utf-8", "replace") + b"\n"


def reader(kind: type[_Kind]) -> Callable[[bytes], _Kind]:
    """Reads lines whose JSON object stands for a value of that kind, and raises BadMessage."""
    decoder = msgspec.json.Decoder(kind)

    def read(text: bytes) -> _Kind:
        try:
            return decoder.decode(text)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError, TypeError) as error:
            raise BadMessage(f"not a message: {error}") from error

    return read


_ENCODER = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False)


PROTOCOL = 2
# Longest line either side accepts. A snapshot of 64 coming items is about 20 kB.
MAX_LINE = 1 << 20
# Longest line a client may send: a hello or a wish is about 100 bytes.
MAX_CLIENT_LINE = 1 << 12
# Longest line of either: what a slow screen may have to wait for.
MAX_OVERVIEW = 1 << 16
# How a line of each begins; the client tells them apart by it before it looks inside.
PLAN_LINE, MAP_LINE = b'{"plan":', b'{"map":'

NEVER, ALWAYS = "0", "9"

# What stands between what comes and how, in one sentence, for each kind of Coming.
_JOINTS = {"step": ", ", "differs": " "}


@dataclass(frozen=True, slots=True)
class Coming:
    """One line of the agenda: what comes at `tick` of the running part.

    `kind` is step, fill, cue, change, or differs: then a track is not as planned now, `do` is what
    would put it right (mute or unmute) and `chance` how sure that is. `text` says in plain words
    what comes, of a track that differs its name, and `detail` how; `sentence` is both.

    Rare steps carry `track`, `what`, `step`, `chance` (0 to 1) and whether their track will be
    `muted` then, and `layer`, the pattern of the layer that they are in, "" for the part's own;
    cues carry `do` and `tracks`, and `what` to say or to move; fills `hold_ticks`.
    Changes carry `part` and, where a program goes out, `program` as the instrument shows it;
    `outcome` is what becomes of it: `open` (it leaves by itself, if sure by then), `sent`, `told`
    (the instrument says that it goes there), `shown` (a demonstration; nothing leaves), `hand` (a
    person makes it) or `missed` (it did not leave). `warn_ticks` is how early it is announced.
    """

    tick: Count
    kind: str
    text: str
    detail: str = ""
    track: str = ""
    what: str = ""
    step: Count = 0
    chance: float = 1.0
    do: str = ""
    tracks: tuple[str, ...] = ()
    hold_ticks: Count = 0
    program: Count | None = None
    part: Count | None = None
    outcome: str = ""
    warn_ticks: Count = 0
    muted: bool = False
    layer: str = ""

    @property
    def sent(self) -> bool:
        """Whether the instrument has been told of a change, whoever told it."""
        return self.outcome in ("sent", "told")

    @property
    def sentence(self) -> str:
        """What comes, and how."""
        return _JOINTS.get(self.kind, ": ").join(filter(None, (self.text, self.detail)))


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something not in order, as a sentence, and what to do about it.

    `kind` is `change` (one that was not taken), `steps` (some do not play as the set list says),
    `press` (one that is not obeyed), `port`, `clock`, `engine` (a fault of its own), `set` (the
    saved one) or `disk`. `short` is the sentence without what there is no room for in a small
    window, "" where it is the same.
    """

    kind: str
    text: str
    short: str = ""


@dataclass(frozen=True, slots=True)
class TrackView:
    """A track of the running pattern and whether the plan has it `muted` now.

    `heard_muted` is what the instrument says or its notes show, None while that is not known;
    `likelihood` (0 to 1) is that of its being muted; `told` says that the instrument said so.
    """

    name: str
    muted: bool
    heard_muted: bool | None = None
    likelihood: float = 0.5
    told: bool = False


@dataclass(frozen=True, slots=True)
class Misfit:
    """A step of the running pattern that does not play as written; `text` says so."""

    track: str
    step: Count
    text: str


@dataclass(frozen=True, slots=True)
class LayerView:
    """What plays beside the part on another instrument; `tick`, `pass_number`, `step` by its count.

    `assumed` says that it was not shown to begin: where it is follows from the plan alone.
    """

    pattern: str
    instrument: str
    tick: Count = 0
    pass_number: Count = 1
    step: Count = 1
    pass_ticks: Count = 96
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class ProgramView:
    """The program, as its instrument shows it, that the plan has on `instrument` in this part.

    `told` says that we have told it so since, and nothing else; `other` that it has something else:
    we told it so, and that is none of what comes next, or could not tell it in time.
    """

    instrument: str
    program: Count
    told: bool = False
    other: bool = False


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What the engine publishes.

    `state` is waiting, ready, running, stopped or lost. `doubt` says in plain words why `sure` is
    False, `doubt_kind` in one word and `help` what to do about it. `sending` says whether program
    changes go out by themselves; `sending_note` why not. `tempo` is in beats (quarter notes) a
    minute, 0 when unknown. `part_ticks_left` is None while the part's end is open; `staying` says
    that a wish keeps it so. `wish` is what an undo would withdraw, in the words of that wish;
    `refused` holds the wishes that would do nothing now, `later` those that would take effect later
    than at the coming boundary. `notice` says what came of the latest wish
    or event, `notice_kind` why, where a wish was refused (see `WhyNot`). `fill` says that a fill
    is held. `misfits` are the steps of the running pattern that do not play as the set list says.
    `at_ns` is time.monotonic_ns() when `tick` was current, `tick_ns` the time of the latest clock
    tick on the same clock, `started_ns` that of the first start, 0 before it. `troubles` stand
    worst first. `take` is the number of the take that is recorded, None if none is.

    `name` is what the performer calls the part; `about` is its rough length in phrases where the
    end is open. `song_notes` are the performer's words for the song, `planned_tempo` its tempo, 0
    where none is planned. `next_number`, `next_part` (its name) and `next_song` ("" while that is
    the same) say what comes next, 0 and "" after the last part; `next_ticks` is how long until
    then, None while that is open. `stop_at_end` says that this part ends in silence, to be made by
    hand; `song_over` that its end has come, and stop is to be pressed now. `layers` is what plays
    beside it, `wants` what the plan has on each instrument by now. `song_part` is the part's number
    within its song, `played` the numbers of the parts that were played, as ranges from one to
    another, `back` the instruments whose port came back and that may have another program now.
    `rehearsal` says that the instrument is our own, to be started and paused by a wish,
    `alone` that no other is told anything, `count_in` how many beats of a count-in are left, the
    running one included, 0 outside one.
    """

    at_ns: Count
    tick_ns: Count = 0
    started_ns: Count = 0
    set_name: str = ""
    state: str = "waiting"
    sure: bool = True
    doubt: str = ""
    doubt_kind: str = ""
    help: str = ""
    sending: bool = False
    sending_note: str = ""
    tempo: float = 0.0
    song: str = ""
    song_number: Count = 1
    songs: Count = 1
    part: Count = 1
    parts: Count = 1
    pattern: str = ""
    instrument: str = ""
    tick: Count = 0
    pass_number: Count = 1
    step: Count = 1
    bar: Count = 1
    beat: Count = 1
    step_ticks: Count = 6
    beat_ticks: Count = 24
    bar_ticks: Count = 96
    pass_ticks: Count = 96
    phrase_ticks: Count = 768
    phrase: Count = 1
    phrase_pass: Count = 1
    phrase_ticks_left: Count = 768
    phrases_planned: Count | None = None
    part_ticks_left: Count | None = None
    name: str = ""
    about: Count | None = None
    song_notes: str = ""
    song_part: Count = 1
    planned_tempo: float = 0.0
    next_number: Count = 0
    next_part: str = ""
    next_song: str = ""
    next_ticks: Count | None = None
    stop_at_end: bool = False
    song_over: bool = False
    layers: tuple[LayerView, ...] = ()
    wants: tuple[ProgramView, ...] = ()
    played: tuple[tuple[Count, Count], ...] = ()
    back: tuple[str, ...] = ()
    change_ticks: Count | None = None
    change_part: Count | None = None
    change_program: Count | None = None
    change_sent: bool = False
    staying: bool = False
    wish: str = ""
    refused: tuple[WhyNot, ...] = ()
    later: tuple[Later, ...] = ()
    fill: bool = False
    coming: tuple[Coming, ...] = ()
    tracks: tuple[TrackView, ...] = ()
    misfits: tuple[Misfit, ...] = ()
    clock_port: str = ""
    jitter_ms: float = 0.0
    clocks_lost: Count = 0
    demo: bool = False
    rehearsal: bool = False
    alone: bool = False
    count_in: Count = 0
    notice: str = ""
    notice_kind: str = ""
    troubles: tuple[Trouble, ...] = ()
    take: Count | None = None

    def why_not(self, wish: Wish) -> WhyNot | None:
        """Why `wish` would do nothing now, None if it would do something."""
        other = wish.ask is Ask.PART and wish.part != self.part
        words = Ask.PART.value if other else str(wish)
        return next((each for each in self.refused if each.wish == words), None)


@dataclass(frozen=True, slots=True)
class PlanSong:
    """A song of the set. `tempo` is in beats (quarter notes) a minute, 0 where none is planned.

    `notes` are the performer's words for it; `stops` says that its last part ends in silence.
    """

    title: str
    tempo: float = 0.0
    notes: str = ""
    stops: bool = False


@dataclass(frozen=True, slots=True)
class PlanPart:
    """A part of the set. `number` and `song` count from 1.

    `name` is what the performer calls it. `phrases` is its planned length, None while the performer
    decides, and then `about` the rough one, if any. `seconds` is how long it lasts at its song's
    tempo, 0 where that is not known; a part with no planned length counts as `about` so many
    phrases, or else as one. `program` is what its instrument is told for it, as the instrument
    shows it.
    """

    number: Count
    song: Count
    pattern: str
    phrases: Count | None = None
    phrase_ticks: Count = 768
    bar_ticks: Count = 96
    seconds: float = 0.0
    instrument: str = ""
    program: Count | None = None
    name: str = ""
    about: Count | None = None


@dataclass(frozen=True, slots=True)
class SetPlan:
    """The whole set, or of a very long one the parts around the running one.

    `songs` begin with song `first_song`. `seconds_before` and `seconds_after` are those of parts
    left out at either end. `curfew` is a time of day in minutes: the next such after the start.
    """

    set_name: str = ""
    first_song: Count = 1
    songs: tuple[PlanSong, ...] = ()
    parts: tuple[PlanPart, ...] = ()
    seconds_before: float = 0.0
    seconds_after: float = 0.0
    curfew: Count | None = None


@dataclass(frozen=True, slots=True)
class MapRow:
    """A step over successive passes, or all steps of a track that always play.

    `steps` are their numbers. `levels` has one character a pass: see `level`. `fill_only` says that
    it plays only while a fill is held.
    """

    track: str
    steps: tuple[Count, ...] = ()
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

    part: Count
    pattern: str = ""
    first: Count = 0
    passes: Count = 0
    pass_ticks: Count = 96
    phrase_ticks: Count = 768
    phrases_before: Count = 0
    rows: tuple[MapRow, ...] = ()
    left_out: Count = 0
    note: str = ""


class UnknownWish(BadMessage):
    """A wish with a word in it that this program does not know; it is not done in part either."""


_WISH_KEYS = {"wish", "program", "pressed"}


def encode_hello(token: str) -> bytes:
    """The first line a client sends."""
    return line({"hello": "companion", "version": PROTOCOL, "token": token})


def encode_wish(wish: Wish) -> bytes:
    """A wish as a line, in its own words; raises BadMessage for one that lasts while a key does."""
    if wish.ask is Ask.FILL:
        raise BadMessage("a fill lasts while a key is held")
    said = {"wish": str(wish), "program": companion.__version__}
    return line(said | {"pressed": True} if wish.pressed else said)


def encode_snapshot(snapshot: Snapshot) -> bytes:
    """A snapshot as a line; raises ValueError for a figure that is no number (nan, infinity)."""
    return line({"snapshot": body(snapshot)})


def decode_hello(text: bytes) -> tuple[int, str]:
    """Protocol version and token of a hello line. Raises BadMessage."""
    hello = _read_hello(text)
    return hello.version, hello.token


def decode_wish(text: bytes) -> Wish:
    """The wish in a line. Raises BadMessage for anything else, UnknownWish for one that is new."""
    message = _read_wish(text)
    words, program = message.get("wish"), message.get("program", "")
    pressed = message.get("pressed", False)
    if not (isinstance(words, str) and isinstance(program, str) and isinstance(pressed, bool)):
        raise BadMessage("not a wish")
    more = sorted(message.keys() - _WISH_KEYS)
    with suppress(NoWish):
        wish = Wish.of(words)
        if wish.ask is not Ask.FILL and not more:
            return replace(wish, pressed=pressed)
    said = " ".join((words, *more))
    raise UnknownWish(
        f"refused: {said[:40]!r} is no wish that version {companion.__version__} knows; it "
        f"came from version {program[:20] or 'unknown'}"
    )


def decode_snapshot(text: bytes) -> Snapshot:
    """The snapshot in a line. Raises BadMessage; fields of a newer engine are passed over."""
    return _read_snapshot(text).snapshot


def encode_plan(plan: SetPlan) -> bytes:
    """The plan as a line. Raises BadMessage for one that is longer than MAX_OVERVIEW."""
    return _bounded(line({"plan": body(plan)}))


def encode_map(pattern_map: PatternMap) -> bytes:
    """The map as a line. Raises BadMessage for one that is longer than MAX_OVERVIEW."""
    return _bounded(line({"map": body(pattern_map)}))


def decode_plan(text: bytes) -> SetPlan:
    """The plan in a line. Raises BadMessage; fields of a newer engine are passed over."""
    return _read_plan(text).plan


def decode_map(text: bytes) -> PatternMap:
    """The map in a line. Raises BadMessage; fields of a newer engine are passed over."""
    return _read_map(text).map


def _bounded(encoded: bytes) -> bytes:
    if len(encoded) > MAX_OVERVIEW:
        raise BadMessage(f"{len(encoded)} bytes are more than an overview may have")
    return encoded


def level(chance: float) -> str:
    """A chance (0 to 1) as one character: 0 never, 9 always, D between up to D eighths."""
    if chance <= 0:
        return NEVER
    return ALWAYS if chance >= 1 else str(min(8, int(chance * 8 - 1e-9) + 1))


class _Hello(msgspec.Struct):
    hello: Literal["companion"]
    version: int
    token: str


class _SnapshotLine(msgspec.Struct):
    snapshot: Snapshot


class _PlanLine(msgspec.Struct):
    plan: SetPlan


class _MapLine(msgspec.Struct):
    map: PatternMap


_read_hello = reader(_Hello)
_read_wish = reader(dict[str, object])
_read_snapshot = reader(_SnapshotLine)
_read_plan = reader(_PlanLine)
_read_map = reader(_MapLine)
