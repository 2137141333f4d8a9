"""The engine's memory: where it stands, safe in a file, so that the next one can go on from there.

Written by a thread of its own, which nobody waits for; a disk that is full, read-only or asleep is
a trouble to be told and nothing else. Two files: one as fresh as can be, for an engine that is
killed, and one that is known to have reached the disk, for a power cut. What a place means is the
follower's business.
"""

from __future__ import annotations

import contextlib
import json
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar

from companion.engine import keptset
from companion.engine.safefiles import SafeFiles
from companion.follow.changes import Outcome
from companion.follow.gap import Line
from companion.follow.place import Place
from companion.follow.transport import State
from companion.follow.trust import Beat
from companion.link.folders import reason
from companion.setlist.model import SetList

T = TypeVar("T")

VERSION = 2
FILE_NAME = "position.json"
KEPT_NAME = "position.kept.json"
MAX_FILE = 1 << 20
# A place older than this says nothing about tonight.
OLD_NS = 600_000_000_000
# How far the two clocks of a computer may part in that time unless it slept or was set.
PARTED_NS = 100_000_000
# How often a place reaches the disk itself while nothing but ticks go by.
KEPT_EVERY_NS = 10_000_000_000
_BOOT = Path("/proc/sys/kernel/random/boot_id")


@dataclass(frozen=True, slots=True)
class Now:
    """A moment: which start of the computer, and its monotonic and its wall clock in ns."""

    boot: str
    monotonic_ns: int
    wall_ns: int


@dataclass(frozen=True, slots=True)
class Found:
    """A place that was found, its times by this computer's monotonic clock of now.

    `trusted` is whether those times are certain: no restart, no sleep, no clock that was set.
    `started_ns` is when the set was first started, 0 if it was not.
    """

    place: Place
    trusted: bool
    started_ns: int = 0


class Memory:
    """Keeps the place of an engine that plays the set with this `digest` of its content.

    `trouble` says in plain words what cannot be kept, and why, "" while all can. `started_ns` is
    kept with each place: when the set was first started, by the monotonic clock, 0 before.
    """

    def __init__(
        self, folder: Path, set_file: str, digest: str, spares: Sequence[Path] = ()
    ) -> None:
        """`spares` stand in where `folder` cannot be written to. Touches nothing yet."""
        self._files = SafeFiles(folder, spares)
        self._set_file = set_file
        # Of the content as it is played; another one when the file was saved and taken over.
        self.digest = digest
        self._place: tuple[Place, str] | None = None
        # The set that is played, until it is written.
        self._set: SetList | None = None
        self._news = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="memory", daemon=True)
        self._kept: tuple[int, bool] | None = None
        self._kept_ns = 0
        self.trouble = ""
        self.started_ns = 0

    def find(self, now: Now | None = None) -> Found | None:
        """Where the engine before stood, None if it ended well, long ago or with another set."""
        found: list[tuple[tuple[bool, int], Found]] = []
        now = now or this_moment()
        for path in (*self._files.paths(FILE_NAME), *self._files.paths(KEPT_NAME)):
            with contextlib.suppress(OSError, ValueError, TypeError, KeyError, RecursionError):
                with open(path, "rb") as file:
                    body = json.loads(file.read(MAX_FILE))
                place = _found(body, self.digest, now)
                if place is not None:
                    # A wall clock that was set back would make the older one look fresher.
                    since_boot = body["boot"] == now.boot
                    when = body["monotonic_ns" if since_boot else "wall_ns"]
                    found.append(((since_boot, when), place))
        return max(found, key=lambda entry: entry[0])[1] if found else None

    def start(self) -> None:
        """Begin to write what is noted."""
        self._thread.start()

    def note(self, place: Place) -> None:
        """Have `place` written soon; from any thread, at once. What waited before is forgotten."""
        self._place = place, self.digest
        self._news.set()

    def play(self, setlist: SetList, digest: str) -> None:
        """Places belong to this set from now on; it is kept, too. From any thread, at once."""
        self.digest = digest
        self._set = setlist
        self._news.set()

    def close(self, forget: bool) -> None:
        """Stop writing; `forget` everything if the engine ends as it should."""
        self._ended = True
        self._news.set()
        if self._thread.is_alive():
            self._thread.join(timeout=1.0)
        if forget:
            self._files.take_away((FILE_NAME, KEPT_NAME, keptset.FILE_NAME))

    def write(self, place: Place, now: Now, digest: str = "") -> None:
        """Write `place` as it is `now`, of the set that is played or that of `digest`.

        Raises OSError.
        """
        body = encode(place, self._set_file, digest or self.digest, now, self.started_ns)
        self._files.put(FILE_NAME, body, to_disk=False)
        key = (place.part, place.armed)
        if key != self._kept or now.monotonic_ns - self._kept_ns > KEPT_EVERY_NS:
            self._files.put(KEPT_NAME, body, to_disk=True)
            self._kept, self._kept_ns = key, now.monotonic_ns

    def _run(self) -> None:
        while True:
            self._news.wait()
            self._news.clear()
            place, setlist = self._place, self._set
            if self._ended:
                return
            try:
                if setlist is not None:
                    # Before any place in it.
                    body = keptset.packed(setlist, self._set_file, self.digest)
                    self._files.put(keptset.FILE_NAME, body, to_disk=True)
                    if self._set is setlist:
                        self._set = None
                if place is not None:
                    self.write(place[0], this_moment(), place[1])
                why = self._files.trouble
                self.trouble = f"the position is not safe from a power cut: {why}" if why else ""
            except Exception as error:
                self.trouble = f"the position cannot be kept safe from a crash: {reason(error)}"


