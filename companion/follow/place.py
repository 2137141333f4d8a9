"""Where a follower stands, as plain values: to be put down by one engine and taken up by the next.

Pure. With `resume` the only file that knows the insides of follower, conductor, course and gate.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.follow import trust
from companion.follow.changes import Outcome
from companion.follow.follower import Follower
from companion.follow.gap import Line
from companion.follow.timeline import Stretch
from companion.follow.transport import State
from companion.follow.trust import Beat

# A clock that ticked so lately goes on ticking, whether anything plays or not.
TICKING_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Place:
    """Where a follower stood.

    `part`, `tick`, `end`, `stretches` (start, part index, carried passes and phrases) and
    `outcomes` are the course's. `line` is the clock, None if its tempo was not known; `counted` is
    how many ticks the count had gone beyond the line's latest. `ticking` is whether the clock ran.
    `staying` and `target` are what the performer wished.
    """

    state: State
    sure: bool
    doubt: str
    beat: Beat
    part_known: bool
    song_known: bool
    known: bool
    armed: bool
    part: int
    tick: int
    fresh: bool
    end: int | None
    asked: bool
    stretches: tuple[tuple[int, int, int, int], ...]
    outcomes: tuple[Outcome, ...]
    port: str | None
    home: str | None
    line: Line | None
    counted: int
    ticking: bool
    staying: bool = False
    target: int | None = None


def remember(follower: Follower, now_ns: int) -> Place:
    """Where `follower` stands at `now_ns`."""
    conductor, tempo, gate = follower.conductor, follower.tempo, follower._gate
    held, course = conductor._trust, conductor._course
    line = None
    if tempo.period_ns:
        tick_ns, period_ns, ticks = tempo.steady()
        line = Line(tick_ns, period_ns, ticks, tempo.jitter_ms * 1e6)
    return Place(
        state=conductor.state,
        sure=held.sure,
        doubt=held.doubt,
        beat=held.beat,
        part_known=held.part_known,
        song_known=held.song_known,
        known=conductor._known,
        armed=conductor.armed,
        part=course.part.number,
        tick=course.tick,
        fresh=course.fresh,
        end=course.end,
        asked=course.asked,
        stretches=tuple(
            (s.start, s.part_index, s.carried_passes, s.carried_phrases)
            for s in course.timeline._stretches
        ),
        outcomes=tuple(pending.outcome for pending in course.changes.view()),
        port=follower.port,
        home=follower._home,
        line=line,
        counted=0 if gate._inquiry is None else gate._inquiry.counted,
        ticking=now_ns - follower.last_clock_ns < TICKING_NS,
        staying=course.staying,
        target=course.timeline.target,
    )


def recall(follower: Follower, place: Place) -> None:
    """Put a new `follower` where another stood; raises ValueError if that is not in its set.

    What ran is taken for lost: `Resumption` finds out how it went on.
    """
    conductor = follower.conductor
    held, course, parts = conductor._trust, conductor._course, conductor.setlist.parts
    stretches = [Stretch(*stretch) for stretch in place.stretches]
    if not stretches or any(not 0 <= s.part_index < len(parts) for s in stretches):
        raise ValueError("no such part")
    part = parts[stretches[-1].part_index]
    target = place.target
    if target is None:
        target = part.number if part.number < len(parts) else None
    elif not 0 <= target < len(parts):
        raise ValueError("no such part")
    following = None if target is None else parts[target]
    planned = () if following is None else following.changes
    if part.number != place.part or len(place.outcomes) != len(planned):
        raise ValueError("not the same set")
    ahead = place.end is None or place.tick < place.end
    if place.tick < -1 or not ahead or not 0 <= place.counted < 1000:
        raise ValueError("no such place")
    course.timeline._stretches = stretches
    course.timeline.part, course.timeline.target = part, place.target
    course.staying = place.staying
    course.tick, course.fresh = place.tick, place.fresh
    course.end, course.asked = place.end, place.asked
    course.changes.plan(part, following, place.end)
    for pending, outcome in zip(course.changes._pending, place.outcomes, strict=True):
        pending.outcome = outcome
    course._reckon()
    conductor._known, conductor.armed = place.known, place.armed
    conductor.notice = "the engine was started again and goes on where it was"
    follower.port, follower._home = place.port, place.home
    held.sure, held.doubt, held.beat = place.sure, place.doubt, place.beat
    held.part_known, held.song_known = place.part_known, place.song_known
    if place.state in (State.RUNNING, State.LOST):
        conductor.state = State.LOST
        if place.sure or place.doubt in (trust.CLOCK_LOST, *trust.PASSING):
            held.lose(trust.CLOCK_LOST)
            held.beat = Beat.ASKED
    elif place.state is State.STOPPED and place.ticking:
        conductor.state = State.STOPPED
    # Else the first clock may be that of a start nobody heard: it makes ready, no more.
