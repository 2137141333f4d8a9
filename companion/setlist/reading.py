"""Reads a set-list file, or one of controls: the one way in, all faults at once.

What the faults are is elsewhere.
"""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any, cast

from companion.setlist.build import build, build_controls
from companion.setlist.check import (
    check_boundaries,
    check_clashes,
    check_shape,
    check_shape_of,
    combined,
)
from companion.setlist.faults import MOST_FAULTS, Fault, SetListError
from companion.setlist.forms import ControlsForm
from companion.setlist.model import Binding, SetList
from companion.setlist.report import Report
from companion.setlist.text import count
from companion.setlist.yamltree import Lines, Mapping, Places, Scalar, parse_mended, plain

# More parts than a night has; docs/setlist.md.
MOST_PARTS = 2_000
MAX_BYTES = 4_000_000
_NO_SET = SetList("", (), ())


@dataclass(frozen=True, slots=True)
class _Sort:
    """What a file is meant to be, in words, and what to do if it is not."""

    called: str
    file: str
    begins: str
    empty: str


_SET = _Sort(
    "set list",
    "set-list file",
    "it begins with `set:` and the name of the set",
    "start from a copy of one in `setlists/`",
)
_CONTROLS = _Sort(
    "file of controls",
    "file of controls",
    "it begins with `controls:`",
    "begin with `controls:` and a list under it",
)

# What YAML allows in a file: no control characters but tab and line ends, no half characters.
_NOT_TEXT = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def read_set_list(path: Path) -> SetList:
    """The set list in the file at `path`. Raises SetListError with every fault."""
    return read_with_places(path)[0]


def read_with_places(path: Path) -> tuple[SetList, Places]:
    """The set list in the file at `path`, and where things stand in it. Raises SetListError."""
    return _read(_text(path, _SET), path)


def read_text(text: str, name: str) -> SetList:
    """The set list in `text`, called `name` in faults. Raises SetListError with every fault."""
    return _read(text, Path(name))[0]


def read_controls(path: Path, setlist: SetList | None = None) -> tuple[Binding, ...]:
    """The presses in a file that has nothing but `controls:`. Raises SetListError.

    With `setlist` they are checked against its parts and its music too.
    """
    return _read_controls(_text(path, _CONTROLS), path, setlist)


def with_controls(setlist: SetList, path: Path) -> SetList:
    """The set list with the presses in the file at `path`, which win over its own where they clash.

    Raises SetListError.
    """
    controls = combined(read_controls(path, setlist), setlist.controls)
    return replace(setlist, controls=controls)


def _text(path: Path, sort: _Sort) -> str:
    """The file's text. Raises SetListError."""
    try:
        # Not waiting for whoever is to write into a pipe.
        with open(os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0)), "rb") as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                raise _error(path, "this is a pipe or a device", f"name a {sort.file}")
            # One byte more than allowed tells a long file without reading all of it.
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise _error(path, "there is no such file", "check the name and the folder") from None
    except IsADirectoryError:
        raise _error(path, "this is a folder", f"name the {sort.file} in it") from None
    except PermissionError:
        if path.is_dir():
            raise _error(path, "this is a folder", f"name the {sort.file} in it") from None
        raise _error(path, "this file may not be read", "allow yourself to read it") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "its name will not do"
        raise _error(
            path, f"this file cannot be read ({why})", "check the disk and the name"
        ) from None
    if len(data) > MAX_BYTES:
        right = f"a {sort.called} has at most {MAX_BYTES // 1_000_000} MB"
        raise _error(path, "this file is too long", right)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        sound = data[: error.start].decode("utf-8")
        spot = Lines(sound).spot(len(sound))
        if b"\0" in data:
            raise _error(
                path, "this is no text file", f"name a {sort.called}, which is text"
            ) from None
        fault = Fault(*spot, "this is not UTF-8 text", "save the file as UTF-8")
        raise SetListError(path, [fault]) from None


