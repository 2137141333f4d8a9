"""Reads a set-list file: the one way in, all faults at once. What the faults are is elsewhere."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, cast

from companion.setlist.boundaries import check_boundaries
from companion.setlist.building import build
from companion.setlist.faults import Fault, SetListError
from companion.setlist.mending import parse_mended
from companion.setlist.model import SetList
from companion.setlist.nodes import Lines, Mapping, plain
from companion.setlist.places import Places
from companion.setlist.report import Report
from companion.setlist.shape import check_shape

MAX_BYTES = 4_000_000

# What YAML allows in a file: no control characters but tab and line ends, no half characters.
_NOT_TEXT = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def read_set_list(path: Path) -> SetList:
    """The set list in the file at `path`. Raises SetListError with every fault."""
    return read_with_places(path)[0]


def read_with_places(path: Path) -> tuple[SetList, Places]:
    """The set list in the file at `path`, and where things stand in it. Raises SetListError."""
    return _read(_text(path), path)


def read_text(text: str, name: str) -> SetList:
    """The set list in `text`, called `name` in faults. Raises SetListError with every fault."""
    return _read(text, Path(name))[0]


def _text(path: Path) -> str:
    """The file's text. Raises SetListError."""
    try:
        # One byte more than allowed tells a long file without reading all of it.
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise _error(path, "there is no such file", "check the name and the folder") from None
    except IsADirectoryError:
        raise _error(path, "this is a folder", "name the set-list file in it") from None
    except PermissionError:
        if path.is_dir():
            raise _error(path, "this is a folder", "name the set-list file in it") from None
        raise _error(path, "this file may not be read", "allow yourself to read it") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "its name will not do"
        raise _error(
            path, f"this file cannot be read ({why})", "check the disk and the name"
        ) from None
    if len(data) > MAX_BYTES:
        right = f"a set list has at most {MAX_BYTES // 1_000_000} MB"
        raise _error(path, "this file is too long", right)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        sound = data[: error.start].decode("utf-8")
        spot = Lines(sound).spot(len(sound))
        if b"\0" in data:
            raise _error(path, "this is no text file", "name a set list, which is text") from None
        fault = Fault(*spot, "this is not UTF-8 text", "save the file as UTF-8")
        raise SetListError(path, [fault]) from None


def _error(path: Path, wrong: str, right: str) -> SetListError:
    return SetListError(path, [Fault(1, 1, wrong, right)])


def _read(text: str, path: Path) -> tuple[SetList, Places]:
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        raise _error(path, "this is no text file", "name a set list, which is text")
    lines = Lines(text)
    strange = [
        Fault(
            *lines.spot(match.start()),
            f"the character U+{ord(match[0]):04X} cannot be in a set list",
            "take it out",
        )
        for match in _NOT_TEXT.finditer(text)
    ]
    if strange:
        text = _NOT_TEXT.sub("?", text)
    parsed = parse_mended(text)
    faults = [*strange, *parsed.faults]
    muted = parsed.muted | {fault.line for fault in strange}
    if parsed.root is None or plain(parsed.root) is None:
        if not faults:
            raise _error(path, "this set list is empty", "start from `companion new FILE`")
        raise SetListError(path, faults)
    if not isinstance(parsed.root, Mapping):
        if not faults:
            right = "it begins with `set:` and the name of the set"
            faults = [Fault(parsed.root.line, parsed.root.column, "this is no set list", right)]
        raise SetListError(path, faults)
    places = Places(parsed.root)
    report = Report(places, parsed.whole)
    form = check_shape(cast(dict[str, Any], plain(parsed.root)), report)
    setlist, paths = build(form, report)
    check_boundaries(setlist, paths, report)
    faults += [fault for fault in report.faults if fault.line not in muted]
    if faults or report.faults:
        raise SetListError(path, faults or report.faults)
    return setlist, places
