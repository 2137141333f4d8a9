"""The cue sheet as one HTML page for any browser's printer: black on white, no script, no link.

It is cut into sheets of paper here and not by the browser, so that each has its head and foot:
what stands on one is measured in units, of which one is a millimetre at the usual size of type. A
song gets the largest type with which it fits on one sheet, and more sheets only if it does not at
the smallest; so a page is neither cut nor nearly empty. Widths of letters are taken rather too
large than too small, since every machine has fonts of its own.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache, partial
from importlib.resources import files
from itertools import pairwise
from typing import Any

from companion.cautions import CAUTIONS
from companion.counting import Grid
from companion.printable import percent, printable
from companion.setlist import Instrument
from companion.sheet.cuesheet import (
    CueLine,
    CueSheet,
    PartSheet,
    RareStep,
    SongSheet,
    number,
    place,
)

# Widths and heights in millimetres (ISO 216; ANSI/ASME Y14.1), and the margins of all sheets.
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN_X, MARGIN_Y = 12.0, 10.0
# A page that fits on either, for whoever does not say which it is.
EITHER = (210.0, 279.4)
# What a browser may round up.
SLACK = 1.5
# The sizes of type that are tried, largest first, and that of songs that need several sheets.
SIZES = (1.6, 1.45, 1.3, 1.2, 1.1, 1.0, 0.9, 0.8, 0.72, 0.65)
SEVERAL = 0.9
FOOT = 12.0
# Left and right of a part: its number and programs, and all else.
SIDE, GAP = 40.0, 4.0
WHEN = 24.0
MAP_LABEL, MAP_ROW, MAP_GAP = 33.0, 3.2, 6.0
# More lines of a part than these go on in another block, maybe on another sheet.
BLOCK_CUES, BLOCK_RARE = 18, 18
# Shares of a row's width in the running order: number, name, programs, length.
ROW = (0.08, 0.3, 0.3, 0.32)
# Passes that are named one by one.
NAMED_PASSES = 6
# Room that is left over and worth ruling for notes by hand.
RULED_FROM, RULED_LINE, MOST_RULED = 24.0, 9.0, 14


@dataclass(frozen=True, slots=True)
class Block:
    """What is not torn apart: the template's macro that draws it, its height, and what is in it."""

    kind: str
    height: float
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PaperSheet:
    """A sheet of paper: its blocks, the size of its type, and how many lines for notes by hand."""

    blocks: tuple[Block, ...]
    size: float
    ruled: int


def render(sheet: CueSheet, paper: str | None = None) -> str:
    """The whole file; `paper` is a key of PAPERS, None for whatever the printer holds."""
    sheets = pages(sheet, paper)
    width, height = _area(paper)
    text: str = _template().render(
        sheet=sheet,
        name=sheet.setlist.name,
        pages=sheets,
        paper={"a4": "A4", "letter": "letter"}.get(paper or "", ""),
        margin=f"{MARGIN_Y:g}mm {MARGIN_X:g}mm",
        width=width,
        height=height,
    )
    return text


def pages(sheet: CueSheet, paper: str | None = None) -> list[PaperSheet]:
    """The sheets of paper in order: the running order of the set, then the songs."""
    width, height = _area(paper)

    room = width, height
    # A line for each part where the whole set stands on one sheet so, else a few lines a song.
    rows = partial(_running_order, sheet, by_part=True)
    found = _on_one(rows, *room) or _fitted(partial(_running_order, sheet), *room)
    for at, song in enumerate(sheet.songs, start=1):
        found += _fitted(partial(_song_blocks, sheet, song, at), *room)
    return found


def _area(paper: str | None) -> tuple[float, float]:
    """Width and height of what may be printed on, in millimetres."""
    width, height = EITHER if paper is None else PAPERS[paper]
    return width - 2 * MARGIN_X, height - 2 * MARGIN_Y - SLACK


def _on_one(make: Callable[[float], list[Block]], width: float, height: float) -> list[PaperSheet]:
    """One sheet in the largest type with which all fits on it; none if nothing is small enough."""
    for size in SIZES:
        blocks = make(width / size)
        left = height / size - FOOT - sum(block.height for block in blocks)
        if left >= 0:
            ruled = min(MOST_RULED, int((left - 8) / RULED_LINE)) if left >= RULED_FROM else 0
            return [PaperSheet(tuple(blocks), size, ruled)]
    return []


