"""The conductor: what the performer asks for, on top of the count, and one look at all of it.

It knows no port, no clock and no file.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.follow.changes import PendingView
from companion.follow.count import NOTHING as NOTHING
from companion.follow.count import Count
from companion.follow.course import Send as Send
from companion.follow.transport import State
from companion.follow.trust import Beat
from companion.setlist.model import Part, SetList, Span, Unit

# A press this near to the beat of a count that keeps the beat means that beat: a sixteenth.
# Fingers err by tens of milliseconds, a clock that is followed does not.
FINGER_TICKS = 6


@dataclass(frozen=True, slots=True)
class Standing:
    """Where things stand: one immutable look at the conductor.

    `tick` is the tick the next reader should show (0 or more). `end` is the tick at which the next
    part begins, None while that is open; `asked` whether a wish set it. `count` goes up with
    everything that happens but a plain tick.
    """

    state: State
    sure: bool
    doubt: str
    part: Part
    tick: int
    end: int | None
    asked: bool
    pending: tuple[PendingView, ...]
    carried_passes: int
    carried_phrases: int
    armed: bool
    sends: bool
    notice: str
    count: int


class Conductor(Count):
    """Follows one set. Not thread-safe: one caller at a time."""

    def __init__(self, setlist: SetList, *, sends: bool = True) -> None:
        super().__init__(setlist, sends=sends)
        # Whether a person set the count since the last clock; whoever feeds clocks takes it back.
        self.set_by_hand = False

    # -- what is asked -----------------------------------------------------------------------

    def go_next(self) -> tuple[Send, ...]:
        """Go to the next part: at the coming phrase boundary, or at once while nothing runs.

        Sets `notice`. Returns what is due now (only while nothing runs).
        """
        self.count += 1
        course = self._course
        if course.last:
            self.notice = "this is the last part"
        elif self.state is State.LOST:
            self.notice = "the clock is lost: nothing can be planned"
        elif self.state is not State.RUNNING:
            return self._step_to_next()
        elif course.changes.out:
            self.notice = "already on its way"
        else:
            # A person needs time to change by hand.
            by_hand = self._by_hand or not course.changes.own
            course.ask(course.part.pattern.meter.beat_ticks if by_hand else 0)
            self.notice = f"going to part {course.part.number + 1} at the boundary"
        return NOTHING

    def take_back(self) -> None:
        """Withdraw the wish to go on, unless its program change is out already. Sets `notice`."""
        self.count += 1
        if not self._course.asked:
            self.notice = "nothing to take back"
        elif self._course.changes.out:
            self.notice = "too late: the program change is out"
        else:
            self._course.unask()
            self.notice = "taken back"

    def arm(self, armed: bool) -> None:
        """Let program changes go out by themselves, or not. Sets `notice`."""
        self.count += 1
        if not self.sends:
            self.notice = "started without sending"
            return
        course = self._course
        if self.armed and not armed and course.end is not None:
            # With less than a beat to go, who knows whether a person can still do it.
            hasty = course.end - course.tick <= course.part.pattern.meter.beat_ticks
            self._hasty_end = course.end if hasty and not course.changes.decided else None
        if armed and not self.armed and not self._trust.sure and course.end is not None:
            # Unsure as the count was, a person may have changed the pattern already.
            self._trust.part_known = False
        self.armed = armed
        self.notice = "armed: program changes go out" if armed else "disarmed: change by hand"

    def align(self, unit: Unit | None = None) -> None:
        """The performer says that the one is now: the nearest start of a `unit` is this tick.

        Where the count keeps the beat it goes on keeping it, and moves by whole beats. Without a
        unit, or while no position is known, the part starts at this tick. Sets `notice`.
        """
        self.count += 1
        if self.state not in (State.READY, State.RUNNING):
            self.notice = "no clock is running: press play on the instrument"
            return
        self.state = State.RUNNING
        course = self._course
        if unit is None or not self._known:
            course.restart_here()
        else:
            tick = max(course.tick, 0)
            length = unit.ticks(course.part.pattern)
            target = (tick + length // 2) // length * length
            if self._trust.beat is Beat.KNOWN:
                beat = course.part.pattern.meter.beat_ticks
                off = (target - tick + beat // 2) % beat - beat // 2
                target -= off if abs(off) <= FINGER_TICKS else 0
            course.move(max(target, 0))
            course.fresh = False
        self._set_by_hand()
        self.notice = "aligned: the one is now"

    def nudge(self, unit: Unit, by: int) -> None:
        """The performer says that the count is `by` units behind (ahead if negative).

        Passes and phrases are meant. Sets `notice`.
        """
        self.count += 1
        course = self._course
        tick = course.tick + by * unit.ticks(course.part.pattern)
        way = "forward" if by > 0 else "back"
        if self.state not in (State.RUNNING, State.STOPPED) or not self._known:
            self.notice = "nothing is counted yet: press play, or align on the one"
        elif tick + course.fresh < 0:
            self.notice = f"the part is not {Span(abs(by), unit)} old yet: align on the one"
        else:
            course.move(tick)
            self._set_by_hand()
            self.notice = f"{Span(abs(by), unit)} {way}"

    def confirm(self) -> None:
        """The performer says that the count on the screen is right. Sets `notice`."""
        self.count += 1
        if self.state is State.LOST:
            self.notice = "the clock is lost: wait until it is back"
        elif self.state is State.READY:
            self.notice = "nothing is counted yet: press play, or align on the one"
        elif self._trust.sure:
            self.notice = "the count is sure already"
        else:
            self._set_by_hand()
            self.notice = "confirmed: the count is right"

    # -- what others see ---------------------------------------------------------------------

    def standing(self) -> Standing:
        """One immutable look at everything."""
        course = self._course
        stretch = course.timeline.running
        return Standing(
            state=self.state,
            sure=self.sure,
            doubt=self.doubt,
            part=course.part,
            tick=max(course.tick + course.fresh, 0),
            end=course.end,
            asked=course.asked,
            pending=course.changes.view(),
            carried_passes=stretch.carried_passes,
            carried_phrases=stretch.carried_phrases,
            armed=self.armed,
            sends=self.sends,
            notice=self.notice,
            count=self.count,
        )

    # -- inside ------------------------------------------------------------------------------

    def _set_by_hand(self) -> None:
        """A person has said where we are."""
        self._known = True
        self.set_by_hand = True
        self._trust.clear()
        # Where the instrument's own start was, in ticks of this part, they did not say.
        self._trust.song_known = False

    def _step_to_next(self) -> tuple[Send, ...]:
        course, held = self._course, self._trust
        index = course.part.number
        out = course.changes.out
        # What was sent before the stop, most instruments take on the next start. Most.
        held.part_known = held.part_known and not course.is_changing(self._by_hand)
        changes = [c for c in self.setlist.parts[index].changes if c not in out]
        course.restart(index)
        self._known = False
        held.part_known = held.part_known and held.sure
        held.song_known = False
        self.notice = f"part {index + 1} comes with the next start"
        if self._by_hand:
            return NOTHING
        if not held.sure or self.state is State.READY:
            if changes:
                self.notice += ": choose it by hand"
            return NOTHING
        return tuple(Send(change, index + 1, 0) for change in changes)
