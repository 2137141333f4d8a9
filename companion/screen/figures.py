"""Large figures and letters drawn with half-block characters, as large as a space allows.

Pure drawing of text into lines of text; colours, places and what to say belong elsewhere.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from unicodedata import combining, normalize

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
    "A": (1.0, "04 01 20 41 44;02 42"),
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
    "R": (1.0, "04 00 20 41 22 02;22 44"),
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
    " ": (0.4, ""),
}

# Fewer dots than this cannot tell the figures apart.
_LEAST_DOTS = 5
# A sentence in letters taller than this would crowd out the countdown.
_MOST_SENTENCE_DOTS = 9
# How wide a full glyph may be for its height: comfortable first, narrower to gain height.
_SHAPES = (0.62, 0.54, 0.48)
# Pen thickness for height: bold enough to carry across a stage, gaps still wider than the pen.
_PEN = 1 / 6.2

_BLOCKS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def render_figures(text: str, width: int, height: int) -> list[str]:
    """`text` in the largest figures that fit `width` columns and `height` rows.

    The lines are equally long, at most `width` columns and `height` rows; letters are drawn as
    capitals. Text that cannot be drawn large comes back as one plain line, cut to `width`.
    """
    return list(_render(text, width, height))


def render_sentence(text: str, width: int, height: int) -> list[str]:
    """`text` in large letters on as many lines as `width` columns and `height` rows hold.

    Words stay whole, an empty row parts the lines. Empty when it does not fit or cannot be drawn.
    """
    return list(_sentence(text, width, height))


@lru_cache(maxsize=256)
def _render(text: str, width: int, height: int) -> tuple[str, ...]:
    large = _drawable(text)
    if large:
        for dots in range(2 * height, _LEAST_DOTS - 1, -1):
            for shape in _SHAPES:
                if _measure(large, dots, shape) <= width:
                    return _draw(large, dots, shape)
    return (text[: max(width, 0)],)


@lru_cache(maxsize=64)
def _sentence(text: str, width: int, height: int) -> tuple[str, ...]:
    words = _drawable(text).split()
    for dots in range(_MOST_SENTENCE_DOTS, _LEAST_DOTS - 1, -1):
        lines = _fill(words, dots, width)
        if lines and len(lines) * ((dots + 1) // 2 + 1) - 1 <= height:
            drawn = [_draw(line, dots, _SHAPES[0]) for line in lines]
            return tuple(row for picture in drawn for row in ("", *picture))[1:]
    return ()


def _fill(words: list[str], dots: int, width: int) -> list[str]:
    """Words on lines no wider than `width`; empty if one word alone is wider."""
    lines: list[str] = []
    for word in words:
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and _measure(joined, dots, _SHAPES[0]) <= width:
            lines[-1] = joined
        elif _measure(word, dots, _SHAPES[0]) <= width:
            lines.append(word)
        else:
            return []
    return lines


def _drawable(text: str) -> str:
    """`text` as capitals without accents, or "" if something in it has no large form."""
    letters = normalize("NFD", text.upper())
    plain = "".join(c for c in letters if not combining(c)).strip()
    return plain if all(c in _PATHS for c in plain) else ""


def _pens(dots: int, shape: float) -> tuple[int, int, int]:
    """Dots of the pen, of a full glyph's width and between glyphs."""
    pen = max(1, round(dots * _PEN))
    return pen, max(pen + 2, round(dots * shape)), max(1, round(pen * 0.8))


def _wide(character: str, pen: int, full: int) -> int:
    share = _PATHS[character][0]
    return max(pen, 2 if 0 < share < 1 else 0, round(pen + (full - pen) * share))


def _measure(text: str, dots: int, shape: float) -> int:
    pen, full, apart = _pens(dots, shape)
    return sum(_wide(c, pen, full) + apart for c in text) - apart


def _draw(text: str, dots: int, shape: float) -> tuple[str, ...]:
    """The text as lines of blocks; each row of dots is a whole number, bit x for column x."""
    pen, full, apart = _pens(dots, shape)
    rows, left = [0] * dots, 0
    for character in text:
        wide = _wide(character, pen, full)
        for stroke in _PATHS[character][1].split(";"):
            points = [
                (left + _at(int(point[0]), wide - pen), _at(int(point[1]), dots - pen))
                for point in stroke.split()
            ]
            for start, end in pairwise(points):
                _stroke(rows, start, end, pen)
        left += wide + apart
    return _blocks(rows, left - apart)


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
