"""Every region but the countdown: action, agenda, tracks, quiet facts and alarms.

Pure drawing of a reading into rows of inked text. The countdown is in dial.
"""

from __future__ import annotations

from collections.abc import Sequence

from companion.screen.canvas import AMISS, Canvas, Row, blank, cut, fold
from companion.screen.entries import Entry
from companion.screen.figures import render_figures, render_sentence
from companion.screen.reading import Reading
from companion.screen.reckon import Stage
from companion.screen.wording import Alarm, Fact

# "in 12 beats" and two spaces.
_WHEN_WIDTH = 13
# Where a sentence may be parted when only its beginning fits in large letters.
_BREAKS = (";", ":", ".", ",")
# Large letters keep clear of the mark beside them.
_LARGE_INDENT = 4
# In a window so large the first entries of the agenda are too.
_LARGE_AGENDA_WIDTH, _LARGE_AGENDA_ROWS, _LARGE_ENTRIES = 150, 14, 2
# An alarm's head in large letters, with air above and below, and one more line.
_LARGE_ALARM_ROWS = 6
# A note's, with no air; so much room there is for alarms where letters are large at all.
_LARGE_NOTE_ROWS, _LARGE_ROOM = 3, 7


def draw_action(reading: Reading, width: int, height: int) -> list[Row]:
    """The next action, in large letters where they fit, and under it what the boundary brings."""
    rows = _action(reading.action, width, height)
    if reading.boundary is not None:
        # Large letters keep an empty row between; one line alone is cut rather than left out.
        gap = 1 if height > 2 else 0
        room = height - len(rows) - gap
        if room > 0:
            rows += blank(gap) + _action(reading.boundary, width, room)
    return rows


def _action(entry: Entry, width: int, height: int) -> list[Row]:
    role = "soon" if _pressing(entry) else "strong"
    lines = _large(entry, width - _LARGE_INDENT - 2, height) if height > 2 else []
    indent = _LARGE_INDENT if lines else 2
    mark = ("▌" if role == "soon" else "").ljust(indent)
    return [((mark, role), (line, role)) for line in lines or fold_entry(entry, width - 4, height)]


def fold_entry(entry: Entry, width: int, height: int) -> list[str]:
    """The entry on at most `height` lines: in full, in fewer words, or as much as fits.

    What is left out is counted.
    """
    over = f"{entry.when}: " if entry.when else ""
    said = [entry.text, *map("; ".join, (entry.brief, entry.briefest))]
    for count in range(len(entry.briefest) - 1, 0, -1):
        left_out = len(entry.briefest) - count
        said.append("; ".join((*entry.briefest[:count], f"and {left_out} more")))
    for text in filter(None, said):
        lines = fold(over + text, width, height + 1)
        if len(lines) <= height:
            return lines
    if len(entry.briefest) < 2:
        return fold(over + entry.text, width, height)
    lines = fold(over + entry.briefest[0], width, height)
    more = f"; and {len(entry.briefest) - 1} more"
    return [*lines[:-1], cut(lines[-1], width - len(more)) + more]


def _large(entry: Entry, width: int, height: int) -> list[str]:
    """As much of the sentence in large letters as fits: all, without its when, or its beginning."""
    over = [f"{entry.when}:"] if entry.when else []
    for text in filter(None, dict.fromkeys((entry.text, "; ".join(entry.brief)))):
        whole = render_sentence(" ".join([*over, text]), width, height)
        if whole:
            return whole
        alone = render_sentence(text, width, height - len(over))
        if alone:
            return [*over, *alone]
    # The longest beginning that fits.
    for at in sorted({i for i, mark in enumerate(entry.text) if mark in _BREAKS}, reverse=True):
        rest = fold(entry.text[at + 1 :].strip(), width, 2)
        beginning = render_sentence(entry.text[:at], width, height - len(over) - len(rest))
        if beginning:
            return [*over, *beginning, *rest]
    return []


def draw_agenda(reading: Reading, width: int, height: int) -> list[Row]:
    """The agenda, soonest first, one line each, as many as fit; in large windows two are large."""
    if not reading.agenda and height and reading.condition != "gone":
        return [(("  nothing else is coming", "quiet"),)]
    rows: list[Row] = []
    for index, entry in enumerate(_in_sight(reading.agenda, height)):
        large = index < _LARGE_ENTRIES and width >= _LARGE_AGENDA_WIDTH
        if large and height >= _LARGE_AGENDA_ROWS:
            rows += _large_entry(entry, width)
        else:
            rows.append(_agenda_row(entry, width))
    return rows[:height]


def _in_sight(agenda: tuple[Entry, ...], height: int) -> list[Entry]:
    """The entries there is room for; what is not as planned, told with the tracks, has half.

    A muted step is shown only where all that will be heard is.
    """
    amiss = [entry for entry in agenda if entry.differs]
    ahead = [entry for entry in agenda if not entry.differs]
    room = max(1, height // 2, height - len(ahead))
    shown = amiss[:room]
    heard_first = sorted(range(len(ahead)), key=lambda index: ahead[index].muted)
    return [*shown, *(ahead[index] for index in sorted(heard_first[: max(0, height - len(shown))]))]


def _large_entry(entry: Entry, width: int) -> list[Row]:
    role, mark = _entry_look(entry)
    lines = render_sentence(f"{entry.when}: {entry.text}", width - _LARGE_INDENT - 2, 3)
    if not lines:
        return [_agenda_row(entry, width)]
    mark = mark.ljust(_LARGE_INDENT)
    return [*((((mark, role), (line, role))) for line in lines), ()]


def _agenda_row(entry: Entry, width: int) -> Row:
    role, mark = _entry_look(entry)
    when = entry.when.ljust(_WHEN_WIDTH if width >= 60 else _WHEN_WIDTH - 2)
    return ((mark, role), (when, role), (cut(entry.text, width - 2 - len(when)), role))


def _entry_look(entry: Entry) -> tuple[str, str]:
    """The role of an entry and the mark before it."""
    if entry.differs:
        return "soon", AMISS
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
    row: Row = ((AMISS, "soon"), (cut(amiss, width - 2), "soon"))
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
    mark, role = (AMISS, "soon") if amiss else ("  ", "quiet")
    return (
        (mark + head.ljust(_WHEN_WIDTH), role),
        (cut(marked, room), "soon"),
        (cut(rest, max(0, room - len(marked))) if room > len(marked) else "", "text"),
    )


def draw_quiet(reading: Reading, width: int, height: int) -> list[Row]:
    """The quiet facts; in little room shorter, then the least needed left out."""
    facts = list(reading.quiet)
    room = width - 4
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
            more = f" +{len(alarms) - i}  "
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