def _fitted(make: Callable[[float], list[Block]], width: float, height: float) -> list[PaperSheet]:
    """One sheet if that will do, or several."""
    sheets = _on_one(make, width, height)
    if sheets:
        return sheets
    room = height / SEVERAL - FOOT
    return [PaperSheet(tuple(each), SEVERAL, 0) for each in _dealt(make(width / SEVERAL), room)]


def _dealt(blocks: Sequence[Block], room: float) -> list[list[Block]]:
    """The blocks in order on as few sheets as hold them, none of which is much emptier than others.

    The first block is the head, and stands on every sheet.
    """
    head, *rest = blocks
    room -= head.height
    needed = len(_filled(rest, room))
    total = sum(block.height for block in rest)
    # The lowest height with which that many sheets are enough.
    target = total / needed
    while len(_filled(rest, target)) > needed:
        target += 2.0
    return [[head, *each] for each in _filled(rest, min(target, room))]


def _filled(blocks: Sequence[Block], room: float) -> list[list[Block]]:
    sheets: list[list[Block]] = [[]]
    used = 0.0
    for block in blocks:
        if sheets[-1] and used + block.height > room:
            sheets.append([])
            used = 0.0
        sheets[-1].append(block)
        used += block.height
    return sheets


# -- what stands on a song's sheet -----------------------------------------------------------------


def _song_blocks(sheet: CueSheet, song: SongSheet, at: int, across: float) -> list[Block]:
    facts = [
        f"song {at} of {len(sheet.songs)}",
        "no tempo given" if song.tempo is None else f"tempo {song.tempo:g}",
        length(song.bars, song.seconds, song.is_open, rough=song.is_rough),
        "ends in silence: stop the instruments" if song.stops else "",
    ]
    title = printable(song.title)
    blocks = [
        Block(
            "head",
            10.0 * lines(title, across, 8.0, bold=True)
            + 6.0 * lines(" · ".join(filter(None, facts)), across, 4.4)
            + 2.0,
            {"title": title, "facts": " · ".join(filter(None, facts))},
        )
    ]
    if song.notes:
        notes = printable(song.notes)
        blocks.append(Block("notes", 2.0 + 6.5 * lines(notes, across, 5.0), {"notes": notes}))
    for part in song.parts:
        blocks += _part_blocks(part, across)
    blocks += _map_blocks(song.maps, across)
    how = (
        "Without the computer: count bars from the part's one; choose the program at the left "
        "yourself, as page 1 says for each instrument."
    )
    blocks.append(Block("how", 3.0 + 5.0 * lines(how, across, 3.8), {"text": how}))
    return blocks


def _part_blocks(part: PartSheet, across: float) -> list[Block]:
    """A part; one with very many cues or rare steps goes on in further blocks."""
    cues = [line for cue in part.cues for line in _cue_lines(part, cue)]
    cues.sort(key=lambda line: line[0])
    shown = [(when, text) for _, when, text in cues]
    rare = [rare_line(step) for step in part.rare]
    main = across - SIDE - GAP
    # Cues beside rare steps; either has all the room where there is nothing of the other.
    left = main * 0.58 if rare and shown else main * bool(shown)
    right = main - left - GAP * bool(shown)
    side = [(printable(each.where), str(each.number)) for each in part.programs]
    blocks = []
    for at in range(0, max(1, len(shown), len(rare)), min(BLOCK_CUES, BLOCK_RARE)):
        some, few = shown[at : at + BLOCK_CUES], rare[at : at + BLOCK_RARE]
        name = printable(part.name) + (" (continued)" if at else "")
        span = length(part.bars, part.seconds, part.bars is None, rough=part.rough)
        if part.layers:
            layers = ", ".join(f"{pattern} on {on}" for pattern, on in part.layers)
            span += f" · with {printable(layers)}"
        head = 8.5 * lines(f"{name}  {span}", main, 7.0, bold=True)
        high = sum(6.2 * lines(text, left - WHEN, 4.8) for _, text in some)
        steps = sum(5.0 * lines(text, right, 3.8) for text in few)
        if few:
            steps += 5.0
        beside = 6.0 + sum(_program_height(*each) for each in (() if at else side))
        data = {"part": part, "name": name, "span": span, "cues": some, "rare": few}
        data |= {"programs": () if at else side, "left": left, "right": right}
        blocks.append(Block("part", 4.0 + max(beside, head + max(high, steps)), data))
    return blocks


