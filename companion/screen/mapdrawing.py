"""The pattern view: the pass map of the running pattern, readable without colour.

Pure drawing of a map into rows of inked text.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.screen.canvas import AMISS, Canvas, Row, cut
from companion.screen.passmap import PassMap, StepLine

_BLOCKS = " ▁▂▃▄▅▆▇█"
_NEVER = "·"
_HERE = "▼"
_RULE, _END = "│", "║"
_WIDEST, _TALLEST = 8, 5
_NUMBERS = 11
# The names have as much room as they need, up to this share of the window.
_MOST_LABEL = 2 / 5
# Rows over the steps: phrases, passes.
_HEAD = 2
_KEYS = (
    "▇ always  ▅ over 1 in 2  ▃ up to 1 in 2  ▁ up to 1 in 4  · never  * rare  │ a phrase begins",
    "▇ always  ▅ ▃ ▁ by chance  · never  * rare  │ phrase",
    "▇ always ▅▃▁ chance · never * rare",
    "▅ chance · never",
)
_NOT_PLANNED = f"{AMISS}not as planned"


@dataclass(frozen=True, slots=True)
class _Sight:
    """Which passes are in sight and how wide each is; `places` are their left columns.

    One more place follows the last pass.
    """

    first: int
    last: int
    wide: int
    places: tuple[int, ...]

    def place(self, at: int) -> int:
        """The left column of pass `at`."""
        return self.places[at - self.first]


def draw_map(found: PassMap, width: int, height: int, scroll: int = 0) -> list[Row]:
    """The pattern view on `width` columns and `height` rows, moved down by `scroll` steps."""
    if not found.lines or height < _HEAD + 1:
        return [((cut(f"  {found.note}", width), "text"),)] if found.note else []
    with_key = height >= 10
    room = height - _HEAD - (2 if height >= 20 else 1 if with_key else 0)
    lines = _kept(found.lines, room, scroll)
    names = _names(lines)
    label = _label_width(names, lines, width)
    sight = _sight(found, width - label - 1)
    tall = max(1, min(_TALLEST, room // max(1, len(lines))))
    canvas = Canvas(width, _HEAD + tall * len(lines))
    _draw_head(canvas, found, sight, label, width)
    for index, line in enumerate(lines):
        top = _HEAD + index * tall
        text = _label(names[index], line, label - 3)
        if line.unplanned:
            canvas.put(0, top + tall - 1, AMISS, "soon")
        canvas.put(2, top + tall - 1, text, _line_role(line))
        _draw_cells(canvas, found, sight, line, top, tall, label)
    rows = canvas.rows()
    if with_key:
        rows += [()] * (height - 1 - len(rows))
        rows.append(_foot(found, len(lines), width))
    return rows[:height]


def _kept(lines: tuple[StepLine, ...], room: int, scroll: int) -> list[StepLine]:
    """The lines in sight. Where not all fit, steps that always play go first."""
    kept = list(lines)
    if len(kept) > room:
        kept = [line for line in lines if not line.steady] or kept
    first = max(0, min(scroll, len(kept) - room))
    return kept[first : first + room]


def _names(lines: list[StepLine]) -> list[str]:
    """What to call each line: the track on its first line in sight, and the step's own name."""
    names, before = [], ""
    for line in lines:
        track = line.track if line.track != before else ""
        before = line.track
        name = ", ".join(filter(None, (track, line.what)))
        if line.remark:
            name = f"{name} ({line.remark})" if name else line.remark
        names.append(name)
    return names


def _label_width(names: list[str], lines: list[StepLine], width: int) -> int:
    """Columns before the cells: margin, name, numbers and a gap."""
    needed = (len(name) + len(_tail(line)) for name, line in zip(names, lines, strict=True))
    return min(max([*needed, 12]) + 5, int(width * _MOST_LABEL))


