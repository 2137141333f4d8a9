"""What the screen says at a moment: every figure and sentence, worked out from one snapshot.

Pure but for the memory of a Reader. Where each goes and how it looks belong to drawing; how the
count runs on, to extrapolation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from companion.link.messages import Snapshot, TrackView, Trouble, WhyNot
from companion.screen import extrapolation
from companion.screen.asking import bands
from companion.screen.extrapolation import Spot, Stage
from companion.screen.pace import DoubtShown, Raised, Steady
from companion.screen.sentences import (
    RANKS,
    Alarm,
    Entry,
    Fact,
    alarms,
    doubtful,
    order,
    put_away_fact,
    quiet_facts,
    to_do,
)
from companion.wishes import Ask, Wish


def is_muted(track: TrackView) -> bool:
    """Whether the instrument has the track muted, by plan while nobody knows."""
    return track.muted if track.heard_muted is None else track.heard_muted


def is_unplanned(track: TrackView) -> bool:
    """Whether the track is known to be muted though planned to sound, or the other way round."""
    return is_muted(track) != track.muted


# A pad is tapped faster than this; only then the stage has its place back.
RELEASED_NS = 1_000_000_000
# Beside the figure, as the boundary comes nearer; the first is the longest.
WORDS = ("to the boundary", "boundary near", "get ready")


@dataclass(frozen=True, slots=True)
class Then:
    """What comes next: its name, when that is, and what else is to be known of it."""

    name: str = ""
    when: str = ""
    more: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """All that one glance can take in.

    `condition` is waiting, ready, running, stopped, lost or gone. `figure` counts `unit`, or is a
    word with no unit; `doubt` says that it may be wrong, `loud` that a boundary is worth the whole
    field. `tick` is where the count stands, `left` and `whole` are ticks of the phrase, `short`
    says that it is too short for a line that gets shorter. `order` is what a person is to do before
    anything goes on, in ever fewer words, () for nothing. `then` is what comes next.
    `boundary` is what comes there when `action` comes before. `lit` is the beat pulse. Pass and
    phrase facts are None while no set is known. `sounding` and `muted` are tracks as the instrument
    has them where that is known, else as planned; `unplanned` are those where the two differ.
    `bands` say what was asked for and is held.
    """

    condition: str
    stage: Stage
    figure: str
    unit: str
    doubt: bool
    loud: bool
    word: str
    clock: str
    tick: int
    left: int
    whole: int
    short: bool
    pass_fact: tuple[int, int] | None
    phrase_fact: tuple[int, int | None] | None
    order: tuple[str, ...]
    then: Then
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
    rest: int = 0,
    unsure: bool = False,
    released: bool = False,
    look_only: bool = False,
) -> Reading:
    """The reading at `now_ns` (the clock of `Snapshot.at_ns`).

    `connected` is False when the engine does not answer. `shown_tick` is the tick of the previous
    reading of the same part, so that no figure flickers back by a tick; -1 for none. `rest` is the
    ticks between two stops, 0 for those of the tempo. `unsure` says that the count was doubted
    just now, `released` that a fill was held until just now, `look_only` that there are no keys to
    ask with.
    """
    tick = extrapolation.steady(shown_tick, extrapolation.now_tick(snapshot, now_ns))
    at = extrapolation.spot(snapshot, tick, rest)
    gone = not connected or extrapolation.silent(snapshot, now_ns)
    condition = "gone" if gone else snapshot.state
    counting = condition in ("running", "lost")
    figure, unit = _figure(snapshot, at, condition)
    do = to_do(snapshot, at, condition, look_only=look_only)
    # Where a song is over, no boundary is waited for.
    ends = counting and not snapshot.song_over
    seconds = extrapolation.seconds_left(snapshot, at.left) if ends else None
    doubt = doubtful(snapshot, condition)
    return Reading(
        condition=condition,
        stage=_stage(snapshot, at) if counting else Stage.FAR,
        figure=figure,
        unit=unit,
        doubt=doubt,
        loud=condition == "running" and not doubt and (snapshot.sending or snapshot.demo),
        word=_word(snapshot, at, condition),
        clock="" if seconds is None else f"{seconds // 60}:{seconds % 60:02}",
        tick=tick,
        left=at.left,
        whole=snapshot.phrase_ticks,
        short=not extrapolation.is_long(snapshot),
        pass_fact=(_pass(snapshot, at), at.passes) if snapshot.pattern else None,
        phrase_fact=(snapshot.phrase, snapshot.phrases_planned) if snapshot.pattern else None,
        order=order(snapshot, condition, look_only=look_only),
        then=Then() if gone else _then(snapshot, at, condition, look_only),
        action=do.action,
        boundary=do.boundary,
        agenda=do.agenda,
        sounding=tuple(t.name for t in snapshot.tracks if not is_muted(t)),
        muted=tuple(t.name for t in snapshot.tracks if is_muted(t)),
        unplanned=tuple(t.name for t in snapshot.tracks if is_unplanned(t)),
        quiet=quiet_facts(snapshot, at, condition, unsure=unsure),
        alarms=alarms(snapshot, condition, look_only=look_only),
        bands=()
        if condition == "gone"
        else bands(snapshot, at, released=released, look_only=look_only),
        lit=condition == "running" and extrapolation.pulse_lit(snapshot, tick),
    )


class Reader:
    """Reads moment after moment; keeps of the one before what the next one must not take back.

    What is judged may come and go with every snapshot; what is read of it does so at the pace of
    a performer, see pace.
    """

    def __init__(self, look_only: bool) -> None:
        self._look_only = look_only
        # Part and tick that were shown last, and when a fill was held last, None for never.
        self._shown: tuple[int, int] = (-1, -1)
        self._filled_ns: int | None = None
        self._tempo = Steady()
        self._doubt = DoubtShown()
        self._notes: Raised[str, str] = Raised()
        self._alarms: Raised[str, Alarm] = Raised()
        self._unsure = False
        self._put_away: frozenset[Trouble] = frozenset()

    def settled(self, snapshot: Snapshot, now_ns: int) -> Snapshot:
        """`snapshot` with what is judged (sure, sending) as it is to be shown at `now_ns`."""
        beat_ns = 0
        if snapshot.tempo > 0:
            beat_ns = int(snapshot.beat_ticks * extrapolation.tick_seconds(snapshot.tempo) * 1e9)
        doubted = doubtful(snapshot, snapshot.state)
        doubt = self._doubt.shown(doubted, beat_ns, now_ns)
        holding = {} if snapshot.sending else {"off": snapshot.sending_note}
        holding |= {"doubt": snapshot.doubt} if doubted else {}
        notes = self._notes.standing(holding, now_ns)
        self._unsure = "doubt" in notes
        sure = not doubt if doubted or doubt else snapshot.sure
        return replace(
            snapshot,
            sure=sure,
            refused=_settled(snapshot, sure),
            doubt=notes.get("doubt", snapshot.doubt),
            sending="off" not in notes,
            sending_note=notes.get("off", ""),
        )

    def read(self, snapshot: Snapshot, now_ns: int, connected: bool) -> Reading:
        """The reading at `now_ns`; see the function of this name."""
        part, tick = self._shown
        if snapshot.fill:
            self._filled_ns = now_ns
        self._put_away &= frozenset(snapshot.troubles)
        troubles = tuple(t for t in snapshot.troubles if t not in self._put_away)
        reading = read(
            replace(self.settled(snapshot, now_ns), troubles=troubles),
            now_ns,
            connected=connected,
            shown_tick=tick if part == snapshot.part else -1,
            rest=self._tempo.rest(snapshot.tempo),
            unsure=self._unsure,
            released=self._filled_ns is not None and now_ns - self._filled_ns < RELEASED_NS,
            look_only=self._look_only,
        )
        self._shown = (snapshot.part, reading.tick)
        told = {alarm.key: alarm for alarm in reading.alarms}
        standing = self._alarms.standing(told, now_ns).values()
        quiet = reading.quiet
        if self._put_away:
            quiet = (*quiet, put_away_fact(len(self._put_away)))
        return replace(
            reading,
            alarms=tuple(sorted(standing, key=lambda alarm: RANKS.index(alarm.head))),
            quiet=quiet,
        )

    def put_away(self, snapshot: Snapshot) -> None:
        """Show the troubles of now no more, until they change."""
        self._put_away |= frozenset(snapshot.troubles)


def _settled(snapshot: Snapshot, sure: bool) -> tuple[WhyNot, ...]:
    """The wishes that would do nothing, where the count is shown to be `sure` or not."""
    if sure is snapshot.sure:
        return snapshot.refused
    if sure:
        return (*snapshot.refused, WhyNot(str(Wish(Ask.CONFIRM)), "sure", "wait a beat"))
    return tuple(each for each in snapshot.refused if each.kind != "sure")


def _stage(snapshot: Snapshot, at: Spot) -> Stage:
    """How near the boundary is; where the song has ended it stays there until it is stopped."""
    return Stage.NOW if snapshot.song_over else at.stage


_STATE_FIGURES = {
    "waiting": "NO CLOCK",
    "ready": "READY",
    "stopped": "STOPPED",
    "gone": "NO ENGINE",
}


def _figure(snapshot: Snapshot, at: Spot, condition: str) -> tuple[str, str]:
    if snapshot.count_in and condition != "gone":
        return str(snapshot.count_in), "beat" if snapshot.count_in == 1 else "beats"
    if condition in _STATE_FIGURES:
        return _STATE_FIGURES[condition], ""
    if snapshot.song_over and condition == "running":
        return "STOP NOW", ""
    if at.stage is Stage.NOW:
        return "NOW", ""
    count = extrapolation.phrase_countdown(snapshot, at)
    return str(count.count), count.units


def _word(snapshot: Snapshot, at: Spot, condition: str) -> str:
    if snapshot.song_over and condition == "running":
        return "the song has ended"
    if snapshot.count_in and condition != "gone":
        return "count-in"
    if condition == "stopped":
        return f"held with {extrapolation.phrase_countdown(snapshot, at)} to the boundary"
    if condition == "lost":
        return "clock lost"
    if condition != "running":
        return ""
    if doubtful(snapshot, condition):
        return "unsure"
    if at.stage is Stage.NOW:
        return f"{_begun(snapshot, at)} begins"
    if at.shown <= snapshot.beat_ticks:
        return "last beat"
    return WORDS[at.stage]


def _pass(snapshot: Snapshot, at: Spot) -> int:
    """The pass of the phrase; of passes too short to be read one by one, the first of several."""
    several = -(-at.rest // snapshot.pass_ticks)
    return (at.phrase_pass - 1) // several * several + 1


def _then(snapshot: Snapshot, at: Spot, condition: str, look_only: bool) -> Then:
    """What follows this part, and when; a stop and the end of the set are said as what they are."""
    if not snapshot.pattern:
        return Then()
    ticks = snapshot.next_ticks if snapshot.next_part else snapshot.part_ticks_left
    when = ""
    if ticks is not None:
        left = ticks - (at.tick - snapshot.tick)
        when = f"in {extrapolation.countdown(snapshot, left, at.rest)}" if left > 0 else "now"
    if condition not in ("running", "lost"):
        when = "after the count-in" if snapshot.count_in else "with the next start"
        return Then(snapshot.name or snapshot.pattern, when, snapshot.song)
    after = ": ".join(filter(None, (snapshot.next_song, snapshot.next_part)))
    if not snapshot.next_part:
        # Where its last part is open, nobody knows when.
        return Then("set ends", when)
    if snapshot.song_over:
        return Then(snapshot.next_part, "next, after the stop", snapshot.next_song)
    if snapshot.stop_at_end:
        return Then("stop", when, f"then {after}")
    if not when and condition == "running":
        when = "when asked for" if look_only else "when you press n"
    return Then(snapshot.next_part, f"next {when}".strip(), snapshot.next_song)


def _begun(snapshot: Snapshot, at: Spot) -> str:
    if at.left > 0:
        return (
            (snapshot.name or snapshot.pattern)
            if snapshot.phrase == 1
            else f"phrase {snapshot.phrase}"
        )
    change = snapshot.change_ticks
    # Unsure, nothing is sent, and an instrument that was not told plays on.
    untold = snapshot.sending and not snapshot.sure and not snapshot.change_sent
    untold = untold and snapshot.change_program is not None
    if change is not None and change <= at.tick - snapshot.tick and not untold:
        return snapshot.next_part
    return f"phrase {snapshot.phrase + 1}"
