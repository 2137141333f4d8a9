"""A review on the terminal: five pages, one after the other or by their number.

A page is rows of texts with a role each; colours are the style sheet's, from the palettes that the
app is made with. Nothing is told by colour alone.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Size
from textual.scroll_view import ScrollView
from textual.strip import Strip
from textual.theme import Theme
from textual.widgets import Static

from companion.takes import words
from companion.takes.score import Review

# A text and its role: `plain`, `quiet`, `strong`, `far` (all is well) or `amiss` (it is not).
Ink = tuple[str, str]
Row = tuple[Ink, ...]

ROLES = ("plain", "quiet", "strong", "far", "amiss")
_BLOCKS = " ▁▂▃▄▅▆▇█"
# A chart gets no flatter nor higher than that.
LEAST_CHART, MOST_CHART = 4, 12
# Beats a minute, and ms, below which a course is drawn as even.
EVEN_BPM, EVEN_MS = 0.5, 0.5


@dataclass(frozen=True, slots=True)
class Page:
    """One page: its name, and what draws it into a width and a height."""

    name: str
    draw: Callable[[Review, int, int], list[Row]]


def _summary(found: Review, width: int, _: int) -> list[Row]:
    rows: list[Row] = []
    for line in words.summary(found):
        rows += [((each, "strong"),) for each in _folded(line, width)]
    if found.take.note:
        rows += [(), *(((each, "plain"),) for each in _folded(words.note(found), width))]
    rows += [(), *_table(words.PARTS, [words.part_row(p) for p in found.parts], width, _part_role)]
    return rows


def _part_role(row: Sequence[str]) -> str:
    return "amiss" if row[-1] else "plain"


def _cues(found: Review, width: int, _: int) -> list[Row]:
    rows = words.cue_rows(found)
    if not rows:
        return [(("No cue fell due.", "plain"),)]
    return _table(words.CUES, rows, width, _cue_role)


def _cue_role(row: Sequence[str]) -> str:
    if row[4] in ("missed", "not planned"):
        return "amiss"
    return "quiet" if row[4] == "not seen" else "plain"


def _tempo(found: Review, width: int, height: int) -> list[Row]:
    bars = found.bars
    if not bars:
        return [(("No whole bar was heard.", "plain"),)]
    high = max(LEAST_CHART, min(MOST_CHART, (height - 7) // 2))
    at = [each.at_ns for each in bars]
    doubts = [(e.at_ns, e.at_ns + round(e.body["seconds"] * 1e9)) for e in found.doubts]
    bpm = [float(each.body["bpm"]) for each in bars]
    jitter = [float(each.body["jitter_ms"]) for each in bars]
    rows: list[Row] = [(("beats a minute, bar by bar", "strong"),)]
    rows += chart(bpm, at, doubts, width, high, EVEN_BPM)
    rows += [(), (("jitter in ms", "strong"),)]
    rows += chart(jitter, at, doubts, width, high, EVEN_MS, zero=True)
    label = _LABEL * " "
    begin, end = words.clock(at[0] / 1e9), words.clock(at[-1] / 1e9)
    across = max(width - _LABEL, 1)
    drawn = min(across, len(bars)) * (across // min(across, len(bars)))
    room = max(drawn - len(begin) - len(end), 1)
    rows.append(((label + begin + " " * room + end, "quiet"),))
    if doubts:
        rows.append((("!", "amiss"), (" under a bar: unsure then", "quiet")))
    return rows


_LABEL = 9


def chart(
    values: Sequence[float],
    at_ns: Sequence[int],
    doubts: Sequence[tuple[int, int]],
    width: int,
    height: int,
    even: float,
    *,
    zero: bool = False,
) -> list[Row]:
    """Columns of blocks for values in a row, each of several values where there is little room.

    A column shows its largest value over a scale from the least to the most of all, or from
    `zero`; a scale narrower than `even` is widened. Under it stands `!` where a doubt was.
    """
    room = max(width - _LABEL, 1)
    count = min(room, len(values))
    wide = room // count
    edges = [len(values) * n // count for n in range(count + 1)]
    groups = [range(a, b) for a, b in itertools.pairwise(edges)]
    low, high = 0.0 if zero else min(values), max(values)
    if high - low < even:
        middle = (high + low) / 2
        low, high = (0.0, even) if zero else (middle - even / 2, middle + even / 2)
    eighths = []
    for group in groups:
        share = (max(values[n] for n in group) - low) / (high - low)
        eighths.append(max(1, round(share * 8 * height)))
    rows: list[Row] = []
    for row in range(height):
        floor = 8 * (height - 1 - row)
        text = "".join(_BLOCKS[max(0, min(8, each - floor))] * wide for each in eighths)
        label = f"{high:8.2f} " if row == 0 else f"{low:8.2f} " if row == height - 1 else ""
        rows.append(((label.ljust(_LABEL), "quiet"), (text, "far")))
    marks = ""
    for group in groups:
        begin, last = at_ns[group[0]], group[-1] + 1
        end = at_ns[last] if last < len(at_ns) else begin + 1
        unsure = any(a < end and b > begin for a, b in doubts)
        marks += ("!" if unsure else " ") * wide
    rows.append(((" " * _LABEL, "quiet"), (marks, "amiss")))
    return rows


def _transitions(found: Review, width: int, _: int) -> list[Row]:
    if not found.transitions:
        return [(("No part led to another.", "plain"),)]
    rows = [words.transition_row(each) for each in found.transitions]
    return _table(words.TRANSITIONS, rows, width, lambda _: "plain")


def _doubts(found: Review, width: int, _: int) -> list[Row]:
    doubts = [words.doubt_row(each) for each in found.doubts]
    others = [*(words.fault_row(each) for each in found.faults), *words.mark_rows(found)]
    if not doubts and not others:
        return [(("Nothing went unsure, nothing went wrong.", "plain"),)]
    return _table(words.DOUBTS, [*doubts, *others], width, lambda row: "plain")


PAGES = (
    Page("How it went", _summary),
    Page("Cues", _cues),
    Page("Tempo", _tempo),
    Page("Transitions", _transitions),
    Page("Doubts", _doubts),
)


def _table(
    names: Sequence[str],
    rows: Sequence[Sequence[str]],
    width: int,
    role: Callable[[Sequence[str]], str],
) -> list[Row]:
    """Rows under the names of their columns; the widest column gives way where they do not fit."""
    widths = [max(map(cell_len, column)) for column in zip(names, *rows, strict=True)]
    gaps = 2 * (len(widths) - 1)
    while sum(widths) + gaps > width and max(widths) > 6:
        widths[widths.index(max(widths))] -= 1

    def line(cells: Sequence[str]) -> str:
        parts = (_fitted(cell, wide) for cell, wide in zip(cells, widths, strict=True))
        return "  ".join(parts).rstrip()

    return [((line(names), "quiet"),), *(((line(row), role(row)),) for row in rows)]


def _fitted(text: str, width: int) -> str:
    if cell_len(text) > width:
        return set_cell_size(text, width - 1).rstrip() + "…"
    return set_cell_size(text, width)


def _folded(text: str, width: int) -> list[str]:
    lines = [""]
    for word in text.split():
        joined = f"{lines[-1]} {word}".lstrip()
        if cell_len(joined) <= width:
            lines[-1] = joined
        else:
            lines.append(word)
    return lines


class Paper(ScrollView, can_focus=True):
    """Shows rows, scrolled; each ink's role is a component class `paper--ROLE`."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"paper--{role}" for role in ROLES}

    def __init__(self) -> None:
        super().__init__()
        self._rows: list[Row] = []

    def show(self, rows: list[Row]) -> None:
        """Show these rows from the top."""
        self._rows = rows
        self.virtual_size = Size(self.size.width, len(rows))
        self.scroll_to(0, 0, animate=False)
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """One row."""
        at = y + self.scroll_offset.y
        row = self._rows[at] if at < len(self._rows) else ()
        segments = [
            Segment(text, self.get_component_rich_style(f"paper--{role}")) for text, role in row
        ]
        ground = self.get_component_rich_style("paper--plain")
        return Strip(segments).adjust_cell_length(self.size.width, ground)


