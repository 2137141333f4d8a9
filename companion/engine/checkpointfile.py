"""What an engine keeps, safe from a kill and from a power cut: the checkpoint, and its set.

What the follower's checkpoint means is its own business. A **page**, a file that is mapped into
memory, takes each checkpoint as it is made: that costs no disk and waits for nothing, and outlives
the engine, so it is written before anything leaves. A file that is known to have reached the disk
is written now and then by a thread of its own, for a power cut. A disk that is full, read-only or
asleep is a trouble to be told and nothing else.

The set list is kept as it was read: while it plays its file may be saved anew, whole or broken, and
whoever takes up the place of an engine that was killed needs the set that the place belongs to.

What is small is kept in the state folder, or in a spare one while that cannot be written to: a
spare stands for a crash, not for a power cut, and what it holds is written to the state folder as
soon as that takes anything again. Each file begins with a checksum of the rest: one in which a
figure was changed is none.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import mmap
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import msgspec

import companion
from companion.link.folders import is_own, make_ready, map_own, read_own, reason, write_own
from companion.link.messages import LinkError
from companion.setlist import SetList, loading


class SafeFiles:
    """Files by name, each in the first folder that took it. One caller at a time.

    `trouble` says in the system's words why something stands in a spare folder, "" if nothing does.
    """

    def __init__(self, folder: Path, spares: Sequence[Path] = ()) -> None:
        """`folder` is the caller's to make; spares are made as they are needed."""
        self._folder = folder
        self._spares = tuple(spares)
        # What stands in a spare folder only.
        self._spared: dict[str, bytes] = {}
        self.trouble = ""

    def put(self, name: str, body: bytes, *, to_disk: bool) -> None:
        """Write a file in one step, readable by this user alone.

        `to_disk` waits until the disk itself has it. Raises the state folder's OSError if no
        spare takes it either.
        """
        try:
            write_own(self._folder / name, sealed(body), to_disk=to_disk)
        except OSError as error:
            if not self._spare(name, body):
                raise
            self._spared[name] = body
            self.trouble = reason(error)
            return
        self._spared.pop(name, None)
        with contextlib.suppress(OSError):
            for each in list(self._spared):
                write_own(self._folder / each, sealed(self._spared[each]), to_disk=True)
                del self._spared[each]
        if not self._spared:
            self.trouble = ""

    def take_away(self, names: Sequence[str]) -> None:
        """Leave nothing of these behind."""
        for folder in self._folders():
            for name in names:
                with contextlib.suppress(OSError):
                    # Only what could have been ours is to be taken away.
                    read_own(folder / name, 0)
                    (folder / name).unlink()

    def mapped(self, name: str, size: int) -> mmap.mmap:
        """A file of this name and `size` in bytes, mapped into memory to be written.

        It stands in the first folder that takes it. Raises the state folder's OSError if none does.
        """
        try:
            return map_own(self._folder / name, size)
        except OSError:
            for spare in self._spares:
                with contextlib.suppress(OSError, LinkError):
                    make_ready(spare, spare=True)
                    return map_own(spare / name, size)
            raise

    def found(self, name: str, most: int, *, whole: bool = True) -> list[bytes]:
        """What stands in the whole files of this name that are this user's, the latest first.

        Where not `whole`, all of each file as it is, whatever its checksum.
        """
        found = []
        for folder in self._folders():
            with contextlib.suppress(OSError, ValueError):
                written_ns = (folder / name).stat().st_mtime_ns
                content = read_own(folder / name, most)
                found.append((written_ns, unsealed(content) if whole else content))
        return [body for _, body in sorted(found, key=lambda each: each[0], reverse=True)]

    def _folders(self) -> list[Path]:
        # Into a spare of somebody else's not even a link may lead.
        return [self._folder, *filter(is_own, self._spares)]

    def _spare(self, name: str, body: bytes) -> bool:
        for spare in self._spares:
            with contextlib.suppress(OSError, LinkError):
                make_ready(spare, spare=True)
                write_own(spare / name, sealed(body))
                return True
        return False


def sealed(body: bytes) -> bytes:
    """The body of a file with its checksum before it."""
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def unsealed(content: bytes) -> bytes:
    """The body of a file that is as it was written. Raises ValueError for any other."""
    body = content.partition(b"\n")[2]
    if sealed(body) != content:
        raise ValueError("not as it was written")
    return body


SET_NAME = "set.kept"
# The greatest set list that is read at all takes about a tenth of this.
MAX_FILE = 1 << 28


def packed(setlist: SetList, set_file: str, digest: str) -> bytes:
    """What is written: a line that says what it is, and the set."""
    head = {"version": companion.__version__, "file": set_file, "set": digest}
    return json.dumps(head).encode() + b"\n" + loading.packed(setlist)


