"""Rows of inked text, large figures and letters, and the widget that all views are drawn on.

An ink is (text, role); a role is a class of the style sheet, which alone knows colours. Large text
is drawn with half-block characters, as large as a space allows. The widget repaints only the rows
that changed. What to say, and where, belongs elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import ClassVar
from unicodedata import combining, normalize

from rich.segment import Segment
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from companion.screen.layout import letter_gap

Ink = tuple[str, str]
Row = tuple[Ink, ...]

# Before what is not as planned; nothing else has it.
AMISS = "! "

ROLES = (
    "ground",
    "far",
    "still",
    "near",
    "imminent",
    "now",
    "fact",
    "strong",
    "text",
    "soon",
    "amiss",
    "quiet",
    "spent",
    "alarm",
    "note",
    "note-head",
    "steady",
    "chance",
    "rare",
    "here",
    "here-chance",
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


def cut(text: str, width: int, measure: Callable[[str], int] = len) -> str:
    """`text`, ended with an ellipsis where it is wider than `width`, a column a letter or as given.

    No number is parted: what is left of it would be another one.
    """
    if measure(text) <= width:
        return text
    end = len(text)
    while end > 0 and (
        measure(text[:end] + "…") > width
        or (end < len(text) and text[end - 1].isdigit() and text[end].isdigit())
    ):
        end -= 1
    return text[:end] + "…"


def fold(text: str, width: int, height: int, measure: Callable[[str], int] = len) -> list[str]:
    """`text` wrapped to `width` on at most `height` lines, the last one cut if need be."""
    lines = [""]
    for word in text.split():
        joined = f"{lines[-1]} {word}" if lines[-1] else word
        if measure(joined) <= width or not lines[-1]:
            lines[-1] = joined
        else:
            lines.append(word)
        # A word wider than a line goes on in the next one.
        while len(lines[-1]) > 1 and measure(lines[-1]) > width:
            end = len(lines[-1]) - 1
            while end > 1 and measure(lines[-1][:end]) > width:
                end -= 1
            lines[-1:] = [lines[-1][:end], lines[-1][end:]]
    if len(lines) > height:
        lines = [*lines[: height - 1], cut(" ".join(lines[height - 1 :]), width, measure)]
    return lines


def parted(row: Row, column: int) -> tuple[Row, Row]:
    """A row before that column and from it on."""
    before: list[Ink] = []
    after: list[Ink] = []
    at = 0
    for text, role in row:
        split = max(0, min(len(text), column - at))
        before += [(text[:split], role)] if split else []
        after += [(text[split:], role)] if split < len(text) else []
        at += len(text)
    return tuple(before), tuple(after)


def blank(height: int) -> list[Row]:
    """Rows with nothing in them."""
    return [()] * height


# Names come from people's files; a control character in one must not reach the terminal.
HARMLESS = dict.fromkeys([*range(32), *range(127, 160)], " ")


class Sheet(Widget):
    """Shows rows it is given; each ink's role is a component class `sheet--ROLE`."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"sheet--{role}" for role in ROLES}
    ALLOW_SELECT = False

    def __init__(self) -> None:
        super().__init__()
        self._rows: list[Row] = []

    def show(self, rows: Sequence[Row]) -> None:
        """Show `rows`; rows equal to those already shown are left alone."""
        before, self._rows = self._rows, list(rows)
        changed = [
            i
            for i in range(max(len(before), len(rows)))
            if i >= len(before) or i >= len(rows) or before[i] != rows[i]
        ]
        if changed:
            width = self.size.width
            self.refresh(*(Region(0, i, width, 1) for i in changed))

    def render_line(self, y: int) -> Strip:
        """One row, padded with the ground."""
        width = self.size.width
        if y >= len(self._rows):
            return Strip.blank(width, self.get_component_rich_style("sheet--ground"))
        segments = [
            Segment(text.translate(HARMLESS), self.get_component_rich_style(f"sheet--{role}"))
            for text, role in self._rows[y]
            if text
        ]
        ground = self.get_component_rich_style("sheet--ground")
        return Strip(segments).adjust_cell_length(width, ground)