def _program_height(instrument: str, program: str) -> float:
    return 5.0 * lines(instrument, SIDE, 4.0) + 11.4 * lines(program, SIDE - 5.0, 8.5, bold=True)


def _cue_lines(part: PartSheet, line: CueLine) -> list[tuple[float, str, str]]:
    """(tick to sort by, when, what) of a cue: each time, or once with how often it comes again."""
    text = printable(line.text)
    if not line.ticks:
        return [(float("inf"), line.when, text)]
    end = None if part.bars is None else part.bars * part.meter.bar_ticks
    if len(line.ticks) > 3 or (end is None and line.again):
        return [(line.ticks[0], _when(part, line.ticks[0], end), f"{text} ({line.again})")]
    return [(tick, _when(part, tick, end), text) for tick in line.ticks]


def _when(part: PartSheet, tick: int, end: object) -> str:
    if tick == end:
        return "end"
    bar, beat = place(part.meter, tick)
    return f"bar {bar}" + (f" beat {beat}" if beat > 1 else "")


def rare_line(step: RareStep) -> str:
    """A rare step and its passes for people, such as "bell 11: pass 2, 6, 10"."""
    layer = f"{printable(step.layer)}: " if step.layer else ""
    what = f" {printable(step.what)}" if step.what and step.what != step.track else ""
    name = f"{layer}{printable(step.track)} {step.step}{what}"
    chance = "" if step.chance is None or step.chance >= 1 else f", {percent(step.chance)}%"
    if step.chance is None:
        chance = ", by chance"
    if step.every:
        return f"{name}: any pass{chance}"
    passes = step.passes
    if len(passes) > NAMED_PASSES:
        gaps = {after - before for before, after in pairwise(passes)}
        if gaps == {1}:
            return f"{name}: pass {passes[0]} to {passes[-1]}{percent}"
        first = ", ".join(map(str, passes[:3]))
        by = f", every {gaps.pop()}" if len(gaps) == 1 else ""
        return f"{name}: pass {first} ... {passes[-1]}{by}{chance}"
    return f"{name}: pass {', '.join(map(str, passes))}{chance}"


def _map_blocks(maps: Sequence[Grid], across: float) -> list[Block]:
    width = (across - MAP_GAP) / 2
    drawn = [_map(grid, width) for grid in maps]
    rows = [drawn[at : at + 2] for at in range(0, len(drawn), 2)]
    blocks = [
        Block("maps", 3.0 + max(each["height"] for each in row), {"maps": row, "key": False})
        for row in rows
    ]
    if blocks:
        last = blocks[-1]
        blocks[-1] = Block("maps", last.height + 5.0, {**last.data, "key": True})
    return blocks


