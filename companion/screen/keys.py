"""The screen's keys in one list: footer, help and command palette all come from it.

Also why a key would be refused now. What a key does is the app's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from textual.binding import Binding

from companion.link.messages import Snapshot

_COUNTING = ("running", "lost")


@dataclass(frozen=True, slots=True)
class Key:
    """One key. `refusal` says in a short sentence why it would do nothing now, or ""."""

    key: str
    action: str
    id: str
    description: str
    tooltip: str
    refusal: Callable[[Snapshot], str]
    wish: bool = True
    show: bool = True

    def binding(self) -> Binding:
        """The key as Textual wants it."""
        return Binding(
            self.key,
            self.action,
            self.description,
            show=self.show,
            id=self.id,
            tooltip=self.tooltip,
            key_display=key_name(self),
        )


def _always(snapshot: Snapshot) -> str:
    return ""


def _next(snapshot: Snapshot) -> str:
    if not snapshot.next_part:
        return "This is the last part."
    if snapshot.state == "lost":
        return "The clock is lost; nothing can be planned."
    return ""


def _back(snapshot: Snapshot) -> str:
    return "No change is on its way." if snapshot.change_ticks is None else ""


def _align(snapshot: Snapshot) -> str:
    if snapshot.state in ("ready", "running"):
        return ""
    return "No clock is running; press play on the instrument."


def _confirm(snapshot: Snapshot) -> str:
    if snapshot.state == "lost":
        return "The clock is lost; wait until it is back."
    if snapshot.state in ("waiting", "ready"):
        return "Nothing is counted yet; press play on the instrument."
    return "The count is sure already." if snapshot.sure else ""


KEYS = (
    Key("n", "ask_next", "next", "Next part", "Go to the next part at the coming boundary", _next),
    Key("b", "ask_back", "back", "Take back", "Withdraw the change that was asked for", _back),
    Key("s", "ask_send", "send", "Sending", "Turn automatic program changes on or off", _always),
    Key(
        "1",
        "ask_align",
        "align",
        "The one",
        "The one of a phrase is now: move the count to it",
        _align,
    ),
    Key(
        "c", "ask_confirm", "confirm", "Count right", "The count is right: trust it again", _confirm
    ),
    Key(
        "0",
        "ask_restart",
        "restart",
        "Part starts now",
        "The part starts now: count it from its first step",
        _align,
        show=False,
    ),
    Key("h,question_mark", "help", "help", "Help", "Keys and cautions", _always, wish=False),
    Key(
        "q,ctrl+q,ctrl+c",
        "leave",
        "leave",
        "Close",
        "Close this screen; asks whether the engine goes on",
        _always,
        wish=False,
    ),
)

NO_ENGINE = "The engine does not answer; nothing was asked of it."


def refusal(key: Key, snapshot: Snapshot | None, connected: bool) -> str:
    """Why `key` would do nothing now, or ""."""
    if not key.wish:
        return ""
    if snapshot is None or not connected:
        return NO_ENGINE
    return key.refusal(snapshot)


def key_name(key: Key) -> str:
    """The key as printed, the first of several."""
    return key.key.split(",")[0]
