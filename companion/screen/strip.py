"""The countdown as a strip: what stays of the stage over every other view.

Pure drawing of a reading into rows. The countdown that fills the stage is in dial.
"""

from __future__ import annotations

from companion.screen.canvas import Canvas, Row, cut
from companion.screen.drawing import fold_entry
from companion.screen.figures import render_figures, render_sentence
from companion.screen.frame import Rails, draw_line, facts, plain_role
from companion.screen.reading import Reading

# What stands between the figure and the facts needs so many columns to say anything.
_LEAST_MIDDLE = 24
_LARGE_ROWS = 4


def draw_strip(reading: Reading, width: int, height: int, calm: bool) -> list[Row]:
    """The countdown on `width` columns and `height` rows (2 or more), what is left at the bottom.

    From four rows on the figure is large, and what to do next stands beside it.
    """
    rails = Rails.beside(reading, width)
    role, inner = rails.role, width - 2 * rails.room
    canvas = Canvas(inner, height, rails.ground)
    if height >= _LARGE_ROWS:
        _large(canvas, reading, role, inner, height - 1)
    else:
        _one_line(canvas, reading, role, inner)
    draw_line(canvas, reading, role, height - 1, inner, calm)
    return rails.around(canvas.rows())


def _large(canvas: Canvas, reading: Reading, role: str, width: int, height: int) -> None:
    said = f"{reading.figure} {reading.unit}".strip()
    # As wide as its widest neighbour in time, so that what stands beside it does not move.
    slot = max(len(render_figures(each, width, height)[0]) for each in (said, *_widest(reading)))
    canvas.block(0, 0, render_figures(said, width, height), role)
    known = [text for text, _ in facts(reading)]
    right = max(map(len, known), default=0)
    for row, text in enumerate(known[:height]):
        canvas.put(width - len(text), row, text, plain_role(role))
    room = width - slot - 3 - right - 2
    if room >= _LEAST_MIDDLE:
        _middle(canvas, reading, role, slot + 3, room, height)


def _middle(canvas: Canvas, reading: Reading, role: str, left: int, room: int, height: int) -> None:
    """What to do next: in large letters where they fit, or in lines with what else is to say."""
    action = reading.action
    large = render_sentence(action.text, room, height - 1) if action.when else []
    if large:
        lines = [f"{action.when}:", *large]
    else:
        lines = [reading.word or reading.condition, *_said(reading, room)]
    for row, text in enumerate(lines[:height]):
        canvas.put(left, row, cut(text, room), plain_role(role))


def _widest(reading: Reading) -> tuple[str, ...]:
    return ("00 BARS", "0 BEATS") if reading.unit else ()


def _said(reading: Reading, room: int) -> list[str]:
    entries = [reading.action] if reading.boundary is None else [reading.action, reading.boundary]
    return [line for entry in entries for line in fold_entry(entry, room, 1)]


def _one_line(canvas: Canvas, reading: Reading, role: str, width: int) -> None:
    said = f"{reading.figure} {reading.unit}".strip()
    if reading.word:
        said += f" {reading.word}" if reading.unit else f": {reading.word}"
    known = facts(reading)
    for tail in ("   ".join(t for t, _ in known), "  ".join(t for _, t in known), reading.clock):
        if len(said) + 2 + len(tail) <= width:
            canvas.put(width - len(tail), 0, tail, plain_role(role))
            break
    canvas.put(0, 0, cut(said, width), role)