def _error(path: Path, wrong: str, right: str) -> SetListError:
    return SetListError(path, [Fault(1, 1, wrong, right)])


def _read(text: str, path: Path) -> tuple[SetList, Places]:
    read = _tree(text, path, _SET)
    if (parts := _parts(read.data)) > MOST_PARTS:
        # Nobody plays so many in a night, and each would be looked at in full.
        wrong = f"this set list has {parts} parts"
        read.report.key(("songs",), wrong, f"a set list has at most {MOST_PARTS}")
        read.finish(path)
    form = check_shape(read.data, read.report)
    setlist, paths = build(form, read.report)
    check_boundaries(setlist, paths, read.report)
    read.finish(path)
    return setlist, read.report.places


def _parts(data: dict[str, Any]) -> int:
    """How many parts a file that nobody has looked at yet has, each as often as it is played."""
    songs = data.get("songs")
    return sum(map(_parts_in, songs)) if isinstance(songs, list) else 0


def _parts_in(block: object) -> int:
    """How many parts stand in a song or a `repeat`; 1 for a part itself."""
    parts = block.get("parts") if isinstance(block, dict) else None
    if not isinstance(block, dict) or not isinstance(parts, list):
        return int(isinstance(block, dict) and "song" not in block)
    times = count(str(block.get("repeat", "1")).strip())
    return (1 if times is None else times) * sum(map(_parts_in, parts))


def _read_controls(text: str, path: Path, setlist: SetList | None) -> tuple[Binding, ...]:
    read = _tree(text, path, _CONTROLS)
    form = check_shape_of(ControlsForm, read.data, read.report)
    placed = build_controls(
        form.controls, read.report, None if setlist is None else len(setlist.parts)
    )
    check_clashes(placed, setlist or _NO_SET, read.report)
    read.finish(path)
    return tuple(binding for binding, _ in placed)


@dataclass(frozen=True, slots=True)
class _Tree:
    """A file that is a mapping: its data, to be checked, and the faults found so far."""

    data: dict[str, Any]
    report: Report
    faults: list[Fault]
    muted: frozenset[int]

    def finish(self, path: Path) -> None:
        """Raise SetListError if anything was wrong."""
        found = [fault for fault in self.report.faults if fault.line not in self.muted]
        faults = [*self.faults, *found]
        if faults or self.report.faults:
            raise SetListError(path, faults or self.report.faults)


def _tree(text: str, path: Path, sort: _Sort) -> _Tree:
    """The mapping in `text`. Raises SetListError if there is none."""
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        raise _error(path, "this is no text file", f"name a {sort.called}, which is text")
    lines = Lines(text)
    strange = [
        Fault(
            *lines.spot(match.start()),
            f"the character U+{ord(match[0]):04X} cannot be in a {sort.called}",
            "take it out",
        )
        for match in islice(_NOT_TEXT.finditer(text), MOST_FAULTS + 1)
    ]
    if len(strange) > MOST_FAULTS:
        # What so much of is not text is not read as text.
        raise SetListError(path, strange[:-1], len(_NOT_TEXT.findall(text)) - MOST_FAULTS)
    if strange:
        text = _NOT_TEXT.sub("?", text)
    parsed = parse_mended(text)
    faults = [*strange, *parsed.faults]
    muted = parsed.muted | {fault.line for fault in strange}
    root = parsed.root
    if root is None or (isinstance(root, Scalar) and root.text is None):
        if not faults:
            raise _error(path, f"this {sort.called} is empty", sort.empty)
        raise SetListError(path, faults)
    if not isinstance(root, Mapping):
        if not faults:
            faults = [Fault(root.line, root.column, f"this is no {sort.called}", sort.begins)]
        raise SetListError(path, faults)
    report = Report(Places(root), parsed.whole)
    return _Tree(cast(dict[str, Any], plain(root)), report, faults, muted)
