"""The set view: songs and parts done, now and to come, and planned against real time.

Pure: worked out from plan and snapshot, then drawn into rows of inked text, the running part in
sight.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum

from companion.link.messages import PlanPart, SetPlan, Snapshot
from companion.screen.canvas import Canvas, Row, cut, render_figures
from companion.screen.extrapolation import Spot, tick_seconds

# So near to the plan nobody would call it late.
ON_TIME_S = 5.0


class Turn(Enum):
    """Whether something was, is or will be. The values are the words shown."""

    DONE = "played"
    SKIPPED = "skipped"
    NOW = "now"
    NEXT = "next"
    TO_COME = ""


@dataclass(frozen=True, slots=True)
class SongLine:
    """The heading of a song. `tempo` is in beats a minute, 0 where none is planned."""

    number: int
    title: str
    tempo: float
    turn: Turn


@dataclass(frozen=True, slots=True)
class PartLine:
    """One part by its name; `length` is how long it is, `brief` the same in fewer words.

    `begins` is when by the plan, in seconds from the start, None where not known. `program` is
    what `instrument` is told for it, None for nothing.
    """

    number: int
    name: str
    length: str
    brief: str
    begins: float | None
    program: int | None
    instrument: str
    turn: Turn


@dataclass(frozen=True, slots=True)
class Night:
    """The night at a moment.

    `here` is the index of the running part's line. `since` is the time since the first start,
    `drift` how that compares with the plan, `to_go` what is left of the plan and how long it is,
    `day` the time of day, `curfew` how the end stands to it; each "" where not known. `shares` are
    the songs' shares of the night, `done` how much of it is behind us, 0 to 1.
    """

    lines: tuple[SongLine | PartLine, ...]
    here: int
    since: str
    drift: str
    to_go: str
    day: str
    curfew: str
    remark: str
    shares: tuple[float, ...]
    done: float
    first_song: int
    now: str
    then: str


def read_night(
    plan: SetPlan, snapshot: Snapshot, at: Spot, now_ns: int, now: datetime | None = None
) -> Night:
    """The night at `now_ns`, the count standing at `at`; `now` is the time of day, where known."""
    seconds = 0.0
    if snapshot.started_ns:
        seconds = max(0.0, (now_ns - snapshot.started_ns) / 1e9)
    lines, here = _lines(plan, snapshot, at)
    planned = _planned(plan, snapshot, at)
    whole = plan.seconds_before + sum(p.seconds for p in plan.parts) + plan.seconds_after
    started = bool(snapshot.started_ns)
    left = max(0.0, whole - planned) if planned is not None and whole else None
    open_parts = any(p.phrases is None for p in plan.parts if p.number <= snapshot.part)
    return Night(
        lines=lines,
        here=here,
        since=spoken(seconds) if started else "",
        drift=_drift(seconds - planned) if started and planned is not None else "",
        to_go=f"{spoken(left)} of {spoken(whole)}" if left is not None else "",
        day="" if now is None else f"{now:%H:%M}",
        curfew=_curfew(plan, now, seconds, left),
        remark="a part with no planned length counts as one phrase"
        if open_parts and planned is not None
        else "",
        shares=_shares(plan),
        done=_share_done(plan, snapshot, at),
        first_song=plan.first_song,
        now=snapshot.name or snapshot.pattern,
        then=_then(snapshot),
    )


def spoken(seconds: float) -> str:
    """A length of time as minutes:seconds, from an hour on with hours."""
    whole = int(seconds)
    if whole >= 3600:
        return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"
    return f"{whole // 60}:{whole % 60:02}"


def _drift(late: float) -> str:
    if abs(late) < ON_TIME_S:
        return "on time"
    return f"{spoken(abs(late))} {'later' if late > 0 else 'sooner'} than planned"


def _curfew(plan: SetPlan, now: datetime | None, since: float, left: float | None) -> str:
    """How the end of the plan stands to the curfew: the next such time after the start."""
    if plan.curfew is None or now is None or left is None:
        return ""
    began, ends = now - timedelta(seconds=since), now + timedelta(seconds=left)
    midnight = began.replace(hour=0, minute=0, second=0, microsecond=0)
    at = midnight + timedelta(minutes=plan.curfew)
    if at <= began:
        at += timedelta(days=1)
    minutes = int(abs((at - ends).total_seconds()) // 60)
    by = f"{minutes} minute{'' if minutes == 1 else 's'}"
    how = f"{by} before" if ends <= at else f"{by} past"
    return f"ends {ends:%H:%M}, {how} the curfew at {at:%H:%M}"


def _then(snapshot: Snapshot) -> str:
    if not snapshot.next_part:
        return "the set ends"
    return ": ".join(filter(None, (snapshot.next_song, snapshot.next_part)))


def _lines(
    plan: SetPlan, snapshot: Snapshot, at: Spot
) -> tuple[tuple[SongLine | PartLine, ...], int]:
    lines: list[SongLine | PartLine] = []
    here, song = 0, 0
    begins: float | None = plan.seconds_before
    for part in plan.parts:
        if part.song != song:
            song = part.song
            lines.append(_song_line(plan, snapshot, song))
        if part.number == snapshot.part:
            here = len(lines)
        lines.append(_part_line(part, snapshot, at, begins))
        # A part of unknown length leaves all that follow without a time.
        begins = begins + part.seconds if begins is not None and part.seconds else None
    return tuple(lines), here


def _song_line(plan: SetPlan, snapshot: Snapshot, number: int) -> SongLine:
    index = number - plan.first_song
    known = 0 <= index < len(plan.songs)
    turn = Turn.TO_COME
    if number <= snapshot.song_number:
        turn = Turn.NOW if number == snapshot.song_number else Turn.DONE
    return SongLine(
        number,
        plan.songs[index].title if known else "",
        plan.songs[index].tempo if known else 0.0,
        turn,
    )


def _part_line(part: PlanPart, snapshot: Snapshot, at: Spot, begins: float | None) -> PartLine:
    following = snapshot.next_number or snapshot.part + 1
    turn = Turn.NEXT if part.number == following else Turn.TO_COME
    if part.number == snapshot.part:
        turn = Turn.NOW
    elif part.number < snapshot.part and turn is not Turn.NEXT:
        # Where nothing is known to have been played, all of it is taken to have been.
        known = snapshot.played
        was = not known or any(low <= part.number <= high for low, high in known)
        turn = Turn.DONE if was else Turn.SKIPPED
    phrases = part.phrases
    if turn is Turn.NOW:
        phrase = at.tick // max(1, snapshot.phrase_ticks) + 1
        inside = phrases is not None and phrase <= phrases
        length = f"phrase {phrase} of {phrases}" if inside else f"phrase {phrase}"
        brief = f"{phrase}/{phrases}" if inside else f"{phrase}"
    elif phrases is None:
        length = brief = "open"
        if part.about:
            length = f"about {part.about} phrase{'' if part.about == 1 else 's'}"
            brief = f"about {part.about}"
    else:
        ticks = phrases * part.phrase_ticks
        whole = part.bar_ticks and ticks % part.bar_ticks == 0
        count = ticks // part.bar_ticks if whole else phrases
        unit = "bar" if whole else "phrase"
        length = brief = f"{count} {unit if count == 1 else unit + 's'}"
    told = part.program, part.instrument
    name = part.name or part.pattern
    return PartLine(part.number, name, length, brief, begins, *told, turn)


def _seconds_here(plan: SetPlan, part: PlanPart, at: Spot) -> float:
    """Planned seconds of the running part that are behind us; never more than it has."""
    song = part.song - plan.first_song
    tempo = plan.songs[song].tempo if 0 <= song < len(plan.songs) else 0.0
    return min(part.seconds, at.tick * tick_seconds(tempo)) if tempo > 0 else 0.0


def _planned(plan: SetPlan, snapshot: Snapshot, at: Spot) -> float | None:
    """By the plan, how long after the start we are where we are; None where it does not say."""
    seconds = plan.seconds_before
    for part in plan.parts:
        if not part.seconds:
            return None
        if part.number == snapshot.part:
            return seconds + _seconds_here(plan, part, at)
        seconds += part.seconds
    return None


def _weights(plan: SetPlan) -> list[float]:
    """How long each part counts for in the picture: its time, or the same for all."""
    timed = all(part.seconds > 0 for part in plan.parts)
    return [part.seconds if timed else 1.0 for part in plan.parts]


def _shares(plan: SetPlan) -> tuple[float, ...]:
    songs: dict[int, float] = {}
    weights = _weights(plan)
    for part, weight in zip(plan.parts, weights, strict=True):
        songs[part.song] = songs.get(part.song, 0.0) + weight
    whole = sum(weights) or 1.0
    return tuple(weight / whole for weight in songs.values())


def _share_done(plan: SetPlan, snapshot: Snapshot, at: Spot) -> float:
    weights = _weights(plan)
    done = 0.0
    for part, weight in zip(plan.parts, weights, strict=True):
        if part.number < snapshot.part:
            done += weight
        elif part.number == snapshot.part:
            ticks = (part.phrases or 1) * part.phrase_ticks
            done += weight * min(1.0, at.tick / max(1, ticks))
    return done / (sum(weights) or 1.0)


# The time in large figures needs so much room to leave the list its own.
_LARGE_WIDTH, _LARGE_HEIGHT = 72, 16
# From these heights on there is the line of the night, and figures are larger.
_LINE_HEIGHT, _TALL_HEIGHT = 8, 34
_TURN_WIDTH, _NUMBER_WIDTH = 8, 4
_WIDE = 73

_ROLES = {
    Turn.DONE: "quiet",
    Turn.SKIPPED: "quiet",
    Turn.NOW: "here",
    Turn.NEXT: "strong",
    Turn.TO_COME: "text",
}


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
    beside = _beside(night, rows)
    canvas.block(left, 0, beside, "fact")
    left += max(map(len, beside[:3])) + 4
    room = width - left - 2
    if room >= 20:
        _now_and_then(canvas, night, left, room, rows)
    return canvas.rows()


def _beside(night: Night, rows: int) -> list[str]:
    """How the night stands in time, on so many lines."""
    to_go = night.to_go and f"{night.to_go} to go"
    day = night.day and f"it is {night.day}"
    said = [", ".join(filter(None, ("since the start", day)))]
    said += [night.drift, to_go] if rows > 3 else [", ".join(filter(None, (night.drift, to_go)))]
    return list(filter(None, (*said, night.curfew, night.remark)))[:rows]


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
            night.to_go and f"{night.to_go} to go",
            night.curfew or (night.day and f"it is {night.day}"),
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
    if not lines or not height:
        return []
    here = lines.index(night.lines[night.here])
    # The running part stays near the top third: what is to come matters more than what was.
    first = max(0, min(here - height // 3, len(lines) - height))
    if len(lines) > height and isinstance(lines[first], PartLine):
        # Its song stands over it, on a row of its own.
        first = min(first + 1, len(lines) - 1, here)
    first = max(0, min(first + scroll, len(lines) - 1))
    shown = lines[first : first + height]
    last = first + len(shown)
    if height > 1 and isinstance(lines[first], PartLine):
        # The song a part belongs to is never out of sight.
        song = next(line for line in reversed(lines[:first]) if isinstance(line, SongLine))
        last -= len(shown) == height
        shown = [song, *lines[first:last]]
    rows = [_row(line, width) for line in shown]
    hidden = len(lines) - last
    if hidden > 0 and rows and height > 3:
        rows[-1] = ((cut(f"  {'':{_TURN_WIDTH}}… and {hidden + 1} more lines", width), "quiet"),)
    return rows


def _column_names(night: Night) -> Row:
    timed = any(isinstance(line, PartLine) and line.begins is not None for line in night.lines)
    text = _columns("", "part", "", "length", "planned" if timed else "", "program")
    return ((text, "quiet"),)


def _columns(turn: str, number: str, name: str, length: str, begins: str, told: str) -> str:
    first = f"  {turn:{_TURN_WIDTH}}{number:>{_NUMBER_WIDTH}}  "
    return f"{first}{name:24}{length:16}{begins:>8}  {told}"


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
    return ((cut(f"  {'':{_TURN_WIDTH}}song {song.number}: {song.title}{tempo}", width), role),)


def _part_row(part: PartLine, width: int) -> Row:
    role = _ROLES[part.turn]
    said = part.turn.value
    begins = "" if part.begins is None else spoken(part.begins)
    if width >= _WIDE:
        text = _columns(said, str(part.number), cut(part.name, 23), part.length, begins, "")
        room = width - len(text)
        if part.program is not None:
            told = f"{part.program} on {part.instrument}"
            text += told if len(told) <= room else cut(str(part.program), room)
    else:
        tail = f"{part.brief} {begins:>6}"
        room = width - 2 - _TURN_WIDTH - _NUMBER_WIDTH - len(tail) - 3
        first = f"  {said:{_TURN_WIDTH}}{part.number:>{_NUMBER_WIDTH}} "
        text = f"{first}{cut(part.name, room):{room}} {tail}"
    return ((cut(text, width).ljust(width), role),)