# -- large figures and letters ----------------------------------------------------------------

# The smallest size, dot by dot, rows apart by "/": five dots are too few for a pen. G, O, Q and U
# are wider than C, D and the figures, and 0, 6 and 9 have corners of their own, so that no two
# glyphs are alike; tests measure by how many dots.
_SMALLEST: dict[str, str] = {
    "0": ".#./#.#/#.#/#.#/.#.",
    "1": ".#./##./.#./.#./###",
    "2": "##./..#/.#./#../###",
    "3": "###/..#/.##/..#/###",
    "4": "..#/.##/#.#/###/..#",
    "5": "###/#../##./..#/##.",
    "6": "..#/.#./###/#.#/###",
    "7": "###/..#/..#/.#./.#.",
    "8": ".#./#.#/.#./#.#/.#.",
    "9": "###/#.#/###/.#./#..",
    "A": ".#./#.#/###/#.#/#.#",
    "B": "###./#..#/###./#..#/###.",
    "C": ".##/#../#../#../.##",
    "D": "##./#.#/#.#/#.#/##.",
    "E": "###/#../##./#../###",
    "F": "###/#../###/#../#..",
    "G": ".###/#.../#.##/#..#/.###",
    "H": "#.#/#.#/###/#.#/#.#",
    "I": "#/#/#/#/#",
    "J": "..#/..#/..#/#.#/.#.",
    "K": "#.#/##./#../##./#.#",
    "L": "#.../#.../#.../#.../####",
    "M": "#...#/##.##/#.#.#/#...#/#...#",
    "N": "#..#/##.#/#.##/#..#/#..#",
    "O": ".##./#..#/#..#/#..#/.##.",
    "P": "##./#.#/##./#../#..",
    "Q": ".##./#..#/#..#/#.#./.#.#",
    "R": "###./#..#/###./#.#./#..#",
    "S": ".###/#.../.##./...#/###.",
    "T": "###/.#./.#./.#./.#.",
    "U": "#..#/#..#/#..#/#..#/.##.",
    "V": "#.#/#.#/#.#/#.#/.#.",
    "W": "#...#/#...#/#.#.#/##.##/#...#",
    "X": "#.#/.#./.#./.#./#.#",
    "Y": "#.#/#.#/.#./.#./.#.",
    "Z": "####/...#/.##./#.../####",
    ":": "./#/./#/.",
    ".": "././././#",
    ",": "../../../.#/#.",
    ";": "../.#/../.#/#.",
    "!": "#/#/#/./#",
    "(": ".#/#./#./#./.#",
    ")": "#./.#/.#/.#/#.",
    "+": ".../.#./###/.#./...",
    "'": "#/#/././.",
    "-": ".../.../###/.../...",
    "/": "..#/..#/.#./#../#..",
    "%": "#.#/..#/.#./#../#.#",
    "?": "##./..#/.#./.../.#.",
    "…": "...../...../...../...../#.#.#",
    " ": "././././.",
}

