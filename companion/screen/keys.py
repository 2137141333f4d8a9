"""The screen's keys in one list: the row of keys, help and command palette come from it.

What a key does is the app's; why it would be refused is the engine's to say, in each snapshot.

No key is a chord. The one wish with no way back, `r`, has no key next to it; what is asked for
at a boundary can be undone; a count is only moved by keys that stand by themselves. What is rarely
needed has no key, and is found by name.

The row is the bottom one, with as many keys as fit, each with its tooltip and a click; the palette
offers those that would work now.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding
from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.containers import Horizontal
from textual.events import Click, Resize
from textual.widget import Widget

from companion.link.messages import Snapshot
from companion.screen.layout import View
from companion.screen.sentences import sentence
from companion.wishes import Ask, Wish

# So soon after a press the same key is held down rather than pressed again.
HELD_NS = 120_000_000


@dataclass(frozen=True, slots=True)
class Key:
    """One key.

    `key` is "" for what only the palette offers. `asks` is the wish it sends, and stands for all of
    them where `action` lets one be chosen; without one `action` says what it does. `cap` is the
    short word of the bottom row, if not the description, and `need` how soon it has a place there
    where not all do, the lowest first. `views` are those it works in, `view` is the one it shows.
    `rest_ns` is how long after a press the same key does nothing. `while_sending` is the same key
    for as long as program changes go out by themselves, where it is another then; `once_asked` the
    same for as long as what it asks would do nothing. With `rehearsal` it is there in those only.
    """

    key: str
    id: str
    description: str
    tooltip: str
    asks: Wish | None = None
    action: str = ""
    show: bool = False
    cap: str = ""
    need: int = 0
    views: tuple[View, ...] = tuple(View)
    view: View | None = None
    rest_ns: int = HELD_NS
    while_sending: Key | None = None
    once_asked: Key | None = None
    rehearsal: bool = False

    def at(self, snapshot: Snapshot | None) -> Key:
        """The key as it is while the engine says that."""
        if snapshot is not None and self.asks is not None and self.once_asked is not None:
            return self if snapshot.why_not(self.asks) is None else self.once_asked
        sending = snapshot is not None and snapshot.sending
        return self.while_sending if sending and self.while_sending is not None else self

    @property
    def wish(self) -> bool:
        """Whether it asks something of the engine."""
        return self.asks is not None

    @property
    def does(self) -> str:
        """The action, by name."""
        return self.action or f"ask('{self.id}')"

    def offered(self, snapshot: Snapshot | None) -> bool:
        """Whether there is such a key at all."""
        return not self.rehearsal or (snapshot is not None and snapshot.rehearsal)

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


_OTHERS = (View.SET, View.MAP)
# Gone at once, the next part is there; a second press would leave it again.
TWICE_NS = 2_000_000_000


_SENDING = Key(
    "s",
    "send",
    "Stop sending",
    "Let no program change go out by itself from now on; change by hand",
    Wish(Ask.DISARM),
)
_PAUSING = Key(
    "space",
    "start",
    "Pause",
    "Pause the rehearsal: every note ends, and space goes on from here",
    Wish(Ask.PAUSE),
    rehearsal=True,
)
KEYS = (
    Key(
        "space",
        "start",
        "Start",
        "Start the rehearsal, or go on after a pause",
        Wish(Ask.START),
        show=True,
        cap="Start/pause",
        need=0,
        once_asked=_PAUSING,
        rehearsal=True,
    ),
    Key(
        "n",
        "next",
        "Next part",
        "Go to the next part at the coming boundary",
        Wish(Ask.NEXT),
        show=True,
        cap="Next",
        need=0,
    ),
    Key(
        "k",
        "stay",
        "Stay",
        "Keep playing this part past its planned end; once more lets it end",
        Wish(Ask.STAY),
        show=True,
        need=2,
    ),
    Key(
        "u,backspace",
        "undo",
        "Undo",
        "Undo the latest wish, until it has happened; backspace does it too",
        Wish(Ask.UNDO),
        show=True,
        need=3,
    ),
    Key(
        "g",
        "part",
        "Go to a part",
        "Choose any part of the set, and go there at the coming boundary",
        Wish(Ask.PART),
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
        Wish(Ask.NEXT, "pass"),
    ),
    Key(
        "r",
        "now",
        "Right now",
        "Go to the next part as soon as the instrument can; there may be no way back",
        Wish(Ask.NOW),
        rest_ns=TWICE_NS,
    ),
    Key(
        "b",
        "previous",
        "Part before",
        "Go back to the part before this one at the coming boundary",
        Wish(Ask.PREVIOUS),
    ),
    Key(
        "j",
        "next song",
        "Next song",
        "Go to the first part of the next song at the coming boundary",
        Wish(Ask.NEXT_SONG),
    ),
    Key(
        "v",
        "previous song",
        "Song before",
        "Go back to the first part of the song before at the coming boundary",
        Wish(Ask.PREVIOUS_SONG),
    ),
    Key(
        "a",
        "song again",
        "Song again",
        "Play this song again from its first part, from the coming boundary on",
        Wish(Ask.SONG_AGAIN),
    ),
    Key(
        "w",
        "tell",
        "Send programs",
        "Send each instrument the program that this part wants, where nobody has told it yet",
        Wish(Ask.PROGRAMS),
    ),
    Key(
        "1",
        "align",
        "The one",
        "The one of a phrase is now: move the count to it; twice while the count is sure",
        Wish(Ask.ALIGN, "phrase"),
        show=True,
        need=4,
    ),
    Key(
        "c",
        "confirm",
        "Count is right",
        "The count on the screen is right: trust it again",
        Wish(Ask.CONFIRM),
        show=True,
        need=1,
    ),
    Key(
        "y",
        "done",
        "Cue done",
        "The cue that is due is done: note it in the take",
        Wish(Ask.DONE),
    ),
    Key(
        "i",
        "mark",
        "Remember",
        "Remember this moment: note it in the take",
        Wish(Ask.MARK),
    ),
    Key(
        "0",
        "restart",
        "Part starts now",
        "The part starts now: count it from its first step; twice while the count is sure",
        Wish(Ask.ALIGN),
    ),
    Key(
        "right",
        "pass forward",
        "A pass forward",
        "The count is a pass behind: move it on",
        Wish(Ask.NUDGE_FORWARD, "pass"),
        views=(View.STAGE,),
    ),
    Key(
        "left",
        "pass back",
        "A pass back",
        "The count is a pass ahead: move it back",
        Wish(Ask.NUDGE_BACK, "pass"),
        views=(View.STAGE,),
    ),
    Key(
        "",
        "phrase forward",
        "A phrase forward",
        "The count is a phrase behind: move it on",
        Wish(Ask.NUDGE_FORWARD, "phrase"),
    ),
    Key(
        "",
        "phrase back",
        "A phrase back",
        "The count is a phrase ahead: move it back",
        Wish(Ask.NUDGE_BACK, "phrase"),
    ),
    Key(
        "",
        "align bar",
        "The one of a bar",
        "A bar begins now: move the count to it",
        Wish(Ask.ALIGN, "bar"),
    ),
    Key(
        "",
        "align pass",
        "The one of a pass",
        "A pass begins now: move the count to it",
        Wish(Ask.ALIGN, "pass"),
    ),
    Key(
        "s",
        "send",
        "Start sending",
        "Let program changes go out by themselves from now on",
        Wish(Ask.ARM),
        while_sending=_SENDING,
    ),
    Key(
        "p",
        "put away",
        "Put away",
        "Show the troubles of now no more, until they change",
        action="put_away",
    ),
    Key(
        "l",
        "set",
        "Set list",
        "Where we are in the night, and how we are in time; l or escape goes back",
        action="show('SET')",
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
        views=_OTHERS,
    ),
    Key(
        "down",
        "down",
        "Further down",
        "Move the list on by a line; page down by ten",
        action="scroll(1)",
        views=_OTHERS,
    ),
    Key(
        "up",
        "up",
        "Further up",
        "Move the list back by a line; page up by ten",
        action="scroll(-1)",
        views=_OTHERS,
    ),
    Key("h,question_mark", "help", "Help", "Keys and cautions", action="help", show=True),
    Key(
        "q,ctrl+q,ctrl+c",
        "leave",
        "Close",
        "Close this screen; asks whether the engine goes on",
        action="leave",
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

NO_REHEARSAL = "This is no rehearsal: start and stop on the instrument."
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
    """Why `key` would do nothing now in `view`, or ""; of a wish that is the engine's to say."""
    if not key.wish:
        if view not in key.views:
            return f"This is the {view.value}."
        idle = snapshot is not None and key.id == "put away" and not snapshot.troubles
        return "There is no trouble to put away." if idle else ""
    if look_only:
        return LOOK_ONLY
    if view not in key.views:
        return f"This is the {view.value}; escape goes back to the stage."
    if snapshot is None or not connected:
        return NO_ENGINE
    if not key.offered(snapshot):
        return NO_REHEARSAL
    asks = key.at(snapshot).asks
    why = None if asks is None else snapshot.why_not(asks)
    return "" if why is None else sentence(why.words)


# -- the row of keys, and the command palette -------------------------------------------------

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
            there = not cap.key.rehearsal or cap.key.id in self._working
            cap.display = there and cap.columns <= room
            room -= cap.columns if cap.display else 0

    def _need(self, cap: KeyCap) -> tuple[bool, bool, int]:
        key = cap.key
        return key.wish, key.id not in self._working, key.need


# Stands where nothing is typed yet.
ANYTHING = "Type what you want…"


class KeyProvider(Provider):
    """Offers the keys that would work now."""

    async def discover(self) -> Hits:
        """All of them, before anything is typed."""
        for key, run in self._offers():
            yield DiscoveryHit(key.description, run, help=key.tooltip)

    async def search(self, query: str) -> Hits:
        """Those that match what was typed."""
        matcher = self.matcher(query)
        for key, run in self._offers():
            score = matcher.match(f"{key.description} {key.tooltip}")
            if score > 0:
                yield Hit(score, matcher.highlight(key.description), run, help=key.tooltip)

    def _offers(self) -> Iterator[tuple[Key, Callable[[], object]]]:
        app = self.app
        for key in app.keys_now():  # type: ignore[attr-defined]

            def run(action: str = key.does) -> object:
                return app.run_action(action)

            yield key, run
