"""Where a follower stands, to be put down by one engine and taken up by the next. Pure.

How many ticks went by in between is worked out in `gap`, files and the age of what they say are the
engine's. This is the one file that knows the insides of follower, conductor, course and gate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from companion.follow import trust
from companion.follow.changes import Changes, Outcome
from companion.follow.conductor import NOTHING, Send
from companion.follow.follower import CLOCK, CONTINUE, RESET, SONG_POSITION, START, STOP, Follower
from companion.follow.gap import Far, Line, may_be_certain
from companion.follow.timeline import Stretch
from companion.follow.transport import State
from companion.follow.trust import Beat

RESTARTED = "the engine was started again, and the count may be off"
MAYBE_SENT = "the engine ended just when a program change was due: see which pattern plays"

# A place is written down at least so often, in ticks, and the disk may be late by so much.
WRITTEN_TICKS = 6
WRITTEN_LATE_NS = 250_000_000
# How long the clock that was followed is waited for before another takes its place.
WAIT_NS = 2_000_000_000
# What went on unheard for longer than this cannot even be estimated.
ESTIMATED_NS = 1_200_000_000_000
# A clock that ticked so lately goes on ticking, whether anything plays or not.
TICKING_NS = 1_000_000_000

_MOVES = frozenset((START, STOP, CONTINUE, SONG_POSITION, RESET))


@dataclass(frozen=True, slots=True)
class Place:
    """Where a follower stood.

    `part`, `tick`, `end`, `stretches` (start, part index, carried passes and phrases) and
    `outcomes` are the course's. `line` is the clock, None if its tempo was not known; `counted` is
    how many ticks the count had gone beyond the line's latest. `ticking` is whether the clock ran.
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


def remember(follower: Follower, now_ns: int) -> Place:
    """Where `follower` stands at `now_ns`."""
    conductor, tempo, gate = follower.conductor, follower.tempo, follower._gate
    held, course = conductor._trust, conductor._course
    line = None
    if tempo.period_ns:
        # Of a tempo that moves nothing certain follows, and less of one that may.
        ticks = 0 if tempo._curved else tempo._count()
        if tempo._near or tempo._strays:
            ticks //= 2
        line = Line(tempo.when(0), tempo.period_ns, ticks, tempo.jitter_ms * 1e6)
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
    following = parts[part.number] if part.number < len(parts) else None
    planned = () if following is None else following.changes
    if part.number != place.part or len(place.outcomes) != len(planned):
        raise ValueError("not the same set")
    ahead = place.end is None or place.tick < place.end
    if place.tick < -1 or not ahead or not 0 <= place.counted < 1000:
        raise ValueError("no such place")
    course.timeline._stretches = stretches
    course.timeline.part = part
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


