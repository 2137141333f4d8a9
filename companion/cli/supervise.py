"""Starting the engine again when it dies under an open screen. No terminal here.

The screen finds the new engine by itself; the new engine finds where the old one stood.
"""

from __future__ import annotations

import signal
import subprocess
import threading
import time
from collections.abc import Callable

from companion.link.endpoint import Endpoint, NoEngine, find_endpoint
from companion.link.messages import LinkError

# Tells an engine when the one before was seen to be dead, in ns of the monotonic clock.
DIED_NS = "COMPANION_DIED_NS"
# An engine that lived so long did not die of how it was started.
LONG_S = 10.0
# How long to wait before each further start, after the first, second ... quick death in a row.
WAITS_S = (0.0, 0.25, 0.5, 1.0, 2.0)


class Supervisor:
    """Watches over one engine, and over those that follow it.

    `start` starts another one, told when the latest was seen to be dead (in ns of the monotonic
    clock), and may raise OSError; `last_words` is what the latest had to say for itself, "" if
    nothing. `trouble` says in plain words why none is started any more.
    """

    def __init__(
        self,
        process: subprocess.Popen[bytes],
        start: Callable[[int], subprocess.Popen[bytes]],
        last_words: Callable[[], str],
    ) -> None:
        self._process = process
        self._start = start
        self._last_words = last_words
        self._lock = threading.Lock()
        self._closed = threading.Event()
        self.trouble = ""
        self.starts = 0
        self._thread = threading.Thread(target=self._run, name="supervisor", daemon=True)
        self._thread.start()

    @property
    def watching(self) -> bool:
        """Whether an engine that dies now would be started again."""
        return self._thread.is_alive()

    def find(self) -> Endpoint:
        """Where the engine is. Raises NoEngine or LinkError, as `find_endpoint` does."""
        try:
            return find_endpoint()
        except NoEngine as error:
            raise NoEngine(self.trouble or "the engine is being started again") from error

    def close(self) -> None:
        """Start no engine any more; the one that runs goes on."""
        with self._lock:
            self._closed.set()

    def end(self) -> None:
        """End an engine that cannot be reached yet, so that none is left behind."""
        self.close()
        if self._process.poll() is None:
            self._process.terminate()
            self._process.wait()

    def _run(self) -> None:
        deaths = 0
        while True:
            began = time.monotonic()
            status = self._process.wait()
            died_ns = time.monotonic_ns()
            if status == 0 or self._closed.is_set():
                # Somebody ended it.
                return
            if time.monotonic() - began > LONG_S:
                deaths = 0
            if deaths == len(WAITS_S):
                self.trouble = f"the engine died {deaths + 1} times in a row: {self._why(status)}"
                return
            if self._closed.wait(WAITS_S[deaths]):
                return
            deaths += 1
            if not self._again(died_ns):
                return

    def _again(self, died_ns: int) -> bool:
        """Start the next one; False if there is no need, or no way."""
        try:
            find_endpoint()
        except NoEngine:
            pass
        except LinkError as error:
            self.trouble = str(error)
            return False
        else:
            # Somebody else was quicker.
            return False
        with self._lock:
            if self._closed.is_set():
                return False
            try:
                self._process = self._start(died_ns)
            except OSError as error:
                self.trouble = f"the engine cannot be started again: {error}"
                return False
            self.starts += 1
        return True

    def _why(self, status: int) -> str:
        words = self._last_words()
        if words:
            return words
        if status < 0:
            try:
                return f"it was ended by {signal.Signals(-status).name}"
            except ValueError:
                return f"it was ended by signal {-status}"
        return f"it ended with status {status} and said nothing"
