"""The set list that is played, kept as it was read, so that an engine can go on from its place.

While it plays its file may be saved anew, whole or broken. Whoever takes up the place of an engine
that was killed needs the set that the place belongs to.
"""

from __future__ import annotations

import json
import pickle
from collections.abc import Sequence
from pathlib import Path

import companion
from companion.link.folders import trusted
from companion.setlist.model import SetList

FILE_NAME = "set.kept"
# The greatest set list that is read at all takes about a tenth of this.
MAX_FILE = 1 << 28


def packed(setlist: SetList, set_file: str, digest: str) -> bytes:
    """What is written: a line that says what it is, and the set."""
    head = {"version": companion.__version__, "file": set_file, "set": digest}
    return json.dumps(head).encode() + b"\n" + pickle.dumps(setlist)


def find_kept(folders: Sequence[Path], set_file: str) -> tuple[SetList, str] | None:
    """The set kept in one of `folders` that was read from `set_file`, with its digest, if any is.

    The first folder is the state folder, the others its spares; the latest written counts.
    """
    found = [folder / FILE_NAME for folder in trusted(folders)]
    for path in sorted(filter(Path.is_file, found), key=_written_ns, reverse=True):
        kept = _read(path, set_file)
        if kept is not None:
            return kept
    return None


def _written_ns(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def _read(path: Path, set_file: str) -> tuple[SetList, str] | None:
    try:
        with open(path, "rb") as file:
            head = json.loads(file.readline(1 << 16))
            if (head["version"], head["file"]) != (companion.__version__, set_file):
                return None
            # Trusted as the link's token is: this user alone writes in the state folder.
            setlist = pickle.loads(file.read(MAX_FILE))
            return (setlist, str(head["set"])) if isinstance(setlist, SetList) else None
    except Exception:
        # Whatever is wrong with it, there is nothing to go on with.
        return None
