"""Where the engine can be reached, and that there is only one. No socket here.

The engine holds a lock in the user's state folder for as long as it lives and leaves a file beside
it with port and token. The operating system frees the lock however the engine ends, so a file
without a lock is a leftover. Where that folder cannot be written to, both stand in a spare one.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Annotated

import msgspec
from filelock import FileLock, Timeout

from companion.link.folders import (
    NotOwn,
    Unwritable,
    folders,
    is_own,
    make_ready,
    read_own,
    reason,
    write_own,
)
from companion.link.messages import PROTOCOL, LinkError

FILE_NAME = "engine.json"
LOCK_NAME = "engine.lock"
# A client that looks whether the lock is free holds it for some microseconds; an engine that
# starts in that moment waits it out.
LOCK_PATIENCE_S = 0.3
MAX_FILE = 1 << 16


class NoEngine(LinkError):
    """No engine is running, or none that answers."""


class AlreadyRunning(LinkError):
    """Another engine holds the lock."""


@dataclass(frozen=True, slots=True)
class Endpoint:
    """What a client needs to reach the engine, and a person to know which one it is.

    `port` is on the loopback address; `version` is the engine's PROTOCOL.
    """

    port: int
    # Out of the repr, and so out of logs and tracebacks.
    token: str = field(repr=False)
    pid: int = 0
    version: int = PROTOCOL
    set_name: str = ""


def find_endpoint(folder: Path | None = None) -> Endpoint:
    """Where the running engine is.

    `folder` defaults to state_folder(). Raises NoEngine if none runs (a leftover file of a dead
    one counts as none) and LinkError if the folder cannot be read or the engine speaks another
    version.
    """
    errors: list[LinkError] = []
    first, *spares = folders(folder)
    for each in (first, *filter(is_own, spares)):
        try:
            return _find_in(each)
        except LinkError as error:
            errors.append(error)
    raise next((each for each in errors if not isinstance(each, NoEngine)), errors[0])


def _find_in(folder: Path) -> Endpoint:
    path = folder / FILE_NAME
    try:
        text = read_own(path, MAX_FILE)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise NoEngine("no engine is running") from error
    except NotOwn as error:
        raise NoEngine(f"no engine of yours is running; {error}") from error
    except OSError as error:
        raise LinkError(f"cannot read {path}: {reason(error)}") from error
    if _lock_is_free(path.with_name(LOCK_NAME)):
        raise NoEngine("no engine is running; the last one ended without saying so")
    return _parse(text, path)


class EngineLock:
    """The right to be the engine, and to say where it is.

    Use as a context manager, or call acquire and release. The lock is the operating system's and
    goes with the process, killed or not.
    """

    def __init__(self, folder: Path | None = None) -> None:
        """`folder` defaults to state_folder(). Touches nothing yet."""
        self._given = folder
        self._locks: dict[Path, FileLock] = {}
        # Why the state folder itself is not used, "" if it is.
        self.trouble = ""

    def acquire(self) -> None:
        """Take the lock; raises AlreadyRunning, or LinkError if no folder allows it."""
        for spare in filter(is_own, folders(self._given)[1:]):
            # An engine that could not write in the folder itself when it began.
            if not _lock_is_free(spare / LOCK_NAME):
                raise AlreadyRunning(_already(spare))
        self._each_until_done(lambda _: None)

    def publish(self, port: int, token: str, set_name: str = "") -> None:
        """Write engine.json, readable by this user alone, in one step. Raises LinkError."""
        if not self._locks:
            raise LinkError("only the engine that holds the lock can say where it is")
        endpoint = Endpoint(port, token, os.getpid(), PROTOCOL, set_name)
        text = json.dumps(asdict(endpoint)).encode()
        self._each_until_done(lambda folder: _put(folder / FILE_NAME, text))

    def _each_until_done(self, do: Callable[[Path], None]) -> None:
        """Do something in the first folder that can be locked and allows it."""
        trouble: Unwritable | None = None
        for index, folder in enumerate(folders(self._given)):
            try:
                if folder not in self._locks:
                    make_ready(folder, spare=index > 0)
                    self._locks[folder] = _locked(folder)
                do(folder)
            except Unwritable as error:
                trouble = trouble or error
                self.trouble = str(trouble)
            except AlreadyRunning:
                raise
            except LinkError:
                # A spare that is no use is no reason to say so: the folder itself is.
                if trouble is None:
                    raise
            else:
                return
        assert trouble is not None
        raise trouble

    def release(self) -> None:
        """Take engine.json away and free the lock; harmless when not held."""
        locks, self._locks = self._locks, {}
        for folder, lock in locks.items():
            with contextlib.suppress(OSError):
                (folder / FILE_NAME).unlink(missing_ok=True)
            with contextlib.suppress(OSError):
                lock.release()

    def __enter__(self) -> EngineLock:
        self.acquire()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()


def _locked(folder: Path) -> FileLock:
    """The lock of a folder that is ready, and no address in it but a future one of ours."""
    path = folder / LOCK_NAME
    lock = FileLock(path, mode=0o600, thread_local=False)
    try:
        lock.acquire(timeout=LOCK_PATIENCE_S, poll_interval=0.02)
    except Timeout as error:
        raise AlreadyRunning(_already(folder)) from error
    except (OSError, NotImplementedError) as error:
        if os.path.exists(path) and not _looks_free(path):
            raise AlreadyRunning(_already(folder)) from error
        raise Unwritable(f"cannot lock {path}: {reason(error)}") from error
    try:
        # Whatever stands there is of an engine that is gone.
        (folder / FILE_NAME).unlink(missing_ok=True)
    except OSError as error:
        # It would be taken for ours while the lock is held.
        lock.release()
        raise Unwritable(f"cannot write in {folder}: {reason(error)}") from error
    return lock


def _put(path: Path, text: bytes) -> None:
    try:
        write_own(path, text)
    except OSError as error:
        raise Unwritable(f"cannot write {path}: {reason(error)}") from error


def _lock_is_free(path: Path) -> bool:
    if not os.path.exists(path):
        return True
    lock = FileLock(path, mode=0o600, thread_local=False)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return False
    except (OSError, NotImplementedError):
        return _looks_free(path)
    lock.release()
    return True


def _looks_free(path: Path) -> bool:
    """Whether a lock is free that cannot be written to; False where nobody can tell."""
    if sys.platform == "win32":
        # Whether anyone answers at the port will tell.
        return False
    import fcntl

    try:
        with open(path, "rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _already(folder: Path) -> str:
    with contextlib.suppress(OSError, LinkError):
        running = _parse(read_own(folder / FILE_NAME, MAX_FILE), folder / FILE_NAME)
        return f"an engine is already running: {running.set_name!r}, process {running.pid}"
    return "an engine is already running"


class _Version(msgspec.Struct):
    """What is asked of the file first: another version may write all else differently."""

    version: object


class _Written(msgspec.Struct):
    """The file of an engine of this version."""

    port: Annotated[int, msgspec.Meta(gt=0, lt=1 << 16)]
    token: str
    pid: int
    version: int
    set_name: str


def _parse(text: bytes, path: Path) -> Endpoint:
    try:
        if msgspec.json.decode(text, type=_Version).version != PROTOCOL:
            raise LinkError(_other_version())
        found = msgspec.json.decode(text, type=_Written)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise NoEngine(f"{path} cannot be understood; is the engine only just starting?") from error
    return Endpoint(found.port, found.token, found.pid, found.version, found.set_name)


def _other_version() -> str:
    return "the running engine is of another version of companion; stop it and start it again"
