"""The pass map at a moment: steps down, passes across, where the present pass and phrases are.

Pure: worked out from the engine's map and the snapshot, then drawn into rows of inked text that are
readable without colour.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.link.messages import Misfit, PatternMap, Snapshot, TrackView
from companion.screen.canvas import AMISS, Canvas, Row, cut, render_letters
from companion.screen.extrapolation import Spot
from companion.screen.reading import is_muted, is_unplanned


@dataclass(frozen=True, slots=True)
class StepLine:
    """One line of the map: a step, or all steps of a track that always play.

    `what` is the performer's own name for the step, if any; `remark` says why it may stay silent,
    or that it sounds against the plan or the set list. `quiet` says that its track is muted as the
    instrument has it, by plan while nobody knows; `unplanned` that this is not as planned. `sizes`
    has 0 (never) to 4 (always) for each pass.
    """

    track: str
    what: str
    numbers: tuple[int, ...]
    remark: str
    rare: bool
    quiet: bool
    unplanned: bool
    sizes: tuple[int, ...]

    @property
    def steady(self) -> bool:
        """Whether it is the same on every pass, and no rarity."""
        return not self.rare and min(self.sizes, default=0) == 4


@dataclass(frozen=True, slots=True)
class PassMap:
    """The map; passes are counted from 0, the first one shown.

    `here` is the present pass. `phrases` are (pass, number) of the phrases that begin; `ragged`
    that they begin inside passes. `end` is the pass with which the next part begins, None while
    that is open or out of sight; `then` is its name. `numbers` are the passes' numbers as a
    musician counts them. `note` says why there is nothing to see.
    """

    lines: tuple[StepLine, ...]
    passes: int
    here: int
    phrases: tuple[tuple[int, int], ...]
    ragged: bool
    end: int | None
    then: str
    numbers: tuple[int, ...]
    left_out: int
    note: str


class MapReader:
    """Reads maps; keeps what does not change from one moment to the next."""

    def __init__(self) -> None:
        self._of: PatternMap | None = None
        self._told: tuple[tuple[TrackView, ...], tuple[Misfit, ...]] = (), ()
        self._lines: tuple[StepLine, ...] = ()

    def read(self, pattern_map: PatternMap | None, snapshot: Snapshot, at: Spot) -> PassMap:
        """The map as of the count standing at `at`."""
        told = snapshot.tracks, snapshot.misfits
        if pattern_map is not None and (pattern_map is not self._of or told != self._told):
            self._of, self._told = pattern_map, told
            self._lines = _lines(pattern_map, snapshot)
        return _read(pattern_map, self._lines, snapshot, at)


def _read(
    pattern_map: PatternMap | None, lines: tuple[StepLine, ...], snapshot: Snapshot, at: Spot
) -> PassMap:
    if pattern_map is None or pattern_map.part != snapshot.part:
        # It comes with the next message; nothing is claimed until then.
        return _nothing("")
    if not pattern_map.rows:
        return _nothing(pattern_map.note or "this pattern has no steps written down")
    ticks, phrase = max(1, pattern_map.pass_ticks), max(1, pattern_map.phrase_ticks)
    first, passes = pattern_map.first, pattern_map.passes
    # On a boundary that only the reckoning has reached, the old pass is still the last one told.
    inside = at.tick - 1 if at.left == 0 and at.tick > snapshot.tick else at.tick
    begin, stop = first * ticks, (first + passes) * ticks
    starts = range(-(-begin // phrase) * phrase, stop, phrase)
    return PassMap(
        lines=lines,
        passes=passes,
        here=inside // ticks - first,
        phrases=tuple(
            (tick // ticks - first, tick // phrase + 1 + pattern_map.phrases_before)
            for tick in starts
        ),
        ragged=phrase % ticks != 0,
        end=_end(snapshot, ticks, first, passes),
        then=snapshot.next_part,
        numbers=tuple(_number(first + n, ticks, phrase) for n in range(passes)),
        left_out=pattern_map.left_out,
        note="",
    )


def _nothing(note: str) -> PassMap:
    return PassMap((), 0, 0, (), False, None, "", (), 0, note)


def _end(snapshot: Snapshot, ticks: int, first: int, passes: int) -> int | None:
    if snapshot.part_ticks_left is None:
        return None
    end = -(-(snapshot.tick + snapshot.part_ticks_left) // ticks) - first
    return end if 0 < end < passes else None


def _number(index: int, ticks: int, phrase: int) -> int:
    """The pass's number in its phrase, or in the part where phrases begin inside passes."""
    if phrase % ticks:
        return index + 1
    return index % (phrase // ticks) + 1


def _lines(pattern_map: PatternMap, snapshot: Snapshot) -> tuple[StepLine, ...]:
    muted = {track.name for track in snapshot.tracks if is_muted(track)}
    unplanned = {track.name for track in snapshot.tracks if is_unplanned(track)}
    misfits = {(each.track, each.step) for each in snapshot.misfits}
    lines = []
    for row in pattern_map.rows:
        silent, amiss = row.track in muted, row.track in unplanned
        strange = any((row.track, step) in misfits for step in row.steps)
        what = row.what if row.what != row.track else ""
        plain = "in a fill" if row.fill_only else "sounds" if amiss else ""
        remark = "does not fit" if strange else "muted" if silent else plain
        amiss = amiss or strange
        sizes = (_size(row.levels[n : n + 1]) for n in range(pattern_map.passes))
        lines.append(
            StepLine(row.track, what, row.steps, remark, row.rare, silent, amiss, tuple(sizes))
        )
    return tuple(lines)


def _size(level: str) -> int:
    """0 never, 1 up to a quarter, 2 up to a half, 3 more, 4 always; see link.messages.level."""
    if not ("1" <= level <= "9"):
        return 0
    return 4 if level == "9" else 1 if level <= "2" else 2 if level <= "4" else 3


_BLOCKS = " ▁▂▃▄▅▆▇█"
_NEVER = "·"
_HERE = "▼"
_RULE, _END = "│", "║"
_WIDEST, _TALLEST = 8, 5
_NUMBERS = 11
# The names have as much room as they need, up to this share of the window.
_MOST_LABEL = 2 / 5
# Columns that part two phrases, the rule among them.
_APART = 3
# Rows over the steps: phrases, passes; with large letters the axis says what it is, and so is it.
_HEAD, _LARGE_HEAD, _HEAD_DOTS = 2, 4, 5
_LARGE_HEIGHT = 14
_KEYS = (
    "▇ always  ▅ over 1 in 2  ▃ up to 1 in 2  ▁ up to 1 in 4  · never  * rare  │ a phrase begins",
    "▇ always  ▅ ▃ ▁ by chance  · never  * rare  │ phrase",
    "▇ always ▅▃▁ chance · never * rare",
    "▅ chance · never",
)
_NOT_PLANNED = f"{AMISS}not as planned"


@dataclass(frozen=True, slots=True)
class _Sight:
    """Which passes are in sight and how wide each is; `places` are their left columns.

    One more place follows the last pass.
    """

    first: int
    last: int
    wide: int
    places: tuple[int, ...]

    def place(self, at: int) -> int:
        """The left column of pass `at`."""
        return self.places[at - self.first]


def draw_map(found: PassMap, width: int, height: int, scroll: int = 0) -> list[Row]:
    """The pattern view on `width` columns and `height` rows, moved down by `scroll` steps."""
    if not found.lines or height < _HEAD + 1:
        return [((cut(f"  {found.note}", width), "text"),)] if found.note else []
    with_key = height >= 10
    head = _LARGE_HEAD if height >= _LARGE_HEIGHT else _HEAD
    room = height - head - (2 if height >= 20 else 1 if with_key else 0)
    lines = _kept(found.lines, room, scroll)
    names = _names(lines)
    label = _label_width(names, lines, width)
    sight = _sight(found, width - label - 1)
    tall = max(1, min(_TALLEST, room // max(1, len(lines))))
    canvas = Canvas(width, head + tall * len(lines))
    _draw_head(canvas, found, sight, label, width, head)
    for index, line in enumerate(lines):
        top = head + index * tall
        text = _label(names[index], line, label - 3)
        if line.unplanned:
            canvas.put(0, top + tall - 1, AMISS, "amiss")
        canvas.put(2, top + tall - 1, text, _line_role(line))
        _draw_cells(canvas, found, sight, line, top, tall, label)
    rows = canvas.rows()
    if with_key:
        rows += [()] * (height - 1 - len(rows))
        rows.append(_foot(found, len(lines), width))
    return rows[:height]


def _kept(lines: tuple[StepLine, ...], room: int, scroll: int) -> list[StepLine]:
    """The lines in sight. Where not all fit, steps that always play go first."""
    kept = list(lines)
    if len(kept) > room:
        kept = [line for line in lines if not line.steady] or kept
    first = max(0, min(scroll, len(kept) - room))
    return kept[first : first + room]


def _names(lines: list[StepLine]) -> list[str]:
    """What to call each line: the track on its first line in sight, and the step's own name."""
    names, before = [], ""
    for line in lines:
        track = line.track if line.track != before else ""
        before = line.track
        name = ", ".join(filter(None, (track, line.what)))
        if line.remark:
            name = f"{name} ({line.remark})" if name else line.remark
        names.append(name)
    return names


def _label_width(names: list[str], lines: list[StepLine], width: int) -> int:
    """Columns before the cells: margin, name, numbers and a gap."""
    needed = (len(name) + len(_tail(line)) for name, line in zip(names, lines, strict=True))
    return min(max([*needed, 12]) + 5, int(width * _MOST_LABEL))


def _sight(found: PassMap, room: int) -> _Sight:
    """The present phrase and what follows, as wide as leaves two phrases in sight."""
    starts = [at for at, _ in found.phrases]
    begins = max((at for at in starts if at <= found.here), default=0)
    length = starts[1] - starts[0] if len(starts) > 1 else found.passes
    stop = found.passes if found.end is None else found.end
    wanted = min(2 * length, stop - begins)
    sight = _Sight(begins, begins, 1, (0,))
    for wide in range(_WIDEST, 0, -1):
        sight = _fitted(found, begins, wide, room)
        if sight.last - begins >= wanted:
            return sight
    if found.here >= sight.last:
        # A phrase wider than the window is shown in steps of half a window.
        half = max(1, (sight.last - sight.first) // 2)
        sight = _fitted(found, begins + (found.here - begins) // half * half, 1, room)
    return sight


def _fitted(found: PassMap, first: int, wide: int, room: int) -> _Sight:
    starts = {at for at, _ in found.phrases} | {found.end}
    places, left = [], 0
    for at in range(first, found.passes + 1):
        # Phrases stand apart, so that nobody takes their passes for the steps of a bar.
        left += _APART if at in starts and at != first else int(at in starts)
        places.append(left)
        if left + max(1, wide - 1) > room:
            break
        left += wide
    return _Sight(first, first + len(places) - 1, wide, tuple(places))


def _draw_head(
    canvas: Canvas, found: PassMap, sight: _Sight, label: int, width: int, head: int
) -> None:
    """The axis: its name, over the cells the phrases, right above them the numbers of passes."""
    phrases, numbers = head - 2, head - 1
    name = render_letters(["PASSES"], _HEAD_DOTS)
    if head > _HEAD and len(name[0]) <= label - 2:
        canvas.block(2, 0, name, "fact")
    else:
        canvas.put(2, numbers, "pass of the phrase" if not found.ragged and label > 22 else "pass",
                   "fact")  # fmt: skip
    shown = [(at, number) for at, number in found.phrases if sight.first <= at < sight.last]
    for index, (at, number) in enumerate(shown):
        left = label + sight.place(at)
        after = shown[index + 1][0] if index + 1 < len(shown) else None
        end = width if after is None else label + sight.place(after) - 1
        if found.end is not None and at >= found.end:
            continue
        text = _phrase(found, at, number, end - left)
        canvas.put(left, phrases, text, "fact")
    if found.end is not None and sight.first <= found.end <= sight.last:
        # In little room the name moves to the left, but not into that of the last phrase.
        then = f"then {found.then}" if found.then else "the set ends"
        left = min(label + sight.place(found.end), width - len(then) - 1)
        last = max((at for at, _ in shown if at < found.end), default=sight.first)
        left = max(left, label + sight.place(last) + len("phrase 00") + 1)
        canvas.put(left, phrases, cut(then, width - left), "strong")
    first_of_phrase = {at for at, _ in found.phrases}
    for at in range(sight.first, sight.last):
        left = label + sight.place(at)
        if at == found.here:
            canvas.put(left, numbers, _HERE.center(max(1, sight.wide - 1)), "strong")
        elif (sight.wide >= 3 or at in first_of_phrase) and not _beyond(found, at):
            text = str(found.numbers[at])
            if len(text) < sight.wide or (sight.wide < 3 and at + 1 != found.here):
                canvas.put(left, numbers, text, "text")


def _phrase(found: PassMap, at: int, number: int, room: int) -> str:
    """The name of a phrase, with its passes where there is room: "phrase 1: passes 1 to 8"."""
    last = max((n for a, n in enumerate(found.numbers) if a >= at), default=1)
    texts = [f"phrase {number}: passes 1 to {last}", f"phrase {number}", str(number)]
    return next((t for t in (texts[1:] if found.ragged else texts) if len(t) <= room), "")


def _beyond(found: PassMap, at: int) -> bool:
    return found.end is not None and at >= found.end


def _draw_cells(
    canvas: Canvas,
    found: PassMap,
    sight: _Sight,
    line: StepLine,
    top: int,
    tall: int,
    label: int,
) -> None:
    starts = {at for at, _ in found.phrases}
    cell = max(1, sight.wide - 1)
    for at in range(sight.first, sight.last):
        left = label + sight.place(at)
        if _beyond(found, at):
            break
        if at in starts:
            canvas.block(left - 1, top, [_RULE] * tall, "spent")
        size, ink = line.sizes[at], _cell_role(line, line.sizes[at], at == found.here)
        for row, glyph in enumerate(_column(size, tall)):
            # A dot says never; blocks fill the cell.
            text = glyph.center(cell) if size == 0 else glyph * cell
            canvas.put(left, top + row, text, ink)
    if found.end is not None and sight.first <= found.end <= sight.last:
        canvas.block(label + sight.place(found.end) - 1, top, [_END] * tall, "spent")


def _line_role(line: StepLine) -> str:
    if line.unplanned:
        return "amiss"
    return "quiet" if line.quiet else "strong" if line.rare else "text"


def _cell_role(line: StepLine, size: int, here: bool) -> str:
    """What always plays is dim, and what is muted too: in the dark the eye finds the rest."""
    if size == 0:
        return "here-quiet" if here else "quiet"
    if line.quiet or line.steady:
        return "here-steady" if here else "steady"
    if line.rare:
        return "here-rare" if here else "rare"
    return "here-chance" if here else "chance"


def _column(size: int, tall: int) -> list[str]:
    """The glyphs of a cell, top to bottom: the larger the chance, the higher."""
    if size == 0:
        return [" "] * (tall - 1) + [_NEVER]
    # One eighth stays free at the top, so that lines stay apart.
    eighths = 2 * tall * size - 1
    return [_BLOCKS[max(0, min(8, eighths - 8 * below))] for below in range(tall - 1, -1, -1)]


def _tail(line: StepLine) -> str:
    numbers = " ".join(map(str, line.numbers))
    if len(numbers) > _NUMBERS:
        numbers = numbers[: _NUMBERS - 1].rsplit(" ", 1)[0] + "…"
    return f"{numbers}{'*' if line.rare else ' '}"


def _label(name: str, line: StepLine, width: int) -> str:
    tail = _tail(line)
    room = max(0, width - len(tail) - 1)
    return f"{cut(name, room):{room}} {tail}"[: max(0, width)]


def _foot(found: PassMap, shown: int, width: int) -> Row:
    missing = len(found.lines) - shown + found.left_out
    more = f"  {missing} more steps" if missing else ""
    amiss = f"{_NOT_PLANNED}  " if any(line.unplanned for line in found.lines) else ""
    if len(amiss) + len(more) > width - 2:
        amiss = ""
    room = width - 4 - len(more) - len(amiss)
    key = next((text for text in _KEYS if len(text) <= room), "")
    return (("  ", "quiet"), (amiss, "amiss"), (f"{key}{more}", "text"))
