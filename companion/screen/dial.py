"""The countdown region: figure, unit, time, pass, phrase and what is left of the phrase.

Pure drawing of a reading into rows. The other regions are in drawing.
"""

from __future__ import annotations

from companion.screen.canvas import Canvas, Ink, Row
from companion.screen.figures import render_figures
from companion.screen.reading import Reading
from companion.screen.reckon import Stage

_STAGE_ROLES = ("far", "near", "imminent", "now")
# From this width on, pass and phrase stand beside the figure; from the second, in large letters.
_BESIDE_WIDTH, _LARGE_FACTS_WIDTH = 72, 112
_BESIDE_HEIGHT = 7
_SMALL_FACTS, _LARGE_FACTS = 16, 38
# Room kept for the unit next to the figure.
_UNIT_ROOM = 8


def dial_role(reading: Reading) -> str:
    """The role of the figures: the stage's, dimmed when the count only runs on by itself."""
    if reading.condition in ("lost", "gone"):
        return "dim"
    return _STAGE_ROLES[reading.stage]


def draw_dial(reading: Reading, width: int, height: int, calm: bool) -> list[Row]:
    """The countdown on `width` columns and `height` rows; `calm` leaves the pulse out."""
    role = dial_role(reading)
    ground = "now" if role == "now" else "ground"
    # Rails close in from both sides as the boundary nears; their room is always kept free, so
    # that nothing else moves.
    most = max(1, width // 40)
    rail = 0 if role == "dim" else (0, (most + 1) // 2, most, 0)[reading.stage]
    inner = width - 2 * (most + 1)
    canvas = Canvas(inner, height, ground)
    if width >= _BESIDE_WIDTH and height >= _BESIDE_HEIGHT:
        large = max(_LARGE_FACTS, inner // 4)
        facts = large if width >= _LARGE_FACTS_WIDTH else _SMALL_FACTS
        _figure(canvas, reading, role, inner - facts - 2, height - 1)
        _facts_column(canvas, reading, role, inner - facts, facts, height - 1)
    else:
        _figure(canvas, reading, role, inner, max(1, height - 2))
        _facts_row(canvas, reading, role, height - 2, inner)
    _drain(canvas, reading, role, height - 1, inner, calm)
    free = " " * (most + 1 - rail)
    left: tuple[Ink, ...] = (("█" * rail, role), (free, ground))
    right: tuple[Ink, ...] = ((free, ground), ("█" * rail, role))
    return [(*left, *row, *right) for row in canvas.rows()]


def _figure(canvas: Canvas, reading: Reading, role: str, width: int, height: int) -> None:
    if reading.unit:
        _count(canvas, reading, role, width, height)
        return
    room = height - 1 if reading.word and height > 3 else height
    lines = render_figures(reading.figure, width, room)
    canvas.block(0, (room - len(lines)) // 2, lines, role)
    canvas.put(0, room, reading.word[:width], _plain(role))


def _count(canvas: Canvas, reading: Reading, role: str, width: int, height: int) -> None:
    # Every figure of as many digits has the same place, so the unit stays where it is.
    slot = len(render_figures("0" * len(reading.figure), width - _UNIT_ROOM, height)[0])
    lines = render_figures(reading.figure, width - _UNIT_ROOM, height)
    canvas.block(max(0, slot - len(lines[0])), 0, lines, role)
    left, room = slot + 2, width - slot - 2
    unit = render_figures(reading.unit, room, max(3, height // 2))
    top = height - len(unit)
    canvas.block(left, top, unit, role)
    if top > 1 or (top > 0 and len(unit) > 1):
        canvas.put(left, max(0, top - 2), reading.word[:room], _plain(role))


def _facts(reading: Reading) -> list[tuple[str, str]]:
    """Pass, phrase and time left, each long and short."""
    if reading.pass_fact is None or reading.phrase_fact is None:
        return []
    in_phrase, passes = reading.pass_fact
    phrase, planned = reading.phrase_fact
    inside = planned is not None and phrase <= planned
    facts = [
        (f"pass {in_phrase} of {passes}", f"pass {in_phrase}/{passes}"),
        (
            f"phrase {phrase} of {planned}" if inside else f"phrase {phrase}",
            f"phrase {phrase}/{planned}" if inside else f"phrase {phrase}",
        ),
    ]
    return [*facts, (reading.clock, reading.clock)] if reading.clock else facts


def _facts_column(
    canvas: Canvas, reading: Reading, role: str, left: int, width: int, height: int
) -> None:
    facts = _facts(reading)
    rows = max(3, height // 6)
    blocks = [render_figures(short, width, rows) for _, short in facts]
    if (rows + 1) * len(blocks) - 1 > height or any(len(block) == 1 for block in blocks):
        blocks = [[text] for text, _ in facts]
    step = max(1, (height - max(map(len, blocks), default=0)) // 2)
    for i, block in enumerate(blocks):
        canvas.block(left + width - len(block[0]), i * step, block, _plain(role))


def _facts_row(canvas: Canvas, reading: Reading, role: str, row: int, width: int) -> None:
    facts = _facts(reading)
    text = "   ".join(long for long, _ in facts)
    if len(text) > width:
        text = "  ".join(short for _, short in facts)
    canvas.put(0, row, text[:width], _plain(role))


def _drain(canvas: Canvas, reading: Reading, role: str, row: int, width: int, calm: bool) -> None:
    line = width if calm else width - 3
    full = min(line, -(-reading.left * line // max(1, reading.whole)))
    if reading.condition in ("waiting", "ready", "gone"):
        full = 0
    canvas.put(0, row, "━" * full, role)
    canvas.put(full, row, "─" * (line - full), "now" if role == "now" else "spent")
    if reading.lit and not calm:
        canvas.put(width - 2, row, "██", role)


def _plain(role: str) -> str:
    return "now" if role == Stage.NOW.name.lower() else "fact"