class Resumption:
    """Follows in place of a follower that was put where another stood, until it is clear how far.

    `trusted` is whether the line's times are certainly by the clock that counts now. Times are
    nanoseconds of one monotonic clock.
    """

    def __init__(self, follower: Follower, place: Place, trusted: bool, now_ns: int) -> None:
        self._follower = follower
        self._place = place
        self._trusted = trusted
        self._wait_until_ns = now_ns + WAIT_NS
        self._far: Far | None = None
        # The tick of the line, counted from the last start.
        course = follower.conductor._course
        self._origin = course.timeline.running.start + course.tick - place.counted
        self.over = place.state not in (State.RUNNING, State.LOST)

    @property
    def waiting(self) -> bool:
        """Whether no tick has come yet, so that there is nothing new to remember."""
        return not self.over and self._far is None

    def remember(self, now_ns: int) -> Place:
        """Where the follower stands at `now_ns`; what is still open is told as a doubt."""
        place = remember(self._follower, now_ns)
        if self.over or place.sure or place.doubt not in trust.PASSING:
            return place
        return replace(place, doubt=RESTARTED)

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> tuple[Send, ...]:
        """Take one MIDI message as the follower's `hear` does. Returns what is due."""
        follower = self._follower
        status = message[0] if message else None
        if self.over or (status != CLOCK and status not in _MOVES):
            return follower.hear(port, t_ns, message)
        if status != CLOCK:
            return self._moved(port, t_ns, message)
        if self._far is None:
            if port != self._place.port and t_ns < self._wait_until_ns:
                return NOTHING
            self._pick_up(port, t_ns)
        elif follower.conductor.sure or follower.conductor.state is not State.RUNNING:
            # A person has said where we are, or the clock was lost again.
            self._end(follower.conductor.sure)
        far = self._far
        sends = follower.hear(port, t_ns, message)
        if self.over or far is None or port != follower.port:
            return sends
        return self._judge(far.hear(t_ns), sends)

    # -- inside ------------------------------------------------------------------------------

    def _pick_up(self, port: str, t_ns: int) -> None:
        """Take the first tick: go on to the one before it."""
        follower, place, line = self._follower, self._place, self._place.line
        conductor, gate = follower.conductor, follower._gate
        if line is None or not 0 < t_ns - line.tick_ns < ESTIMATED_NS:
            self._end(False)
            return
        far = Far(line, t_ns)
        missed = max(1, far.first - place.counted)
        conductor.pace(round(line.period_ns))
        if self._maybe_sent(missed):
            conductor.suspect(MAYBE_SENT)
        sure = place.sure or place.doubt in (trust.CLOCK_LOST, *trust.PASSING)
        certain = self._trusted and port == place.port and may_be_certain(line, t_ns)
        if not certain and conductor._trust.doubt == trust.CLOCK_LOST:
            conductor.suspect(RESTARTED)
        sure = sure and conductor._trust.doubt == trust.CLOCK_LOST
        conductor.regain(missed - 1)
        # The line before, drawn on to here, is the best that is known of the clock.
        gate.lapse()
        latest = line.tick_ns + (far.first - 1) * line.period_ns
        for back in reversed(range(min(max(line.ticks, 3), 192))):
            gate.idle(round(latest - back * line.period_ns))
        follower.port = port
        follower.last_clock_ns = follower._alive_ns = round(latest)
        self._far = far
        self.over = not sure

    def _judge(self, right: bool | None, sends: tuple[Send, ...]) -> tuple[Send, ...]:
        conductor = self._follower.conductor
        held = conductor._trust
        assert self._far is not None
        if right is None:
            if not held.sure:
                return sends
            # The gate judges its own ticks; of the gap it knows nothing.
            held.lose(trust.CLOCK_WAS_LOST)
            held.beat = Beat.ASKED
            for send in sends:
                conductor.report(send, False)
            return NOTHING
        course = conductor._course
        counted = course.timeline.running.start + course.tick - self._origin
        self._end(right and counted == self._far.index and not self._follower._gate.inquiring)
        return sends

    def _end(self, right: bool) -> None:
        """The matter is closed."""
        self.over = True
        conductor = self._follower.conductor
        if right:
            conductor._trust.clock_answered()
            conductor.count += 1
        elif conductor._trust.doubt in (trust.CLOCK_LOST, *trust.PASSING):
            conductor.suspect(RESTARTED)

    def _moved(self, port: str, t_ns: int, message: Sequence[int]) -> tuple[Send, ...]:
        """Take a message that says more of the position than any tick."""
        follower = self._follower
        before = follower.conductor.count
        maybe_sent = self._far is None and self._maybe_sent()
        if port == follower.port and message[0] in (STOP, CONTINUE):
            self._end(False)
        sends = follower.hear(port, t_ns, message)
        if follower.conductor.count != before:
            self.over = True
            if maybe_sent:
                follower.conductor.suspect(MAYBE_SENT)
        return sends

    def _maybe_sent(self, missed: int | None = None) -> bool:
        """Whether a change may have left after the place was written down, unknown to it.

        None that is due only after the `missed` ticks since then, if it is known how many.
        """
        course, place = self._follower.conductor._course, self._place
        if not (self._follower.conductor.sends and place.armed) or place.end is None:
            return False
        period_ns = place.line.period_ns if place.line is not None else 20_000_000
        late = WRITTEN_TICKS + round(WRITTEN_LATE_NS / period_ns)
        by = place.tick + (late if missed is None else min(missed, late))
        return any(due <= by for due in _open(course.changes, place.end))


def _open(changes: Changes, end: int) -> list[int]:
    """The ticks at which the changes that are still to leave for a boundary at `end` are due."""
    return [
        changes._due(pending.change, end)
        for pending in changes._pending
        if pending.outcome is Outcome.OPEN
    ]
