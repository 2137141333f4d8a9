"""The conductor: which part and tick we are on, what was asked for, what is due to go out.

It knows no port, no clock and no file. It is fed signals of the transport and wishes and answers
with the program changes that are due at that very tick. Here is what is asked for; how the
count goes on by what is heard is in `progress`, what is held in `situation`.
"""

from __future__ import annotations

from companion.follow.changes import Outcome
from companion.follow.course import Send as Send
from companion.follow.progress import NOTHING as NOTHING
from companion.follow.progress import Progress
from companion.follow.situation import Standing as Standing
from companion.follow.transport import State
from companion.follow.trust import Beat
from companion.setlist.model import Part, Span, Unit

# A press this near to the beat of a count that keeps the beat means that beat: a sixteenth.
# Fingers err by tens of milliseconds, a clock that is followed does not.
FINGER_TICKS = 6
LOST = "the clock is lost: nothing can be planned"
ON_ITS_WAY = "already on its way"


class Conductor(Progress):
    """Follows one set. Not thread-safe: one caller at a time."""

    # -- where to go -------------------------------------------------------------------------

    def go_next(self, unit: Unit = Unit.PHRASES) -> tuple[Send, ...]:
        """Go to the next part: at the coming boundary of a `unit`, or at once while nothing runs.

        Sets `notice`. Returns what is due now (only while nothing runs).
        """
        self.count += 1
        number = self.part.number
        if number == len(self.setlist.parts):
            self.notice = "this is the last part"
            return NOTHING
        return self._go(number + 1, unit)

    def go_to(self, number: int, unit: Unit = Unit.PHRASES) -> tuple[Send, ...]:
        """Go to part `number`, from 1, as `go_next` goes to the next. Sets `notice`."""
        self.count += 1
        course = self._course
        if not 1 <= number <= len(self.setlist.parts):
            self.notice = f"there is no part {number}"
        elif number != self.part.number:
            return self._go(number, unit)
        elif self.state is State.RUNNING and course.changes.out:
            self.notice = "too late: the program change is out"
        elif self.state in (State.RUNNING, State.LOST):
            if course.asked:
                course.unask()
            self.notice = f"part {number} is running"
        elif course.changes.out:
            return self._step_to(number)
        else:
            self.notice = f"part {number} comes with the next start"
        return NOTHING

    def go_now(self) -> tuple[Send, ...]:
        """Go to the part that follows as soon as its instrument can change. Returns what is due.

        An instrument that waits for the end of its pass is told at once. Sets `notice`.
        """
        self.count += 1
        course, following = self._course, self._course.timeline.following
        if following is None:
            self.notice = "this is the last part"
        elif self.state is State.LOST:
            self.notice = LOST
        elif self.state is not State.RUNNING:
            return self._step_to(following.number)
        elif course.changes.out:
            self.notice = ON_ITS_WAY
        else:
            sends = course.hurry(self._leave(True), self._hand_ticks(following))
            self.notice = f"going to part {following.number} {self._when()}"
            return sends
        return NOTHING

    def stay(self) -> None:
        """Stay in this part past its planned end; asked again, let it end. Sets `notice`."""
        self.count += 1
        course = self._course
        if self.state is State.LOST:
            self.notice = LOST
        elif self.state is not State.RUNNING:
            self.notice = "nothing runs: there is nothing to stay in"
        elif course.changes.out:
            self.notice = "too late: the program change is out"
        elif course.staying:
            course.unask()
            self.notice = f"the part goes on to its end, {self._when()}"
        elif course.part.planned_ticks is None or course.ends_the_set:
            course.unask()
            self.notice = "this part goes on until another is asked for"
        else:
            course.hold()
            self.notice = "staying in this part, phrase by phrase"

    def follow(self, number: int, at: int, instrument: str) -> tuple[Send, ...]:
        """`instrument` goes to part `number` by itself, at tick `at` of the running part.

        Whoever else plays there is told as ever. Sets `notice`. Returns what is due now.
        """
        self.count += 1
        if self.state is State.LOST:
            return NOTHING
        if self.state is not State.RUNNING:
            sends = self._step_to(number, instrument)
            self._trust.part_known = True
            return sends
        if not self._goes_itself(instrument):
            self._before_it_went = self._course.wishes()
        self._course.follow(number - 1, max(at, self.tick + 1), instrument)
        self.notice = f"{instrument} goes to part {number} {self._when()}"
        return NOTHING

    def unfollow(self, instrument: str) -> None:
        """`instrument` says that it stays, after it has said that it goes elsewhere by itself.

        What was wished before holds again. Sets `notice`; without such a word before, does nothing.
        """
        if not self._goes_itself(instrument) or self._before_it_went is None:
            return
        self.count += 1
        self._course.rewish(self._before_it_went)
        self.notice = f"{instrument} stays in this part"

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
            self._hasty_end = self._within_a_beat
        if armed and not self.armed and not self._trust.sure and course.end is not None:
            # Unsure as the count was, a person may have changed the pattern already.
            self._trust.part_known = False
        if armed and not self.armed and (not self._trust.sure or course.is_changing(True)):
            self._handed_back = course.end
        self.armed = armed
        self.notice = "disarmed: change by hand"
        if armed:
            doubtful = self._known and not self._trust.sure
            self.notice = f"armed: program changes go out{' once sure' if doubtful else ''}"

    # -- where we are ------------------------------------------------------------------------

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

    # -- inside ------------------------------------------------------------------------------

    def _set_by_hand(self) -> None:
        """A person has said where we are."""
        self._known = True
        self._adrift = False
        self.set_by_hand = True
        self._trust.clear()
        # Where the instrument's own start was, in ticks of this part, they did not say.
        self._trust.song_known = False
        if self._by_hand or not self._course.changes.own:
            self._hasty_end = self._within_a_beat

    def _go(self, number: int, unit: Unit) -> tuple[Send, ...]:
        course = self._course
        if self.state is State.LOST:
            self.notice = LOST
        elif self.state is not State.RUNNING:
            return self._step_to(number)
        elif course.changes.out:
            self.notice = ON_ITS_WAY
        else:
            target = None if number == self.part.number + 1 else number - 1
            course.ask(self._hand_ticks(self.setlist.parts[number - 1]), unit, target)
            self.notice = f"going to part {number} {self._when()}"
        return NOTHING

    def _goes_itself(self, instrument: str) -> bool:
        """Whether `instrument` has said that it goes to another part on the coming boundary."""
        return any(
            each.outcome is Outcome.TOLD and each.change.instrument == instrument
            for each in self._course.changes.view()
        )

    def _hand_ticks(self, goal: Part) -> int:
        """How long a person needs to change to `goal` by hand, 0 where its instrument is told."""
        told = any(change.instrument == goal.instrument for change in goal.changes)
        by_hand = self._by_hand or not told
        return self.part.pattern.meter.beat_ticks if by_hand else 0

    def _when(self) -> str:
        """When the running part ends, in words."""
        pattern, end, tick = self.part.pattern, self._course.end, max(self.tick, 0)
        if end is None:
            return "when you ask for it"
        if end == tick + 1:
            return "now"
        if end % pattern.phrase_ticks:
            same = (end - 1) // pattern.pass_ticks == tick // pattern.pass_ticks
            return f"at the end of {'this' if same else 'the next'} pass"
        if (end - 1) // pattern.phrase_ticks == tick // pattern.phrase_ticks:
            return "at the end of this phrase"
        bars = -(-(end - tick) // pattern.meter.bar_ticks)
        return f"in {Span(bars, Unit.BARS)}"

    def _step_to(self, number: int, told: str | None = None) -> tuple[Send, ...]:
        course, held = self._course, self._trust
        out = course.changes.out
        # What was sent before the stop, most instruments take on the next start. Most.
        held.part_known = held.part_known and not self._is_changing
        changes = [
            change
            for change in self.setlist.parts[number - 1].changes
            if change not in out and change.instrument != told
        ]
        course.restart(number - 1)
        self._known = False
        held.part_known = held.part_known and held.sure
        held.song_known = False
        self.notice = f"part {number} comes with the next start"
        if self._by_hand:
            return NOTHING
        if not held.sure or self.state is State.READY:
            if changes:
                self.notice += ": choose it by hand"
            return NOTHING
        return tuple(Send(change, number, 0) for change in changes)
