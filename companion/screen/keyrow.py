"""The bottom row: the keys of the one list, as many as fit, each with its tooltip and a click."""

from __future__ import annotations

from collections.abc import Iterable

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.events import Click, Resize
from textual.widget import Widget

from companion.screen.keys import KEYS, Key, key_name

# Columns between two caps.
_AIR = 2


class KeyCap(Widget):
    """One key and what it does."""

    ALLOW_SELECT = False
    COMPONENT_CLASSES = {"keycap--key"}  # noqa: RUF012

    def __init__(self, key: Key) -> None:
        super().__init__()
        self.key = key
        self.columns = len(key_name(key)) + 1 + len(key.description) + _AIR
        self.styles.width = self.columns
        self.tooltip = key.tooltip

    def render(self) -> Text:
        """The key, then its description."""
        key = self.get_component_rich_style("keycap--key", partial=True)
        return Text.assemble((key_name(self.key), key), " ", self.key.description)

    async def on_click(self, event: Click) -> None:
        """A click does what the key does."""
        event.stop()
        await self.app.run_action(self.key.action)


class KeyRow(Horizontal):
    """The key caps; those that would do nothing now are quiet."""

    def __init__(self) -> None:
        super().__init__(id="keys")
        self._working: frozenset[str] = frozenset()

    def compose(self) -> ComposeResult:
        """One cap for each key that is shown."""
        for key in KEYS:
            if key.show:
                yield KeyCap(key)

    def on_resize(self, event: Resize) -> None:
        """Show as many as fit."""
        self._fit()

    def show_working(self, keys: Iterable[Key]) -> None:
        """Tell which keys would do something now."""
        working = frozenset(key.id for key in keys)
        if working != self._working:
            self._working = working
            for cap in self.query(KeyCap):
                cap.set_class(cap.key.id not in working, "-refused")
            self._fit()

    def _fit(self) -> None:
        """In a narrow window help and close stay, then the keys that would work now."""
        # The air after the last cap may fall off the edge.
        room = self.size.width + _AIR
        for cap in sorted(self.query(KeyCap), key=self._need):
            cap.display = cap.columns <= room
            room -= cap.columns if cap.display else 0

    def _need(self, cap: KeyCap) -> tuple[bool, bool]:
        return cap.key.wish, cap.key.id not in self._working