# Each larger glyph is a path for a pen: strokes apart by ";", points as two digits, x then y, on a
# lattice of 0-4 each way (y downward). The number is the glyph's width in shares of a full one.
_PATHS: dict[str, tuple[float, str]] = {
    "0": (1.0, "00 40 44 04 00"),
    "1": (0.6, "01 20 24;04 44"),
    "2": (1.0, "00 30 41 42 04 44"),
    "3": (1.0, "00 40 44 04;12 42"),
    "4": (1.0, "44 40 03 43"),
    "5": (1.0, "40 00 02 32 43 34 04"),
    "6": (1.0, "40 02 04 44 42 02"),
    "7": (1.0, "00 40 24"),
    "8": (1.0, "10 30 41 43 34 14 03 01 10;02 42"),
    "9": (1.0, "04 42 40 00 02 42"),
    "A": (1.0, "04 01 20 41 44;02 42"),
    "B": (1.2, "30 00 04 34 43 32 02;32 41 30"),
    "C": (1.0, "40 10 01 03 14 44"),
    "D": (1.0, "00 04 24 43 41 20 00"),
    "E": (1.0, "40 00 04 44;02 32"),
    "F": (1.0, "40 00 04;02 42"),
    "G": (1.3, "40 10 01 03 14 44 42 22"),
    "H": (1.0, "00 04;40 44;02 42"),
    "I": (0.0, "00 04"),
    "J": (1.0, "40 43 24 03"),
    "K": (1.0, "00 04;40 02 44"),
    "L": (1.0, "00 04 44"),
    "M": (1.6, "04 00 22 40 44"),
    "N": (1.3, "04 00 44 40"),
    "O": (1.3, "10 30 41 43 34 14 03 01 10"),
    "P": (1.0, "04 00 20 41 22 02"),
    "Q": (1.3, "10 30 41 43 34 14 03 01 10;22 44"),
    "R": (1.2, "04 00 30 41 32 02;22 44"),
    "S": (1.2, "40 10 01 12 32 43 34 04"),
    "T": (1.0, "00 40;20 24"),
    "U": (1.3, "00 03 14 34 43 40"),
    "V": (1.2, "00 24 40"),
    "W": (1.6, "00 04 22 44 40"),
    "X": (1.0, "00 44;40 04"),
    "Y": (1.0, "00 22 40;22 24"),
    "Z": (1.2, "00 40 04 44"),
    ":": (0.0, "01 01;03 03"),
    ".": (0.0, "04 04"),
    ",": (0.0, "03 04"),
    ";": (0.0, "01 01;03 04"),
    "!": (0.0, "00 02;04 04"),
    "(": (0.4, "40 01 03 44"),
    ")": (0.4, "00 41 43 04"),
    "+": (0.8, "02 42;21 23"),
    "'": (0.0, "00 01"),
    "-": (0.6, "02 42"),
    "/": (0.8, "40 04"),
    "%": (1.0, "40 04;00 00;44 44"),
    "?": (1.0, "00 40 42 22;24 24"),
    "…": (1.3, "04 04;24 24;44 44"),
    " ": (0.4, ""),
}

# Fewer dots than this cannot tell the figures apart.
_LEAST_DOTS = 5
# How wide a full glyph may be for its height: comfortable first, narrower to gain height.
_SHAPES = (0.62, 0.54, 0.48)
# Pen thickness for height: bold enough to carry across a stage, gaps still wider than the pen.
_PEN = 1 / 6.2

# Every other dot of a row; rows take turns.
_HOLLOW = sum(1 << x for x in range(0, 512, 2))

_BLOCKS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def render_figures(text: str, width: int, height: int, doubt: bool = False) -> list[str]:
    """`text` in the largest figures that fit `width` columns and `height` rows.

    The lines are equally long, at most `width` columns and `height` rows; letters are drawn as
    capitals. In `doubt` they are hollow: every other dot is left out. Text that cannot be
    drawn large comes back as one plain line, cut to `width`.
    """
    return list(_render(text, width, height, doubt))


def render_letters(lines: Sequence[str], dots: int) -> list[str]:
    """Lines of text in letters `dots` high, each as wide as `letters_width` says.

    Raises KeyError for what has no large form.
    """
    pictures = [_dots(line, dots, _SHAPES[0]) for line in lines]
    apart = [0] * letter_gap(dots)
    rows = [bits for picture, _ in pictures for bits in (*apart, *picture)][len(apart) :]
    # An odd number of dots leaves the lower half of the last row empty.
    return list(_blocks(rows, max((wide for _, wide in pictures), default=0)))


def letters_width(text: str, dots: int) -> int:
    """How many columns `text` takes in letters `dots` high."""
    return _measure(text, dots, _SHAPES[0])


def drawable(text: str) -> str:
    """`text` as capitals without accents, or "" if something in it has no large form."""
    letters = normalize("NFD", text.upper())
    plain = "".join(c for c in letters if not combining(c)).strip()
    return plain if all(c in _PATHS for c in plain) else ""


