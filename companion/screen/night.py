"""Where we are in the night: songs and parts done, now and to come, and planned against real time.

Pure: worked out from plan and snapshot. How it looks is in nightdrawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from companion.link.messages import Snapshot
from companion.link.overview import Plan, PlanPart
from companion.screen.reckon import Spot, tick_seconds

# So near to the plan nobody would call it late.
ON_TIME_S = 5.0


class Turn(Enum):
    """Whether something was, is or will be. The values are the words shown."""

    DONE = "done"
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
    """One part. `begins` is when by the plan, in seconds from the start, None where not known.

    `program` is what `instrument` is told for it, None for nothing.
    """

    number: int
    pattern: str
    length: str
    begins: float | None
    program: int | None
    instrument: str
    turn: Turn


@dataclass(frozen=True, slots=True)
class Night:
    """The night at a moment.

    `here` is the index of the running part's line. `since` is the time since the first start,
    `drift` how that compares with the plan, `to_go` what is left of the plan; each "" where not
    known. `shares` are the songs' shares of the night, `done` how much of it is behind us, 0 to 1.
    """

    lines: tuple[SongLine | PartLine, ...]
    here: int
    since: str
    drift: str
    to_go: str
    remark: str
    shares: tuple[float, ...]
    done: float
    first_song: int
    now: str
    then: str


def read_night(plan: Plan, snapshot: Snapshot, at: Spot, now_ns: int) -> Night:
    """The night at `now_ns`, the count standing at `at`."""
    seconds = 0.0
    if snapshot.started_ns:
        seconds = max(0.0, (now_ns - snapshot.started_ns) / 1e9)
    lines, here = _lines(plan, snapshot, at)
    planned = _planned(plan, snapshot, at)
    whole = plan.seconds_before + sum(p.seconds for p in plan.parts) + plan.seconds_after
    started = bool(snapshot.started_ns)
    open_parts = any(p.phrases is None for p in plan.parts if p.number <= snapshot.part)
    return Night(
        lines=lines,
        here=here,
        since=spoken(seconds) if started else "",
        drift=_drift(seconds - planned) if started and planned is not None else "",
        to_go=spoken(max(0.0, whole - planned)) if planned is not None and whole else "",
        remark="a part with no planned length counts as one phrase"
        if open_parts and planned is not None
        else "",
        shares=_shares(plan),
        done=_share_done(plan, snapshot, at),
        first_song=plan.first_song,
        now=snapshot.pattern,
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


def _then(snapshot: Snapshot) -> str:
    if not snapshot.next_part:
        return "the set ends"
    return ": ".join(filter(None, (snapshot.next_song, snapshot.next_part)))


def _lines(plan: Plan, snapshot: Snapshot, at: Spot) -> tuple[tuple[SongLine | PartLine, ...], int]:
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


def _song_line(plan: Plan, snapshot: Snapshot, number: int) -> SongLine:
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
    ahead = part.number - snapshot.part
    turn = Turn.DONE if ahead < 0 else (Turn.NOW, Turn.NEXT)[ahead] if ahead < 2 else Turn.TO_COME
    phrases = part.phrases
    if turn is Turn.NOW:
        phrase = at.tick // max(1, snapshot.phrase_ticks) + 1
        inside = phrases is not None and phrase <= phrases
        length = f"phrase {phrase} of {phrases}" if inside else f"phrase {phrase}"
    elif phrases is None:
        length = "open"
    else:
        ticks = phrases * part.phrase_ticks
        whole = part.bar_ticks and ticks % part.bar_ticks == 0
        count = ticks // part.bar_ticks if whole else phrases
        unit = "bar" if whole else "phrase"
        length = f"{count} {unit if count == 1 else unit + 's'}"
    return PartLine(part.number, part.pattern, length, begins, part.program, part.instrument, turn)


def _seconds_here(plan: Plan, part: PlanPart, at: Spot) -> float:
    """Planned seconds of the running part that are behind us; never more than it has."""
    song = part.song - plan.first_song
    tempo = plan.songs[song].tempo if 0 <= song < len(plan.songs) else 0.0
    return min(part.seconds, at.tick * tick_seconds(tempo)) if tempo > 0 else 0.0


def _planned(plan: Plan, snapshot: Snapshot, at: Spot) -> float | None:
    """By the plan, how long after the start we are where we are; None where it does not say."""
    seconds = plan.seconds_before
    for part in plan.parts:
        if not part.seconds:
            return None
        if part.number == snapshot.part:
            return seconds + _seconds_here(plan, part, at)
        seconds += part.seconds
    return None


def _weights(plan: Plan) -> list[float]:
    """How long each part counts for in the picture: its time, or the same for all."""
    timed = all(part.seconds > 0 for part in plan.parts)
    return [part.seconds if timed else 1.0 for part in plan.parts]


def _shares(plan: Plan) -> tuple[float, ...]:
    songs: dict[int, float] = {}
    weights = _weights(plan)
    for part, weight in zip(plan.parts, weights, strict=True):
        songs[part.song] = songs.get(part.song, 0.0) + weight
    whole = sum(weights) or 1.0
    return tuple(weight / whole for weight in songs.values())


def _share_done(plan: Plan, snapshot: Snapshot, at: Spot) -> float:
    weights = _weights(plan)
    done = 0.0
    for part, weight in zip(plan.parts, weights, strict=True):
        if part.number < snapshot.part:
            done += weight
        elif part.number == snapshot.part:
            ticks = (part.phrases or 1) * part.phrase_ticks
            done += weight * min(1.0, at.tick / max(1, ticks))
    return done / (sum(weights) or 1.0)
