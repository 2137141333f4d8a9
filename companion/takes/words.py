"""A review in words and tables, for a terminal and for paper alike. Pure.

What is said of a cue, a part or a transition is said here once; where it stands and in which colour
is decided by `view` and `report`.
"""

from __future__ import annotations

from statistics import fmean, median, stdev

from companion.printable import printable
from companion.takes.score import CueScore, PartPlayed, Review, Transition, Unplanned
from companion.takes.story import Event

# A lateness below this is none to anybody's ear (common practice, no source).
ON_TIME_MS = 10.0


def clock(seconds: float) -> str:
    """Minutes and seconds, such as 4:07."""
    whole = int(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, seconds = divmod(rest, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"


def headline(found: Review) -> str:
    """Which take it is."""
    take = found.take
    when = take.began[:16].replace("T", " ")
    ended = "" if take.ended == "stopped" else f", {take.ended}"
    return printable(
        f"take {take.take}: {take.set_name}, {when}, {take.kind}, {clock(take.seconds)}{ended}"
    )


def note(found: Review) -> str:
    """The note that a person wrote to it."""
    return printable(found.take.note)


def summary(found: Review) -> list[str]:
    """The whole in a few sentences."""
    if not found.parts:
        return ["Nothing was played."]
    lines = []
    if found.sure is not None:
        lines.append(f"Sure for {100 * found.sure:.1f}% of the time it played.")
    late = [each.late_ms for each in found.cues if each.late_ms is not None]
    if found.cues:
        line = f"{len(late)} of {len(found.cues)} cues were done in time"
        if late:
            line += f", {lateness(fmean(late))} on average"
        if len(late) > 1:
            line += f", give or take {stdev(late):.0f} ms"
        lines.append(f"{line}.")
        deaf = sum(1 for each in found.cues if not each.hit and not each.audible)
        if deaf:
            lines.append(f"{deaf} of the others nobody could hear: press `done` to have it noted.")
    if found.unplanned:
        lines.append(f"{len(found.unplanned)} mutes were not planned.")
    bars = [each.body["bpm"] for each in found.bars]
    if bars:
        jitter = median(each.body["jitter_ms"] for each in found.bars)
        lines.append(
            f"Tempo {median(bars):.2f}, from {min(bars):.2f} to {max(bars):.2f}; "
            f"jitter {jitter:.2f} ms."
        )
    return lines


def lateness(late_ms: float) -> str:
    """How late in words, such as "35 ms late"."""
    if abs(late_ms) < 0.5:
        return "on time"
    return f"{abs(late_ms):.0f} ms {'late' if late_ms > 0 else 'early'}"


def what(do: str, tracks: tuple[str, ...], text: str = "") -> str:
    """What a cue asks for, such as "mute shaker"."""
    return printable(" ".join(filter(None, (do, ", ".join(tracks), text))))


def bars_of(part: PartPlayed, ticks: int) -> str:
    """A length of a part in bars and beats."""
    bars, rest = divmod(ticks, part.ticks["bar"])
    beats = rest / part.ticks["beat"]
    said = [f"{bars} bar{'s' * (bars != 1)}"] if bars or not rest else []
    if rest:
        said.append(f"{beats:.2g} beat{'s' * (beats != 1)}")
    return " ".join(said)


def place(parts: tuple[PartPlayed, ...], number: int, tick: int) -> str:
    """Where in a part, as bar and beat."""
    ticks = next((each.ticks for each in parts if each.part == number), {"bar": 96, "beat": 24})
    bar, rest = divmod(tick, ticks["bar"])
    return f"{bar + 1}.{rest // ticks['beat'] + 1}"


PARTS = ("part", "name", "planned", "played", "")


def part_row(each: PartPlayed) -> tuple[str, ...]:
    """A part, planned and played."""
    planned = "open" if each.planned_ticks is None else bars_of(each, each.planned_ticks)
    off = 0 if each.planned_ticks is None else each.played_ticks - each.planned_ticks
    beside = ", ".join(pattern for pattern, _, _ in each.layers)
    name = printable(" with ".join(filter(None, (each.name, beside))))
    said = "" if not off else f"{bars_of(each, abs(off))} {'longer' if off > 0 else 'shorter'}"
    return str(each.part), name, planned, bars_of(each, each.played_ticks), said


CUES = ("at", "part", "bar", "cue", "how it went", "known by")


def cue_row(found: Review, each: CueScore) -> tuple[str, ...]:
    """A cue, and what became of it."""
    how = "missed" if each.audible else "not seen"
    if each.late_ms is not None:
        on_time = abs(each.late_ms) < ON_TIME_MS
        how = "on time" if on_time else lateness(each.late_ms)
        steps = each.late_steps or 0.0
        if abs(steps) >= 0.5:
            how += f" ({abs(steps):.1f} steps)"
    return (
        clock(each.at_ns / 1e9),
        str(each.part),
        place(found.parts, each.part, each.due_tick),
        what(each.do, each.tracks, each.text),
        how,
        each.by or "",
    )


def unplanned_row(found: Review, each: Unplanned) -> tuple[str, ...]:
    """A mute that no cue asked for, in the same columns."""
    return (
        clock(each.at_ns / 1e9),
        str(each.part),
        place(found.parts, each.part, each.tick),
        what(each.do, each.tracks),
        "not planned",
        "",
    )


def cue_rows(found: Review) -> list[tuple[str, ...]]:
    """Cues and unplanned mutes in the order of time."""
    rows = [(each.at_ns, cue_row(found, each)) for each in found.cues]
    rows += [(each.at_ns, unplanned_row(found, each)) for each in found.unplanned]
    return [row for _, row in sorted(rows, key=lambda each: each[0])]


TRANSITIONS = ("from", "to", "takes", "on average", "give or take", "from take to take")


def transition_row(each: Transition) -> tuple[str, ...]:
    """A transition over takes."""
    trend = each.trend_ms_per_take
    if trend is None:
        course = ""
    elif abs(trend) < 0.5:
        course = "the same"
    else:
        course = f"{abs(trend):.1f} ms {'later' if trend > 0 else 'earlier'} each"
    return (
        str(each.before),
        str(each.after),
        str(each.takes),
        "" if each.mean_ms is None else lateness(each.mean_ms),
        "" if each.sd_ms is None else f"{each.sd_ms:.0f} ms",
        course,
    )


DOUBTS = ("at", "for", "why")


def doubt_row(each: Event) -> tuple[str, ...]:
    """A doubt, and how long it lasted."""
    seconds = each.body["seconds"]
    lasted = f"{seconds:.2f} s" if seconds < 10 else clock(seconds)
    return clock(each.at_ns / 1e9), lasted, printable(each.body["why"])


def fault_row(each: Event) -> tuple[str, ...]:
    """A fault, in the same columns as a doubt."""
    return clock(each.at_ns / 1e9), "", printable(each.body["text"])


def mark_rows(found: Review) -> list[tuple[str, ...]]:
    """The moments to remember."""
    return [
        (
            clock(each.at_ns / 1e9),
            "",
            f"remembered: part {each.part}, bar {place(found.parts, each.part, each.tick)}",
        )
        for each in found.marks
    ]
