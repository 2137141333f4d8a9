"""The set list saved while it is played: noticed, read apart, handed over if it is whole.

`Reloading` has a thread of its own, which only looks at files and waits for the child that reads
them. What is handed over is made ready there, so that the clock never waits for it. When it may
take over is `Handover`'s: at a boundary, with nothing out; called under the engine's lock.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from companion.engine.snapshot import Viewer
from companion.follow.conductor import Conductor, Stretch
from companion.follow.follower import Follower, Listeners
from companion.follow.transport import State
from companion.setlist import SetList, SetListError
from companion.setlist.loading import load_apart


class Handover:
    """Holds the newest set list that was saved, `incoming`, until its time has come."""

    def __init__(self) -> None:
        self.incoming: Incoming | None = None
        # The phrase in which it came.
        self._came_in: tuple[Stretch, int] | None = None

    def expect(self, incoming: Incoming, conductor: Conductor) -> None:
        """Take note of a whole set list. Sets the conductor's `notice`."""
        self.incoming, self._came_in = incoming, _phrase(conductor)
        conductor.notice = "the saved set list is whole: it comes with the next boundary"
        if conductor.state is State.RUNNING and not conductor.fits(incoming.setlist):
            conductor.notice = "the saved set list lacks this part: it comes after it"
        conductor.count += 1

    def take(self, follower: Follower, *, held_up: bool) -> Incoming | None:
        """What takes over now, the follower in it already; None if nothing does.

        `held_up` says that something is about to be sent.
        """
        incoming, conductor = self.incoming, follower.conductor
        if incoming is None or held_up or conductor.state is State.LOST or conductor.changes_out:
            return None
        if conductor.state is State.RUNNING and (
            _phrase(conductor) == self._came_in or not conductor.fits(incoming.setlist)
        ):
            return None
        follower.adopt(incoming.setlist, incoming.listeners)
        conductor.notice = "the set list is the saved one now"
        self.incoming = None
        return incoming


def _phrase(conductor: Conductor) -> tuple[Stretch, int]:
    return conductor.stretch, conductor.tick // conductor.part.pattern.phrase_ticks


LOOK_S = 0.3
# What matters on stage, before what is wrong: a narrow screen cuts the end.
_PLAYS_ON = "the set as it was plays on"


@dataclass(frozen=True, slots=True)
class Saved:
    """The files a set was read from: the set list, and the controls if those have their own.

    `played` is the digest of the set list that is played if that is not what the file holds, nor
    all that the controls say; "" if it is.
    """

    path: Path
    controls: Path | None = None
    played: str = ""


@dataclass(frozen=True, slots=True)
class Incoming:
    """A set list that may take the place of the one that is played; `digest` is its content's."""

    setlist: SetList
    listeners: Listeners
    viewer: Viewer
    digest: str


class Reloading:
    """Watches the files of one set. `trouble` says in plain words what is wrong with them, or "".

    `take` gets each whole set list; it is called on this thread. `load` reads them.
    """

    def __init__(
        self,
        saved: Saved,
        take: Callable[[Incoming], None],
        changed: Callable[[], None],
        load: Callable[..., SetList] = load_apart,
    ) -> None:
        """`changed` is called when `trouble` is another."""
        self._saved = saved
        self._take = take
        self._changed = changed
        self._load = load
        self._seen = _stamps(saved)
        self._settled = not saved.played
        # What is played, or will be with the next boundary.
        self._content = (saved.played,) if saved.played else _content(saved)
        self.trouble = ""
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="set list", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def close(self) -> None:
        """Look no more; a file that is being read meanwhile is left to itself."""
        self._ended.set()

    def look(self) -> None:
        """Look once: read what was saved, if it has been left alone since the look before."""
        stamps = _stamps(self._saved)
        if stamps != self._seen:
            # Whoever writes may still be at it.
            self._seen, self._settled = stamps, False
            return
        if self._settled:
            return
        self._settled = True
        content = _content(self._saved)
        if content is None:
            self._tell(f"{_PLAYS_ON}: {self._saved.path.name} cannot be read")
        elif content == self._content:
            self._tell("")
        else:
            self._read(content)

    # -- inside ------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._ended.wait(LOOK_S):
            try:
                self.look()
            except Exception as error:
                self._tell(f"{self._saved.path.name} cannot be taken over: {error}")

    def _read(self, content: tuple[str, ...]) -> None:
        try:
            setlist = self._load(self._saved.path, controls=self._saved.controls)
        except SetListError as error:
            first, more = error.faults[0], len(error.faults) - 1 + error.more
            also = f", and {more} more" if more else ""
            self._tell(f"{_PLAYS_ON}: {first.render(error.path.name)}{also}")
            return
        if _content(self._saved) != content:
            # Saved again meanwhile: what was read may be half of each.
            self._settled = False
            return
        incoming = Incoming(setlist, Listeners(setlist), Viewer(setlist), content[0])
        self._content = content
        self._tell("")
        self._take(incoming)

    def _tell(self, trouble: str) -> None:
        if trouble != self.trouble:
            self.trouble = trouble
            self._changed()


def _files(saved: Saved) -> list[Path]:
    return [saved.path, *([] if saved.controls is None else [saved.controls])]


def _stamps(saved: Saved) -> tuple[object, ...]:
    """What changes whenever a file is saved, by whatever way an editor saves."""
    found: list[object] = []
    for path in _files(saved):
        try:
            stat = path.stat()
            found.append((stat.st_mtime_ns, stat.st_size, stat.st_ino))
        except OSError:
            found.append(None)
    return tuple(found)


def _content(saved: Saved) -> tuple[str, ...] | None:
    """The digests of the files, None if one cannot be read."""
    found = []
    for path in _files(saved):
        try:
            # A pipe in its place would never end.
            if not path.is_file():
                return None
            with open(path, "rb") as file:
                found.append(hashlib.file_digest(file, "sha256").hexdigest())
        except OSError:
            return None
    return tuple(found)
