"""What all views are drawn on: rows of inked text, repainted only where they changed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.segment import Segment
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from companion.screen.canvas import ROLES, Row

# Names come from people's files; a control character in one must not reach the terminal.
HARMLESS = dict.fromkeys([*range(32), *range(127, 160)], " ")


class Sheet(Widget):
    """Shows rows it is given; each ink's role is a component class `sheet--ROLE`."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"sheet--{role}" for role in ROLES}
    ALLOW_SELECT = False

    def __init__(self) -> None:
        super().__init__()
        self._rows: list[Row] = []

    def show(self, rows: Sequence[Row]) -> None:
        """Show `rows`; rows equal to those already shown are left alone."""
        before, self._rows = self._rows, list(rows)
        changed = [
            i
            for i in range(max(len(before), len(rows)))
            if i >= len(before) or i >= len(rows) or before[i] != rows[i]
        ]
        if changed:
            width = self.size.width
            self.refresh(*(Region(0, i, width, 1) for i in changed))

    def render_line(self, y: int) -> Strip:
        """One row, padded with the ground."""
        width = self.size.width
        if y >= len(self._rows):
            return Strip.blank(width, self.get_component_rich_style("sheet--ground"))
        segments = [
            Segment(text.translate(HARMLESS), self.get_component_rich_style(f"sheet--{role}"))
            for text, role in self._rows[y]
            if text
        ]
        ground = self.get_component_rich_style("sheet--ground")
        return Strip(segments).adjust_cell_length(width, ground)
