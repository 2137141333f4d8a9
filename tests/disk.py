"""Disks that take nothing more, and files that are somebody else's."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

# Nobody's number on Debian (base-passwd, from memory); any but the user's own would do.
SOMEBODY_ELSE = 65534


class Disk:
    """Takes nothing more in a folder and below, whoever asks (chmod does not hold for root)."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder = folder
        # What a write says, and whether names can be taken away still.
        self.errno = 0
        self.keeps_names = False
        real_open, real_unlink = os.open, os.unlink

        def opened(path: Any, flags: int, *words: Any, **more: Any) -> int:
            if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
                self._refuse(_whole(path, more.get("dir_fd")))
            return real_open(path, flags, *words, **more)

        def unlinked(path: Any, **more: Any) -> None:
            whole = _whole(path, more.get("dir_fd"))
            if self.keeps_names and whole.exists():
                self._refuse(whole)
            real_unlink(path, **more)

        monkeypatch.setattr(os, "open", opened)
        monkeypatch.setattr(os, "unlink", unlinked)

    def becomes_full(self) -> None:
        self.errno = errno.ENOSPC

    def becomes_read_only(self) -> None:
        self.errno, self.keeps_names = errno.EROFS, True

    def is_well_again(self) -> None:
        self.errno = 0

    def _refuse(self, path: Path) -> None:
        if self.errno and path.is_relative_to(self.folder):
            raise OSError(self.errno, os.strerror(self.errno))


def _whole(path: Any, folder: int | None) -> Path:
    """The whole path of what is named within an opened folder."""
    return Path(path) if folder is None else Path(os.readlink(f"/proc/self/fd/{folder}"), path)


def given_away(path: Path) -> None:
    """Make a file or folder another user's; skips the test where only root may do that."""
    try:
        os.chown(path, SOMEBODY_ELSE, SOMEBODY_ELSE)
    except PermissionError:
        pytest.skip("only root can give a file away")
