"""Where the count stands at a moment between two snapshots, and how near the boundary is.

Pure arithmetic over the newest snapshot; wording and drawing belong elsewhere, how often a figure
may change to pace.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from companion.link.messages import Snapshot
from companion.screen.pace import rest_ticks, stop

# How long the count is carried on with no new snapshot. An engine speaks several times a second,
# so a longer silence says that it is in trouble, and a figure that still moved would be a guess.
REACH_NS = 2_000_000_000
# Snapshot and reckoning differ by a tick or two when the tempo moves; no figure jumps back for it.
STEADY_TICKS = 2
# A phrase shorter than this would make its "now" a flicker, so it has none.
LEAST_PHRASE_SECONDS = 1.0
# WCAG 2.2, 2.3.1: no more than three flashes a second, so no pulse above 180 a minute.
MOST_PULSES_A_MINUTE = 180.0


class Stage(IntEnum):
    """How near something is, rising."""

    FAR = 0
    NEAR = 1
    IMMINENT = 2
    NOW = 3


@dataclass(frozen=True, slots=True)
class Spot:
    """Where the count stands. `left` is ticks to the next phrase boundary, 0 when it is reached.

    `shown` is `left` as of the latest stop of the count, `rest` the ticks between two stops.
    Numbers count from 1. `passes` is how many passes the phrase has; pass, bar and beat are those
    of one tick.
    """

    tick: int
    left: int
    shown: int
    rest: int
    pass_number: int
    phrase_pass: int
    passes: int
    bar: int
    beat: int
    stage: Stage


@dataclass(frozen=True, slots=True)
class Countdown:
    """A figure and the unit it counts in, singular."""

    count: int
    unit: str

    @property
    def units(self) -> str:
        """The unit as spoken with the count."""
        if self.count == 1:
            return self.unit
        return "passes" if self.unit == "pass" else self.unit + "s"

    def __str__(self) -> str:
        return f"{self.count} {self.units}"


def moving(snapshot: Snapshot) -> bool:
    """Whether the count moves on by itself: running, or free-running after the clock was lost."""
    return snapshot.state in ("running", "lost") and snapshot.tempo > 0


def tick_seconds(tempo: float) -> float:
    """Seconds a MIDI clock lasts at `tempo` quarter notes a minute (24 clocks to the quarter)."""
    return 60 / (24 * tempo)


def silent(snapshot: Snapshot, now_ns: int) -> bool:
    """Whether a moving count has had no snapshot for longer than it may be carried on."""
    return moving(snapshot) and now_ns - snapshot.at_ns > REACH_NS


def now_tick(snapshot: Snapshot, now_ns: int) -> int:
    """The tick of the part at `now_ns`, reckoned from the newest snapshot by its tempo.

    Never past the next boundary, phrase or part: what lies beyond is the engine's to say. Never
    further than REACH_NS. A tick the engine had not seen at `at_ns` is not counted before then.
    """
    if not moving(snapshot):
        return snapshot.tick
    length_ns = tick_seconds(snapshot.tempo) * 1e9
    latest = snapshot.tick_ns or snapshot.at_ns
    since = max(float(latest), snapshot.at_ns - length_ns)
    elapsed = min(now_ns, snapshot.at_ns + REACH_NS) - since
    ahead = max(0, int(elapsed / length_ns))
    limits = (snapshot.phrase_ticks_left, snapshot.part_ticks_left, snapshot.change_ticks)
    return snapshot.tick + min(ahead, *(max(0, n) for n in limits if n is not None))


def seconds_to_step(snapshot: Snapshot, now_ns: int) -> float | None:
    """Seconds from `now_ns` to the next step of the count, above 0; None while it stands still.

    Every figure of the countdown changes with a step, so this is when to look again.
    """
    if not moving(snapshot):
        return None
    length = tick_seconds(snapshot.tempo)
    latest = snapshot.tick_ns or snapshot.at_ns
    ticks = snapshot.tick + (now_ns - latest) / 1e9 / length
    step = max(1, snapshot.step_ticks)
    return (step - ticks % step) * length


def steady(shown: int, reckoned: int) -> int:
    """`reckoned`, unless it lies so little behind what was `shown` that it would only flicker."""
    return shown if 0 < shown - reckoned <= STEADY_TICKS else reckoned


def spot(snapshot: Snapshot, tick: int, rest: int = 0) -> Spot:
    """Where `tick` lies, reckoned onward from the snapshot's own place in the same phrase.

    `rest` is the ticks between two stops, 0 for those of the snapshot's own tempo.
    """
    rest = rest or rest_ticks(snapshot.tempo)
    left = max(0, snapshot.phrase_ticks_left - (tick - snapshot.tick))
    # On a boundary that only the reckoning has reached, the old pass is still the last one told.
    inside = tick - 1 if left == 0 and tick > snapshot.tick else tick
    further = inside // snapshot.pass_ticks - snapshot.tick // snapshot.pass_ticks
    stage = boundary_stage(snapshot, left, rest)
    shown = left
    if stage is not Stage.NOW:
        top = snapshot.phrase_ticks - _now_ticks(snapshot, rest)
        shown, _ = stop(max(1, left), top, _units(snapshot, steps=True), rest)
        stage = ticks_stage(snapshot, shown) if is_long(snapshot) else stage
    return Spot(
        tick=tick,
        left=left,
        shown=shown,
        rest=rest,
        pass_number=snapshot.pass_number + further,
        phrase_pass=snapshot.phrase_pass + further,
        passes=max(1, -(-snapshot.phrase_ticks // snapshot.pass_ticks)),
        bar=inside // snapshot.bar_ticks + 1,
        beat=inside % snapshot.bar_ticks // snapshot.beat_ticks + 1,
        stage=stage,
    )


def boundary_stage(snapshot: Snapshot, left: int, rest: int) -> Stage:
    """How near the boundary is with `left` ticks to go.

    Far until two bars before; imminent in the last bar; now from the boundary for a beat, or as
    many beats as last `rest` ticks. Phrases too short to tell apart are all imminent.
    """
    if not is_long(snapshot):
        return Stage.IMMINENT
    if left <= 0 or snapshot.phrase_ticks - left < _now_ticks(snapshot, rest):
        return Stage.NOW
    return ticks_stage(snapshot, left)


def is_long(snapshot: Snapshot) -> bool:
    """Whether the phrase is long enough to tell how near its boundary is."""
    seconds = snapshot.phrase_ticks * tick_seconds(snapshot.tempo) if snapshot.tempo > 0 else 2.0
    return seconds >= LEAST_PHRASE_SECONDS


def _now_ticks(snapshot: Snapshot, rest: int) -> int:
    """How long the boundary is now: whole beats, where half of a phrase has room for them."""
    if not is_long(snapshot):
        return 0
    beats = -(-rest // snapshot.beat_ticks) * snapshot.beat_ticks
    return beats if 2 * beats <= snapshot.phrase_ticks else rest


def ticks_stage(snapshot: Snapshot, ticks: int) -> Stage:
    """How near something `ticks` ahead is: far, two bars, one bar, or due."""
    if ticks <= 0:
        return Stage.NOW
    if ticks <= snapshot.bar_ticks:
        return Stage.IMMINENT
    return Stage.NEAR if ticks <= 2 * snapshot.bar_ticks else Stage.FAR


def countdown(snapshot: Snapshot, ticks: int, rest: int) -> Countdown:
    """`ticks` (1 or more) in the unit that matters: bars, in the last bar beats.

    As of the latest stop, `rest` ticks being those between two. The unit under way counts as one
    to go, as a musician counts down.
    """
    return _counted(snapshot, *stop(ticks, None, _units(snapshot), rest))


def phrase_countdown(snapshot: Snapshot, at: Spot) -> Countdown:
    """What is left of the phrase, in the last beat in steps where they are slow enough."""
    top = snapshot.phrase_ticks - _now_ticks(snapshot, at.rest)
    return _counted(snapshot, *stop(max(1, at.left), top, _units(snapshot, steps=True), at.rest))


def _units(snapshot: Snapshot, steps: bool = False) -> tuple[int, ...]:
    bar, beat, step = snapshot.bar_ticks, snapshot.beat_ticks, snapshot.step_ticks
    return (bar, beat, step) if steps and step < beat else (bar, beat)


def _counted(snapshot: Snapshot, ticks: int, unit: int) -> Countdown:
    if ticks > snapshot.bar_ticks:
        unit = snapshot.bar_ticks
    names = {snapshot.step_ticks: "step", snapshot.beat_ticks: "beat", snapshot.bar_ticks: "bar"}
    return Countdown(-(-ticks // unit), names[unit])


def seconds_left(snapshot: Snapshot, ticks: int) -> int | None:
    """Whole seconds, rounded up, that `ticks` last; None while the tempo is unknown."""
    if snapshot.tempo <= 0:
        return None
    return -int(-ticks * tick_seconds(snapshot.tempo) // 1)


def pulse_beats(snapshot: Snapshot) -> int:
    """How many beats one pulse takes: 1, doubled until no more than 180 pulses come in a minute."""
    beats = 1
    while _beats_a_minute(snapshot) / beats > MOST_PULSES_A_MINUTE:
        beats *= 2
    return beats


def pulse_lit(snapshot: Snapshot, tick: int) -> bool:
    """Whether the beat pulse is lit at `tick`: the first half of each pulse, only while moving."""
    if not moving(snapshot):
        return False
    period = pulse_beats(snapshot) * snapshot.beat_ticks
    return tick % period < period // 2


def _beats_a_minute(snapshot: Snapshot) -> float:
    return snapshot.tempo * 24 / snapshot.beat_ticks