def _map(grid: Grid, width: float) -> dict[str, Any]:
    """A pass map as shapes: labels and squares in units, from its upper left corner."""
    passes = grid.passes
    cell = min(MAP_ROW + 0.8, (width - MAP_LABEL - 1.0) / passes)
    most = min(cell, MAP_ROW) * 0.84
    labels: list[dict[str, Any]] = []
    squares: list[tuple[float, float, float]] = []
    top = 5.4 + MAP_ROW
    for y, row in enumerate(grid.rows):
        numbers = " ".join(map(str, row.numbers))
        if len(numbers) > 12:
            numbers = numbers[:11].rsplit(" ", 1)[0] + " ..."
        text = f"{printable(row.track)} {numbers}{' (fill)' if row.fill_only else ''}"
        text += " *" if row.rare else ""
        wide = text_width(text, 2.9, bold=row.rare)
        labels.append(
            {
                "text": text,
                "y": round(top + (y + 0.74) * MAP_ROW, 2),
                "rare": row.rare,
                "squeezed": round(MAP_LABEL - 2.0, 1) if wide > MAP_LABEL - 2.0 else None,
            }
        )
        for x, chance in enumerate(row.chances):
            if chance > 0:
                side = most * (0.35 + 0.65 * chance)
                corner = MAP_LABEL + (x + 0.5) * cell - side / 2
                squares.append(
                    (
                        round(corner, 2),
                        round(top + (y + 0.5) * MAP_ROW - side / 2, 2),
                        round(side, 2),
                    )
                )
    ends = {passes: str(passes)} if passes > 1 else {}
    marks = {at + 1: str(at + 1) for at in sorted(grid.boundaries)} | ends
    ruler = [(round(MAP_LABEL + (at - 0.5) * cell, 2), text) for at, text in marks.items()]
    bottom = top + len(grid.rows) * MAP_ROW
    more = f"and {grid.left_out} more rows" if grid.left_out else ""
    title = printable(grid.pattern.name)
    return {
        "title": title,
        "squeezed": round(width - 2, 1) if text_width(title, 3.8, bold=True) > width - 2 else None,
        "more": more,
        "labels": labels,
        "squares": squares,
        "ruler": ruler,
        "rules": [
            round(MAP_LABEL + at * cell, 2) for at in sorted(grid.boundaries | {grid.passes})
        ],
        "top": top,
        "bottom": round(bottom, 2),
        "width": round(width, 2),
        "height": round(bottom + (4.5 if more else 1.0), 2),
    }


# -- the running order -----------------------------------------------------------------------------


def _running_order(sheet: CueSheet, across: float, *, by_part: bool = False) -> list[Block]:
    setlist = sheet.setlist
    songs, parts = len(setlist.songs), len(setlist.parts)
    facts = [
        f"{songs} song{'s' if songs > 1 else ''}",
        f"{parts} part{'s' if parts > 1 else ''}",
        duration(sheet.seconds, sheet.is_open, rough=sheet.is_rough),
        "" if setlist.curfew is None else f"curfew {setlist.curfew // 60}:{setlist.curfew % 60:02}",
    ]
    name = printable(setlist.name)
    blocks = [
        Block(
            "head",
            10.0 * lines(name, across, 8.0, bold=True) + 8.0,
            {"title": name, "facts": " · ".join(filter(None, ["running order", *facts]))},
        )
    ]
    at_seconds: float | None = 0.0
    exact = True
    for at, song in enumerate(sheet.songs, start=1):
        title = printable(song.title)
        facts = [
            "" if at_seconds is None else f"at {clock(at_seconds)}{'' if exact else ' or later'}",
            "" if song.tempo is None else f"tempo {song.tempo:g}",
            length(song.bars, song.seconds, song.is_open, rough=song.is_rough),
            "ends in silence" if song.stops else "",
        ]
        line = " · ".join(filter(None, facts))
        main = across - 14.0
        high = 8.5 * lines(title, main, 7.0, bold=True) + 5.4 + 3.6
        data: dict[str, Any] = {"number": at, "title": title, "facts": line}
        if by_part:
            rows = [_row(part) for part in song.parts]
            high += sum(_row_height(row, main) for row in rows)
            data |= {"rows": rows, "columns": ROW}
        else:
            listed = [_listed_part(part) for part in song.parts]
            high += 6.0 * lines("  ".join(listed), main, 4.4, spare=2.0)
            data |= {"rows": [], "listed": listed}
        blocks.append(Block("song", high, data))
        if at_seconds is not None and song.seconds is not None:
            at_seconds += song.seconds
        else:
            at_seconds = None
        exact = exact and not song.is_open
    told = {change.instrument for part in setlist.parts for change in part.changes}
    sentences = [
        *(_by_hand(each) for each in setlist.instruments.values() if each.name in told),
        "Count the bars of each part from its first one: its length stands beside its name. A map "
        "shows passes across and steps down; the larger the square, the likelier the step.",
        "Rare steps fall by themselves on the passes named; mutes, fills and all other cues are "
        "done by hand, at the bar named.",
        str(CAUTIONS[0]),
    ]
    high = 8.0 + sum(1.4 + 5.4 * lines(text, across, 4.2) for text in sentences)
    return [*blocks, Block("hand", high, {"sentences": sentences})]


