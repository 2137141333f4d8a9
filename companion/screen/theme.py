"""The screen's own two palettes, dark and light, as Textual themes. Where they go is stage.tcss's.

Hues start from those of Okabe and Ito (Color Universal Design, 2008), moved in brightness until
every text keeps a contrast of 7:1 (WCAG 2.2, 1.4.6) and colour-blind eyes still tell them apart.
No state is told by colour alone, and a colour says one thing: blue, all is well (in the pass map,
a chance); yellow, the nearer the stronger, that something is near; coral, in daylight plum, that
something is not in order; grey, that the count stands or may be wrong. None is a saturated red as
WCAG 2.2 defines it (2.3.1).
"""

from __future__ import annotations

from rich.segment import Segment
from textual.color import Color
from textual.filter import LineFilter
from textual.theme import Theme

DARK_VARIABLES = {
    "ground": "#05070A",
    "raised": "#12181F",
    "far": "#56B4E9",
    "near": "#A8A405",
    "imminent": "#FFF36B",
    "now-ground": "#FFF36B",
    "now-ink": "#000000",
    "still": "#9DA7B1",
    "fact": "#D5DCE2",
    "strong": "#FFFFFF",
    "plain": "#D5DCE2",
    "quiet-ink": "#A3ADB7",
    "spent": "#56616C",
    "soon": "#FFF36B",
    "amiss": "#F08E89",
    "alarm-ground": "#F08E89",
    "alarm-ink": "#000000",
    "note-ground": "#1F2933",
    "note-ink": "#E6EBEF",
    "pick-ground": "#56B4E9",
    "pick-ink": "#000000",
    "pick-quiet": "#00446B",
    "here-far": "#7CC7F2",
    "here-dim": "#93A3B1",
}

LIGHT_VARIABLES = {
    "ground": "#FFFFFF",
    "raised": "#F0F2F4",
    "far": "#00507F",
    "near": "#645406",
    "imminent": "#1A1400",
    "now-ground": "#1A1400",
    "now-ink": "#FFE94D",
    "still": "#4C545B",
    "fact": "#23292E",
    "strong": "#000000",
    "plain": "#1C2126",
    "quiet-ink": "#454D54",
    "spent": "#8A939B",
    "soon": "#645406",
    "amiss": "#4F0944",
    "alarm-ground": "#4F0944",
    "alarm-ink": "#FFFFFF",
    "note-ground": "#DDE2E6",
    "note-ink": "#1C2126",
    "pick-ground": "#00507F",
    "pick-ink": "#FFFFFF",
    "pick-quiet": "#C5E2F4",
    "here-far": "#00507F",
    "here-dim": "#66727C",
}


def _theme(name: str, dark: bool, variables: dict[str, str]) -> Theme:
    return Theme(
        name=name,
        primary=variables["far"],
        secondary=variables["near"],
        accent=variables["imminent"],
        warning=variables["alarm-ground"],
        error=variables["alarm-ground"],
        success=variables["far"],
        foreground=variables["plain"],
        background=variables["ground"],
        surface=variables["ground"],
        panel=variables["raised"],
        dark=dark,
        variables=variables,
    )


DARK = _theme("stage-dark", True, DARK_VARIABLES)
LIGHT = _theme("stage-light", False, LIGHT_VARIABLES)


class PlainLines(LineFilter):
    """Draws in ASCII what a terminal without block characters has no letters for."""

    # Shades and eighths by their fullness, halves by where they stand; all one column wide.
    _SIGNS = str.maketrans("█▀▄▌▐░▒▓▁▂▃▅▆▇━─│║·…▼", '#"_##.-+...=##=-|!.~v')

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """The segments with other signs."""
        return [
            Segment(segment.text.translate(self._SIGNS), segment.style, segment.control)
            for segment in segments
        ]


PLAIN_LINES = PlainLines()
