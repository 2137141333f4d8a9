"""The stage, region by region: countdown, action, agenda, tracks, quiet facts and alarms.

Pure drawing of a reading into rows of inked text. The countdown is drawn as large as the stage
gives it, or as the strip that stays of the stage over every other view.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from companion.screen.canvas import (
    AMISS,
    Canvas,
    Ink,
    Row,
    blank,
    cut,
    drawable,
    fold,
    letters_width,
    render_figures,
    render_letters,
)
from companion.screen.extrapolation import Stage
from companion.screen.layout import LEAST_COUNTDOWN, SMALL, letter_lines, letter_rows, name_rows
from companion.screen.reading import Reading, Then
from companion.screen.sentences import MOST_RANK, Alarm, Entry, Fact

# -- the countdown ----------------------------------------------------------------------------

_STAGE_ROLES = ("far", "near", "imminent", "now")


def dial_role(reading: Reading) -> str:
    """The role of the figures: the stage's while all is well, otherwise another one.

    The whole field is bright only where the boundary is sure and something will be sent.
    """
    if reading.condition != "running" or reading.doubt:
        return "still"
    if reading.stage is Stage.NOW and not reading.loud:
        return "imminent"
    return _STAGE_ROLES[reading.stage]


def plain_role(role: str) -> str:
    """The role of plain text that stands among figures of `role`."""
    return "now" if role == Stage.NOW.name.lower() else "fact"


@dataclass(frozen=True, slots=True)
class Rails:
    """Bright rails that close in from both sides as the boundary nears.

    `room` columns are always kept free for them on each side, so that nothing else moves; `wide`
    are in use.
    """

    role: str
    room: int
    wide: int

    @classmethod
    def beside(cls, reading: Reading, width: int) -> Rails:
        """The rails of a countdown `width` columns wide."""
        role = dial_role(reading)
        most = _most_rail(width)
        wide = {"near": (most + 1) // 2, "imminent": most}.get(role, 0)
        return cls(role, most + 1, wide)

    @property
    def ground(self) -> str:
        """The role of what lies under the countdown."""
        return "now" if self.role == "now" else "ground"

    def around(self, rows: list[Row]) -> list[Row]:
        """The rows with a rail on each side."""
        free = " " * (self.room - self.wide)
        left: tuple[Ink, ...] = (("█" * self.wide, self.role), (free, self.ground))
        right: tuple[Ink, ...] = ((free, self.ground), ("█" * self.wide, self.role))
        return [(*left, *row, *right) for row in rows]


def _most_rail(width: int) -> int:
    return max(1, width // 40)


def pulse_column(width: int) -> int:
    """Where in the line of what is left the pulse begins, in a window so wide."""
    return width - _most_rail(width) - 1 - 3


def facts(reading: Reading) -> list[tuple[str, str]]:
    """Pass, phrase and time left, each as what it is and its value; see `said`."""
    if reading.pass_fact is None or reading.phrase_fact is None:
        return []
    in_phrase, passes = reading.pass_fact
    phrase, planned = reading.phrase_fact
    inside = planned is not None and phrase <= planned
    known = [
        ("pass", f"{in_phrase} of {passes}"),
        ("phrase", f"{phrase} of {planned}" if inside else f"{phrase}"),
    ]
    return [*known, ("left", reading.clock)] if reading.clock else known


def said(fact: tuple[str, str]) -> str:
    """A fact in plain words: "pass 3 of 8", "0:12 left"."""
    what, value = fact
    return f"{value} {what}" if what == "left" else f"{what} {value}"


def draw_line(
    canvas: Canvas, reading: Reading, role: str, row: int, width: int, calm: bool
) -> None:
    """The line of what is left of the phrase, at its end the beat unless `calm`."""
    line = width if calm else width - 3
    full = min(line, -(-reading.left * line // max(1, reading.whole)))
    if reading.condition in ("waiting", "ready", "gone"):
        full = 0
    elif reading.short:
        full = line
    canvas.put(0, row, "━" * full, role)
    canvas.put(full, row, "─" * (line - full), "now" if role == "now" else "spent")
    if reading.lit and not calm:
        canvas.put(width - 2, row, "██", role)


# From this width on, pass and phrase stand beside the figure; from the second, in large letters.
_BESIDE_WIDTH, _LARGE_FACTS_WIDTH = 72, 112
_BESIDE_HEIGHT = 6
_SMALL_FACTS, _LARGE_FACTS = 16, 30
# Room kept for the unit next to the figure.
_UNIT_ROOM = 24
# Large facts: their letters, and the rows of one with its word.
_FACT_DOTS, _FACT_ROWS = 5, 4


def draw_dial(reading: Reading, width: int, height: int, calm: bool, dots: int) -> list[Row]:
    """The countdown on `width` columns and `height` rows; `calm` leaves the pulse out.

    What is to be read from afar is in letters of so many `dots`, 0 for plain ones.
    """
    rails = Rails.beside(reading, width)
    role, inner = rails.role, width - 2 * rails.room
    canvas = Canvas(inner, height, rails.ground)
    if width >= _BESIDE_WIDTH and height >= _BESIDE_HEIGHT:
        column = _LARGE_FACTS if width >= _LARGE_FACTS_WIDTH else _SMALL_FACTS
        _figure(canvas, reading, role, inner - column - 2, height - 1, dots)
        _facts_column(canvas, reading, role, inner - column, column, height - 1)
    else:
        beneath = int(height >= LEAST_COUNTDOWN)
        _figure(canvas, reading, role, inner, max(1, height - 1 - beneath), dots)
        if beneath:
            _facts_row(canvas, reading, role, height - 2, inner)
        elif reading.unit:
            for row, fact in enumerate(facts(reading)[:2]):
                canvas.put(inner - len(said(fact)), row, said(fact), plain_role(role))
    draw_line(canvas, reading, role, height - 1, inner, calm)
    return rails.around(canvas.rows())


def figure_of(reading: Reading) -> str:
    """The figure as drawn; one that may be wrong has a question mark, and is hollow."""
    return f"{reading.figure}?" if reading.doubt else reading.figure


def _figure(
    canvas: Canvas, reading: Reading, role: str, width: int, height: int, dots: int
) -> None:
    if reading.unit:
        _count(canvas, reading, role, width, height, dots)
        return
    word = _large_line(reading.word, width, dots)
    below = len(word) if word and height > 2 * len(word) else int(bool(reading.word) and height > 3)
    room = height - below - int(below > 1)
    lines = render_figures(figure_of(reading), width, room, reading.doubt)
    canvas.block(0, (room - len(lines)) // 2, lines, role)
    if below > 1:
        canvas.block(0, height - below, word, plain_role(role))
    elif below:
        canvas.put(0, room, cut(reading.word, width), plain_role(role))


def _large_line(text: str, width: int, dots: int) -> list[str]:
    """The text on one line of large letters, if it has such a form and room."""
    plain = drawable(text)
    if not dots or not plain or letters_width(plain, dots) > width:
        return []
    return render_letters([plain], dots)


def _count(canvas: Canvas, reading: Reading, role: str, width: int, height: int, dots: int) -> None:
    """The figure, its unit right beside it, and under the unit what it counts to."""
    # Every figure of as many digits has the same place, so the unit stays where it is.
    figure, most = figure_of(reading), width - _UNIT_ROOM
    slot = len(render_figures("0" * len(reading.figure), most, height)[0])
    lines = render_figures(figure, most, height, reading.doubt)
    slot = max(slot, len(lines[0]))
    canvas.block(slot - len(lines[0]), 0, lines, role)
    left, room = slot + 2, width - slot - 2
    unit = render_figures(reading.unit, room, max(letter_rows(1, dots), height // 2 - 1))
    word = _large_line(reading.word, room, dots)
    if len(unit) + 1 + len(word) > height + (dots % 2):
        unit = _large_line(reading.unit, room, dots) or [reading.unit]
    canvas.block(left, 0, unit, role)
    below = len(unit) + int(height - len(unit) > max(1, len(word)))
    if word and below + len(word) <= height:
        canvas.block(left, below, word, plain_role(role))
    elif below < height:
        canvas.put(left, below, cut(reading.word, room), plain_role(role))


def _facts_column(
    canvas: Canvas, reading: Reading, role: str, left: int, width: int, height: int
) -> None:
    known, ink = facts(reading), plain_role(role)
    blocks = [_large_line(value, width, _FACT_DOTS) for _, value in known]
    if not all(blocks) or (_FACT_ROWS + 1) * len(blocks) - 1 > height or width < _LARGE_FACTS:
        step = max(1, (height - 1) // 2)
        for i, fact in enumerate(known):
            canvas.put(left + width - len(said(fact)), i * step, said(fact), ink)
        return
    step = max(_FACT_ROWS, (height - _FACT_ROWS) // 2)
    for i, ((what, _), block) in enumerate(zip(known, blocks, strict=True)):
        canvas.put(left + width - len(what), i * step, what, ink)
        canvas.block(left + width - len(block[0]), i * step + 1, block, ink)


def _facts_row(canvas: Canvas, reading: Reading, role: str, row: int, width: int) -> None:
    known = [said(fact) for fact in facts(reading)]
    text = "   ".join(known)
    if len(text) > width:
        text = "  ".join(known)
    while known and len(text) > width:
        known.pop()
        text = "  ".join(known)
    canvas.put(0, row, text, plain_role(role))


_STRIP_FIGURE_ROWS = 4


def draw_strip(reading: Reading, width: int, height: int, calm: bool) -> list[Row]:
    """The countdown on `width` columns and `height` rows (2 or more), what is left at the bottom.

    From four rows on the figure is large.
    """
    rails = Rails.beside(reading, width)
    role, inner = rails.role, width - 2 * rails.room
    canvas = Canvas(inner, height, rails.ground)
    if height >= _STRIP_FIGURE_ROWS:
        _strip_figure(canvas, reading, role, inner, height - 1)
    else:
        _strip_line(canvas, reading, role, inner)
    draw_line(canvas, reading, role, height - 1, inner, calm)
    return rails.around(canvas.rows())


def _strip_count(reading: Reading) -> str:
    return f"{figure_of(reading)} {reading.unit}".strip()


def _strip_figure(canvas: Canvas, reading: Reading, role: str, width: int, height: int) -> None:
    known = [said(fact) for fact in facts(reading)]
    right = max(map(len, known), default=0)
    room = width - right - 2
    lines = render_figures(_strip_count(reading), room, height, reading.doubt)
    canvas.block(0, 0, lines, role)
    for row, text in enumerate(known[:height]):
        canvas.put(width - len(text), row, text, plain_role(role))
    # As wide as its widest neighbour in time, so that what stands beside it does not move.
    widest = ("00 BARS", "0 BEATS") if reading.unit else ()
    slot = max(
        len(render_figures(each, room, height)[0]) for each in (_strip_count(reading), *widest)
    )
    if reading.word:
        canvas.put(slot + 2, height - 1, cut(reading.word, room - slot - 3), plain_role(role))


def _strip_line(canvas: Canvas, reading: Reading, role: str, width: int) -> None:
    told = _strip_count(reading)
    if reading.word:
        told += f" {reading.word}" if reading.unit else f": {reading.word}"
    known = [said(fact) for fact in facts(reading)]
    for tail in ("   ".join(known), "  ".join(known), *known[:0:-1]):
        if len(told) + 2 + len(tail) <= width:
            canvas.put(width - len(tail), 0, tail, plain_role(role))
            break
    canvas.put(0, 0, cut(told, width), role)


# -- every other region -----------------------------------------------------------------------

# "in 12 beats" and two spaces.
_WHEN_WIDTH = 13
# Letters read from afar keep so many columns clear for the mark beside them.
_INDENT = 1
# A line of fewer large letters says too little; then they are plain.
_LEAST_LETTERS = 9
# The rank of the facts that are kept in the smallest window.
_KEPT = 2
# A name in large letters, and when.
_NAME_ROWS = 4
# An alarm's head in large letters, with air above and below, and one more line.
_LARGE_ALARM_ROWS = 6
# A note's, with no air; so much room there is for alarms where letters are large at all.
_LARGE_NOTE_ROWS, _LARGE_ROOM = 3, 7


def draw_action(
    reading: Reading, width: int, height: int, dots: int, *, whole: bool = False
) -> list[Row]:
    """The next action and under it what the boundary brings, as far as there is room.

    In letters `dots` high where it has a form in them, with `whole` only if it need not be cut for
    them; in plain ones where `dots` is 0.
    """
    if reading.action.idle:
        return [((f"  {cut(reading.action.text, width - 4)}", "text"),)]
    rows = _action(reading.action, width, height, dots, whole=whole)
    rows = rows or _action(reading.action, width, height, 0)
    if reading.boundary is not None:
        # One plain line alone is cut rather than left out.
        gap = 1 if height > 2 else 0
        room = height - len(rows) - gap
        if room > 0:
            large = dots if room >= letter_rows(1, dots) else 0
            below = _action(reading.boundary, width, room, large, whole=bool(large))
            rows += blank(gap) + (below or _action(reading.boundary, width, min(room, 2), 0))
    return rows


def _action(entry: Entry, width: int, height: int, dots: int, *, whole: bool = False) -> list[Row]:
    """The entry on `height` rows; with `whole` nothing where it would have to be cut."""
    role = "soon" if _pressing(entry) else "strong"
    lines = _large(entry, width - _INDENT, height, dots)
    if whole and (not lines or lines[-1].endswith("…")):
        return []
    indent, plain = _INDENT, True
    if lines:
        lines, plain = render_letters(lines, dots), False
    else:
        lines, indent = fold_entry(entry, width - 4, min(height, 3)), 2
    mark = ("▌" if role == "soon" else "").ljust(indent)
    return [((mark, role), (line if plain else line.ljust(width - indent), role)) for line in lines]


def _large(entry: Entry, width: int, height: int, dots: int) -> list[str]:
    """The lines of an entry in large letters, () where it has no form in them."""

    def measure(text: str) -> int:
        return letters_width(drawable(text) or " ", dots)

    if not dots or measure("N" * _LEAST_LETTERS) > width:
        return []
    if not all(drawable(each) for each in filter(None, (f"{entry.when}.", entry.text))):
        return []
    lines = letter_lines(height, dots)
    return [drawable(line) for line in fold_entry(entry, width, lines, measure)]


def fold_entry(
    entry: Entry, width: int, height: int, measure: Callable[[str], int] = len
) -> list[str]:
    """The entry on at most `height` lines: in full, in fewer words, or as much as fits.

    The one rule of shortening, for plain letters and large ones: what is left out is counted, and
    what is cut ends with dots.
    """
    over = f"{entry.when}: " if entry.when else ""
    said = [entry.text, *map("; ".join, (entry.brief, entry.briefest))]
    for count in range(len(entry.briefest) - 1, 0, -1):
        left_out = len(entry.briefest) - count
        said.append("; ".join((*entry.briefest[:count], f"and {left_out} more")))
    for text in filter(None, said):
        lines = fold(over + text, width, height + 1, measure)
        if len(lines) <= height:
            return lines
    if len(entry.briefest) < 2:
        return fold(over + (*entry.briefest, entry.text)[0], width, height, measure)
    lines = fold(over + entry.briefest[0], width, height, measure)
    more = f"; and {len(entry.briefest) - 1} more"
    return [*lines[:-1], cut(lines[-1], width - measure(more), measure) + more]


def draw_order(reading: Reading, width: int, height: int) -> list[Row]:
    """What a person is to do first, as large as all of it has room, and under it what else is."""
    canvas = Canvas(width, height)
    state = " ".join(filter(None, (_SHORTLY.get(reading.condition, ""), reading.action.text)))
    whole = fold(reading.order[0], width - 4, height - 1)
    for text in reading.order:
        # Said in fewer words it stands beneath once more, in full and in small letters.
        below = [state] if text == reading.order[0] else whole
        room = height - len(below) - 1
        for dots in range(room, 4, -1):
            lines = _lettered(text, width - 2 * _INDENT, room, dots)
            if lines:
                canvas.block(_INDENT, 0, lines, "strong")
                below = [cut(line, width - 4) for line in below]
                # Right beneath: what is not in order lies over the last rows.
                canvas.block(2, min(len(lines) + 1, height - len(below)), below, "fact")
                return canvas.rows()
    canvas.block(2, 0, whole, "strong")
    return canvas.rows()


_SHORTLY = {"stopped": "Stopped."}


def _lettered(text: str, width: int, height: int, dots: int) -> list[str]:
    """All of the text in letters of so many dots, [] where there is no room for that."""

    def measure(word: str) -> int:
        return letters_width(drawable(word) or " ", dots)

    lines = letter_lines(height, dots)
    folded = fold(text, width, lines, measure) if lines and drawable(text) else []
    if not folded or folded[-1].endswith("…") or any(measure(line) > width for line in folded):
        return []
    return render_letters([drawable(line) for line in folded], dots)


def draw_then(
    then: Then, width: int, height: int, dots: int, facts: tuple[str, ...] = ()
) -> list[Row]:
    """What comes next: its name larger than all but the countdown, and under it in what.

    A name that has no room is cut, and stands in full in small letters beside the time. `facts`
    stand at the right of that line.
    """
    if not then.name:
        return []
    if height < _NAME_ROWS:
        return [((f"  {cut(', '.join(filter(None, (then.name, then.when))), width - 4)}", "fact"),)]
    large = dots if height >= name_rows(dots) + letter_rows(1, dots) else 0
    below = letter_rows(1, large)
    name, whole = _name(then.name, width - _INDENT, height - below, dots)
    canvas = Canvas(width, height)
    canvas.block(_INDENT, 0, name, "strong")
    when = _large_line(then.when, width - _INDENT, large)
    small = list(filter(None, ("" if whole else then.name, then.more)))
    if when:
        canvas.block(_INDENT, height - below, when, "fact")
        left = _INDENT + len(when[0]) + 2
        room, said = width - left - 2, ", ".join(small)
        if room >= min(len(said), _LEAST_LETTERS):
            canvas.put(left, height - 1, cut(said, room), "fact")
        return canvas.rows()
    said = ", ".join(filter(None, (then.when, *small)))
    # When it comes says more than they do.
    beside = next((each for each in facts if len(then.when) + len(each) + 7 <= width), "")
    canvas.put(2, height - 1, cut(said, width - 4 - (len(beside) + 2 if beside else 0)), "fact")
    canvas.put(width - len(beside) - 2, height - 1, beside, "quiet")
    return canvas.rows()


def _name(name: str, width: int, height: int, dots: int) -> tuple[list[str], bool]:
    """A name in the largest letters there is room for, and whether it is all there.

    They are larger than those of so many `dots`, or as small as there are.
    """
    if not drawable(name):
        return [cut(name, width)], True
    # Half a row is left free under them.
    sizes = range(2 * height - 1, max(dots, 4), -1)

    def measure(text: str, size: int = sizes[-1]) -> int:
        return letters_width(drawable(text) or " ", size)

    shown = cut(name, width, measure)
    size = next((size for size in sizes if measure(shown, size) <= width), sizes[-1])
    return render_letters([drawable(shown)], size), shown == name


def facts_of_a_small_window(reading: Reading, height: int) -> tuple[str, ...]:
    """What is kept longest of the quiet facts, where these have no line; more of it, or less."""
    kept = [fact.short for fact in reading.quiet if fact.rank <= _KEPT and fact.short]
    if height >= SMALL or not kept:
        return ()
    return " · ".join(dict.fromkeys((kept[0], kept[-1]))), kept[0]


def lie_over(rows: list[Row], bands: list[Row]) -> list[Row]:
    """`rows` with `bands` over the last of them."""
    bands = bands[: len(rows)]
    return [*rows[: len(rows) - len(bands)], *bands]


def draw_agenda(reading: Reading, width: int, height: int) -> list[Row]:
    """The agenda, soonest first, one line each, as many as fit."""
    if not reading.agenda and height and reading.condition != "gone":
        return [(("  nothing else is coming", "quiet"),)]
    return [_agenda_row(entry, width) for entry in _in_sight(reading.agenda, height)]


def _in_sight(agenda: tuple[Entry, ...], height: int) -> list[Entry]:
    """The entries there is room for; what is not as planned, told with the tracks, has half.

    A step that comes by chance is shown only where all that is certain is, a muted one only where
    all that may be heard is.
    """
    amiss = [entry for entry in agenda if entry.differs]
    ahead = [entry for entry in agenda if not entry.differs]
    room = max(1, height // 2, height - len(ahead))
    shown = amiss[:room]
    # What may not come gives way to what will, and what will not be heard to both.
    needed = sorted(range(len(ahead)), key=lambda index: (ahead[index].muted, ahead[index].chance))
    return [*shown, *(ahead[index] for index in sorted(needed[: max(0, height - len(shown))]))]


def _agenda_row(entry: Entry, width: int) -> Row:
    role, mark = _entry_look(entry)
    when = entry.when.ljust(_WHEN_WIDTH if width >= 60 else _WHEN_WIDTH - 2)
    return ((mark, role), (when, role), (cut(entry.text, width - 2 - len(when)), role))


def _entry_look(entry: Entry) -> tuple[str, str]:
    """The role of an entry and the mark before it."""
    if entry.differs:
        return "amiss", AMISS
    if entry.muted:
        return "quiet", "  "
    return ("soon", "▌ ") if _pressing(entry) else ("text", "  ")


def _pressing(entry: Entry) -> bool:
    return entry.announced or entry.stage >= Stage.IMMINENT


def draw_tracks(reading: Reading, width: int, height: int) -> list[Row]:
    """Which tracks are muted and which sound, those that are not as planned first and marked."""
    if not reading.sounding and not reading.muted:
        return blank(height)
    if height >= 2:
        return [
            _tracks_row("muted", reading.muted, reading.unplanned, width),
            _tracks_row("sounding", reading.sounding, reading.unplanned, width),
        ]
    sounding = ", ".join(reading.sounding) or "nothing"
    muted = ", ".join(reading.muted) or "nothing"
    whole = f"muted: {muted}; sounding: {sounding}"
    if not reading.unplanned:
        return [((cut(f"  {whole}", width), "text"),)]
    amiss = f"{_unplanned(reading)}: not as planned"
    row: Row = ((AMISS, "amiss"), (cut(amiss, width - 2), "amiss"))
    rest = f"   {whole}"
    # All of the rest or nothing: half a list would tell less than none.
    return [(*row, (rest, "text"))] if len(amiss) + len(rest) + 2 <= width else [row]


def _unplanned(reading: Reading) -> str:
    muted = [name for name in reading.muted if name in reading.unplanned]
    sounding = [name for name in reading.sounding if name in reading.unplanned]
    said = [
        f"{', '.join(names)} {one if len(names) == 1 else more}"
        for names, one, more in ((muted, "is muted", "are muted"), (sounding, "sounds", "sound"))
        if names
    ]
    return ", ".join(said)


def _tracks_row(head: str, names: Sequence[str], unplanned: Sequence[str], width: int) -> Row:
    amiss = [name for name in names if name in unplanned]
    plain = [name for name in names if name not in unplanned]
    room = width - 2 - _WHEN_WIDTH
    marked = f"{', '.join(amiss)} (not planned)" if amiss else ""
    rest = ", ".join(plain) if plain or amiss else "nothing"
    if marked and rest:
        rest = f", {rest}"
    mark, role = (AMISS, "amiss") if amiss else ("  ", "quiet")
    return (
        (mark + head.ljust(_WHEN_WIDTH), role),
        (cut(marked, room), "amiss"),
        (cut(rest, max(0, room - len(marked))) if room > len(marked) else "", "text"),
    )


def draw_quiet(reading: Reading, width: int, height: int) -> list[Row]:
    """The quiet facts; in little room shorter, then the least needed left out."""
    facts = list(reading.quiet)
    room = width - 4
    lines = _fold_facts([fact.long for fact in facts], room)
    if len(lines) > height:
        facts = [fact for fact in facts if fact.rank < MOST_RANK]
        lines = _fold_facts([fact.long for fact in facts], room)
    while len(lines) > height or any(len(line) > room for line in lines):
        lines = _fold_facts([fact.short for fact in facts if fact.short], room)
        if len(facts) == 1:
            break
        facts.remove(max(facts, key=_rank))
    return [((f"  {cut(line, room)}", "quiet"),) for line in lines[:height]]


def _rank(fact: Fact) -> int:
    return fact.rank


def _fold_facts(texts: list[str], width: int) -> list[str]:
    lines = [""]
    for text in texts:
        joined = f"{lines[-1]} · {text}" if lines[-1] else text
        if len(joined) <= width or not lines[-1]:
            lines[-1] = joined
        else:
            lines.append(text)
    return lines


def draw_alarms(alarms: tuple[Alarm, ...], width: int, height: int) -> list[Row]:
    """What is not in order, worst first; what finds no room is counted at the end."""
    rows: list[Row] = []
    large = next((alarm for alarm in alarms if alarm.urgent), None)
    for i, alarm in enumerate(alarms):
        room = height - len(rows)
        if room < 1:
            more = f" and {len(alarms) - i} more  "
            text, role = "".join(text for text, _ in rows[-1]).rstrip(), rows[-1][-1][1]
            rows[-1] = ((cut(text, width - len(more)).ljust(width - len(more)), role), (more, role))
            break
        role = "alarm" if alarm.urgent else "note"
        if alarm is large and room >= _LARGE_ALARM_ROWS:
            rows += _large_alarm(alarm, width)
            continue
        if alarm.large and height >= _LARGE_ROOM and room >= _LARGE_NOTE_ROWS:
            rows += _large_note(alarm, width)
            continue
        most = room if alarm.urgent else 1
        lines = fold(_said(alarm.head, alarm.text), width - 4, 99)
        if len(lines) > most:
            lines = fold(_said(alarm.head, alarm.short or alarm.text), width - 4, most)
        if alarm.urgent:
            rows += [((f"  {line}".ljust(width), role),) for line in lines]
        else:
            rows.append(_note_row(alarm.head, lines[0], width))
    return rows


def _note_row(head: str, line: str, width: int) -> Row:
    """One line whose head stands out."""
    head = line[: len(head)]
    rest = line[len(head) :].ljust(width - 2 - len(head))
    return (("  ", "note"), (head, "note-head"), (rest, "note"))


def _large_alarm(alarm: Alarm, width: int) -> list[Row]:
    """The head in large letters, the sentence beside it."""
    head = render_figures(alarm.head, width // 2, 3)
    beside = fold(alarm.text, width - len(head[0]) - 8, 3)
    canvas = Canvas(width, 5, "alarm")
    canvas.block(2, 1, head, "alarm")
    canvas.block(len(head[0]) + 6, 1 + (3 - len(beside)) // 2, beside, "alarm")
    return canvas.rows()


def _large_note(alarm: Alarm, width: int) -> list[Row]:
    """The head in large letters, the sentence beside it; no higher than the letters."""
    head = render_figures(alarm.head, width // 2, _LARGE_NOTE_ROWS)
    canvas = Canvas(width, len(head), "note")
    canvas.block(2, 0, head, "note-head")
    canvas.put(len(head[0]) + 6, len(head) // 2, cut(alarm.text, width - len(head[0]) - 8), "note")
    return canvas.rows()


def _said(head: str, text: str) -> str:
    return ": ".join(filter(None, (head, text)))
