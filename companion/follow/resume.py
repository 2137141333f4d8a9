"""Going on where another engine's follower stood, once its clock is heard again. Pure.

What a place is stands in `place`, how many ticks went by since then is worked out in `gap`; files,
and the age of what they say, are the engine's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil

from companion.follow import trust
from companion.follow.changes import PRESUMED_NS, Changes, Outcome
from companion.follow.conductor import NOTHING, Send
from companion.follow.follower import CLOCK, CONTINUE, RESET, SONG_POSITION, START, STOP, Follower
from companion.follow.gap import Far, may_be_certain
from companion.follow.place import Place, remember
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

_MOVES = frozenset((START, STOP, CONTINUE, SONG_POSITION, RESET))


class Resumption:
    """Follows in place of a follower that was put where another stood, until it is clear how far.

    `trusted` is whether the line's times are certainly by the clock that counts now; `died_ns` when
    the one before had ended, if anybody saw it. Times are nanoseconds of one monotonic clock.
    """

    def __init__(
        self,
        follower: Follower,
        place: Place,
        trusted: bool,
        now_ns: int,
        died_ns: int | None = None,
    ) -> None:
        self._follower = follower
        self._place = place
        self._trusted = trusted
        self._died_ns = died_ns
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
        # The line before, drawn on to here, is the best that is known of the clock, and so is how
        # unsteady it was.
        gate.lapse()
        latest = line.tick_ns + (far.first - 1) * line.period_ns
        for back in reversed(range(min(max(line.ticks, 3), 192))):
            off = line.jitter_ns if back % 2 else -line.jitter_ns
            gate.idle(round(latest - back * line.period_ns + off))
        follower.port = port
        follower.last_clock_ns = follower._alive_ns = round(latest)
        self._far = far
        self.over = not sure

    def _judge(self, right: bool | None, sends: tuple[Send, ...]) -> tuple[Send, ...]:
        conductor = self._follower.conductor
        held = conductor._trust
        assert self._far is not None
        course, far = conductor._course, self._far
        counted = course.timeline.running.start + course.tick - self._origin
        # Ticks that were lost or doubled since the gap are the gate's to put right.
        open_yet = self._follower._gate.inquiring or counted != far.index
        if right is False or (right and not open_yet):
            self._end(right)
        elif held.sure:
            # Of what was before the gap the gate knows nothing.
            held.lose(trust.CLOCK_WAS_LOST)
            held.beat = Beat.ASKED
            for send in sends:
                conductor.report(send, False)
            return NOTHING
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
        period_ns = PRESUMED_NS if place.line is None else place.line.period_ns
        unwritten = WRITTEN_TICKS + round(WRITTEN_LATE_NS / period_ns)
        if self._trusted and place.line is not None and self._died_ns is not None:
            unwritten = ceil(place.line.place(self._died_ns)) - place.counted + 1
        by = place.tick + (unwritten if missed is None else min(missed, unwritten))
        return any(due <= by for due in _open(course.changes, place.end))


def _open(changes: Changes, end: int) -> list[int]:
    """The ticks at which the changes that are still to leave for a boundary at `end` are due."""
    return [
        changes._due(pending.change, end)
        for pending in changes._pending
        if pending.outcome is Outcome.OPEN
    ]
