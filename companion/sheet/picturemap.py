"""The pass map as a picture file, SVG or PNG. matplotlib is imported only when one is drawn."""

from __future__ import annotations

from pathlib import Path

from companion.counting.grid import Grid

# Okabe and Ito, Color Universal Design, 2008: blue for what may play, vermillion for rare steps.
STEADY = "#0072B2"
RARE = "#D55E00"
CELL_IN = 0.22


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
    size = (max(5.0, 2.6 + passes * CELL_IN), 1.5 + (rows + 2) * CELL_IN)
    figure, axes = pyplot.subplots(figsize=size, layout="constrained")
    try:
        for y, row in enumerate(grid.rows):
            for x, chance in enumerate(row.chances):
                if chance > 0:
                    colour = RARE if row.rare else STEADY
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
                f"{row.what or row.track}  {' '.join(map(str, row.numbers))}"
                + (" (rare)" if row.rare else "")
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
