"""A picture of what stands on the terminal, as SVG. No tests here.

Blocks and lines are drawn as shapes, so that they meet as they do on a terminal whatever font the
reader has; letters are text. Textual's own export leaves gaps between rows.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
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


@dataclass(frozen=True)
class _Box:
    """A rectangle of one colour, in cells."""

    fill: str
    left: float
    top: float
    wide: float
    high: float


def svg(app: App[Any]) -> str:
    """The whole terminal."""
    rows = segments(app)
    width = max(sum(segment.cell_length for segment in row) for row in rows)
    ground = _colours(rows[0][0])[1]
    grounds: list[_Box] = []
    inks: list[_Box] = []
    letters: list[str] = []
    for y, row in enumerate(rows):
        x = 0
        for segment in row:
            ink, under = _colours(segment)
            if under != ground:
                grounds.append(_Box(under, x, y, segment.cell_length, 1))
            inks += _shapes(segment.text, x, y, ink)
            bold = bool(segment.style and segment.style.bold)
            letters += _letters(segment.text, x, y, ink, bold)
            x += segment.cell_length
    size = f"{width * WIDE} {len(rows) * HIGH}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" '
        f'font-family="DejaVu Sans Mono,Menlo,Consolas,monospace" font-size="{LETTER}">'
        f'<rect width="100%" height="100%" fill="{ground}"/>'
        + "".join([*_paths(grounds), *_paths(inks), *letters])
        + "</svg>\n"
    )


def _paths(boxes: list[_Box]) -> list[str]:
    """One path for each colour; boxes that continue one above them are made one."""
    grown: dict[tuple[str, float, float, float], _Box] = {}
    for box in boxes:
        above = grown.pop((box.fill, box.left, box.wide, box.top), None)
        if above is not None:
            box = replace(above, high=above.high + box.high)
        grown[box.fill, box.left, box.wide, box.top + box.high] = box
    drawn: dict[str, list[str]] = {}
    for box in grown.values():
        wide = f"{box.wide * WIDE:g}"
        drawn.setdefault(box.fill, []).append(
            f"M{box.left * WIDE:g} {box.top * HIGH:g}h{wide}v{box.high * HIGH:g}h-{wide}z"
        )
    return [
        f'<path fill="{fill}" shape-rendering="crispEdges" d="{"".join(parts)}"/>'
        for fill, parts in drawn.items()
    ]


def _shapes(text: str, x: int, y: int, ink: str) -> list[_Box]:
    boxes = []
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
                    boxes.append(_Box(ink, x + at + step + left, y + top, across, high))
        at += run
    return boxes


def _letters(text: str, x: int, y: int, ink: str, bold: bool) -> list[str]:
    """The words, each held to its columns: a reader's font may be wider than ours."""
    plain = "".join(" " if c in _SHAPES else c for c in text)
    weight = ' font-weight="bold"' if bold else ""
    parts = []
    for found in re.finditer(r"\S+(?: \S+)*", plain):
        said = found[0]
        wide = f'textLength="{len(said) * WIDE}" lengthAdjust="spacingAndGlyphs"'
        place = f'x="{(x + found.start()) * WIDE}" y="{y * HIGH + 13.5:g}"'
        parts.append(f'<text {place} fill="{ink}"{weight} {wide}>{escape(said)}</text>')
    return parts


def _colours(segment: Segment) -> tuple[str, str]:
    """Ink and ground."""
    style = segment.style or Style()
    ink, ground = _code(style.color), _code(style.bgcolor)
    return (ground, ink) if style.reverse else (ink, ground)


def _code(colour: Color | None) -> str:
    if colour is None or colour.triplet is None:
        return "#000000"
    return colour.triplet.hex
