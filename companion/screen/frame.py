"""What the countdown has at every size: its role, its rails, the line of what is left, its facts.

Pure. The figure as large as the stage is in dial, as small as a strip in strip.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.screen.canvas import Canvas, Ink, Row
from companion.screen.reading import Reading
from companion.screen.reckon import Stage

_STAGE_ROLES = ("far", "near", "imminent", "now")


def dial_role(reading: Reading) -> str:
    """The role of the figures: the stage's, dimmed when the count only runs on by itself."""
    if reading.condition in ("lost", "gone"):
        return "dim"
    return _STAGE_ROLES[reading.stage]


def plain_role(role: str) -> str:
    """The role of plain text that stands among figures of `role`."""
    return "now" if role == Stage.NOW.name.lower() else "fact"


@dataclass(frozen=True, slots=True)
class Rails:
    """Bright rails that close in from both sides as the boundary nears.

    `room` columns are always kept free for them on each side, so that nothing else moves; `wide`
    are in use.
    """

    role: str
    room: int
    wide: int

    @classmethod
    def beside(cls, reading: Reading, width: int) -> Rails:
        """The rails of a countdown `width` columns wide."""
        role = dial_role(reading)
        most = max(1, width // 40)
        wide = 0 if role == "dim" else (0, (most + 1) // 2, most, 0)[reading.stage]
        return cls(role, most + 1, wide)

    @property
    def ground(self) -> str:
        """The role of what lies under the countdown."""
        return "now" if self.role == "now" else "ground"

    def around(self, rows: list[Row]) -> list[Row]:
        """The rows with a rail on each side."""
        free = " " * (self.room - self.wide)
        left: tuple[Ink, ...] = (("█" * self.wide, self.role), (free, self.ground))
        right: tuple[Ink, ...] = ((free, self.ground), ("█" * self.wide, self.role))
        return [(*left, *row, *right) for row in rows]


def facts(reading: Reading) -> list[tuple[str, str]]:
    """Pass, phrase and time left, each long and short."""
    if reading.pass_fact is None or reading.phrase_fact is None:
        return []
    in_phrase, passes = reading.pass_fact
    phrase, planned = reading.phrase_fact
    inside = planned is not None and phrase <= planned
    known = [
        (f"pass {in_phrase} of {passes}", f"pass {in_phrase}/{passes}"),
        (
            f"phrase {phrase} of {planned}" if inside else f"phrase {phrase}",
            f"phrase {phrase}/{planned}" if inside else f"phrase {phrase}",
        ),
    ]
    return [*known, (reading.clock, reading.clock)] if reading.clock else known


def draw_line(
    canvas: Canvas, reading: Reading, role: str, row: int, width: int, calm: bool
) -> None:
    """The line of what is left of the phrase, at its end the beat unless `calm`."""
    line = width if calm else width - 3
    full = min(line, -(-reading.left * line // max(1, reading.whole)))
    if reading.condition in ("waiting", "ready", "gone"):
        full = 0
    canvas.put(0, row, "━" * full, role)
    canvas.put(full, row, "─" * (line - full), "now" if role == "now" else "spent")
    if reading.lit and not calm:
        canvas.put(width - 2, row, "██", role)
