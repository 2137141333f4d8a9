"""Rows of inked text: the values that drawing makes and the sheet shows.

An ink is (text, role); a role is a class of the style sheet, which alone knows colours.
"""

from __future__ import annotations

from collections.abc import Iterable
from textwrap import wrap

Ink = tuple[str, str]
Row = tuple[Ink, ...]

# Before what is not as planned; nothing else has it.
AMISS = "! "

ROLES = (
    "ground",
    "far",
    "near",
    "imminent",
    "now",
    "dim",
    "fact",
    "strong",
    "text",
    "soon",
    "quiet",
    "spent",
    "alarm",
    "note",
    "note-head",
    "steady",
    "chance",
    "rare",
    "here",
    "here-steady",
    "here-rare",
    "here-quiet",
)


class Canvas:
    """A rectangle of one ground role on which texts of other roles are put."""

    def __init__(self, width: int, height: int, ground: str = "ground") -> None:
        self._width = width
        self._ground = ground
        self._marks: list[list[tuple[int, str, str]]] = [[] for _ in range(height)]

    def put(self, left: int, row: int, text: str, role: str) -> None:
        """Put one line of text; what falls outside is dropped, what was there stays on top."""
        if text and 0 <= row < len(self._marks) and 0 <= left < self._width:
            self._marks[row].append((left, text[: self._width - left], role))

    def block(self, left: int, row: int, lines: Iterable[str], role: str) -> None:
        """Put lines under one another."""
        for i, line in enumerate(lines):
            self.put(left, row + i, line, role)

    def rows(self) -> list[Row]:
        """The rows, each exactly as wide as the canvas."""
        return [self._row(sorted(marks)) for marks in self._marks]

    def _row(self, marks: list[tuple[int, str, str]]) -> Row:
        inks: list[Ink] = []
        at = 0
        for left, text, role in marks:
            if left > at:
                inks.append((" " * (left - at), self._ground))
            if left + len(text) > at:
                inks.append((text[max(0, at - left) :], role))
                at = left + len(text)
        if at < self._width:
            inks.append((" " * (self._width - at), self._ground))
        return tuple(inks)


def cut(text: str, width: int) -> str:
    """`text`, ended with an ellipsis where it is longer than `width`.

    No number is parted: what is left of it would be another one.
    """
    if len(text) <= width:
        return text
    end = max(0, width - 1)
    while end > 0 and text[end - 1].isdigit() and text[end].isdigit():
        end -= 1
    return text[:end] + "…"


def fold(text: str, width: int, height: int) -> list[str]:
    """`text` wrapped to `width` on at most `height` lines, the last one cut if need be."""
    lines = wrap(text, max(8, width)) or [""]
    if len(lines) > height:
        lines = [*lines[: height - 1], cut(" ".join(lines[height - 1 :]), width)]
    return lines


def blank(height: int) -> list[Row]:
    """Rows with nothing in them."""
    return [()] * height