def _sight(found: PassMap, room: int) -> _Sight:
    """The present phrase and what follows, as wide as leaves two phrases in sight."""
    starts = [at for at, _ in found.phrases]
    begins = max((at for at in starts if at <= found.here), default=0)
    length = starts[1] - starts[0] if len(starts) > 1 else found.passes
    stop = found.passes if found.end is None else found.end
    wanted = min(2 * length, stop - begins)
    sight = _Sight(begins, begins, 1, (0,))
    for wide in range(_WIDEST, 0, -1):
        sight = _fitted(found, begins, wide, room)
        if sight.last - begins >= wanted:
            return sight
    if found.here >= sight.last:
        # A phrase wider than the window is shown in steps of half a window.
        half = max(1, (sight.last - sight.first) // 2)
        sight = _fitted(found, begins + (found.here - begins) // half * half, 1, room)
    return sight


def _fitted(found: PassMap, first: int, wide: int, room: int) -> _Sight:
    starts = {at for at, _ in found.phrases} | {found.end}
    places, left = [], 0
    for at in range(first, found.passes + 1):
        left += at in starts
        places.append(left)
        if left + max(1, wide - 1) > room:
            break
        left += wide
    return _Sight(first, first + len(places) - 1, wide, tuple(places))


def _draw_head(canvas: Canvas, found: PassMap, sight: _Sight, label: int, width: int) -> None:
    of_phrase = not found.ragged and label > 22
    canvas.put(2, 1, "pass of the phrase" if of_phrase else "pass", "quiet")
    shown = [(at, number) for at, number in found.phrases if sight.first <= at < sight.last]
    for index, (at, number) in enumerate(shown):
        left = label + sight.place(at)
        after = shown[index + 1][0] if index + 1 < len(shown) else None
        end = width if after is None else label + sight.place(after) - 1
        if found.end is not None and at >= found.end:
            continue
        text = f"phrase {number}"
        canvas.put(left, 0, text if len(text) <= end - left else str(number)[: end - left], "fact")
    if found.end is not None and sight.first <= found.end <= sight.last:
        # In little room the name moves to the left, but not into that of the last phrase.
        then = f"then {found.then}" if found.then else "the set ends"
        left = min(label + sight.place(found.end), width - len(then) - 1)
        last = max((at for at, _ in shown if at < found.end), default=sight.first)
        left = max(left, label + sight.place(last) + len("phrase 00") + 1)
        canvas.put(left, 0, cut(then, width - left), "strong")
    first_of_phrase = {at for at, _ in found.phrases}
    for at in range(sight.first, sight.last):
        left = label + sight.place(at)
        if at == found.here:
            canvas.put(left, 1, _HERE.center(max(1, sight.wide - 1)), "strong")
        elif (sight.wide >= 3 or at in first_of_phrase) and not _beyond(found, at):
            text = str(found.numbers[at])
            if len(text) < sight.wide or (sight.wide < 3 and at + 1 != found.here):
                canvas.put(left, 1, text, "quiet")


def _beyond(found: PassMap, at: int) -> bool:
    return found.end is not None and at >= found.end


def _draw_cells(
    canvas: Canvas,
    found: PassMap,
    sight: _Sight,
    line: StepLine,
    top: int,
    tall: int,
    label: int,
) -> None:
    starts = {at for at, _ in found.phrases}
    cell = max(1, sight.wide - 1)
    for at in range(sight.first, sight.last):
        left = label + sight.place(at)
        if _beyond(found, at):
            break
        if at in starts:
            canvas.block(left - 1, top, [_RULE] * tall, "spent")
        size, ink = line.sizes[at], _cell_role(line, line.sizes[at], at == found.here)
        for row, glyph in enumerate(_column(size, tall)):
            # A dot says never; blocks fill the cell.
            text = glyph.center(cell) if size == 0 else glyph * cell
            canvas.put(left, top + row, text, ink)
    if found.end is not None and sight.first <= found.end <= sight.last:
        canvas.block(label + sight.place(found.end) - 1, top, [_END] * tall, "spent")


def _line_role(line: StepLine) -> str:
    if line.unplanned:
        return "soon"
    return "quiet" if line.quiet else "strong" if line.rare else "text"


def _cell_role(line: StepLine, size: int, here: bool) -> str:
    """What always plays is dim, and what is muted too: in the dark the eye finds the rest."""
    if size == 0:
        return "here-quiet" if here else "quiet"
    if line.quiet or line.steady:
        return "here-steady" if here else "steady"
    if line.rare:
        return "here-rare" if here else "rare"
    return "here" if here else "chance"


def _column(size: int, tall: int) -> list[str]:
    """The glyphs of a cell, top to bottom: the larger the chance, the higher."""
    if size == 0:
        return [" "] * (tall - 1) + [_NEVER]
    # One eighth stays free at the top, so that lines stay apart.
    eighths = 2 * tall * size - 1
    return [_BLOCKS[max(0, min(8, eighths - 8 * below))] for below in range(tall - 1, -1, -1)]


def _tail(line: StepLine) -> str:
    numbers = " ".join(map(str, line.numbers))
    if len(numbers) > _NUMBERS:
        numbers = numbers[: _NUMBERS - 1].rsplit(" ", 1)[0] + "…"
    return f"{numbers}{'*' if line.rare else ' '}"


def _label(name: str, line: StepLine, width: int) -> str:
    tail = _tail(line)
    room = max(0, width - len(tail) - 1)
    return f"{cut(name, room):{room}} {tail}"[: max(0, width)]


def _foot(found: PassMap, shown: int, width: int) -> Row:
    missing = len(found.lines) - shown + found.left_out
    more = f"  {missing} more steps" if missing else ""
    amiss = f"{_NOT_PLANNED}  " if any(line.unplanned for line in found.lines) else ""
    if len(amiss) + len(more) > width - 2:
        amiss = ""
    room = width - 4 - len(more) - len(amiss)
    key = next((text for text in _KEYS if len(text) <= room), "")
    return (("  ", "quiet"), (amiss, "soon"), (f"{key}{more}", "quiet"))