def this_moment() -> Now:
    """The moment that is now."""
    boot = ""
    with contextlib.suppress(OSError):
        boot = _BOOT.read_text(encoding="ascii").strip()
    return Now(boot, time.monotonic_ns(), time.time_ns())


def encode(place: Place, set_file: str, digest: str, now: Now, started_ns: int = 0) -> bytes:
    """What is written: a place, the set it belongs to, when that was and when the set began."""
    body = asdict(place) | asdict(now) | {"version": VERSION, "set": digest, "file": set_file}
    body["started_ns"] = started_ns
    body["state"], body["beat"] = place.state.value, place.beat.value
    body["outcomes"] = [outcome.value for outcome in place.outcomes]
    return json.dumps(body).encode()


def _found(body: dict[str, Any], digest: str, now: Now) -> Found | None:
    if body["version"] != VERSION or body["set"] != digest:
        return None
    then = Now(_text(body["boot"]), _whole(body["monotonic_ns"]), _whole(body["wall_ns"]))
    by_wall = now.wall_ns - then.wall_ns
    by_monotonic = now.monotonic_ns - then.monotonic_ns
    same_boot = then.boot == now.boot and by_monotonic >= 0
    trusted = same_boot and abs(by_wall - by_monotonic) < PARTED_NS
    # Asleep, the monotonic clock stands still; set back, the wall clock lies.
    elapsed = max(by_wall, by_monotonic) if same_boot else by_wall
    if not 0 <= elapsed <= OLD_NS:
        return None
    place = _decode(body)
    if place.line is not None and not trusted:
        moved = by_monotonic - elapsed
        line = replace(place.line, tick_ns=place.line.tick_ns + moved)
        place = replace(place, line=line)
    started_ns = _whole(body.get("started_ns", 0))
    if started_ns:
        # As long ago as then, and what has gone by since.
        started_ns += by_monotonic - elapsed
    return Found(place, trusted, started_ns)


def _decode(body: dict[str, Any]) -> Place:
    """The place in `body`; raises ValueError, TypeError or KeyError if there is none."""
    line = body["line"]
    return Place(
        state=State(body["state"]),
        sure=_flag(body["sure"]),
        doubt=_text(body["doubt"]),
        beat=Beat(body["beat"]),
        part_known=_flag(body["part_known"]),
        song_known=_flag(body["song_known"]),
        known=_flag(body["known"]),
        armed=_flag(body["armed"]),
        part=_whole(body["part"]),
        tick=_whole(body["tick"]),
        fresh=_flag(body["fresh"]),
        end=_or_none(_whole, body["end"]),
        asked=_flag(body["asked"]),
        stretches=tuple(_stretch(s) for s in body["stretches"]),
        outcomes=tuple(Outcome(o) for o in body["outcomes"]),
        port=_or_none(_text, body["port"]),
        home=_or_none(_text, body["home"]),
        line=None if line is None else _line(line),
        counted=_whole(body["counted"]),
        ticking=_flag(body["ticking"]),
        staying=_flag(body["staying"]),
        target=_or_none(_whole, body["target"]),
    )


def _line(body: dict[str, Any]) -> Line:
    period, jitter = float(body["period_ns"]), float(body["jitter_ns"])
    if not (isfinite(period) and isfinite(jitter) and period >= 1 and jitter >= 0):
        raise ValueError("not a clock")
    return Line(_whole(body["tick_ns"]), period, max(0, _whole(body["ticks"])), jitter)


def _stretch(body: list[Any]) -> tuple[int, int, int, int]:
    start, part_index, passes, phrases = (_whole(n) for n in body)
    return start, part_index, passes, phrases


def _whole(value: Any) -> int:
    if type(value) is not int:
        raise TypeError("not a whole number")
    return value


def _flag(value: Any) -> bool:
    if type(value) is not bool:
        raise TypeError("not a yes or no")
    return value


def _text(value: Any) -> str:
    if type(value) is not str:
        raise TypeError("not a text")
    return value


def _or_none(kind: Callable[[Any], T], value: Any) -> T | None:
    return None if value is None else kind(value)
