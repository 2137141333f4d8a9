"""The messages between engine and screens, as frozen values, and their JSON. No socket here.

A snapshot is everything a screen needs to draw itself; screens draw from the newest one alone.
Positions are ticks from the start of the running part; `at_ns` is the host's monotonic clock.
"""

from __future__ import annotations

import json
import re
from dataclasses import MISSING, dataclass, field, fields
from math import isfinite
from typing import Any

PROTOCOL = 1
# Longest line either side accepts. A snapshot of 64 coming items is about 20 kB.
MAX_LINE = 1 << 20
# Longest line a client may send: a hello or a wish is about 100 bytes.
MAX_CLIENT_LINE = 1 << 12


class LinkError(Exception):
    """The other side of the link cannot be reached or understood."""


class BadMessage(LinkError):
    """A line that is not a message of this protocol."""


@dataclass(frozen=True, slots=True)
class Coming:
    """One line of the agenda: what comes at `tick` of the running part.

    `kind` is step, fill, cue or change. `text` is the plain sentence to show. Rare steps carry
    `track`, `what`, `step` and `chance` (0 to 1); cues carry `do`, `tracks` and `text`; fills carry
    `hold_ticks`; changes carry `part` and, where a program goes out, `program` as the instrument
    shows it and whether it has been `sent`. `warn_ticks` is how early it is to be announced.
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


@dataclass(frozen=True, slots=True)
class TrackView:
    """A track of the running pattern and whether the plan has it muted now."""

    name: str
    muted: bool


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What the engine publishes.

    `state` is waiting, ready, running, stopped or lost. `doubt` says in plain words why `sure` is
    False. `sending` says whether program changes go out by themselves; `sending_note` why not.
    `tempo` is in beats (quarter notes) a minute, 0 when unknown. `part_ticks_left` is None while
    the part's end is open. `at_ns` is time.monotonic_ns() when `tick` was current, `tick_ns` the
    time of the latest clock tick on the same clock. `troubles` are sentences, worst first.
    """

    at_ns: int
    tick_ns: int = 0
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

    `name` is one of: next (go to the next part at the coming phrase boundary), back (withdraw
    that), arm, disarm, align (the one is now), confirm (the count is right), stop (end the engine).
    """

    name: str
    unit: str = ""


WISHES = ("next", "back", "arm", "disarm", "align", "confirm", "stop")


def encode_hello(token: str) -> bytes:
    """The first line a client sends."""
    return _line({"hello": "companion", "version": PROTOCOL, "token": token})


def encode_wish(wish: Wish) -> bytes:
    """A wish as a line; raises BadMessage for one that no engine would take."""
    line = _line({"wish": wish.name, "unit": wish.unit})
    if wish.name not in WISHES or len(line) > MAX_CLIENT_LINE:
        raise BadMessage(f"{wish.name[:40]!r} is not a wish")
    return line


def encode_snapshot(snapshot: Snapshot) -> bytes:
    """A snapshot as a line; raises ValueError for a figure that is no number (nan, infinity)."""
    body = _changed(snapshot, _SNAPSHOT)
    body["coming"] = [_changed(item, _COMING) for item in snapshot.coming]
    body["tracks"] = [_changed(item, _TRACK) for item in snapshot.tracks]
    return _line({"snapshot": body})


def decode_hello(line: bytes) -> tuple[int, str]:
    """Protocol version and token of a hello line. Raises BadMessage."""
    message = _parse(line)
    version, token = message.get("version"), message.get("token")
    if message.get("hello") != "companion" or type(version) is not int or type(token) is not str:
        raise BadMessage("not a hello")
    return version, token


def decode_wish(line: bytes) -> Wish:
    """The wish in a line. Raises BadMessage for anything else, unknown wishes included."""
    message = _parse(line)
    name, unit = message.get("wish"), message.get("unit", "")
    if type(name) is not str or name not in WISHES or not _is_text(unit):
        raise BadMessage("not a wish")
    return Wish(name, unit)


def decode_snapshot(line: bytes) -> Snapshot:
    """The snapshot in a line. Raises BadMessage; fields of a newer engine are passed over."""
    body = _object(_parse(line).get("snapshot"))
    known = _known(body, _SNAPSHOT)
    known["coming"] = tuple(
        Coming(**_known(item, _COMING)) for item in _list(body.get("coming", []))
    )
    known["tracks"] = tuple(
        TrackView(**_known(item, _TRACK)) for item in _list(body.get("tracks", []))
    )
    return Snapshot(**known)


@dataclass(frozen=True, slots=True)
class _Field:
    kind: str
    default: Any


def _table(kind: type, nested: tuple[str, ...] = ()) -> dict[str, _Field]:
    return {
        f.name: _Field(str(f.type), () if f.default_factory is not MISSING else f.default)
        for f in fields(kind)
        if f.name not in nested
    }


_SNAPSHOT = _table(Snapshot, nested=("coming", "tracks"))
_COMING = _table(Coming)
_TRACK = _table(TrackView)


def _changed(value: Any, table: dict[str, _Field]) -> dict[str, Any]:
    # What stands at its default is left out: the reader fills it in, and most of an agenda is
    # defaults. Less to encode is less time in the interpreter that the clock shares.
    body = {}
    for name, entry in table.items():
        content = getattr(value, name)
        if content != entry.default:
            body[name] = content
    return body


def _known(body: Any, table: dict[str, _Field]) -> dict[str, Any]:
    body = _object(body)
    known = {}
    for name, entry in table.items():
        if name in body:
            known[name] = _checked(name, body[name], entry.kind)
        elif entry.default is MISSING:
            raise BadMessage(f"{name} is missing")
    return known


def _checked(name: str, content: Any, kind: str) -> Any:
    if kind == "str":
        right = _is_text(content)
    elif kind == "int":
        right = _is_count(content)
    elif kind == "bool":
        right = type(content) is bool
    elif kind == "float":
        right = (type(content) is float and isfinite(content)) or _is_count(content)
        content = float(content) if right else content
    elif kind == "int | None":
        right = content is None or _is_count(content)
    else:
        right = type(content) is list and all(map(_is_text, content))
        content = tuple(content) if right else content
    if not right:
        raise BadMessage(f"{name} is not of the kind {kind}")
    return content


def _is_count(content: Any) -> bool:
    # Beyond 64 bits a figure is an error somewhere, and would overflow a float on the screen.
    return type(content) is int and -(1 << 63) <= content < 1 << 63


def _is_text(content: Any) -> bool:
    # JSON can spell half a character (a lone surrogate); no terminal or file would take it.
    return type(content) is str and (content.isascii() or not _HALVES.search(content))


def _list(content: Any) -> list[Any]:
    if type(content) is not list:
        raise BadMessage("not a list where one belongs")
    return content


_HALVES = re.compile("[\ud800-\udfff]")
_ENCODER = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _line(message: dict[str, Any]) -> bytes:
    # A port's name may hold bytes that are no UTF-8: they become "?", for the line must go out.
    return _ENCODER.encode(message).encode("utf-8", "replace") + b"\n"


def _parse(line: bytes) -> dict[str, Any]:
    try:
        return _object(json.loads(line))
    except (ValueError, TypeError, RecursionError) as error:
        raise BadMessage("not JSON") from error


def _object(content: Any) -> dict[str, Any]:
    if type(content) is not dict:
        raise BadMessage("not an object where one belongs")
    return content
