"""Recording: what an engine puts down, written by a thread of its own.

The engine only appends to a queue, which waits for nobody: not for a disk, not for this thread.
Every half second what came is turned into events and written in one commit, so that a kill or a
power cut costs less than a second. A disk that is full or fails ends the recording, with a trouble
to be told; the show goes on.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from filelock import BaseFileLock

from companion.setlist import SetList
from companion.takes.store import Arrived, Beginning, DiskFull, Store, TakesError
from companion.takes.story import MOST_WAITING, Adopted, Event, Happening, Notes, Story

COMMIT_S = 0.5
# While nothing at all happens, how long a take has lasted is written this often, in commits.
IDLE = 20


class Recorder:
    """Records one take: what is put down in `notes`.

    `take` is its number, None until the file is open or if that fails; `trouble` says why nothing
    is recorded, "" while all is well.
    """

    def __init__(
        self,
        setlist: SetList,
        *,
        kind: str,
        set_file: Path,
        folder: Path | None = None,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        """`kind` is `play`, `engine` or `rehearse`. Touches nothing yet."""
        self._setlist = setlist
        self._kind = kind
        self._set_file = set_file
        self._folder = folder
        self._now_ns = now_ns
        self.notes = Notes()
        self.take: int | None = None
        self.trouble = ""
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="takes", daemon=True)
        self._began_ns = 0

    def start(self) -> None:
        """Begin the take; what is put down from now on is recorded."""
        self._began_ns = self._now_ns()
        self._thread.start()

    def close(self) -> None:
        """End the take, all of it written."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)

    # -- the thread --------------------------------------------------------------------------

    def _run(self) -> None:
        writer = None
        try:
            story = Story(self._setlist, listens=self._kind != "rehearse")
            writer = Writer(self._begun(), story, self._began_ns, self._folder)
            self.take = writer.take
            while not self._ended.wait(COMMIT_S):
                self._write(writer)
            self._write(writer)
            writer.end(self._now_ns())
        except TakesError as error:
            self.trouble = f"recording stopped: {error}" if self.take else f"no recording: {error}"
        except Exception as error:
            self.trouble = f"recording stopped by a fault of our own: {error}"
        finally:
            if writer is not None:
                writer.close(full=bool(self.trouble))
        # What is put down all the same goes nowhere.
        while not self._ended.wait(COMMIT_S):
            self.notes.items.clear()

    def _write(self, writer: Writer) -> None:
        items = self.notes.items
        if len(items) == MOST_WAITING:
            raise DiskFull("the disk is too slow")
        came = [items.popleft() for _ in range(len(items))]
        for item in came:
            if isinstance(item, Adopted):
                writer.renew(self._text())
        writer.write(came, self._now_ns())

    def _begun(self) -> Beginning:
        instruments = tuple(
            (each.name, each.port, each.channel) for each in self._setlist.instruments.values()
        )
        return Beginning(
            self._kind,
            self._setlist.name,
            str(self._set_file.absolute()),
            datetime.now().astimezone().isoformat(timespec="seconds"),
            instruments,
            self._text(),
        )

    def _text(self) -> bytes:
        with contextlib.suppress(OSError):
            return self._set_file.read_bytes()
        return b""


class Writer:
    """Writes one take, a batch at a time. For one thread; every method raises TakesError."""

    def __init__(
        self, beginning: Beginning, story: Story, began_ns: int, folder: Path | None = None
    ) -> None:
        self.story = story
        self._store = Store(folder, make=True)
        self._lock: BaseFileLock
        self.take, self._lock = self._store.begin(beginning)
        self._began_ns = began_ns
        self._batch = 0
        self._idle = 0

    def write(self, items: list[Happening], now_ns: int) -> None:
        """Write what came, if anything did."""
        self._idle = 0 if items else self._idle + 1
        if self._idle % IDLE:
            return
        story, began_ns = self.story, self._began_ns
        events = []
        arrivals: list[Arrived] = []
        for item in items:
            events += story.hear(item)
            if isinstance(item, tuple):
                t_ns, port, message, count = item
                shown = count if story.plays else -1
                arrivals.append((t_ns - began_ns, port, bytes(message), shown))
        self._put(events, arrivals, now_ns)

    def end(self, now_ns: int) -> None:
        """Write the end of the take."""
        self._put(self.story.close(now_ns), [], now_ns)
        self._store.end(self.take, "stopped")

    def renew(self, text: bytes) -> None:
        """Another version of the set list is played from here on."""
        self._store.changed_source(self.take, text)

    def close(self, *, full: bool) -> None:
        """Let go of the file; with `full` it took no more, and that is the last word."""
        if full:
            with contextlib.suppress(TakesError):
                self._store.give_up(self.take)
        self._store.let_go(self.take, self._lock)
        self._store.close()

    def _put(self, events: list[Event], arrivals: list[Arrived], now_ns: int) -> None:
        moved = [replace(each, at_ns=each.at_ns - self._began_ns) for each in events]
        story = self.story
        seconds = (now_ns - self._began_ns) / 1e9
        self._store.write(
            self.take, self._batch, moved, arrivals, seconds, story.played, story.parts
        )
        self._batch += 1
