"""The messages between engine and screens, as frozen values, and their JSON. No socket here.

A snapshot is everything a screen needs to draw itself; screens draw from the newest one alone.
Positions are ticks from the start of the running part; `at_ns` is the host's monotonic clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from companion.link.coding import BadMessage, LinkError, Shape, is_text, line, parse

__all__ = [
    "MAX_CLIENT_LINE",
    "MAX_LINE",
    "PROTOCOL",
    "WISHES",
    "BadMessage",
    "Coming",
    "LinkError",
    "Snapshot",
    "TrackView",
    "Wish",
    "decode_hello",
    "decode_snapshot",
    "decode_wish",
    "encode_hello",
    "encode_snapshot",
    "encode_wish",
]

PROTOCOL = 1
# Longest line either side accepts. A snapshot of 64 coming items is about 20 kB.
MAX_LINE = 1 << 20
# Longest line a client may send: a hello or a wish is about 100 bytes.
MAX_CLIENT_LINE = 1 << 12


@dataclass(frozen=True, slots=True)
class Coming:
    """One line of the agenda: what comes at `tick` of the running part.

    `kind` is step, fill, cue, change, or differs: then a track is not as planned now, `do` is what
    would put it right (mute or unmute) and `chance` how sure that is. `text` is the plain sentence
    to show. Rare steps carry
    `track`, `what`, `step`, `chance` (0 to 1) and whether their track will be `muted` then; cues
    carry `do`, `tracks` and `text`; fills carry `hold_ticks`; changes carry `part` and, where a
    program goes out, `program` as the instrument shows it and whether it has been `sent`.
    `warn_ticks` is how early it is to be announced.
    """

    tick: int
    kind: str
    text: str
    track: str = ""
    what: str = ""
    step: int = 0
    chance: float = 1.0
    do: str = ""
    tracks: tuple[str, ...] = ()
    hold_ticks: int = 0
    program: int | None = None
    part: int | None = None
    sent: bool = False
    warn_ticks: int = 0
    muted: bool = False


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
class Snapshot:
    """What the engine publishes.

    `state` is waiting, ready, running, stopped or lost. `doubt` says in plain words why `sure` is
    False. `sending` says whether program changes go out by themselves; `sending_note` why not.
    `tempo` is in beats (quarter notes) a minute, 0 when unknown. `part_ticks_left` is None while
    the part's end is open; `staying` says that a wish keeps it so. `wish` is the latest wish that
    can still be undone, in words; `fill` says that a fill is held. `at_ns` is time.monotonic_ns()
    when `tick` was current, `tick_ns` the time of the latest clock tick on the same clock,
    `started_ns` that of the first start, 0 before
    it. `troubles` are sentences, worst first.
    """

    at_ns: int
    tick_ns: int = 0
    started_ns: int = 0
    set_name: str = ""
    state: str = "waiting"
    sure: bool = True
    doubt: str = ""
    sending: bool = False
    sending_note: str = ""
    tempo: float = 0.0
    song: str = ""
    song_number: int = 1
    songs: int = 1
    part: int = 1
    parts: int = 1
    pattern: str = ""
    instrument: str = ""
    tick: int = 0
    pass_number: int = 1
    step: int = 1
    bar: int = 1
    beat: int = 1
    step_ticks: int = 6
    beat_ticks: int = 24
    bar_ticks: int = 96
    pass_ticks: int = 96
    phrase_ticks: int = 768
    phrase: int = 1
    phrase_pass: int = 1
    phrase_ticks_left: int = 768
    phrases_planned: int | None = None
    part_ticks_left: int | None = None
    next_part: str = ""
    next_song: str = ""
    change_ticks: int | None = None
    change_part: int | None = None
    change_program: int | None = None
    change_sent: bool = False
    staying: bool = False
    wish: str = ""
    fill: bool = False
    coming: tuple[Coming, ...] = ()
    tracks: tuple[TrackView, ...] = ()
    clock_port: str = ""
    jitter_ms: float = 0.0
    clocks_lost: int = 0
    demo: bool = False
    notice: str = ""
    troubles: tuple[str, ...] = field(default_factory=tuple)


@dataclass(frozen=True, slots=True)
class Wish:
    """What a screen asks of the engine.

    `name` is one of: next (go to the next part at the coming boundary of a phrase, or with unit
    "pass" of a pass), part (go to the part whose number is in `unit`), now (go as soon as the
    instrument can change), stay (past the planned end; once more: let it end), back (withdraw the
    change), undo (withdraw the latest wish), arm, disarm, align (the one of a `unit` is now, or
    that of the part), nudge forward and nudge back (the count is a `unit` behind, or ahead),
    confirm (the count is right), stop (end the engine).
    """

    name: str
    unit: str = ""


WISHES = (
    "next",
    "part",
    "now",
    "stay",
    "back",
    "undo",
    "arm",
    "disarm",
    "align",
    "nudge forward",
    "nudge back",
    "confirm",
    "stop",
)


def encode_hello(token: str) -> bytes:
    """The first line a client sends."""
    return line({"hello": "companion", "version": PROTOCOL, "token": token})


def encode_wish(wish: Wish) -> bytes:
    """A wish as a line; raises BadMessage for one that no engine would take."""
    encoded = line({"wish": wish.name, "unit": wish.unit})
    if wish.name not in WISHES or len(encoded) > MAX_CLIENT_LINE:
        raise BadMessage(f"{wish.name[:40]!r} is not a wish")
    return encoded


def encode_snapshot(snapshot: Snapshot) -> bytes:
    """A snapshot as a line; raises ValueError for a figure that is no number (nan, infinity)."""
    return line({"snapshot": _SNAPSHOT.body(snapshot)})


def decode_hello(text: bytes) -> tuple[int, str]:
    """Protocol version and token of a hello line. Raises BadMessage."""
    message = parse(text)
    version, token = message.get("version"), message.get("token")
    if message.get("hello") != "companion" or type(version) is not int or type(token) is not str:
        raise BadMessage("not a hello")
    return version, token


def decode_wish(text: bytes) -> Wish:
    """The wish in a line. Raises BadMessage for anything else, unknown wishes included."""
    message = parse(text)
    name, unit = message.get("wish"), message.get("unit", "")
    if type(name) is not str or name not in WISHES or not is_text(unit):
        raise BadMessage("not a wish")
    return Wish(name, unit)


def decode_snapshot(text: bytes) -> Snapshot:
    """The snapshot in a line. Raises BadMessage; fields of a newer engine are passed over."""
    snapshot = _SNAPSHOT.value(parse(text).get("snapshot"))
    assert isinstance(snapshot, Snapshot)
    return snapshot


_SNAPSHOT = Shape(Snapshot, coming=Shape(Coming), tracks=Shape(TrackView))
