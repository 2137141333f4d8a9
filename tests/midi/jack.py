"""A JACK server on the dummy driver, for one run of the tests. No MIDI message passes through here.

It needs no sound card, has a name of its own, and goes away with the run; whatever other server
there is stays untouched.
"""

from __future__ import annotations

import contextlib
import functools
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from filelock import FileLock, Timeout

PATIENCE_S = 20.0
# Clients that were killed make the server wait for each of them before it ends.
END_PATIENCE_S = 20.0


@dataclass(frozen=True)
class Kind:
    """A kind of server: the words that begin one, and the names it may have.

    JACK has room for eight servers on a machine, and one that was killed keeps its place until
    another of the same name ends well. So names are few and used again, not made up for each run.
    """

    words: tuple[str, ...]
    names: tuple[str, ...]


# 64 frames at 48 kHz: a message waits at most 1.3 ms for the server. The time-out, -t, in ms.
_WORDS = ("-t", "100", "--no-realtime", "-d", "dummy", "-r", "48000", "-p", "64")
# The server waits for a client that is late, and loses nothing: of 1205 clocks on a busy machine of
# two cores none. A killed client holds the others up for some times the time-out.
SYNCHRONOUS = Kind(("-S", *_WORDS), ("tide-0", "tide-1", "tide-2"))
# JACK's usual mode: it goes on without a client that is late, and what was to arrive then is lost,
# 3 to 15 of as many clocks.
ASYNCHRONOUS = Kind(_WORDS, ("tide-cable-0", "tide-cable-1", "tide-cable-2"))
# JACK's own period: a message waits 21 ms, and bears the end of its period for its time.
COARSE = Kind((*_WORDS[:-1], "1024"), ASYNCHRONOUS.names)
SHARED_MEMORY = Path("/dev/shm")

# Instruments and sound servers have a priority that a busy test machine does not give by itself.
HASTE = ("nice", "-n", "-10")

# Asked in another process: a JACK library that failed once may go on failing in the same one.
PROBE = "import rtmidi; rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name='tide probe').delete()"


class NoServer(Exception):
    """There is no JACK server to be had; the message says why."""


def environment(name: str) -> dict[str, str]:
    """The process environment in which JACK means the server `name`, and starts no other."""
    return os.environ | {"JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1"}


@functools.cache
def haste() -> tuple[str, ...]:
    """Words to put before a command so that it runs ahead of others; none where that is refused."""
    if shutil.which(HASTE[0]) is None:
        return ()
    tried = subprocess.run([*HASTE, sys.executable, "-c", ""], capture_output=True, check=False)
    return HASTE if tried.returncode == 0 and not tried.stderr else ()


@contextlib.contextmanager
def server(kind: Kind = SYNCHRONOUS) -> Iterator[str]:
    """Run a server of this kind for as long as the block lasts; gives its name. Raises NoServer."""
    program = shutil.which("jackd")
    if program is None:
        raise NoServer("jackd is not installed (Debian: apt install jackd2)")
    why = NoServer(f"{len(kind.names)} runs of these tests are under way already")
    for name in kind.names:
        with contextlib.ExitStack() as leaving:
            if not leaving.enter_context(_alone_with(name)):
                continue
            try:
                leaving.enter_context(_running([*haste(), program, "-n", name, *kind.words], name))
            except NoServer as error:
                # One that nobody ended may still have the name.
                why = error
                continue
            yield name
            return
    raise why


@contextlib.contextmanager
def _alone_with(name: str) -> Iterator[bool]:
    """Whether no other run of these tests uses the name now; none will while this lasts."""
    lock = FileLock(Path(tempfile.gettempdir()) / f"companion-tests-jack-{name}.lock")
    try:
        lock.acquire(timeout=0)
    except Timeout:
        yield False
        return
    with lock:
        yield True
    lock.release()


@contextlib.contextmanager
def _running(command: list[str], name: str) -> Iterator[None]:
    with tempfile.TemporaryFile() as log:
        process = _spawn(command, name, log)
        try:
            _wait_until_it_answers(process, name, log)
            yield
        finally:
            process.terminate()
            try:
                process.wait(timeout=END_PATIENCE_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            for left in SHARED_MEMORY.glob(f"jack_*{name}_*"):
                left.unlink(missing_ok=True)


def _spawn(command: list[str], name: str, log: IO[bytes]) -> subprocess.Popen[bytes]:
    # The server writes to clients that were killed a moment ago; left to itself it dies of it.
    # A blocked signal stays blocked in the new process.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGPIPE})
    try:
        return subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
            env=environment(name),
            # Ctrl-C in the terminal is for the tests; they stop the server when they are done.
            start_new_session=True,
        )
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _wait_until_it_answers(process: subprocess.Popen[bytes], name: str, log: IO[bytes]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while process.poll() is None:
        probe = subprocess.run(
            [sys.executable, "-c", PROBE], env=environment(name), capture_output=True, check=False
        )
        if probe.returncode == 0 and process.poll() is None:
            return
        if time.monotonic() > deadline:
            raise NoServer(f"jackd does not answer: {_last_line(probe.stderr)}")
        time.sleep(0.05)
    log.seek(0)
    said = [line for line in log.read().splitlines() if b"servers" in line or b"ailed" in line]
    raise NoServer(f"jackd ended at once: {_last_line(b' '.join(said))}")


def _last_line(text: bytes) -> str:
    lines = text.decode(errors="replace").strip().splitlines()
    return lines[-1] if lines else "it said nothing"
