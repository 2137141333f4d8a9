"""The nodes of a read file: plain text in lists and mappings, each with its position from 1."""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, eq=False)
class Scalar:
    """A piece of text, or None for an empty one.

    `inset` is how many characters lie between its position and its text (1 for a quote), None if
    the text is not written out in one piece there (escapes, folded lines).
    """

    line: int
    column: int
    text: str | None
    inset: int | None = None
    size: int = 1
    height: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Listing:
    """A list."""

    line: int
    column: int
    items: tuple[Node, ...]
    size: int
    height: int


@dataclass(frozen=True, slots=True, eq=False)
class Mapping:
    """Keys and values in the order of the file, merged ones (`<<`) first."""

    line: int
    column: int
    entries: dict[str, Entry]
    size: int
    height: int


Node = Scalar | Listing | Mapping


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """A value in a mapping and the position of its key."""

    line: int
    column: int
    node: Node


class Lines:
    """Finds line and column (from 1) of a character index; lines end at LF, CR or CRLF."""

    def __init__(self, text: str) -> None:
        self._starts = [0, *(match.end() for match in re.finditer(r"\r\n|\n|\r", text))]
        self._text = text

    def spot(self, index: int) -> tuple[int, int]:
        """Line and column of the character at `index`, kept inside the text."""
        index = max(0, min(index, len(self._text)))
        line = bisect_right(self._starts, index)
        return line, index - self._starts[line - 1] + 1

    def bounds(self, line: int) -> tuple[int, int]:
        """Where `line` (from 1) begins and ends, its line end left out."""
        start = self._starts[line - 1]
        end = self._starts[line] if line < len(self._starts) else len(self._text)
        return start, start + len(self._text[start:end].rstrip("\r\n"))


def inset(text: str, start: int = 0) -> int:
    """How many spaces stand at `start`, where a line begins."""
    end = start
    while text[end : end + 1] == " ":
        end += 1
    return end - start


def plain(node: Node | None) -> object:
    """The tree as fresh dicts, lists, text and None. Depth is limited, so recursion is safe."""
    match node:
        case Mapping():
            return {key: plain(entry.node) for key, entry in node.entries.items()}
        case Listing():
            return [plain(item) for item in node.items]
        case Scalar():
            return node.text
        case None:
            return None
