"""The screens laid over the stage: whether the engine goes on, help, and the list of all parts.

They decide nothing: whoever opened one asks the engine for what it returns.
"""

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

from companion.cautions import CAUTIONS
from companion.link.messages import SetPlan, Snapshot
from companion.screen.canvas import HARMLESS, cut
from companion.screen.keys import Key, key_name
from companion.screen.layout import View

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
        # No letter that does something on the stage: whoever came here by mistake plays on.
        Binding("e", "answer('stop')", "End it too"),
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
            yield Choice("e", "End the engine too", STOP)
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
            # First, so that nobody has to look for them.
            yield Static("Cautions", classes="heading")
            for caution in CAUTIONS:
                yield Static(Text.assemble((caution.head, "bold"), f": {caution.brief}"))
            yield Static("Keys that do something now", classes="heading")
            yield Static(_table([*works, find]))
            if named:
                yield Static("Found by name, with ctrl+p", classes="heading")
                yield Static(_table(named))
            if idle:
                yield Static("Keys that do nothing now", classes="heading")
                yield Static(_table(idle))
            yield Static("What is seen here", classes="heading")
            yield Static(_SEEN[self._view])
            if self._remark:
                yield Static(self._remark)
            yield Static("More on the cautions", classes="heading")
            for caution in CAUTIONS:
                if caution.more:
                    yield Static(Text.assemble((caution.head, "bold"), f": {caution.more}"))
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


# No set has more parts than a number of so many digits.
_MOST_DIGITS = 5
# "next" and a space; a song's title stands beside the pattern from this width on.
_TURN, _WIDE = 5, 60
_PATTERN = 30
# The question, and the same in few words.
_QUESTION = (
    "Go to which part? Type its number or use the arrows; enter, or escape.",
    "Which part? Number, arrows, enter.",
)
# The count keeps this share of the window, in hundredths.
_COUNT = 45


