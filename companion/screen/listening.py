"""A screen that watches a pattern being learned: lines that fill in, and two keys.

What the lines say is the caller's; here they are shown, and keys are passed on.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Footer, Static

# How often the lines are asked for.
LOOK_S = 0.25


class ListeningApp(App[bool]):
    """Shows what `look` returns: lines, or None once there is nothing more to listen to.

    It ends with True if what was heard is to be kept, False if not. `one` is called when the
    performer says that the one is now.
    """

    CSS = "Static { padding: 0 1; } VerticalScroll { height: 1fr; }"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("1", "one", "the one is now"),
        Binding("enter,q", "end", "that is enough"),
        Binding("ctrl+c,escape", "drop", "learn nothing", priority=True),
    ]

    def __init__(self, look: Callable[[], list[str] | None], one: Callable[[], None]) -> None:
        super().__init__()
        self._look = look
        self._one = one

    def compose(self) -> ComposeResult:
        """Lines, and the keys below them."""
        with VerticalScroll():
            yield Static(id="lines")
        yield Footer()

    def on_mount(self) -> None:
        """Look at once, and again and again."""
        self.set_interval(LOOK_S, self._refresh_lines)
        self._refresh_lines()

    def _refresh_lines(self) -> None:
        lines = self._look()
        if lines is None:
            self.exit(True)
            return
        self.query_one("#lines", Static).update(Content("\n".join(lines)))

    def action_one(self) -> None:
        """The one is now."""
        self._one()

    def action_end(self) -> None:
        """Enough was heard."""
        self.exit(True)

    def action_drop(self) -> None:
        """Nothing is to be learned."""
        self.exit(False)