def _row(part: PartSheet) -> tuple[str, str, str, str]:
    programs = " · ".join(f"{printable(each.where)}: {each.number}" for each in part.programs)
    span = length(part.bars, part.seconds, part.bars is None, rough=part.rough)
    return str(part.number), printable(part.name), programs, span


def _row_height(row: Sequence[str], main: float) -> float:
    texts = zip(row, ROW, strict=True)
    return 6.2 * max(lines(text, main * share - 3.0, 4.6, bold=True) for text, share in texts)


def _listed_part(part: PartSheet) -> str:
    span = "open" if part.bars is None else f"{number(part.bars)}"
    programs = ", ".join(f"{printable(each.where)}: {each.number}" for each in part.programs)
    return f"{part.number} {printable(part.name)} ({span}{'; ' if programs else ''}{programs})"


def _by_hand(instrument: Instrument) -> str:
    """How to change patterns on an instrument oneself."""
    name = printable(instrument.name)
    if instrument.at_once:
        change = "it changes at once, so choose the next program exactly on the new part's one"
    else:
        change = (
            "it changes when its pattern ends, so choose the next program during the last pass "
            "before the new part"
        )
    counts = "counts passes anew then" if instrument.recount else "goes on counting passes then"
    return f"{name} (channel {instrument.channel + 1}): {change}; it {counts}."


def length(
    bars: Fraction | None, seconds: float | None, is_open: bool, *, rough: bool = False
) -> str:
    """How long something lasts for people, such as "32 bars · 1:05"."""
    if not bars:
        return "open"
    shown = number(bars)
    text = f"{'about ' if rough else ''}{shown} bar{'' if shown == 1 else 's'}"
    if seconds is not None:
        text += f" · {clock(seconds)}"
    return f"{text} + open" if is_open else text


def duration(seconds: float | None, is_open: bool, *, rough: bool = False) -> str:
    """Minutes for people, "" where they are not known."""
    if seconds is None:
        return ""
    if not seconds:
        return "open"
    text = f"about {clock(seconds)}" if rough else clock(seconds)
    return text + (" and what is left open" if is_open else "")


def clock(seconds: float) -> str:
    """Such as "1:05" or "1:02:09"."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    if hours:
        return f"{hours}:{rest // 60:02d}:{rest % 60:02d}"
    return f"{rest // 60}:{rest % 60:02d}"


# -- how much room text takes ----------------------------------------------------------------------

# Widths as parts of the size of type, of the widest sans-serif that is about (DejaVu Sans; measured
# averages, rounded up). Whole width for East Asian letters and for signs.
_NARROW = {**dict.fromkeys("iljI.,:;'|!· ", 0.36), **dict.fromkeys("ftr()[]-/", 0.44)}
_WIDE = {**dict.fromkeys("mwMW@%", 1.0)}


@cache
def _letter(character: str) -> float:
    if character in _NARROW:
        return _NARROW[character]
    if character in _WIDE:
        return _WIDE[character]
    if unicodedata.combining(character):
        return 0.0
    if unicodedata.east_asian_width(character) in "WF" or ord(character) > 0x2000:
        return 1.05
    return 0.72 if character.isupper() else 0.64


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """About how wide a text is, in the units of `size`, rather too much than too little."""
    return sum(map(_letter, text)) * size * (1.12 if bold else 1.0)


def lines(text: str, width: float, size: float, *, bold: bool = False, spare: float = 0.0) -> int:
    """How many lines a text takes that is broken at spaces; `spare` is lost at each line's end."""
    room = max(size, width - spare)
    count, used = 1, 0.0
    space = text_width(" ", size, bold=bold)
    for word in text.split(" "):
        wide = text_width(word, size, bold=bold)
        if used and used + space + wide > room:
            count += 1
            used = 0.0
        used += (space if used else 0.0) + wide
        if used > room:
            # A word longer than the line is broken inside.
            more = int(used / room)
            count += more
            used -= more * room
    return count


@cache
def _template() -> Any:
    from jinja2 import Environment, StrictUndefined

    made = Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=StrictUndefined
    )
    made.filters["printable"] = printable
    source = (files("companion.sheet") / "page.html").read_text("utf-8")
    return made.from_string(source)
