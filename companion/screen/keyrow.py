"""The bottom row: the keys of the one list, as many as fit, each with its tooltip and a click."""

from __future__ import annotations

from collections.abc import Iterable

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.events import Click, Resize
from textual.widget import Widget

from companion.screen.key import Key, key_name
from companion.screen.views import View

# Columns between two caps.
_AIR = 2
# What the key of the view that is shown does.
_BACK = "Back"
_NARROW = 48


class KeyCap(Widget):
    """One key and what it does."""

    ALLOW_SELECT = False
    COMPONENT_CLASSES = {"keycap--key"}  # noqa: RUF012

    def __init__(self, key: Key) -> None:
        super().__init__()
        self.key = key
        self.word = key.cap or key.description
        # A view's own key says back while the view is shown; nothing moves for it.
        most = max(len(self.word), len(_BACK) if key.view is not None else 0)
        self.columns = len(key_name(key)) + 1 + most + _AIR
        self.styles.width = self.columns
        self.tooltip = key.tooltip

    def render(self) -> Text:
        """The key, then its description."""
        key = self.get_component_rich_style("keycap--key", partial=True)
        return Text.assemble((key_name(self.key), key), " ", self.word)

    def show_back(self, back: bool) -> None:
        """Say that the key goes back to the stage, or what it shows."""
        word = _BACK if back else self.key.cap or self.key.description
        if word != self.word:
            self.word = word
            self.refresh()

    async def on_click(self, event: Click) -> None:
        """A click does what the key does."""
        event.stop()
        await self.app.run_action(self.key.does)


class KeyRow(Horizontal):
    """The key caps; those that would do nothing now are quiet."""

    def __init__(self, keys: Iterable[Key]) -> None:
        super().__init__(id="keys")
        self._keys = tuple(keys)
        self._working: frozenset[str] = frozenset()
        self._view = View.STAGE

    def compose(self) -> ComposeResult:
        """One cap for each key that is shown."""
        for key in self._keys:
            if key.show:
                yield KeyCap(key)

    def on_resize(self, event: Resize) -> None:
        """Show as many as fit; in a narrow window the margin is narrow too."""
        self.styles.padding = (0, 0, 0, 2 if self.outer_size.width >= _NARROW else 1)
        self.call_after_refresh(self._fit)

    def show_working(self, keys: Iterable[Key], view: View) -> None:
        """Tell which keys would do something now, and which view is shown."""
        if view is not self._view:
            self._view = view
            for cap in self.query(KeyCap):
                cap.show_back(cap.key.view is view)
        working = frozenset(key.id for key in keys)
        if working != self._working:
            self._working = working
            for cap in self.query(KeyCap):
                cap.set_class(cap.key.id not in working, "-refused")
            self._fit()

    def _fit(self) -> None:
        """Help, close and views stay, then the keys that would work now, the most needed first."""
        # The air after the last cap may fall off the edge.
        room = self.size.width + _AIR
        for cap in sorted(self.query(KeyCap), key=self._need):
            cap.display = cap.columns <= room
            room -= cap.columns if cap.display else 0

    def _need(self, cap: KeyCap) -> tuple[bool, bool, int]:
        key = cap.key
        return key.wish, key.id not in self._working, key.need
