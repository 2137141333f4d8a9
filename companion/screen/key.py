"""What a key of the screen is. Which there are is in keys, why one would be refused in refusals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from textual.binding import Binding

from companion.link.messages import Snapshot, Wish
from companion.screen import refusals
from companion.screen.refusals import Refusal
from companion.screen.views import View

# So soon after a press the same key is held down rather than pressed again.
HELD_NS = 120_000_000


@dataclass(frozen=True, slots=True)
class Key:
    """One key. `refusal` says in a short sentence why it would do nothing now, or "".

    `key` is "" for what only the palette offers. `asks` is the wish it sends; without one `action`
    says what it does. `cap` is the short word of the bottom row, if not the description, and `need`
    how soon it has a place there where not all do, the lowest first. `wish` says that it asks
    something of the engine; `views` are those it works in, `view` is the one it shows. `rest_ns` is
    how long after a press the same key does nothing.
    """

    key: str
    id: str
    description: str
    tooltip: str
    refusal: Refusal = refusals.never
    asks: Callable[[Snapshot], Wish] | None = None
    action: str = ""
    wish: bool = True
    show: bool = False
    cap: str = ""
    need: int = 0
    views: tuple[View, ...] = tuple(View)
    view: View | None = None
    rest_ns: int = HELD_NS

    @property
    def does(self) -> str:
        """The action, by name."""
        return self.action or f"ask('{self.id}')"

    def binding(self) -> Binding:
        """The key as Textual wants it."""
        return Binding(
            self.key,
            self.does,
            self.description,
            show=self.show,
            id=self.id,
            tooltip=self.tooltip,
            key_display=key_name(self),
        )


def key_name(key: Key) -> str:
    """The key as printed, the first of several; "" where there is none."""
    name = key.key.split(",")[0]
    return {"escape": "esc"}.get(name, name)
