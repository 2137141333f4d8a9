"""Where each word of a reading goes: pure layout of a reading into rows of inked text.

An ink is (text, role); a role is a class of the style sheet. Colours are the style sheet's,
words are reading's and wording's.
"""

from __future__ import annotations

from textwrap import wrap

from companion.screen.figures import render_figures
from companion.screen.reading import Entry, Reading
from companion.screen.reckon import Stage
from companion.screen.wording import Alarm

Ink = tuple[str, str]
Row = tuple[Ink, ...]

_STAGE_ROLES = ("far", "near", "imminent", "now")
_WHEN_WIDTH = 11


def stage_role(reading: Reading) -> str:
    """The role of the countdown's figures."""
    if reading.condition in ("lost", "gone"):
        return "dim"
    return _STAGE_ROLES[reading.stage]


def draw_countdown(reading: Reading, width: int, height: int, calm: bool) -> list[Row]:
    """The countdown: figure, unit, what is left of the phrase, pass and phrase."""
    role = stage_role(reading)
    ground = "now" if role == "now" else "ground"
    # Rails close in from both sides as the boundary nears; their room is always kept free.
    most = max(1, width // 40)
    rails = {Stage.FAR: 0, Stage.NEAR: (most + 1) // 2, Stage.IMMINENT: most, Stage.NOW: most}
    rail = rails[reading.stage] if role != "dim" else 0
    inner = width - 2 * (most + 1)
    beside = width >= 72 and height >= 7
    zone = height - 1 if beside else height - 2
    facts_width = (30 if width >= 112 else 18) if beside else 0
    canvas = Canvas(inner, height, ground)
    _figure(canvas, reading, role, inner - facts_width - (2 if beside else 0), max(1, zone))
    if beside:
        _facts_column(canvas, reading, role, inner - facts_width, facts_width, zone)
    else:
        _facts_row(canvas, reading, role, height - 2, inner)
    _drain(canvas, reading, role, height - 1, inner, calm)
    side: Row = (("█" * rail, role if role != "now" else ground), (" " * (most + 1 - rail), ground))
    return [(*side, *row, *reversed(side)) for row in canvas.rows()]


def _figure(canvas: Canvas, reading: Reading, role: str, width: int, height: int) -> None:
    if not reading.unit:
        room = height - 1 if reading.word and height >= 5 else height
        lines = render_figures(reading.figure, width, room)
        canvas.block(0, (room - len(lines)) // 2 if len(lines) < room else 0, lines, role)
        if reading.word:
            canvas.put(0, min(height - 1, room), reading.word[:width], _plain(role))
        return
    slot = render_figures("0" * len(reading.figure), width - 8, height)
    lines = render_figures(reading.figure, width - 8, height)
    across = max(len(slot[0]), len(lines[0]))
    canvas.block(across - len(lines[0]), 0, lines, role)
    left, room = across + 2, width - across - 2
    unit = render_figures(reading.unit, room, max(3, height // 2))
    top = height - len(unit)
    canvas.block(left, top, unit, role)
    if top > 0:
        canvas.put(left, max(0, top - 2), reading.word[:room], _plain(role))


def _facts(reading: Reading) -> tuple[tuple[str, str], ...]:
    in_phrase, passes = reading.pass_fact
    phrase, planned = reading.phrase_fact
    of_phrases = f" of {planned}" if planned is not None else ""
    over = f"/{planned}" if planned is not None else ""
    facts = [
        (f"pass {in_phrase} of {passes}", f"pass {in_phrase}/{passes}"),
        (f"phrase {phrase}{of_phrases}", f"phrase {phrase}{over}"),
    ]
    if reading.clock:
        facts.insert(0, (reading.clock, reading.clock))
    return tuple(facts)


def _facts_column(
    canvas: Canvas, reading: Reading, role: str, left: int, width: int, height: int
) -> None:
    facts = _facts(reading)
    blocks = [render_figures(short, width, 3) for _, short in facts]
    if sum(len(b) + 1 for b in blocks) - 1 <= height and all(len(b) > 1 for b in blocks):
        top = 0
        for block in blocks:
            canvas.block(left + width - len(block[0]), top, block, _plain(role))
            top += (height - 3) // max(1, len(blocks) - 1) if len(blocks) > 1 else 0
        return
    for i, (text, _) in enumerate(facts):
        canvas.put(left + width - len(text), min(2 * i, height - 1), text, _plain(role))


def _facts_row(canvas: Canvas, reading: Reading, role: str, row: int, width: int) -> None:
    texts = [text for text, _ in _facts(reading)]
    if len("   ".join(texts)) > width:
        texts = [short for _, short in _facts(reading)]
    canvas.put(0, row, "   ".join([*texts[-2:], *texts[:-2]])[:width], _plain(role))


def _drain(canvas: Canvas, reading: Reading, role: str, row: int, width: int, calm: bool) -> None:
    line = width if calm else width - 3
    full = min(line, -(-reading.left * line // max(1, reading.whole)))
    if reading.condition in ("waiting", "ready", "gone"):
        full = 0
    canvas.put(0, row, "━" * full, role)
    canvas.put(full, row, "─" * (line - full), "now" if role == "now" else "spent")
    if not calm and reading.lit:
        canvas.put(width - 2, row, "██", role)


def _plain(role: str) -> str:
    return "now" if role == "now" else "fact"


def blank(height: int) -> list[Row]:
    """Rows with nothing in them."""
    return [()] * height


def draw_action(reading: Reading, width: int, height: int) -> list[Row]:
    """The next action as one sentence, wrapped."""
    entry = reading.action
    text = f"{entry.when}: {entry.text}" if entry.when else entry.text
    role = "soon" if entry.stage >= Stage.IMMINENT or entry.announced else "strong"
    mark = "▶ " if role == "soon" else "  "
    lines = _fold(text, width - 2, height)
    return [((mark if i == 0 else "  ", role), (line, role)) for i, line in enumerate(lines)]


def draw_agenda(reading: Reading, width: int, height: int) -> list[Row]:
    """The agenda, soonest first, one line each, as many as fit."""
    return [_agenda_row(entry, width) for entry in reading.agenda[:height]]


def _agenda_row(entry: Entry, width: int) -> Row:
    role = "soon" if entry.announced or entry.stage >= Stage.IMMINENT else "text"
    mark = "▸ " if role == "soon" else "  "
    when = entry.when.ljust(_WHEN_WIDTH)
    return ((mark, role), (when, role), (_cut(entry.text, width - 2 - _WHEN_WIDTH), role))


def draw_tracks(reading: Reading, width: int, height: int) -> list[Row]:
    """Which tracks the plan has sounding and which muted."""
    if not reading.sounding and not reading.muted:
        return []
    sounding = ", ".join(reading.sounding) or "nothing"
    muted = ", ".join(reading.muted) or "nothing"
    if height >= 2:
        return [
            (("  muted      ", "fact"), (_cut(muted, width - 13), "text")),
            (("  sounding   ", "fact"), (_cut(sounding, width - 13), "quiet")),
        ]
    return [((_cut(f"  muted: {muted}; sounding: {sounding}", width), "quiet"),)]


def draw_quiet(reading: Reading, width: int, height: int) -> list[Row]:
    """The quiet facts on one or two lines; the least needed are left out first."""
    facts = list(reading.quiet)
    while len(facts) > 1 and len(_fold_facts(facts, width)) > height:
        facts.remove(max(facts))
    return [((line, "quiet"),) for line in _fold_facts(facts, width)[:height]]


def _fold_facts(facts: list[tuple[int, str]], width: int) -> list[str]:
    lines = [""]
    for _, text in facts:
        joined = f"{lines[-1]} · {text}" if lines[-1] else text
        if len(joined) <= width:
            lines[-1] = joined
        else:
            lines.append(_cut(text, width))
    return [line for line in lines if line]


def draw_alarms(alarms: tuple[Alarm, ...], width: int, height: int) -> list[Row]:
    """What is not in order, worst first, wrapped; what does not fit is counted."""
    rows: list[Row] = []
    for i, alarm in enumerate(alarms):
        role = "alarm" if alarm.urgent else "note"
        lines = _fold(f"{alarm.head}: {alarm.text}", width - 2, max(1, height - len(rows)))
        if len(rows) + 1 > height:
            more = f" (+{len(alarms) - i})"
            text, last = rows[-1][0]
            rows[-1] = ((text.rstrip()[: width - len(more)].ljust(width - len(more)) + more, last),)
            break
        rows += [((f" {line}".ljust(width), role),) for line in lines]
    return rows


def alarm_rows(alarms: tuple[Alarm, ...], width: int, most: int) -> int:
    """How many rows the alarms want, at most `most`."""
    return min(most, len(draw_alarms(alarms, width, 99)))


def _fold(text: str, width: int, height: int) -> list[str]:
    lines = wrap(text, max(8, width)) or [""]
    if len(lines) > height:
        lines = [*lines[: height - 1], _cut(" ".join(lines[height - 1 :]), width)]
    return lines


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: max(0, width - 1)] + "…"


class Canvas:
    """A rectangle of one ground role on which texts of other roles are put."""

    def __init__(self, width: int, height: int, ground: str) -> None:
        self._width = width
        self._ground = ground
        self._marks: list[list[tuple[int, str, str]]] = [[] for _ in range(height)]

    def put(self, left: int, row: int, text: str, role: str) -> None:
        """Put one line of text; what falls outside is dropped."""
        if text and 0 <= row < len(self._marks) and 0 <= left < self._width:
            self._marks[row].append((left, text[: self._width - left], role))

    def block(self, left: int, row: int, lines: list[str], role: str) -> None:
        """Put lines under one another."""
        for i, line in enumerate(lines):
            self.put(left, row + i, line, role)

    def rows(self) -> list[Row]:
        """The rows, each exactly as wide as the canvas."""
        return [self._row(sorted(marks)) for marks in self._marks]

    def _row(self, marks: list[tuple[int, str, str]]) -> Row:
        inks: list[Ink] = []
        at = 0
        for left, text, role in marks:
            if left > at:
                inks.append((" " * (left - at), self._ground))
            shown = text[max(0, at - left) :]
            inks.append((shown, role))
            at = max(at, left + len(text))
        if at < self._width:
            inks.append((" " * (self._width - at), self._ground))
        return tuple(inks)