class PartRows(Widget, can_focus=True):
    """The parts, as many as there is room for around the one that is picked."""

    ALLOW_SELECT = False
    COMPONENT_CLASSES = {"partrows--picked", "partrows--now"}  # noqa: RUF012

    def __init__(self, plan: SetPlan, snapshot: Snapshot) -> None:
        super().__init__()
        self._plan = plan
        self._snapshot = snapshot
        numbers = [part.number for part in plan.parts]
        self.picked = numbers.index(snapshot.part) if snapshot.part in numbers else 0

    def hear(self, snapshot: Snapshot) -> None:
        """Mark which part is now and which is next anew."""
        if _marked(snapshot) != _marked(self._snapshot):
            self.refresh()
        self._snapshot = snapshot

    def fit(self, rows: int) -> None:
        """Take up to `rows` rows."""
        self.styles.height = max(1, min(rows, len(self._plan.parts)))

    @property
    def number(self) -> int | None:
        """The number of the part that is picked, None where there is none."""
        parts = self._plan.parts
        return parts[self.picked].number if self.picked < len(parts) else None

    def move(self, by: int) -> None:
        """Pick another one, so many further down."""
        self.picked = max(0, min(self.picked + by, len(self._plan.parts) - 1))
        self.refresh()

    def pick(self, number: int) -> bool:
        """Pick part `number`; whether the list has it."""
        for index, part in enumerate(self._plan.parts):
            if part.number == number:
                self.picked = index
                self.refresh()
                return True
        return False

    def render(self) -> Text:
        """One line a part; the one that is picked has a mark before it, too."""
        first, rows = self._first(), self.size.height
        lines = [
            self._line(index) for index in range(first, min(first + rows, len(self._plan.parts)))
        ]
        return Text("\n", no_wrap=True).join(lines)

    def on_click(self, event: Click) -> None:
        """A click chooses."""
        event.stop()
        index = self._first() + event.y
        if isinstance(self.screen, ChoosePart) and 0 <= index < len(self._plan.parts):
            self.screen.dismiss(self._plan.parts[index].number)

    def _first(self) -> int:
        rows, count = self.size.height, len(self._plan.parts)
        return max(0, min(self.picked - rows // 2, count - rows))

    def _line(self, index: int) -> Text:
        part, width = self._plan.parts[index], self.size.width
        song = part.song - self._plan.first_song
        title = self._plan.songs[song].title if 0 <= song < len(self._plan.songs) else ""
        now = part.number == self._snapshot.part
        turn = "now" if now else "next" if part.number == self._snapshot.change_part else ""
        mark = ">" if index == self.picked else " "
        name = (
            f"{part.pattern:{_PATTERN}}  {title}" if width >= _WIDE else f"{part.pattern}, {title}"
        )
        line = f"{mark} {turn:{_TURN}}{part.number:4}  {name}".translate(HARMLESS)
        style = "picked" if index == self.picked else "now" if now else ""
        return Text(
            cut(line, width).ljust(width),
            self.get_component_rich_style(f"partrows--{style}", partial=True) if style else "",
        )


def _marked(snapshot: Snapshot) -> tuple[int, int | None]:
    return snapshot.part, snapshot.change_part


class ChoosePart(ModalScreen[int | None]):
    """Asks which part to go to; returns its number, or None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q", "close", "Back"),
        Binding("enter", "pick", "Choose"),
        Binding("down", "move(1)", "Down", show=False),
        Binding("up", "move(-1)", "Up", show=False),
        Binding("pagedown", "move(10)", show=False),
        Binding("pageup", "move(-10)", show=False),
        # As bindings, all of them: two ways would overtake one another when keys come fast.
        *(Binding(digit, f"digit('{digit}')", show=False) for digit in "0123456789"),
        Binding("backspace", "erase", show=False),
        Binding("g,ctrl+q,ctrl+c,ctrl+p,tab,shift+tab", "nothing", show=False),
    ]
    AUTO_FOCUS = "PartRows"

    def __init__(self, plan: SetPlan, snapshot: Snapshot) -> None:
        super().__init__()
        self._parts = snapshot.parts
        self._rows = PartRows(plan, snapshot)
        self._typed = ""
        self._wide = True
        self._said = Static(id="said")

    def compose(self) -> ComposeResult:
        """A question and the parts."""
        with Vertical():
            yield self._said
            yield self._rows

    def on_resize(self, event: Resize) -> None:
        """Leave the count its share of the window."""
        width, height = event.size
        self._wide = width >= _WIDE + _WIDE // 3
        self._rows.fit(height - height * _COUNT // 100 - 2)
        self._say()

    def hear(self, snapshot: Snapshot) -> None:
        """Take the newest snapshot: the set goes on under the list."""
        self._rows.hear(snapshot)

    def action_digit(self, digit: str) -> None:
        """Go on with the number."""
        self._type((self._typed + digit)[-_MOST_DIGITS:])

    def action_erase(self) -> None:
        """Take back the last digit."""
        self._type(self._typed[:-1])

    def action_move(self, by: int) -> None:
        """Go through the list."""
        self._typed = ""
        self._rows.move(by)
        self._say()

    def action_pick(self) -> None:
        """Close with the part that was typed, or is picked."""
        number = int(self._typed) if self._typed else self._rows.number
        if number is not None and 1 <= number <= self._parts:
            self.dismiss(number)

    def action_close(self) -> None:
        """Close with none."""
        self.dismiss(None)

    def action_nothing(self) -> None:
        """Do nothing."""

    def _type(self, typed: str) -> None:
        self._typed = typed
        if typed:
            self._rows.pick(int(typed))
        self._say()

    def _say(self) -> None:
        typed, wide = self._typed, self._wide
        if not typed:
            said = _QUESTION[0 if wide else 1]
        elif 1 <= int(typed) <= self._parts:
            number = int(typed)
            said = f"Go to part {number}? Enter asks for it, escape goes back."
            said = said if wide else f"Part {number}? Enter, or escape."
        else:
            said = f"There is no part {typed}; the last is {self._parts}."
        self._said.update(said)
