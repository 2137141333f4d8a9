"""The pass map in a terminal: readable at 80 columns, in black and white too. Plain text only."""

from __future__ import annotations

from textwrap import wrap

from companion.counting.grid import Grid, Row

# From never to always; told apart by shape alone.
SHADES = " ░▒▓█"
BARS = "▁▂▃▄▅▆▇█"
NEVER = "·"
LABEL = 22
NUMBERS = 10
# Hard spaces keep a sign and its meaning on one line.
KEY = (
    "█\xa0always  ▓\xa0over\xa01\xa0in\xa02  ▒\xa0over\xa01\xa0in\xa04  ░\xa0less  ·\xa0never"
    "  *\xa0rare  │\xa0a\xa0phrase\xa0begins"
)


def draw(grid: Grid, width: int = 80) -> str:
    """The map as lines of at most `width` columns (40 or more), in blocks where it is too wide."""
    across = _across(grid, width)
    blocks = [
        _block(grid, first, min(first + across, grid.passes))
        for first in range(0, grid.passes, across)
    ]
    key = "\n".join(wrap(KEY, width, break_on_hyphens=False)).replace("\xa0", " ")
    return "\n\n".join([*blocks, key])


def _across(grid: Grid, width: int) -> int:
    """How many passes fit side by side: whole phrases if one fits."""
    room = width - LABEL - 1
    phrase = grid.pattern.phrase_ticks // grid.pattern.pass_ticks
    fits = max(1, room)
    while fits > 1 and fits + _rules(grid, fits) > room:
        fits -= 1
    if 0 < phrase <= fits and not grid.ragged:
        fits -= fits % phrase
    return fits


def _rules(grid: Grid, passes: int) -> int:
    return sum(1 for boundary in grid.boundaries if boundary < passes)


def _block(grid: Grid, first: int, last: int) -> str:
    lines = [_label("pass") + _ruler(grid, first, last)]
    before = ""
    for row in grid.rows:
        name = row.track if row.track != before else ""
        before = row.track
        cells = (_shade(row.chances[at]) for at in range(first, last))
        lines.append(_label(name, row) + _ruled(grid, first, list(cells)))
    most = max(grid.hits, default=0.0) or 1.0
    fullness = [BARS[round(hit / most * (len(BARS) - 1))] for hit in grid.hits[first:last]]
    lines.append(_label("hits expected") + _ruled(grid, first, fullness))
    return "\n".join(line.rstrip() for line in lines)


def _label(name: str, row: Row | None = None) -> str:
    if row is None:
        return f"{name:<{LABEL}}"[:LABEL]
    numbers = " ".join(map(str, row.numbers))
    if len(numbers) > NUMBERS:
        numbers = numbers[: NUMBERS - 1].rsplit(" ", 1)[0] + "…"
    room = LABEL - 3 - len(numbers)
    return f"{name[:room]:<{room}} {numbers}{'*' if row.rare else ' '} "


def _ruler(grid: Grid, first: int, last: int) -> str:
    """Pass numbers over the passes that begin a phrase."""
    out = ""
    width = 0
    for at in range(first, last):
        width += (at in grid.boundaries) + 1
        if at in grid.boundaries or at == first:
            place = width - 1
            if place >= len(out) + (len(out) > 0):
                out = out.ljust(place) + str(at + 1)
    return out


def _ruled(grid: Grid, first: int, cells: list[str]) -> str:
    return "".join(
        ("│" if first + at in grid.boundaries else "") + cell for at, cell in enumerate(cells)
    )


def _shade(chance: float) -> str:
    if chance <= 0:
        return NEVER
    if chance >= 1:
        return SHADES[4]
    return SHADES[1] if chance <= 0.25 else SHADES[2] if chance <= 0.5 else SHADES[3]
