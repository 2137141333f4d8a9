"""Large figures and letters drawn with half-block characters, as large as a space allows.

Pure drawing of text into lines of text; colours, places and what to say belong elsewhere.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

# Each glyph is a path for a pen: strokes apart by ";", points as two digits, x then y, on a
# lattice of 0-4 each way (y downward). The number is the glyph's width in shares of a full one.
# A path serves every size, and at five dots high it falls on whole dots.
_PATHS: dict[str, tuple[float, str]] = {
    "0": (1.0, "00 40 44 04 00"),
    "1": (0.5, "01 40 44"),
    "2": (1.0, "00 40 42 02 04 44"),
    "3": (1.0, "00 40 44 04;12 42"),
    "4": (1.0, "00 02 42;40 44"),
    "5": (1.0, "40 00 02 42 44 04"),
    "6": (1.0, "40 00 04 44 42 02"),
    "7": (1.0, "00 40 24"),
    "8": (1.0, "00 40 44 04 00;02 42"),
    "9": (1.0, "04 44 40 00 02 42"),
    "A": (1.0, "04 00 40 44;02 42"),
    "B": (1.0, "20 00 04 24 43 22 02;22 41 20"),
    "C": (1.0, "40 00 04 44"),
    "D": (1.0, "00 04 24 43 41 20 00"),
    "E": (1.0, "40 00 04 44;02 32"),
    "F": (1.0, "40 00 04;02 32"),
    "G": (1.0, "40 00 04 44 42 22"),
    "H": (1.0, "00 04;40 44;02 42"),
    "I": (0.0, "00 04"),
    "J": (1.0, "40 44 04 03"),
    "K": (1.0, "00 04;40 02 44"),
    "L": (1.0, "00 04 44"),
    "M": (1.5, "04 00 22 40 44"),
    "N": (1.3, "04 00 44 40"),
    "O": (1.0, "00 40 44 04 00"),
    "P": (1.0, "04 00 40 42 02"),
    "Q": (1.0, "00 40 44 04 00;23 44"),
    "R": (1.0, "04 00 40 42 02;22 44"),
    "S": (1.0, "40 00 02 42 44 04"),
    "T": (1.0, "00 40;20 24"),
    "U": (1.0, "00 04 44 40"),
    "V": (1.2, "00 24 40"),
    "W": (1.5, "00 04 22 44 40"),
    "X": (1.0, "00 44;40 04"),
    "Y": (1.0, "00 22 40;22 24"),
    "Z": (1.0, "00 40 04 44"),
    ":": (0.0, "01 01;03 03"),
    ".": (0.0, "04 04"),
    ",": (0.0, "04 04"),
    "'": (0.0, "00 01"),
    "-": (0.6, "02 42"),
    "/": (0.8, "40 04"),
    "%": (1.0, "40 04;00 00;44 44"),
    "?": (1.0, "00 40 42 22;24 24"),
    " ": (0.4, ""),
}

# Fewer dots than this cannot tell the figures apart.
_LEAST_DOTS = 5
# How wide a full glyph may be for its height: comfortable first, narrower to gain height.
_SHAPES = (0.62, 0.54, 0.48)
# Pen thickness for height: bold enough to carry across a stage, gaps still wider than the pen.
_PEN = 1 / 6.2

_BLOCKS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def drawable(text: str) -> bool:
    """Whether every character of `text` has a large form (letters are drawn as capitals)."""
    return all(character in _PATHS for character in text.upper())


def render_figures(text: str, width: int, height: int) -> list[str]:
    """`text` in the largest figures that fit `width` columns and `height` rows.

    The lines are equally long, at most `width` columns and `height` rows; letters are drawn as
    capitals. Text that cannot be drawn large comes back as one plain line, cut to `width`.
    """
    return list(_render(text, width, height))


@lru_cache(maxsize=256)
def _render(text: str, width: int, height: int) -> tuple[str, ...]:
    plain = (text[: max(width, 0)],)
    if not text.strip() or not drawable(text):
        return plain
    for dots in range(2 * height, _LEAST_DOTS - 1, -1):
        for shape in _SHAPES:
            rows, drawn = _draw(text.upper(), dots, shape)
            if drawn <= width:
                return _blocks(rows, drawn)
    return plain


def _draw(text: str, dots: int, shape: float) -> tuple[list[int], int]:
    """Rows of dots as whole numbers (bit x is column x), and the columns they take."""
    pen = max(1, round(dots * _PEN))
    full = max(pen + 2, round(dots * shape))
    apart = max(1, round(pen * 0.8))
    rows, left = [0] * dots, 0
    for character in text:
        share, path = _PATHS[character]
        wide = max(pen, 2 if 0 < share < 1 else 0, round(pen + (full - pen) * share))
        for stroke in path.split(";"):
            points = [
                (left + _at(int(point[0]), wide - pen), _at(int(point[1]), dots - pen))
                for point in stroke.split()
            ]
            for start, end in pairwise(points):
                _stroke(rows, start, end, pen)
        left += wide + apart
    return rows, left - apart


def _at(lattice: int, span: int) -> int:
    return (lattice * span + 2) // 4


def _stroke(rows: list[int], start: tuple[int, int], end: tuple[int, int], pen: int) -> None:
    length = max(abs(end[0] - start[0]), abs(end[1] - start[1]), 1)
    for i in range(length + 1):
        x = start[0] + (end[0] - start[0]) * i / length
        y = start[1] + (end[1] - start[1]) * i / length
        for row, (indent, bits) in enumerate(_nib(pen)):
            rows[round(y) + row] |= bits << (round(x) + indent)


@lru_cache(maxsize=32)
def _nib(pen: int) -> tuple[tuple[int, int], ...]:
    """The pen as rows of (indent, bits): a square whose corners are rounded off."""
    corner = pen // 3
    rows = []
    for row in range(pen):
        indent = max(0, corner - row, corner - (pen - 1 - row))
        rows.append((indent, (1 << (pen - 2 * indent)) - 1))
    return tuple(rows)


def _blocks(rows: list[int], width: int) -> tuple[str, ...]:
    # An odd number of dots leaves the upper half of the first row empty.
    padded = rows if len(rows) % 2 == 0 else [0, *rows]
    return tuple(
        "".join(_BLOCKS[bool(upper >> x & 1), bool(lower >> x & 1)] for x in range(width))
        for upper, lower in zip(padded[::2], padded[1::2], strict=True)
    )
