"""The user's state folder, and where to turn while nothing can be written there.

A full disk or a folder that became read-only must not end a show: what an engine has to write is
little, and memory takes it too. A spare folder is lost with the power, and belongs to one state
folder, so that engines with folders of their own stay apart.
"""

from __future__ import annotations

import contextlib
import hashlib
import mmap
import os
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from platformdirs import user_runtime_dir, user_state_dir

from companion.link.messages import LinkError

OVERRIDE = "COMPANION_STATE_DIR"
# Flags that Windows has not.
_ONLY_ITSELF = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
_FOLDER = getattr(os, "O_DIRECTORY", 0)


class Unwritable(LinkError):
    """Nothing can be written there, for no fault of whoever chose the folder."""


class NotOwn(OSError):
    """A folder or file that is not this user's own, or that others can write to."""


def state_folder() -> Path:
    """The folder of everything that is kept; COMPANION_STATE_DIR overrides the system's."""
    override = os.environ.get(OVERRIDE)
    return Path(override).absolute() if override else _own_folder()


def folders(given: Path | None = None) -> tuple[Path, ...]:
    """The state folder, or the one `given` for it, and its spares, the best first."""
    first = given or state_folder()
    digest = hashlib.sha256(os.fsencode(first.absolute())).hexdigest()[:12]
    name = f"companion-{_user()}-{digest}"
    return first, *(root / name for root in _spare_roots())


def make_ready(folder: Path, *, spare: bool) -> None:
    """Make `folder` if need be, and see that it is the user's own.

    Raises Unwritable if it cannot be made or is not to be trusted, LinkError if it is no folder.
    """
    try:
        folder.mkdir(mode=0o700, parents=not spare, exist_ok=True)
        # A link to elsewhere is none, either.
        if spare and not is_own(folder):
            raise NotOwn(f"{folder} is not a folder of this user's")
        if os.name == "posix" and folder == _own_folder() and folder.stat().st_uid == os.getuid():
            folder.chmod(0o700)
        with _opened_folder(folder):
            pass
    except (FileExistsError, NotADirectoryError) as error:
        raise LinkError(f"{folder} is not a folder") from error
    except OSError as error:
        raise Unwritable(f"cannot use the folder {folder}: {reason(error)}") from error


def read_own(path: Path, most: int) -> bytes:
    """The first `most` bytes of a file that this user alone can have written.

    What is looked at is what was opened: who owns it and who may write it cannot change between.
    Raises NotOwn for one of which that is not known, or whose folder is not so, and OSError.
    """
    with _opened_folder(path.parent) as folder:
        # Not waiting for whoever is to write into a pipe that was put there, nor through a link.
        name = path if folder is None else path.name
        with open(os.open(name, os.O_RDONLY | _ONLY_ITSELF, dir_fd=folder), "rb") as file:
            _must_be_own(file.fileno(), path, stat.S_ISREG)
            return file.read(most)


def write_own(path: Path, body: bytes, *, to_disk: bool = False) -> None:
    """Write a file in one step, readable by this user alone, in a folder that is.

    `to_disk` waits until the disk itself has it. Raises NotOwn and OSError, and leaves what was.
    """
    with _opened_folder(path.parent) as folder:
        name = path if folder is None else Path(path.name)
        fresh = name.with_name(name.name + ".new")
        with contextlib.suppress(FileNotFoundError):
            os.unlink(fresh, dir_fd=folder)
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | _ONLY_ITSELF
            with open(os.open(fresh, flags, 0o600, dir_fd=folder), "wb") as file:
                file.write(body)
                file.flush()
                if to_disk:
                    os.fsync(file.fileno())
            os.replace(fresh, name, src_dir_fd=folder, dst_dir_fd=folder)
        except OSError:
            with contextlib.suppress(OSError):
                os.unlink(fresh, dir_fd=folder)
            raise


def map_own(path: Path, size: int) -> mmap.mmap:
    """A file of `size` bytes, readable by this user alone, mapped into memory to be written.

    What it held is gone. Its room on the disk is taken at once. Raises NotOwn and OSError.
    """
    with _opened_folder(path.parent) as folder:
        name = path if folder is None else Path(path.name)
        with contextlib.suppress(FileNotFoundError):
            os.unlink(name, dir_fd=folder)
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | _ONLY_ITSELF
        handle = os.open(name, flags, 0o600, dir_fd=folder)
        try:
            # Written out: a hole in the file would be filled when it is too late to hear of it.
            zeros = bytes(size)
            while zeros:
                zeros = zeros[os.write(handle, zeros) :]
            return mmap.mmap(handle, size)
        except OSError:
            with contextlib.suppress(OSError):
                os.unlink(name, dir_fd=folder)
            raise
        finally:
            os.close(handle)


def is_own(folder: Path) -> bool:
    """Whether `folder` is there, this user's, and nobody else's to write or read."""
    try:
        found = folder.lstat()
    except OSError:
        return False
    if not stat.S_ISDIR(found.st_mode):
        return False
    if sys.platform == "win32":
        return True
    return found.st_uid == os.getuid() and not found.st_mode & 0o077


def reason(error: Exception) -> str:
    """What went wrong, in the system's words or our own."""
    words = error.strerror if isinstance(error, OSError) else None
    return words.lower() if words else str(error)


@contextlib.contextmanager
def _opened_folder(folder: Path) -> Iterator[int | None]:
    """A folder in which this user alone can write, opened; None where folders cannot be (Windows).

    Raises NotOwn and OSError.
    """
    if sys.platform == "win32":
        yield None
        return
    handle = os.open(folder, os.O_RDONLY | _FOLDER)
    try:
        _must_be_own(handle, folder, stat.S_ISDIR)
        yield handle
    finally:
        os.close(handle)


def _must_be_own(handle: int, path: Path, is_kind: Callable[[int], bool]) -> None:
    found = os.fstat(handle)
    if not is_kind(found.st_mode):
        raise NotOwn(f"{path} is not what it should be, and is left alone")
    if sys.platform == "win32":
        return
    if found.st_uid != os.getuid():
        raise NotOwn(f"{path} is another user's, and is left alone")
    if found.st_mode & 0o022:
        raise NotOwn(f"others can write to {path}, so it is left alone; chmod go-w makes it good")


def _own_folder() -> Path:
    return Path(user_state_dir("companion", appauthor=False)).absolute()


def _user() -> str:
    return "user" if sys.platform == "win32" else str(os.getuid())


def _spare_roots() -> list[Path]:
    """Folders on another disk, or in memory."""
    if sys.platform == "linux":
        # XDG Base Directory Specification: the first is the user's own and lives in memory.
        runtime = os.environ.get("XDG_RUNTIME_DIR")
        return [Path(root) for root in (runtime, "/dev/shm") if root]
    return [Path(user_runtime_dir("companion", appauthor=False)).parent]
