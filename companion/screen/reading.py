"""What the screen says at a moment: every figure and sentence, worked out from one snapshot.

Pure. Where each goes and how it looks belong to drawing; how the count runs on, to reckon.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from companion.link.messages import Coming, Snapshot
from companion.screen import reckon
from companion.screen.reckon import Spot, Stage
from companion.screen.wording import Alarm, Fact, alarms, doubtful, quiet_facts

# More lines than the tallest screen shows.
_MOST_ENTRIES = 48
# Beside the figure, as the boundary comes nearer; the first is the longest.
WORDS = ("to the boundary", "boundary near", "get ready")


@dataclass(frozen=True, slots=True)
class Entry:
    """One plain sentence and its own small countdown; `stage` is how near it is.

    `announced` says that its warning time has come, `muted` that it will not be heard.
    """

    when: str
    text: str
    stage: Stage
    announced: bool
    muted: bool = False


@dataclass(frozen=True, slots=True)
class Reading:
    """All that one glance can take in.

    `condition` is waiting, ready, running, stopped, lost or gone. `figure` counts `unit`, or is a
    word with no unit. `tick` is where the count stands, `left` and `whole` are ticks of the phrase.
    `boundary` is what comes there when `action` comes before. `lit` is the beat pulse. Pass and
    phrase facts are None while no set is known.
    """

    condition: str
    stage: Stage
    figure: str
    unit: str
    word: str
    clock: str
    tick: int
    left: int
    whole: int
    pass_fact: tuple[int, int] | None
    phrase_fact: tuple[int, int | None] | None
    action: Entry
    boundary: Entry | None
    agenda: tuple[Entry, ...]
    sounding: tuple[str, ...]
    muted: tuple[str, ...]
    quiet: tuple[Fact, ...]
    alarms: tuple[Alarm, ...]
    lit: bool


def read(
    snapshot: Snapshot, now_ns: int, *, connected: bool = True, shown_tick: int = -1
) -> Reading:
    """The reading at `now_ns` (the clock of `Snapshot.at_ns`).

    `connected` is False when the engine does not answer. `shown_tick` is the tick of the previous
    reading of the same part, so that no figure flickers back by a tick; -1 for none.
    """
    tick = reckon.steady(shown_tick, reckon.now_tick(snapshot, now_ns))
    at = reckon.spot(snapshot, tick)
    gone = not connected or reckon.silent(snapshot, now_ns)
    condition = "gone" if gone else snapshot.state
    counting = condition in ("running", "lost")
    figure, unit = _figure(snapshot, at, condition)
    action, boundary, rest = _action(snapshot, at, condition)
    seconds = reckon.seconds_left(snapshot, at.left)
    return Reading(
        condition=condition,
        stage=at.stage if counting else Stage.FAR,
        figure=figure,
        unit=unit,
        word=_word(snapshot, at, condition),
        clock=f"{seconds // 60}:{seconds % 60:02}" if counting and seconds is not None else "",
        tick=tick,
        left=at.left,
        whole=snapshot.phrase_ticks,
        pass_fact=(at.phrase_pass, at.passes) if snapshot.pattern else None,
        phrase_fact=(snapshot.phrase, snapshot.phrases_planned) if snapshot.pattern else None,
        action=action,
        boundary=boundary,
        agenda=rest,
        sounding=tuple(t.name for t in snapshot.tracks if not t.muted),
        muted=tuple(t.name for t in snapshot.tracks if t.muted),
        quiet=quiet_facts(snapshot, at, condition),
        alarms=alarms(snapshot, condition),
        lit=condition == "running" and reckon.pulse_lit(snapshot, tick),
    )


_STATE_FIGURES = {
    "waiting": "NO CLOCK",
    "ready": "READY",
    "stopped": "STOPPED",
    "gone": "NO ENGINE",
}


def _figure(snapshot: Snapshot, at: Spot, condition: str) -> tuple[str, str]:
    if condition in _STATE_FIGURES:
        return _STATE_FIGURES[condition], ""
    if at.stage is Stage.NOW:
        return ("NOW?" if doubtful(snapshot, condition) else "NOW"), ""
    count = reckon.countdown(snapshot, max(1, at.left), steps=True)
    return str(count.count), count.units + ("?" if doubtful(snapshot, condition) else "")


def _word(snapshot: Snapshot, at: Spot, condition: str) -> str:
    if condition == "stopped":
        return f"held with {reckon.countdown(snapshot, max(1, at.left))} to the boundary"
    if condition == "lost":
        return "running free"
    if condition != "running":
        return ""
    if at.stage is Stage.NOW:
        return f"{_begun(snapshot, at)} begins"
    if at.left <= snapshot.beat_ticks:
        return "last beat"
    return WORDS[at.stage]


def _begun(snapshot: Snapshot, at: Spot) -> str:
    if at.left > 0:
        return snapshot.pattern if snapshot.phrase == 1 else f"phrase {snapshot.phrase}"
    change = snapshot.change_ticks
    if change is not None and change <= at.tick - snapshot.tick:
        return snapshot.next_part
    return f"phrase {snapshot.phrase + 1}"


def _action(
    snapshot: Snapshot, at: Spot, condition: str
) -> tuple[Entry, Entry | None, tuple[Entry, ...]]:
    """The next thing to do, what the boundary brings if that is another, and the agenda."""
    instead = _INSTEAD.get(condition)
    if instead is not None:
        coming = () if condition == "gone" else snapshot.coming
        # Nothing is pressing while nothing moves.
        still = (
            replace(entry, stage=Stage.FAR, announced=False)
            for entry in _entries(snapshot, at, coming)
        )
        return Entry("", instead, Stage.FAR, False), None, tuple(still)
    boundary = _at_boundary(snapshot, at)
    tick = next((c.tick for c in snapshot.coming if c.kind != "step"), None)
    if tick is None or tick >= at.tick + at.left:
        tick = at.tick + at.left
        action, other = boundary, None
    else:
        left = tick - at.tick
        action = _together(snapshot, at, tick, _in(snapshot, left).capitalize())
        other = boundary
    rest = tuple(c for c in snapshot.coming if c.kind == "step" or c.tick != tick)
    return action, other, _entries(snapshot, at, rest)


def _at_boundary(snapshot: Snapshot, at: Spot) -> Entry:
    entry = _together(snapshot, at, at.tick + at.left, "At the boundary" if at.left else "Now")
    return entry if entry.text else replace(entry, text=_goes_on(snapshot))


def _together(snapshot: Snapshot, at: Spot, tick: int, when: str) -> Entry:
    """All there is to do at `tick` as one sentence."""
    due = [c for c in snapshot.coming if c.kind != "step" and c.tick == tick]
    left = tick - at.tick
    return Entry(
        when,
        "; ".join(c.text for c in due),
        reckon.ticks_stage(snapshot, left),
        any(left <= c.warn_ticks for c in due),
    )


_INSTEAD = {
    "waiting": "No clock yet. Start the instrument, or check its cable.",
    "ready": "The clock runs; press play. If it plays already, press 1 on the one.",
    "stopped": "Press play: start begins the part anew, continue goes on from here.",
    "gone": "Count on by ear and change patterns by hand; the screen keeps trying.",
}


def _goes_on(snapshot: Snapshot) -> str:
    planned = snapshot.phrases_planned
    if planned is not None and snapshot.phrase >= planned and not snapshot.next_part:
        return "the set ends"
    of = f" of {planned}" if planned is not None and snapshot.phrase < planned else ""
    return f"nothing to do, phrase {snapshot.phrase + 1}{of} begins"


def _entries(snapshot: Snapshot, at: Spot, coming: tuple[Coming, ...]) -> tuple[Entry, ...]:
    return tuple(_entry(snapshot, at, c) for c in coming[:_MOST_ENTRIES])


def _entry(snapshot: Snapshot, at: Spot, coming: Coming) -> Entry:
    left = coming.tick - at.tick
    return Entry(
        _in(snapshot, left),
        coming.text,
        reckon.ticks_stage(snapshot, left),
        coming.kind != "step" and left <= coming.warn_ticks,
        coming.muted,
    )


def _in(snapshot: Snapshot, ticks: int) -> str:
    return "now" if ticks <= 0 else f"in {reckon.countdown(snapshot, ticks)}"
