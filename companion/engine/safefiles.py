"""Small files kept safe in the state folder, or in a spare one while that cannot be written to.

A spare stands for a crash, not for a power cut: what it holds is written to the state folder as
soon as that takes anything again.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path

from companion.link.folders import make_ready, reason, trusted
from companion.link.messages import LinkError


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
            _write(self._folder / name, body, to_disk=to_disk)
        except OSError as error:
            if not self._spare(name, body):
                raise
            self._spared[name] = body
            self.trouble = reason(error)
            return
        self._spared.pop(name, None)
        with contextlib.suppress(OSError):
            for each in list(self._spared):
                _write(self._folder / each, self._spared[each], to_disk=True)
                del self._spared[each]
        if not self._spared:
            self.trouble = ""

    def take_away(self, names: Sequence[str]) -> None:
        """Leave nothing of these behind."""
        for folder in trusted((self._folder, *self._spares)):
            for name in names:
                with contextlib.suppress(OSError):
                    (folder / name).unlink(missing_ok=True)

    def paths(self, name: str) -> list[Path]:
        """Where a file of this name may be; there may be an older one besides the latest."""
        return [folder / name for folder in trusted((self._folder, *self._spares))]

    def _spare(self, name: str, body: bytes) -> bool:
        for spare in self._spares:
            with contextlib.suppress(OSError, LinkError):
                make_ready(spare, spare=True)
                _write(spare / name, body, to_disk=False)
                return True
        return False


def _write(path: Path, body: bytes, *, to_disk: bool) -> None:
    fresh = path.with_name(path.name + ".new")
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with open(handle, "wb") as file:
        file.write(body)
        file.flush()
        if to_disk:
            os.fsync(handle)
    os.replace(fresh, path)