def find_kept(folders: Sequence[Path], set_file: str) -> tuple[SetList, str] | None:
    """The set kept in one of `folders` that was read from `set_file`, with its digest, if any is.

    The first folder is the state folder, the others its spares; the latest written counts.
    """
    state, *spares = folders
    for body in SafeFiles(state, spares).found(SET_NAME, MAX_FILE):
        head, _, rest = body.partition(b"\n")
        with contextlib.suppress(KeyError, TypeError, ValueError, OverflowError):
            said = json.loads(head)
            if (said["version"], said["file"]) == (companion.__version__, set_file):
                setlist = loading.unpacked(rest)
                if isinstance(setlist, SetList):
                    return setlist, str(said["set"])
    return None


VERSION = 3
PAGE_NAME = "position.page"
KEPT_NAME = "position.kept.json"
# A checkpoint is a few kilobytes; parts that were played add some bytes each. Two take turns in the
# page, so that one is whole whenever the engine is killed.
SLOT = 1 << 18
# A place older than this says nothing about tonight.
OLD_NS = 600_000_000_000
# How far the two clocks of a computer may part in that time unless it slept or was set.
PARTED_NS = 100_000_000
# How often a place reaches the disk itself while nothing but ticks go by.
KEPT_EVERY_NS = 10_000_000_000
_BOOT = Path("/proc/sys/kernel/random/boot_id")
# The length of what a slot holds, in figures.
_LENGTH = 10
# A tenth of the time of the library's own, and it is spent while the clock waits.
_ENCODER = msgspec.json.Encoder()


@dataclass(frozen=True, slots=True)
class Now:
    """A moment: which start of the computer, and its monotonic and its wall clock in ns."""

    boot: str
    monotonic_ns: int
    wall_ns: int


@dataclass(frozen=True, slots=True)
class Found:
    """A checkpoint that was found, its times by this computer's monotonic clock of now.

    `trusted` is whether those times are certain: no restart, no sleep, no clock that was set.
    `started_ns` is when the set was first started, 0 if it was not.
    """

    kept: Mapping[str, Any]
    trusted: bool
    started_ns: int = 0


