"""The set view: how the night stands, then its songs and parts, the running one in sight.

Pure drawing of a night into rows of inked text.
"""

from __future__ import annotations

from companion.screen.canvas import Canvas, Row, cut
from companion.screen.figures import render_figures
from companion.screen.night import Night, PartLine, SongLine, Turn, spoken

# The time in large figures needs so much room to leave the list its own.
_LARGE_WIDTH, _LARGE_HEIGHT = 72, 16
# From these heights on there is the line of the night, and figures are larger.
_LINE_HEIGHT, _TALL_HEIGHT = 8, 34
_TURN_WIDTH = 6
_WIDE = 72

_ROLES = {Turn.DONE: "quiet", Turn.NOW: "here", Turn.NEXT: "strong", Turn.TO_COME: "text"}


def draw_night(night: Night, width: int, height: int, scroll: int = 0) -> list[Row]:
    """The set view on `width` columns and `height` rows, moved on by `scroll` lines."""
    rows = _head(night, width, height)
    if height >= _LARGE_HEIGHT:
        rows.append(())
    if height >= _LINE_HEIGHT:
        rows += _night_line(night, width, names=height >= 14)
    if height >= _LARGE_HEIGHT and width >= _WIDE:
        rows.append(_column_names(night))
    return rows[:height] + _list(night, width, max(0, height - len(rows)), scroll)


def _head(night: Night, width: int, height: int) -> list[Row]:
    told = _told(night)
    if not night.since or width < _LARGE_WIDTH or height < _LARGE_HEIGHT:
        if len(" · ".join(told[:2])) > width - 3 and night.drift:
            # How we are in time says more than since when.
            told = [night.since, night.drift]
        while len(told) > 1 and len(" · ".join(told)) > width - 3:
            told.pop()
        return [((cut(f"  {' · '.join(told)}", width), "fact"),)]
    rows = 7 if height >= _TALL_HEIGHT else 3
    canvas = Canvas(width, rows)
    figure = render_figures(night.since, width // 4, rows)
    canvas.block(2, 0, figure, "strong")
    left = len(figure[0]) + 5
    beside = ["since the start", *told[1:], *filter(None, (night.remark,))][:rows]
    canvas.block(left, 0, beside, "fact")
    left += max(map(len, beside[:3])) + 4
    room = width - left - 2
    if room >= 20:
        _now_and_then(canvas, night, left, room, rows)
    return canvas.rows()


def _now_and_then(canvas: Canvas, night: Night, left: int, room: int, rows: int) -> None:
    """What is played now and what then, in large letters where both fit."""
    said = [f"now {night.now}", f"then {night.then}"]
    large = [render_figures(text, room, 3) for text in said]
    if rows >= 7 and all(len(lines) == 3 for lines in large):
        canvas.block(left, 0, [*large[0], "", *large[1]], "strong")
    elif rows < 7 and len(large[1]) == 3:
        canvas.block(left, 0, large[1], "strong")
    else:
        canvas.put(left, 0, cut(said[0], room), "fact")
        canvas.put(left, 1, cut(said[1], room), "strong")


def _told(night: Night) -> list[str]:
    return [
        text
        for text in (
            f"{night.since} since the start" if night.since else "not started yet",
            night.drift,
            night.to_go and f"{night.to_go} of the plan to go",
        )
        if text
    ]


def _night_line(night: Night, width: int, names: bool) -> list[Row]:
    """The whole night as one line, its songs apart, and under them their numbers."""
    room = width - 4
    ends, total = [], 0.0
    for share in night.shares:
        total += share
        ends.append(round(total * room))
    done = min(room - 1, int(night.done * room))
    line, below = Canvas(width, 1), Canvas(width, 1)
    line.put(2 + done, 0, "█", "strong")
    start = 0
    for index, end in enumerate(ends):
        # One column at the end parts the songs.
        for at in range(start, max(start, end - 1)):
            if at != done:
                line.put(2 + at, 0, "━" if at < done else "─", "far" if at < done else "spent")
        number = str(night.first_song + index)
        if end - start > len(number):
            here = start <= done < end
            below.put(
                2 + start,
                0,
                f"song {number}" if here and end - start > 8 else number,
                "fact" if here else "quiet",
            )
        start = end
    return [*line.rows(), *below.rows()] if names else line.rows()


def _list(night: Night, width: int, height: int, scroll: int) -> list[Row]:
    lines = _parted(night.lines, height)
    here = lines.index(night.lines[night.here]) if night.lines else 0
    # The running part stays near the top third: what is to come matters more than what was.
    first = max(0, min(here - height // 3, len(lines) - height))
    first = max(0, min(first + scroll, len(lines) - 1))
    shown = lines[first : first + height]
    if shown and isinstance(shown[0], PartLine) and first != here:
        # The song a part belongs to is never out of sight.
        shown[0] = next(line for line in reversed(lines[:first]) if isinstance(line, SongLine))
    rows = [_row(line, width) for line in shown]
    hidden = len(lines) - first - len(shown)
    if hidden > 0 and rows and height > 3:
        rows[-1] = ((cut(f"  {'':{_TURN_WIDTH}}… and {hidden + 1} more lines", width), "quiet"),)
    return rows


def _column_names(night: Night) -> Row:
    timed = any(isinstance(line, PartLine) and line.begins is not None for line in night.lines)
    text = _columns("", "", "length", "planned" if timed else "", "program")
    return ((text, "quiet"),)


def _columns(turn: str, name: str, length: str, begins: str, told: str) -> str:
    return f"  {turn:{_TURN_WIDTH}}   {name:28}{length:16}{begins:>8}  {told}"


def _parted(
    lines: tuple[SongLine | PartLine, ...], height: int
) -> list[SongLine | PartLine | None]:
    """The lines, songs parted by an empty one where all of it fits."""
    songs = sum(isinstance(line, SongLine) for line in lines)
    if len(lines) + songs - 1 > height:
        return list(lines)
    parted: list[SongLine | PartLine | None] = []
    for line in lines:
        if parted and isinstance(line, SongLine):
            parted.append(None)
        parted.append(line)
    return parted


def _row(line: SongLine | PartLine | None, width: int) -> Row:
    if line is None:
        return ()
    return _song_row(line, width) if isinstance(line, SongLine) else _part_row(line, width)


def _song_row(song: SongLine, width: int) -> Row:
    role = "quiet" if song.turn is Turn.DONE else "fact"
    tempo = f", tempo {song.tempo:g}" if song.tempo else ""
    return ((cut(f"  {'':{_TURN_WIDTH}}{song.number}  {song.title}{tempo}", width), role),)


def _part_row(part: PartLine, width: int) -> Row:
    role = _ROLES[part.turn]
    said = part.turn.value
    begins = "" if part.begins is None else spoken(part.begins)
    if width >= _WIDE:
        text = _columns(said, cut(part.pattern, 27), part.length, begins, "")
        room = width - len(text)
        if part.program is not None:
            told = f"{part.program} on {part.instrument}"
            text += told if len(told) <= room else cut(str(part.program), room)
    else:
        tail = f"{part.length.replace('phrase ', '').replace(' of ', '/')} {begins:>6}"
        room = width - 2 - _TURN_WIDTH - len(tail) - 3
        text = f"  {said:{_TURN_WIDTH}} {cut(part.pattern, room):{room}} {tail}"
    return ((cut(text, width).ljust(width), role),)
