"""What the screen says at a moment: every figure and sentence, worked out from one snapshot.

Pure but for the memory of a Reader. Where each goes and how it looks belong to drawing; how the
count runs on, to reckon.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.link.messages import Snapshot
from companion.screen import reckon
from companion.screen.entries import Entry, to_do
from companion.screen.reckon import Spot, Stage
from companion.screen.standing import bands
from companion.screen.tracks import is_muted, is_unplanned
from companion.screen.wording import Alarm, Fact, alarms, doubtful, quiet_facts

# A pad is tapped faster than this; only then the stage has its place back.
RELEASED_NS = 1_000_000_000
# Beside the figure, as the boundary comes nearer; the first is the longest.
WORDS = ("to the boundary", "boundary near", "get ready")


@dataclass(frozen=True, slots=True)
class Reading:
    """All that one glance can take in.

    `condition` is waiting, ready, running, stopped, lost or gone. `figure` counts `unit`, or is a
    word with no unit. `tick` is where the count stands, `left` and `whole` are ticks of the phrase.
    `boundary` is what comes there when `action` comes before. `lit` is the beat pulse. Pass and
    phrase facts are None while no set is known. `sounding` and `muted` are tracks as the instrument
    has them where that is known, else as planned; `unplanned` are those where the two differ.
    `bands` say what was asked for and is held.
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
    unplanned: tuple[str, ...]
    quiet: tuple[Fact, ...]
    alarms: tuple[Alarm, ...]
    bands: tuple[Alarm, ...]
    lit: bool


def read(
    snapshot: Snapshot,
    now_ns: int,
    *,
    connected: bool = True,
    shown_tick: int = -1,
    released: bool = False,
    look_only: bool = False,
) -> Reading:
    """The reading at `now_ns` (the clock of `Snapshot.at_ns`).

    `connected` is False when the engine does not answer. `shown_tick` is the tick of the previous
    reading of the same part, so that no figure flickers back by a tick; -1 for none. `released`
    says that a fill was held until just now, `look_only` that there are no keys to ask with.
    """
    tick = reckon.steady(shown_tick, reckon.now_tick(snapshot, now_ns))
    at = reckon.spot(snapshot, tick)
    gone = not connected or reckon.silent(snapshot, now_ns)
    condition = "gone" if gone else snapshot.state
    counting = condition in ("running", "lost")
    figure, unit = _figure(snapshot, at, condition)
    do = to_do(snapshot, at, condition, look_only=look_only)
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
        action=do.action,
        boundary=do.boundary,
        agenda=do.agenda,
        sounding=tuple(t.name for t in snapshot.tracks if not is_muted(t)),
        muted=tuple(t.name for t in snapshot.tracks if is_muted(t)),
        unplanned=tuple(t.name for t in snapshot.tracks if is_unplanned(t)),
        quiet=quiet_facts(snapshot, at, condition),
        alarms=alarms(snapshot, condition, look_only=look_only),
        bands=()
        if condition == "gone"
        else bands(snapshot, at, released=released, look_only=look_only),
        lit=condition == "running" and reckon.pulse_lit(snapshot, tick),
    )


class Reader:
    """Reads moment after moment; keeps of the one before what the next one must not take back."""

    def __init__(self, look_only: bool) -> None:
        self._look_only = look_only
        # Part and tick that were shown last, and when a fill was held last, None for never.
        self._shown: tuple[int, int] = (-1, -1)
        self._filled_ns: int | None = None

    def read(self, snapshot: Snapshot, now_ns: int, connected: bool) -> Reading:
        """The reading at `now_ns`; see the function of this name."""
        part, tick = self._shown
        if snapshot.fill:
            self._filled_ns = now_ns
        reading = read(
            snapshot,
            now_ns,
            connected=connected,
            shown_tick=tick if part == snapshot.part else -1,
            released=self._filled_ns is not None and now_ns - self._filled_ns < RELEASED_NS,
            look_only=self._look_only,
        )
        self._shown = (snapshot.part, reading.tick)
        return reading


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
    # Unsure, nothing is sent, and an instrument that was not told plays on.
    untold = snapshot.sending and not snapshot.sure and not snapshot.change_sent
    untold = untold and snapshot.change_program is not None
    if change is not None and change <= at.tick - snapshot.tick and not untold:
        return snapshot.next_part
    return f"phrase {snapshot.phrase + 1}"