class Memory:
    """Keeps the checkpoints of an engine that plays the set with this `digest` of its content.

    `trouble` says in plain words what cannot be kept, and why, "" while all can. `started_ns` is
    kept with each: when the set was first started, by the monotonic clock, 0 before.
    """

    def __init__(
        self,
        folder: Path,
        set_file: str,
        digest: str,
        spares: Sequence[Path] = (),
        moment: Callable[[], Now] | None = None,
    ) -> None:
        """`spares` stand in where `folder` cannot be written to. Touches nothing yet.

        `moment` tells the time, for who plays a night in no time.
        """
        self._moment = moment or this_moment
        self._files = SafeFiles(folder, spares)
        self._set_file = set_file
        # Of the content as it is played; another one when the file was saved and taken over.
        self.digest = digest
        self._page: mmap.mmap | None = None
        self._slot = self._number = 0
        # What is to reach the disk, and what was last sent there: part, whether armed, and when.
        self._body = b""
        self._kept: tuple[object, ...] | None = None
        self._kept_ns = 0
        # The set that is played, until it is written.
        self._set: SetList | None = None
        self._news = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="memory", daemon=True)
        self.trouble = ""
        self.started_ns = 0

    def find(self) -> Found | None:
        """Where the engine before stood, None if it ended well, long ago or with another set."""
        found: list[tuple[tuple[bool, int, int], Found]] = []
        now = self._moment()
        for text in self._texts():
            with contextlib.suppress(
                ValueError, TypeError, KeyError, OverflowError, RecursionError
            ):
                body = json.loads(text)
                place = _found(body, self.digest, now)
                if place is not None:
                    # A wall clock that was set back would make the older one look fresher.
                    since_boot = body["boot"] == now.boot
                    when = body["monotonic_ns" if since_boot else "wall_ns"]
                    found.append(((since_boot, when, body["number"]), place))
        return max(found, key=lambda entry: entry[0])[1] if found else None

    def start(self) -> None:
        """Make the page ready, and begin to write what is noted."""
        try:
            self._page = self._files.mapped(PAGE_NAME, 2 * SLOT)
        except OSError as error:
            self.trouble = f"the position cannot be kept safe from a crash: {reason(error)}"
        self._thread.start()

    def note(self, kept: Mapping[str, Any]) -> None:
        """Put down a checkpoint of now, at once; one caller at a time."""
        now = self._moment()
        self._number += 1
        # The number tells which of two is the later where a clock is too coarse for that.
        told: dict[str, Any] = {
            "version": VERSION,
            "number": self._number,
            "started_ns": self.started_ns,
        }
        told |= {"boot": now.boot, "monotonic_ns": now.monotonic_ns, "wall_ns": now.wall_ns}
        told |= {"file": self._set_file, "set": self.digest, "kept": kept}
        body = _ENCODER.encode(told)
        whole = sealed(body)
        if self._page is not None and len(whole) < SLOT - _LENGTH:
            at = self._slot * SLOT
            self._page[at + _LENGTH : at + _LENGTH + len(whole)] = whole
            # The length last: until then the slot is not the latest.
            self._page[at : at + _LENGTH] = b"%*d" % (_LENGTH, len(whole))
            self._slot = 1 - self._slot
        held = kept["situation"]
        key = (held["plan"]["part"], held["armed"], self.digest)
        if key != self._kept or now.monotonic_ns - self._kept_ns > KEPT_EVERY_NS:
            self._kept, self._kept_ns = key, now.monotonic_ns
            self._body = body
            self._news.set()

    def play(self, setlist: SetList, digest: str) -> None:
        """Checkpoints belong to this set from now on; it is kept, too. From any thread, at once."""
        self.digest = digest
        self._set = setlist
        self._news.set()

    def close(self, forget: bool) -> None:
        """Stop writing; `forget` everything if the engine ends as it should."""
        self._ended = True
        self._news.set()
        if self._thread.is_alive():
            self._thread.join(timeout=1.0)
        if self._page is not None:
            self._page.close()
            self._page = None
        if forget:
            self._files.take_away((PAGE_NAME, KEPT_NAME, SET_NAME))

    def _texts(self) -> Iterator[bytes]:
        """Whatever was written, and is as it was written."""
        yield from self._files.found(KEPT_NAME, SLOT)
        for page in self._files.found(PAGE_NAME, 2 * SLOT, whole=False):
            for at in (0, SLOT):
                with contextlib.suppress(ValueError):
                    length = int(page[at : at + _LENGTH])
                    yield unsealed(page[at + _LENGTH : at + _LENGTH + length])

    def _run(self) -> None:
        while True:
            self._news.wait()
            self._news.clear()
            body, setlist = self._body, self._set
            if self._ended:
                return
            try:
                if setlist is not None:
                    # Before any place in it.
                    content = packed(setlist, self._set_file, self.digest)
                    self._files.put(SET_NAME, content, to_disk=True)
                    if self._set is setlist:
                        self._set = None
                if body:
                    self._files.put(KEPT_NAME, body, to_disk=True)
                why = self._files.trouble
                self.trouble = f"the position is not safe from a power cut: {why}" if why else ""
            except Exception as error:
                self.trouble = f"the position cannot be kept safe from a crash: {reason(error)}"


@cache
def boot() -> str:
    """Which start of the computer this is, "" where nothing tells."""
    with contextlib.suppress(OSError):
        return _BOOT.read_text(encoding="ascii").strip()
    return ""


def this_moment() -> Now:
    """The moment that is now."""
    return Now(boot(), time.monotonic_ns(), time.time_ns())


def _moved(kept: Mapping[str, Any], by_ns: int) -> dict[str, Any]:
    """`kept` with its count's times later by so much."""
    count = dict(kept["count"])
    if count["origin_ns"] is not None:
        count["origin_ns"] += by_ns
    return {**kept, "count": count}


def _found(body: dict[str, Any], digest: str, now: Now) -> Found | None:
    if body["version"] != VERSION or body["set"] != digest:
        return None
    then = Now(str(body["boot"]), int(body["monotonic_ns"]), int(body["wall_ns"]))
    by_wall = now.wall_ns - then.wall_ns
    by_monotonic = now.monotonic_ns - then.monotonic_ns
    same_boot = then.boot == now.boot and by_monotonic >= 0
    trusted = same_boot and abs(by_wall - by_monotonic) < PARTED_NS
    # Asleep, the monotonic clock stands still; set back, the wall clock lies.
    elapsed = max(by_wall, by_monotonic) if same_boot else by_wall
    if not 0 <= elapsed <= OLD_NS:
        return None
    kept, moved = body["kept"], 0 if trusted else by_monotonic - elapsed
    if moved:
        kept = _moved(kept, moved) | {"at_ns": kept["at_ns"] + moved}
        kept["beside"] = [_moved(each, moved) for each in kept.get("beside", [])]
    started_ns = int(body["started_ns"])
    # As long ago as then, and what has gone by since.
    return Found(kept, trusted, started_ns + moved if started_ns else 0)
