"""A file of controls that is read, changed and written as a whole or not at all.

What becomes of its text is worked out in `controlwriting`.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from companion.cli.exits import Refused
from companion.engine.matching import matches
from companion.setlist.clashes import MOST_BINDINGS
from companion.setlist.controls import Ask, Binding
from companion.setlist.controlwriting import (
    NoRoom,
    added,
    entry,
    fresh,
    is_empty,
    replaced,
    rewished,
)
from companion.setlist.faults import SetListError
from companion.setlist.reading import MAX_BYTES, read_controls

_BOM = "\ufeff"


@dataclass(frozen=True, slots=True)
class Change:
    """What a new binding means for a file: how its text and its bindings are afterwards.

    `instead` is the binding it replaces, None for none; `behind` one that fits the same press, but
    comes after it; `rival` one it cannot share the press with, and then nothing else is to be had.
    """

    text: str
    bindings: tuple[Binding, ...]
    instead: Binding | None = None
    behind: Binding | None = None
    rival: Binding | None = None


@dataclass(frozen=True, slots=True)
class ControlFile:
    """A file of controls as it was read; `text` is None where there is none yet."""

    path: Path
    text: str | None
    bindings: tuple[Binding, ...]

    def with_one(self, new: Binding, port: str) -> Change:
        """What `new`, learned from the port of that name, makes of it. Raises NoRoom."""
        text, old = self.text, self.bindings
        if text is None:
            return Change(fresh(new), (new,))
        fitting = {at: b for at, b in enumerate(old) if _fits(b, new, port)}
        for other in fitting.values():
            short = other if new.press.long else new
            if other.press.long != new.press.long and _acts_at_once(short):
                return Change(text, old, rival=other)
        alike = {at: b for at, b in fitting.items() if b.press.long == new.press.long}
        for at, other in alike.items():
            if other.press.same(new.press):
                # Its press stays as it was written, if it is the same in all.
                kept = other.press.toggle == new.press.toggle
                now = Binding(other.press, new.wish) if kept else new
                out = rewished(text, at, new.wish) if kept else replaced(text, at, new)
                if now == other:
                    out = text
                return Change(out, (*old[:at], now, *old[at + 1 :]), instead=other)
        # Of those that say as much of a press, the first in the file is obeyed.
        first = next(
            (
                at
                for at, b in alike.items()
                if b.press.port is not None and b.press.address.channel is not None
            ),
            None,
        )
        behind = next(iter(alike.values()), None)
        return Change(added(text, new, first), (*old, new), behind=behind)

    def write(self, change: Change) -> None:
        """Put the changed text in place, once it has been read again.

        Raises Refused; NoRoom if it would not say what it should.
        """
        if len(change.bindings) > MOST_BINDINGS:
            raise Refused(f"{self.path} has {MOST_BINDINGS} controls already; take one out first")
        path = self.path.resolve()
        trial = path.with_name(f".{path.name}.{os.getpid()}.new")
        body = change.text
        if self.text is not None and _raw(path).startswith(_BOM):
            body = _BOM + body
        try:
            try:
                handle = os.open(trial, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
                with open(handle, "wb") as file:
                    file.write(body.encode())
                    file.flush()
                    os.fsync(handle)
                if set(read_controls(trial)) != set(change.bindings):
                    raise NoRoom
                if self.text is not None:
                    shutil.copymode(path, trial)
                os.replace(trial, path)
            finally:
                with contextlib.suppress(OSError):
                    trial.unlink(missing_ok=True)
        except OSError as error:
            why = error.strerror or str(error)
            raise Refused(f"{self.path} cannot be written ({why}); it is as it was") from error
        except SetListError as error:
            raise NoRoom from error


def read_control_file(path: Path) -> ControlFile:
    """The file at `path`, which need not be there. Raises SetListError, or Refused."""
    folder = path.resolve().parent
    if not folder.is_dir():
        raise Refused(f"there is no folder {folder}; make it first, or name another file")
    if not os.access(folder, os.W_OK):
        raise Refused(f"nothing may be written into the folder {folder}; name a file elsewhere")
    if not path.resolve().exists():
        return ControlFile(path, None, ())
    if not (path.is_file() or path.is_dir()):
        raise Refused(f"{path} is no file; name one, or one that is not there yet")
    try:
        text = _raw(path).removeprefix(_BOM) if path.stat().st_size <= MAX_BYTES else "?"
    except (OSError, UnicodeDecodeError):
        # What is wrong with it is said in the words for any file of controls.
        text = ""
    else:
        if is_empty(text):
            return ControlFile(path, text, ())
    return ControlFile(path, text, read_controls(path))


def by_hand(path: Path, binding: Binding) -> str:
    """What to say where the text of a file leaves no room for a binding."""
    return f"{path} is written in a way that only you can add to; put this in: - {entry(binding)}"


def _raw(path: Path) -> str:
    return path.read_bytes().decode("utf-8")


def _fits(old: Binding, new: Binding, port: str) -> bool:
    """Whether the press that was made for `new` on `port` fits `old` as well."""
    glob = old.press.port
    return old.press.address.meets(new.press.address) and (glob is None or matches(glob, port))


def _acts_at_once(short: Binding) -> bool:
    """Whether it acts at the moment of the press, so that no longer one can be waited for."""
    return short.press.toggle or short.wish.ask is Ask.FILL
