"""The screen's keys in one list: footer, help and command palette come from it.

What a key is is in key; what it does is the app's, why it would be refused is in refusals.

No key is a chord. The one wish with no way back, `r`, has no key next to it; what is asked for
at a boundary can be undone; a count is only moved by keys that stand by themselves. What is rarely
needed has no key, and is found by name.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from companion.link.messages import Snapshot, Wish
from companion.screen import refusals
from companion.screen.key import Key
from companion.screen.views import View

_OTHERS = (View.SET, View.MAP)
# Gone at once, the next part is there; a second press would leave it again.
TWICE_NS = 2_000_000_000


def _asks(name: str, unit: str = "") -> Callable[[Snapshot], Wish]:
    wish = Wish(name, unit)
    return lambda snapshot: wish


def _arm_or_not(snapshot: Snapshot) -> Wish:
    return Wish("disarm" if snapshot.sending else "arm")


KEYS = (
    Key(
        "n",
        "next",
        "Next part",
        "Go to the next part at the coming boundary",
        refusals.to_go,
        _asks("next"),
        show=True,
        cap="Next",
        need=0,
    ),
    Key(
        "k",
        "stay",
        "Stay",
        "Keep playing this part past its planned end; once more lets it end",
        refusals.to_stay,
        _asks("stay"),
        show=True,
        need=2,
    ),
    Key(
        "u,backspace",
        "undo",
        "Undo",
        "Undo the latest wish, until it has happened; backspace does it too",
        refusals.to_undo,
        _asks("undo"),
        show=True,
        need=3,
    ),
    Key(
        "g",
        "part",
        "Go to a part",
        "Choose any part of the set, and go there at the coming boundary",
        refusals.to_choose,
        action="choose_part",
        show=True,
        cap="Go to",
        need=5,
    ),
    Key(
        "x",
        "next pass",
        "Next part, soon",
        "Go to the next part at the end of a pass, not of the phrase",
        refusals.to_go,
        _asks("next", "pass"),
    ),
    Key(
        "r",
        "now",
        "Right now",
        "Go to the next part as soon as the instrument can; there may be no way back",
        refusals.to_go_now,
        _asks("now"),
        rest_ns=TWICE_NS,
    ),
    Key(
        "b",
        "back",
        "Take back",
        "Withdraw the change that was asked for",
        refusals.to_take_back,
        _asks("back"),
    ),
    Key(
        "1",
        "align",
        "The one",
        "The one of a phrase is now: move the count to it",
        refusals.to_align,
        _asks("align", "phrase"),
        show=True,
        need=4,
    ),
    Key(
        "c",
        "confirm",
        "Count right",
        "The count is right: trust it again",
        refusals.to_confirm,
        _asks("confirm"),
        show=True,
        need=1,
    ),
    Key(
        "0",
        "restart",
        "Part starts now",
        "The part starts now: count it from its first step",
        refusals.to_align,
        _asks("align"),
    ),
    Key(
        "right",
        "pass forward",
        "A pass forward",
        "The count is a pass behind: move it on",
        refusals.to_nudge_forward,
        _asks("nudge forward", "pass"),
        views=(View.STAGE,),
    ),
    Key(
        "left",
        "pass back",
        "A pass back",
        "The count is a pass ahead: move it back",
        refusals.to_nudge_back_a_pass,
        _asks("nudge back", "pass"),
        views=(View.STAGE,),
    ),
    Key(
        "",
        "phrase forward",
        "A phrase forward",
        "The count is a phrase behind: move it on",
        refusals.to_nudge_forward,
        _asks("nudge forward", "phrase"),
    ),
    Key(
        "",
        "phrase back",
        "A phrase back",
        "The count is a phrase ahead: move it back",
        refusals.to_nudge_back_a_phrase,
        _asks("nudge back", "phrase"),
    ),
    Key(
        "",
        "align bar",
        "The one of a bar",
        "A bar begins now: move the count to it",
        refusals.to_align,
        _asks("align", "bar"),
    ),
    Key(
        "",
        "align pass",
        "The one of a pass",
        "A pass begins now: move the count to it",
        refusals.to_align,
        _asks("align", "pass"),
    ),
    Key(
        "s",
        "send",
        "Sending",
        "Turn automatic program changes on or off",
        refusals.never,
        _arm_or_not,
    ),
    Key(
        "l",
        "set",
        "Set list",
        "Where we are in the night, and how we are in time; l or escape goes back",
        action="show('SET')",
        wish=False,
        show=True,
        cap="List",
        view=View.SET,
    ),
    Key(
        "m",
        "map",
        "Pass map",
        "The running pattern, its passes side by side; m or escape goes back",
        action="show('MAP')",
        wish=False,
        show=True,
        cap="Map",
        view=View.MAP,
    ),
    Key(
        "escape",
        "stage",
        "Stage",
        "Back to the stage and its large countdown",
        action="show('STAGE')",
        wish=False,
        views=_OTHERS,
    ),
    Key(
        "down",
        "down",
        "Further down",
        "Move the list on by a line; page down by ten",
        action="scroll(1)",
        wish=False,
        views=_OTHERS,
    ),
    Key(
        "up",
        "up",
        "Further up",
        "Move the list back by a line; page up by ten",
        action="scroll(-1)",
        wish=False,
        views=_OTHERS,
    ),
    Key(
        "h,question_mark", "help", "Help", "Keys and cautions", action="help", wish=False, show=True
    ),
    Key(
        "q,ctrl+q,ctrl+c",
        "leave",
        "Close",
        "Close this screen; asks whether the engine goes on",
        action="leave",
        wish=False,
        show=True,
    ),
)
KEY = {key.id: key for key in KEYS}
# Those of a screen that only looks: no wishes, and nothing to ask when it is closed.
LOOKING = tuple(
    replace(key, tooltip="Close this screen; the engine goes on") if key.id == "leave" else key
    for key in KEYS
    if not key.wish
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
    if not key.wish:
        return "" if view in key.views else f"This is the {view.value}."
    if look_only:
        return LOOK_ONLY
    if view not in key.views:
        return f"This is the {view.value}; escape goes back to the stage."
    if snapshot is None or not connected:
        return NO_ENGINE
    return key.refusal(snapshot)
