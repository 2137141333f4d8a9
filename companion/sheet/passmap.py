"""The pass map on paper: drawn in a terminal as text (`draw`), or into a picture file (`save`).

What it shows is worked out by `companion.counting.build_grid`. The text is readable at 80 columns,
in black and white too; the picture is SVG or PNG, and matplotlib is imported only to draw one.
"""

from __future__ import annotations

from pathlib import Path
from textwrap import wrap

from companion.counting import Grid, GridRow

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

# A step that plays on few passes of a short track may play on many of the pattern's.
OF_ITS_OWN = "rare of its own passes"
# Okabe and Ito, Color Universal Design, 2008: blue for what may play, vermillion for rare steps.
MAY_PLAY = "#0072B2"
RARE = "#D55E00"
CELL_INCHES = 0.22

# The same in ASCII, for terminals that have no such characters.
_PLAIN = str.maketrans("░▒▓█▁▂▃▄▅▆▇·│", ".-+#1234567 |")


def draw(grid: Grid, width: int = 80, *, plain: bool = False) -> str:
    """The map as lines of at most `width` columns (40 or more), in blocks where it is too wide.

    `plain` leaves out what is not ASCII, but for names.
    """
    across = _across(grid, width)
    blocks = [
        _block(grid, first, min(first + across, grid.passes), plain)
        for first in range(0, grid.passes, across)
    ]
    key = KEY.replace("·", "blank").translate(_PLAIN) if plain else KEY
    key = "\n".join(wrap(key, width, break_on_hyphens=False)).replace("\xa0", " ")
    own = [each.name for each in grid.pattern.tracks if _rare_of_its_own(grid, each.name)]
    if own:
        key += "\n" + "\n".join(wrap(f"* at {', '.join(own)}: {OF_ITS_OWN}", width))
    return "\n\n".join([*blocks, key])


def _rare_of_its_own(grid: Grid, name: str) -> bool:
    """Whether a track has rare steps, and passes that are not those of the columns."""
    track = next((each for each in grid.pattern.tracks if each.name == name), None)
    rare = any(row.rare and row.track == name for row in grid.rows)
    # What plays beside counts by itself.
    return rare and (track is None or track.pass_ticks != grid.pattern.pass_ticks)


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


def _block(grid: Grid, first: int, last: int, plain: bool) -> str:
    lines = [_label("pass") + _ruler(grid, first, last)]
    before = ""
    for row in grid.rows:
        name = row.track if row.track != before else ""
        before = row.track
        cells = (_shade(row.chances[at]) for at in range(first, last))
        drawn = _ruled(grid, first, list(cells))
        lines.append(_label(name, row, plain) + (drawn.translate(_PLAIN) if plain else drawn))
    most = max(grid.hits, default=0.0) or 1.0
    fullness = [BARS[round(hit / most * (len(BARS) - 1))] for hit in grid.hits[first:last]]
    drawn = _ruled(grid, first, fullness)
    lines.append(_label("hits expected") + (drawn.translate(_PLAIN) if plain else drawn))
    return "\n".join(line.rstrip() for line in lines)


def _label(name: str, row: GridRow | None = None, plain: bool = False) -> str:
    if row is None:
        return f"{name:<{LABEL}}"[:LABEL]
    numbers = " ".join(map(str, row.numbers))
    if len(numbers) > NUMBERS:
        numbers = numbers[: NUMBERS - 1].rsplit(" ", 1)[0] + ("~" if plain else "…")
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


def _rarity(grid: Grid, row: GridRow) -> str:
    if not row.rare:
        return ""
    return f" ({OF_ITS_OWN})" if _rare_of_its_own(grid, row.track) else " (rare)"


class PictureError(Exception):
    """The picture cannot be written; the message says what to do."""


def save(grid: Grid, title: str, path: Path) -> None:
    """Draw `grid` into `path`, whose name ends in .svg or .png.

    Raises PictureError for another ending or a file that cannot be written.
    """
    if path.suffix.lower() not in (".svg", ".png"):
        raise PictureError(f"{path} ends in neither .svg nor .png; give it one of these endings")
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot
    from matplotlib.patches import Rectangle

    rows, passes = max(1, len(grid.rows)), grid.passes
    size = (max(5.0, 2.6 + passes * CELL_INCHES), 1.5 + (rows + 2) * CELL_INCHES)
    figure, axes = pyplot.subplots(figsize=size, layout="constrained")
    try:
        for y, row in enumerate(grid.rows):
            for x, chance in enumerate(row.chances):
                if chance > 0:
                    colour = RARE if row.rare else MAY_PLAY
                    # Area stands for chance as well as shade, so grey prints tell it too.
                    side = 0.86 * (0.35 + 0.65 * chance)
                    corner = (x + 0.5 - side / 2, y + 0.5 - side / 2)
                    axes.add_patch(
                        Rectangle(corner, side, side, color=colour, alpha=0.25 + 0.75 * chance)
                    )
        for boundary in sorted(grid.boundaries):
            axes.axvline(boundary, color="black", linewidth=1.4)
        axes.set_xlim(0, passes)
        axes.set_ylim(rows, 0)
        axes.set_yticks([y + 0.5 for y in range(len(grid.rows))])
        axes.set_yticklabels(
            [
                f"{row.what or row.track}  {' '.join(map(str, row.numbers))}" + _rarity(grid, row)
                for row in grid.rows
            ],
            fontsize=8,
        )
        marks = sorted(grid.boundaries | {passes - 1})
        axes.set_xticks([mark + 0.5 for mark in marks])
        axes.set_xticklabels([str(mark + 1) for mark in marks], fontsize=8)
        axes.set_xlabel("pass (lines: a phrase begins)")
        axes.set_title(title, fontsize=10)
        figure.savefig(path, dpi=150)
    except OSError as error:
        raise PictureError(f"{path} cannot be written: {error.strerror or error}") from error
    finally:
        pyplot.close(figure)
