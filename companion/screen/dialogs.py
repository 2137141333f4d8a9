"""The screens laid over the stage: whether the engine goes on, and help. They decide nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.events import Click, Resize
from textual.screen import ModalScreen
from textual.widget import Widget
from textual.widgets import Static

from companion.screen.key import Key, key_name
from companion.screen.views import View

CAUTIONS = (
    "Sound: a program change or an unmute can be far louder than what went before. Check levels "
    "at low volume; protect your hearing.",
    "Light: nothing on this screen flashes more than three times a second; a beat pulse above 180 "
    "beats a minute halves itself. Started with --calm, nothing pulses at all.",
    "Never let this tool drive anything that can hurt: no pyrotechnics, lasers, moving rigs or "
    "stage machinery. Those belong to licensed practice, with their own interlocks, under local "
    "rules.",
    "Do not operate it while driving or working at height.",
)

KEEP, STOP, BACK = "keep", "stop", ""


class Choice(Widget, can_focus=True):
    """One line that can be chosen."""

    ALLOW_SELECT = False

    def __init__(self, key: str, text: str, answer: str) -> None:
        super().__init__()
        self._text = f" {key}  {text}"
        self.answer = answer

    def render(self) -> str:
        """The line."""
        return self._text

    def on_click(self, event: Click) -> None:
        """A click chooses."""
        event.stop()
        if isinstance(self.screen, Leave):
            self.screen.dismiss(self.answer)


class Leave(ModalScreen[str]):
    """Asks whether the engine goes on; returns KEEP, STOP or BACK."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("k", "answer('keep')", "Keep it running"),
        Binding("s", "answer('stop')", "Stop it too"),
        Binding("b,escape", "answer('')", "Back"),
        Binding("down,right,tab", "app.focus_next", "Down", show=False),
        Binding("up,left,shift+tab", "app.focus_previous", "Up", show=False),
        Binding("enter", "pick", "Choose"),
        # The key that opened this asks nothing twice.
        Binding("q,ctrl+q,ctrl+c,ctrl+p", "nothing", show=False),
    ]
    AUTO_FOCUS = "Choice"

    def compose(self) -> ComposeResult:
        """A question and three answers; the harmless one has the focus."""
        with Vertical():
            yield Static("This screen closes. Does the engine go on?")
            yield Choice("k", "Keep the engine running", KEEP)
            yield Choice("s", "Stop the engine too", STOP)
            yield Choice("b", "Back to the screen", BACK)

    def action_answer(self, answer: str) -> None:
        """Close with `answer`."""
        self.dismiss(answer)

    def action_pick(self) -> None:
        """Close with the answer that has the focus."""
        if isinstance(self.focused, Choice):
            self.dismiss(self.focused.answer)

    def action_nothing(self) -> None:
        """Do nothing."""


class Help(ModalScreen[None]):
    """What is seen here, which keys work here, and the cautions; the count goes on above it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("h,escape,q,question_mark,enter", "close", "Close"),
    ]

    def __init__(self, view: View, keys: Sequence[tuple[Key, str]], remark: str = "") -> None:
        """`keys` are all keys, each with the reason why it would do nothing now, or "".

        `remark` is what else is to be known of the screen.
        """
        super().__init__()
        self._view = view
        self._keys = keys
        self._remark = remark
        self._body = Vertical()
        self._pages = VerticalScroll()
        self._more = Static(id="more")

    def leave_free(self, rows: int) -> None:
        """Leave so many rows at the top to what lies under this."""
        self._body.styles.margin = (rows, 0, 0, 0)

    def on_mount(self) -> None:
        """Say whether there is more, now and whenever that may have changed."""
        for changing in ("scroll_y", "virtual_size", "show_vertical_scrollbar"):
            self.watch(self._pages, changing, self._say_later)

    def on_resize(self, event: Resize) -> None:
        """Say whether there is more in the new size."""
        self._say_later()

    def compose(self) -> ComposeResult:
        """What is seen, keys in two columns, cautions; under it whether there is more."""
        works = [_key_row(key, "") for key, why in self._keys if key.key and not why]
        named = [_key_row(key, "") for key, why in self._keys if not key.key and not why]
        idle = [_key_row(key, why) for key, why in self._keys if why and self._view in key.views]
        find = ("ctrl+p", Text.assemble(("Find", "bold"), ": Type what you want, and choose it."))
        with self._body, self._pages:
            yield Static(_SEEN[self._view])
            if self._remark:
                yield Static(self._remark)
            yield Static("Keys that do something now", classes="heading")
            yield Static(_table([*works, find]))
            if named:
                yield Static("Found by name, with ctrl+p", classes="heading")
                yield Static(_table(named))
            if idle:
                yield Static("Keys that do nothing now", classes="heading")
                yield Static(_table(idle))
            yield Static("Cautions", classes="heading")
            for caution in CAUTIONS:
                yield Static(caution, classes="caution")
        with self._body:
            yield self._more

    def action_close(self) -> None:
        """Back to where it was opened."""
        self.dismiss(None)

    def _say_later(self) -> None:
        # Once everything has its place.
        self.call_after_refresh(self._say)

    def _say(self) -> None:
        pages = self._pages
        back = "h or escape goes back."
        if pages.scroll_offset.y < pages.max_scroll_y:
            back = f"More below: down or page down. {back}"
        elif pages.max_scroll_y:
            back = f"This is the end. {back}"
        self._more.update(back)


_SEEN = {
    View.STAGE: "This is the stage: how long to the boundary, what to do next, what is coming.",
    View.SET: "This is the set list: what is done, what is now, what is to come. The line over it "
    "is the whole night.",
    View.MAP: "This is the pass map: one line a step, one column a pass, the higher the likelier. "
    "The present pass is marked with an arrow.",
}


def _key_row(key: Key, why: str) -> tuple[str, Text]:
    return key_name(key), Text.assemble((key.description, "bold"), f": {why or key.tooltip + '.'}")


def _table(rows: Sequence[tuple[str, Text]]) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(width=6)
    table.add_column()
    for name, text in rows:
        table.add_row(name, text)
    return table
