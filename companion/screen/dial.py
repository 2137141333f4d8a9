"""The countdown region: figure, unit, time, pass, phrase and what is left of the phrase.

Pure drawing of a reading into rows. The other regions are in drawing.
"""

from __future__ import annotations

from companion.screen.canvas import Canvas, Row
from companion.screen.figures import render_figures
from companion.screen.frame import Rails, draw_line, facts, plain_role
from companion.screen.reading import WORDS, Reading

# From this width on, pass and phrase stand beside the figure; from the second, in large letters.
_BESIDE_WIDTH, _LARGE_FACTS_WIDTH = 72, 112
_BESIDE_HEIGHT = 7
_SMALL_FACTS, _LARGE_FACTS = 16, 38
# Room kept for the unit next to the figure.
_UNIT_ROOM = 8
# Over the unit the word is large too where so many rows are free.
_LARGE_WORD_ROWS = 6


def draw_dial(reading: Reading, width: int, height: int, calm: bool) -> list[Row]:
    """The countdown on `width` columns and `height` rows; `calm` leaves the pulse out."""
    rails = Rails.beside(reading, width)
    role, inner = rails.role, width - 2 * rails.room
    canvas = Canvas(inner, height, rails.ground)
    if width >= _BESIDE_WIDTH and height >= _BESIDE_HEIGHT:
        large = max(_LARGE_FACTS, inner // 4)
        column = large if width >= _LARGE_FACTS_WIDTH else _SMALL_FACTS
        _figure(canvas, reading, role, inner - column - 2, height - 1)
        _facts_column(canvas, reading, role, inner - column, column, height - 1)
    else:
        _figure(canvas, reading, role, inner, max(1, height - 2))
        _facts_row(canvas, reading, role, height - 2, inner)
    draw_line(canvas, reading, role, height - 1, inner, calm)
    return rails.around(canvas.rows())


def _figure(canvas: Canvas, reading: Reading, role: str, width: int, height: int) -> None:
    if reading.unit:
        _count(canvas, reading, role, width, height)
        return
    room = height - 1 if reading.word and height > 3 else height
    lines = render_figures(reading.figure, width, room)
    canvas.block(0, (room - len(lines)) // 2, lines, role)
    canvas.put(0, room, reading.word[:width], plain_role(role))


def _count(canvas: Canvas, reading: Reading, role: str, width: int, height: int) -> None:
    # Every figure of as many digits has the same place, so the unit stays where it is.
    slot = len(render_figures("0" * len(reading.figure), width - _UNIT_ROOM, height)[0])
    lines = render_figures(reading.figure, width - _UNIT_ROOM, height)
    canvas.block(max(0, slot - len(lines[0])), 0, lines, role)
    left, room = slot + 2, width - slot - 2
    unit = render_figures(reading.unit, room, max(3, height // 2))
    top = height - len(unit)
    canvas.block(left, top, unit, role)
    if top >= _LARGE_WORD_ROWS and len(render_figures(WORDS[0], room, 3)) == 3:
        canvas.block(left, top - 4, render_figures(reading.word, room, 3), plain_role(role))
    elif top > 1 or (top > 0 and len(unit) > 1):
        canvas.put(left, max(0, top - 2), reading.word[:room], plain_role(role))


def _facts_column(
    canvas: Canvas, reading: Reading, role: str, left: int, width: int, height: int
) -> None:
    known = facts(reading)
    rows = max(3, height // 6)
    blocks = [render_figures(short, width, rows) for _, short in known]
    if (rows + 1) * len(blocks) - 1 > height or any(len(block) == 1 for block in blocks):
        blocks = [[text] for text, _ in known]
    step = max(1, (height - max(map(len, blocks), default=0)) // 2)
    for i, block in enumerate(blocks):
        canvas.block(left + width - len(block[0]), i * step, block, plain_role(role))


def _facts_row(canvas: Canvas, reading: Reading, role: str, row: int, width: int) -> None:
    known = facts(reading)
    text = "   ".join(long for long, _ in known)
    if len(text) > width:
        text = "  ".join(short for _, short in known)
    canvas.put(0, row, text[:width], plain_role(role))
