"""The user's state folder, and where to turn while nothing can be written there.

A full disk or a folder that became read-only must not end a show: what an engine has to write is
little, and memory takes it too. A spare folder is lost with the power, and belongs to one state
folder, so that engines with folders of their own stay apart.
"""

from __future__ import annotations

import hashlib
import os
import stat
import sys
from collections.abc import Sequence
from pathlib import Path

from platformdirs import user_runtime_dir, user_state_dir

from companion.link.messages import LinkError

OVERRIDE = "COMPANION_STATE_DIR"


class Unwritable(LinkError):
    """Nothing can be written there, for no fault of whoever chose the folder."""


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

    Raises Unwritable if it cannot be made, LinkError if it is not to be trusted or no folder.
    """
    try:
        folder.mkdir(mode=0o700, parents=not spare, exist_ok=True)
        # A link to elsewhere is none, either.
        if spare and not is_own(folder):
            raise LinkError(f"{folder} is not a folder of this user's")
        mode = stat.S_IMODE(folder.stat().st_mode)
        if os.name == "posix" and mode & 0o077 and not spare:
            if folder == _own_folder():
                folder.chmod(0o700)
            elif mode & 0o022:
                # Who can write here can put another engine's address in our place. A folder of
                # the user's choosing is his to change.
                raise LinkError(
                    f"others can write to {folder}; choose a folder of your own, or chmod go-w it"
                )
    except (FileExistsError, NotADirectoryError) as error:
        raise LinkError(f"{folder} is not a folder") from error
    except OSError as error:
        raise Unwritable(f"cannot use the folder {folder}: {reason(error)}") from error


def trusted(folders: Sequence[Path]) -> list[Path]:
    """Those of a state folder and its spares in which this user alone can have written.

    In a spare of somebody else's anything might stand.
    """
    first, *spares = folders
    return [first, *filter(is_own, spares)]


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
    """What went wrong, in the system's words."""
    words = error.strerror if isinstance(error, OSError) else None
    return (words or str(error)).lower()


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
