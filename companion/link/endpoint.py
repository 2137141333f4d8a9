"""Where the engine can be reached, and that there is only one. No socket here.

The engine holds a lock in the user's state folder for as long as it lives and leaves a file beside
it with port and token. The operating system frees the lock however the engine ends, so a file
without a lock is a leftover.
"""

from __future__ import annotations

import contextlib
import json
import os
import stat
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import TracebackType

from filelock import FileLock, Timeout
from platformdirs import user_state_dir

from companion.link.messages import PROTOCOL, LinkError

FILE_NAME = "engine.json"
LOCK_NAME = "engine.lock"
OVERRIDE = "COMPANION_STATE_DIR"
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


def state_folder() -> Path:
    """The folder for engine.json and engine.lock; COMPANION_STATE_DIR overrides the system's."""
    override = os.environ.get(OVERRIDE)
    return Path(override).absolute() if override else _own_folder()


def find_endpoint(folder: Path | None = None) -> Endpoint:
    """Where the running engine is.

    `folder` defaults to state_folder(). Raises NoEngine if none runs (a leftover file of a dead
    one counts as none) and LinkError if the folder cannot be read or the engine speaks another
    version.
    """
    path = (folder or state_folder()) / FILE_NAME
    try:
        with open(path, "rb") as file:
            text = file.read(MAX_FILE)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise NoEngine("no engine is running") from error
    except OSError as error:
        raise LinkError(f"cannot read {path}: {_reason(error)}") from error
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
        self._lock: FileLock | None = None

    def acquire(self) -> None:
        """Take the lock; raises AlreadyRunning, or LinkError if the folder does not allow it."""
        folder = _ready_folder(self._given)
        lock = FileLock(folder / LOCK_NAME, mode=0o600, thread_local=False)
        try:
            lock.acquire(timeout=LOCK_PATIENCE_S, poll_interval=0.02)
        except Timeout as error:
            raise AlreadyRunning(_already(folder)) from error
        except (OSError, NotImplementedError) as error:
            raise LinkError(f"cannot lock {folder / LOCK_NAME}: {_reason(error)}") from error
        self._lock = lock
        # Whatever stands there is of an engine that is gone.
        with contextlib.suppress(OSError):
            (folder / FILE_NAME).unlink(missing_ok=True)

    def publish(self, port: int, token: str, set_name: str = "") -> None:
        """Write engine.json, readable by this user alone, in one step. Raises LinkError."""
        if self._lock is None:
            raise LinkError("only the engine that holds the lock can say where it is")
        endpoint = Endpoint(port, token, os.getpid(), PROTOCOL, set_name)
        text = json.dumps(asdict(endpoint)).encode()
        path = Path(self._lock.lock_file).with_name(FILE_NAME)
        fresh = path.with_name(FILE_NAME + ".new")
        try:
            fresh.unlink(missing_ok=True)
            handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with open(handle, "wb") as file:
                file.write(text)
            os.replace(fresh, path)
        except OSError as error:
            with contextlib.suppress(OSError):
                fresh.unlink(missing_ok=True)
            raise LinkError(f"cannot write {path}: {_reason(error)}") from error

    def release(self) -> None:
        """Take engine.json away and free the lock; harmless when not held."""
        lock, self._lock = self._lock, None
        if lock is None:
            return
        with contextlib.suppress(OSError):
            Path(lock.lock_file).with_name(FILE_NAME).unlink(missing_ok=True)
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


def _own_folder() -> Path:
    return Path(user_state_dir("companion", appauthor=False)).absolute()


def _ready_folder(given: Path | None) -> Path:
    folder = given or state_folder()
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        mode = stat.S_IMODE(folder.stat().st_mode)
        if os.name == "posix" and mode & 0o077:
            if folder == _own_folder():
                folder.chmod(0o700)
            elif mode & 0o022:
                # Who can write here can put another engine's address in our place. A folder of
                # the user's choosing is his to change.
                raise LinkError(
                    f"others can write to {folder}; choose a folder of your own, or chmod go-w it"
                )
    except FileExistsError as error:
        raise LinkError(f"{folder} is not a folder") from error
    except OSError as error:
        raise LinkError(f"cannot use the folder {folder}: {_reason(error)}") from error
    return folder


def _lock_is_free(path: Path) -> bool:
    if not path.exists():
        return True
    lock = FileLock(path, mode=0o600, thread_local=False)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return False
    except (OSError, NotImplementedError):
        # Cannot tell: whether anyone answers at the port will.
        return False
    lock.release()
    return True


def _already(folder: Path) -> str:
    with contextlib.suppress(OSError, LinkError):
        running = _parse((folder / FILE_NAME).read_bytes(), folder / FILE_NAME)
        return f"an engine is already running: {running.set_name!r}, process {running.pid}"
    return "an engine is already running"


def _parse(text: bytes, path: Path) -> Endpoint:
    try:
        body = json.loads(text)
        version = body["version"]
        found = Endpoint(body["port"], body["token"], body["pid"], version, body["set_name"])
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        if _has_other_version(text):
            raise LinkError(_other_version()) from error
        raise NoEngine(f"{path} cannot be understood; is the engine only just starting?") from error
    if version != PROTOCOL:
        raise LinkError(_other_version())
    whole = type(found.port) is int and 0 < found.port < 65536 and type(found.pid) is int
    if not whole or type(found.token) is not str or type(found.set_name) is not str:
        raise NoEngine(f"{path} cannot be understood; is the engine only just starting?")
    return found


def _has_other_version(text: bytes) -> bool:
    with contextlib.suppress(ValueError, TypeError, KeyError, RecursionError):
        return bool(json.loads(text)["version"] != PROTOCOL)
    return False


def _other_version() -> str:
    return "the running engine is of another version of companion; stop it and start it again"


def _reason(error: Exception) -> str:
    words = error.strerror if isinstance(error, OSError) else None
    return (words or str(error)).lower()
