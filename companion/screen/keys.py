"""The screen's keys in one list: footer, help and command palette all come from it.

Also why a key would be refused now. What a key does is the app's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from textual.binding import Binding

from companion.link.messages import Snapshot
from companion.screen.views import View

_COUNTING = ("running", "lost")


@dataclass(frozen=True, slots=True)
class Key:
    """One key. `refusal` says in a short sentence why it would do nothing now, or "".

    `cap` is the short word of the bottom row, if not the description. `wish` says that it asks
    something of the engine; `views` are those it works in, `view` is the one it shows.
    """

    key: str
    action: str
    id: str
    description: str
    tooltip: str
    refusal: Callable[[Snapshot], str]
    wish: bool = True
    show: bool = True
    cap: str = ""
    views: tuple[View, ...] = tuple(View)
    view: View | None = None

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
    Key(
        "n",
        "ask_next",
        "next",
        "Next part",
        "Go to the next part at the coming boundary",
        _next,
        cap="Next",
    ),
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
    Key(
        "l",
        "show('SET')",
        "set",
        "Set list",
        "Where we are in the night, and how we are in time; l or escape goes back",
        _always,
        wish=False,
        cap="List",
        view=View.SET,
    ),
    Key(
        "m",
        "show('MAP')",
        "map",
        "Pass map",
        "The running pattern, its passes side by side; m or escape goes back",
        _always,
        wish=False,
        cap="Map",
        view=View.MAP,
    ),
    Key(
        "escape",
        "show('STAGE')",
        "stage",
        "Stage",
        "Back to the stage and its large countdown",
        _always,
        wish=False,
        show=False,
        views=(View.SET, View.MAP),
    ),
    Key(
        "down",
        "scroll(1)",
        "down",
        "Further down",
        "Move the list on by a line; page down by ten",
        _always,
        wish=False,
        show=False,
        views=(View.SET, View.MAP),
    ),
    Key(
        "up",
        "scroll(-1)",
        "up",
        "Further up",
        "Move the list back by a line; page up by ten",
        _always,
        wish=False,
        show=False,
        views=(View.SET, View.MAP),
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


LOOK_ONLY = "This screen only looks; ask on the engine's own screen."


def refusal(
    key: Key,
    snapshot: Snapshot | None,
    connected: bool,
    view: View = View.STAGE,
    *,
    look_only: bool = False,
) -> str:
    """Why `key` would do nothing now in `view`, or ""."""
    if view not in key.views:
        return f"This is the {view.value}."
    if not key.wish:
        return ""
    if look_only:
        return LOOK_ONLY
    if snapshot is None or not connected:
        return NO_ENGINE
    return key.refusal(snapshot)


def key_name(key: Key) -> str:
    """The key as printed, the first of several."""
    name = key.key.split(",")[0]
    return {"escape": "esc"}.get(name, name)