class ReviewApp(App[None]):
    """Shows one review; ended by q."""

    CSS = """
    Screen { background: $ground; color: $plain; overflow: hidden; }
    #title { height: 1; padding: 0 2; color: $quiet-ink; }
    #pages { height: 2; padding: 0 2; color: $quiet-ink; }
    #keys { dock: bottom; height: 1; padding: 0 2; color: $quiet-ink; }
    Paper { height: 1fr; padding: 0 2; background: $ground;
      overflow-x: hidden; scrollbar-size-vertical: 1;
      & > .paper--plain { color: $plain; background: $ground; }
      & > .paper--quiet { color: $quiet-ink; background: $ground; }
      & > .paper--strong { color: $strong; background: $ground; text-style: bold; }
      & > .paper--far { color: $far; background: $ground; }
      & > .paper--amiss { color: $amiss; background: $ground; text-style: bold; }
    }
    """
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q,escape,ctrl+c", "quit", "Close"),
        Binding("right,tab,space", "turn(1)", "Next page"),
        Binding("left,shift+tab", "turn(-1)", "Page before"),
        *(Binding(str(n + 1), f"open({n})", each.name) for n, each in enumerate(PAGES)),
    ]

    def __init__(self, found: Review, themes: Sequence[Theme]) -> None:
        """The first of `themes` is the one that is shown."""
        super().__init__()
        self._found = found
        self._page = 0
        for theme in themes:
            self.register_theme(theme)
        self.theme = themes[0].name

    def compose(self) -> ComposeResult:
        """The title, the names of the pages, a page, the keys."""
        yield Static(id="title", markup=False)
        yield Static(id="pages")
        yield Paper()
        yield Static(
            "1-5 or left, right: another page   up, down: more of it   q: close",
            id="keys",
            markup=False,
        )

    def on_mount(self) -> None:
        """Show the first page."""
        self.query_one("#title", Static).update(words.headline(self._found))
        self.query_one(Paper).focus()
        self.call_after_refresh(self._show)

    def on_resize(self) -> None:
        """Draw anew for another size."""
        self.call_after_refresh(self._show)

    def action_turn(self, by: int) -> None:
        """Go so many pages on."""
        self.action_open((self._page + by) % len(PAGES))

    def action_open(self, page: int) -> None:
        """Go to a page by its place, from 0."""
        self._page = page
        self._show()

    def _show(self) -> None:
        from rich.text import Text

        variables = self.get_css_variables()
        names = Text(no_wrap=True, overflow="ellipsis")
        for n, each in enumerate(PAGES):
            here = n == self._page
            style = f"bold {variables['strong']} underline" if here else variables["quiet-ink"]
            names.append(f"{n + 1} {each.name}", style=style)
            names.append("   ")
        self.query_one("#pages", Static).update(names)
        paper = self.query_one(Paper)
        size: Any = paper.scrollable_content_region.size
        paper.show(PAGES[self._page].draw(self._found, max(size.width, 20), size.height))