@lru_cache(maxsize=256)
def _render(text: str, width: int, height: int, doubt: bool) -> tuple[str, ...]:
    large = drawable(text)
    if large:
        for dots in range(2 * height, _LEAST_DOTS - 1, -1):
            for shape in _SHAPES:
                if _measure(large, dots, shape) <= width:
                    rows, wide = _dots(large, dots, shape)
                    padded = rows if len(rows) % 2 == 0 else [0, *rows]
                    if doubt and _pens(dots, shape)[0] > 1:
                        padded = [bits & _HOLLOW << n % 2 for n, bits in enumerate(padded)]
                    return _blocks(padded, wide)
    return (text[: max(width, 0)],)


def _pens(dots: int, shape: float) -> tuple[int, int, int]:
    """Dots of the pen, of a full glyph's width and between glyphs."""
    pen = max(1, round(dots * _PEN))
    return pen, max(pen + 2, round(dots * shape)), max(1, round(pen * 0.8))


def _wide(character: str, pen: int, full: int, dots: int) -> int:
    if dots == _LEAST_DOTS:
        return _SMALLEST[character].index("/")
    share = _PATHS[character][0]
    return max(pen, 2 if 0 < share < 1 else 0, round(pen + (full - pen) * share))


def _measure(text: str, dots: int, shape: float) -> int:
    pen, full, apart = _pens(dots, shape)
    return sum(_wide(c, pen, full, dots) + apart for c in text) - apart


def _dots(text: str, dots: int, shape: float) -> tuple[list[int], int]:
    """The text as rows of dots, each a whole number, bit x for column x; and its width."""
    pen, full, apart = _pens(dots, shape)
    rows, left = [0] * dots, 0
    for character in text:
        wide = _wide(character, pen, full, dots)
        if dots == _LEAST_DOTS:
            for y, row in enumerate(_SMALLEST[character].split("/")):
                rows[y] |= sum(1 << (left + x) for x, dot in enumerate(row) if dot == "#")
        else:
            _write(rows, _PATHS[character][1], left, wide, pen)
        left += wide + apart
    return rows, max(0, left - apart)


def _write(rows: list[int], path: str, left: int, wide: int, pen: int) -> None:
    for stroke in path.split(";"):
        points = [
            (_at(int(point[0]), wide - pen), _at(int(point[1]), len(rows) - pen))
            for point in stroke.split()
        ]
        for start, end in pairwise(points):
            _stroke(rows, start, end, pen, left)


def _at(lattice: int, span: int) -> int:
    return (lattice * span + 2) // 4


def _stroke(
    rows: list[int], start: tuple[int, int], end: tuple[int, int], pen: int, left: int
) -> None:
    # Rounded before it is moved, so that a glyph looks the same wherever it stands.
    length = max(abs(end[0] - start[0]), abs(end[1] - start[1]), 1)
    for i in range(length + 1):
        x = start[0] + (end[0] - start[0]) * i / length
        y = start[1] + (end[1] - start[1]) * i / length
        for row, (indent, bits) in enumerate(_nib(pen)):
            rows[round(y) + row] |= bits << (left + round(x) + indent)


@lru_cache(maxsize=32)
def _nib(pen: int) -> tuple[tuple[int, int], ...]:
    """The pen as rows of (indent, bits): a square whose corners are rounded off."""
    corner = pen // 3
    rows = []
    for row in range(pen):
        indent = max(0, corner - row, corner - (pen - 1 - row))
        rows.append((indent, (1 << (pen - 2 * indent)) - 1))
    return tuple(rows)


def _blocks(rows: Sequence[int], width: int) -> tuple[str, ...]:
    padded = rows if len(rows) % 2 == 0 else [*rows, 0]
    return tuple(
        "".join(_BLOCKS[bool(upper >> x & 1), bool(lower >> x & 1)] for x in range(width))
        for upper, lower in zip(padded[::2], padded[1::2], strict=True)
    )
