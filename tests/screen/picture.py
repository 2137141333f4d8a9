"""A picture of what stands on the terminal, as SVG. No tests here.

Blocks and lines are drawn as shapes, so that they meet as they do on a terminal whatever font the
reader has; letters are text. Textual's own export leaves gaps between rows.
"""

from __future__ import annotations

from html import escape
from typing import Any

from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual.app import App

from tests.screen.stage import segments

# One cell, in the picture's own units, and the size of letters in it.
WIDE, HIGH, LETTER = 9, 18, 15
_LOWER = "▁▂▃▄▅▆▇█"
# Glyphs as (left, top, width, height) in shares of a cell; ─ and ━ by their usual weight.
_SHAPES: dict[str, tuple[tuple[float, float, float, float], ...]] = {
    **{glyph: ((0, 1 - n / 8, 1, n / 8),) for n, glyph in enumerate(_LOWER, start=1)},
    "▀": ((0, 0, 1, 0.5),),
    "▌": ((0, 0, 0.5, 1),),
    "─": ((0, 0.47, 1, 0.06),),
    "━": ((0, 0.42, 1, 0.16),),
    "│": ((0.44, 0, 0.12, 1),),
    "║": ((0.3, 0, 0.12, 1), (0.58, 0, 0.12, 1)),
}


def svg(app: App[Any]) -> str:
    """The whole terminal."""
    rows = segments(app)
    width = max(sum(segment.cell_length for segment in row) for row in rows)
    parts = [part for y, row in enumerate(rows) for part in _row(row, y)]
    ground = _code((rows[0][0].style or Style()).bgcolor)
    size = f"{width * WIDE} {len(rows) * HIGH}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" '
        f'font-family="DejaVu Sans Mono,Menlo,Consolas,monospace" font-size="{LETTER}">'
        f'<rect width="100%" height="100%" fill="{ground}"/>' + "".join(parts) + "</svg>\n"
    )


def _row(row: list[Segment], y: int) -> list[str]:
    parts, x = [], 0
    for segment in row:
        style = segment.style or Style()
        ink, ground = _code(style.color), _code(style.bgcolor)
        if style.reverse:
            ink, ground = ground, ink
        parts.append(_rect(x, y, (0, 0, segment.cell_length, 1), ground))
        parts += _shapes(segment.text, x, y, ink)
        parts += _letters(segment.text, x, y, ink, bool(style.bold))
        x += segment.cell_length
    return parts


def _shapes(text: str, x: int, y: int, ink: str) -> list[str]:
    parts = []
    at = 0
    while at < len(text):
        run = 1
        if text[at] in _SHAPES:
            while at + run < len(text) and text[at + run] == text[at]:
                run += 1
            upright = text[at] in "│║▌"
            for left, top, wide, high in _SHAPES[text[at]]:
                for step in range(run if upright else 1):
                    across = wide if upright else float(run)
                    parts.append(_rect(x + at + step, y, (left, top, across, high), ink))
        at += run
    return parts


def _letters(text: str, x: int, y: int, ink: str, bold: bool) -> list[str]:
    parts = []
    weight = ' font-weight="bold"' if bold else ""
    left, word = 0, ""
    # A blank of two or more columns parts words, so that no font can move what follows.
    for at, character in enumerate(text + "  "):
        plain = " " if character in _SHAPES else character
        if plain == " " and (not word or text[at : at + 2].strip() == "" or character in _SHAPES):
            if word:
                length = f'textLength="{len(word) * WIDE}" lengthAdjust="spacingAndGlyphs"'
                place = f'x="{(x + left) * WIDE}" y="{y * HIGH + 13.5:g}"'
                parts.append(f'<text {place} fill="{ink}"{weight} {length}>{escape(word)}</text>')
            word = ""
        else:
            if not word:
                left = at
            word += plain
    return parts


def _rect(x: float, y: float, share: tuple[float, float, float, float], fill: str) -> str:
    left, top, wide, high = share
    place = f'x="{(x + left) * WIDE:g}" y="{(y + top) * HIGH:g}"'
    size = f'width="{wide * WIDE:g}" height="{high * HIGH:g}"'
    return f'<rect {place} {size} fill="{fill}" shape-rendering="crispEdges"/>'


def _code(colour: Color | None) -> str:
    if colour is None or colour.triplet is None:
        return "#000000"
    return colour.triplet.hex
