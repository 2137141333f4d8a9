"""The conductor: which part and tick we are on, what was asked for, what is due to go out.

It knows no port, no clock and no file. It is fed signals of the transport and wishes and answers
with the program changes that are due at that very tick.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.counting.ticks import TICKS_PER_SONG_POSITION
from companion.follow import trust
from companion.follow.changes import Leave, Outcome, PendingView
from companion.follow.course import Course, Wishes
from companion.follow.course import Send as Send
from companion.follow.gate import Finding
from companion.follow.timeline import Stretch
from companion.follow.transport import Effect, Signal, State, transport
from companion.follow.trust import Beat, Trust
from companion.setlist.model import Part, ProgramChange, SetList, Span, Unit

NOTHING: tuple[Send, ...] = ()
# A press this near to the beat of a count that keeps the beat means that beat: a sixteenth.
# Fingers err by tens of milliseconds, a clock that is followed does not.
FINGER_TICKS = 6
LOST = "the clock is lost: nothing can be planned"
ON_ITS_WAY = "already on its way"


@dataclass(frozen=True, slots=True)
class Standing:
    """Where things stand: one immutable look at the conductor.

    `tick` is the tick the next reader should show (0 or more). `end` is the tick at which the next
    part begins, None while that is open; `asked` whether a wish set it, `staying` whether one
    keeps the part going; `following` is the part to come, None after the last. `count` goes up with
    everything that happens but a plain tick.
    """

    state: State
    sure: bool
    doubt: str
    part: Part
    tick: int
    end: int | None
    asked: bool
    staying: bool
    following: Part | None
    pending: tuple[PendingView, ...]
    carried_passes: int
    carried_phrases: int
    armed: bool
    sends: bool
    notice: str
    count: int

    @property
    def planned_end(self) -> int | None:
        """The end by wish or plan; the last part has the plan's, though no other follows it."""
        return self.part.planned_ticks if self.end is None and not self.staying else self.end


class Conductor:
    """Follows one set. Not thread-safe: one caller at a time."""

    def __init__(self, setlist: SetList, *, sends: bool = True) -> None:
        self.setlist = setlist
        self.sends = sends
        self.armed = True
        self.state = State.WAITING
        self.notice = ""
        # Goes up with everything that happens but a plain tick.
        self.count = 0
        # Whether a person set the count since the last clock; whoever feeds clocks takes it back.
        self.set_by_hand = False
        self._trust = Trust()
        self._course = Course(setlist)
        # Whether a start, a position or a person ever said where we are.
        self._known = False
        # Whether clocks came since a position was told that nobody knows to be played or not.
        self._adrift = False
        # The boundary for which a person took over, or learnt of, within its last beat.
        self._hasty_end: int | None = None
        # The boundary for which a person may have done so before sending was switched on again.
        self._handed_back: int | None = None
        # Whether that was the latest one crossed.
        self._maybe_by_hand = False
        # The wishes from before an instrument went to another part by itself.
        self._before_it_went: Wishes | None = None
        # Where the instrument told its position last while it played, and how regularly it does.
        self._told_at = self._told_every = 0

    # -- what is heard -----------------------------------------------------------------------

    def signal(self, signal: Signal, value: int = 0) -> tuple[Send, ...]:
        """Take one signal; `value` is the song position in units of 6 clocks. Returns what is due.

        A clock counts as one tick here; see `advance` and `regain` for what the gate makes of it.
        """
        self.state, effect = transport(self.state, signal)
        match effect:
            case Effect.ADVANCE:
                return self.advance(1)
            case Effect.IGNORE:
                if signal is Signal.CLOCK and self.state is State.READY:
                    self._adrift = True
                return NOTHING
            case Effect.BEGIN:
                self._begin()
            case Effect.RESUME:
                self._resume()
            case Effect.HOLD:
                if self._trust.beat is not Beat.KNOWN:
                    # Nobody can say any more where the clock was when it stopped.
                    self._trust.lose_for_good()
            case Effect.LOCATE:
                self._locate(value * TICKS_PER_SONG_POSITION)
            case Effect.RELOCATE:
                self._relocate(value * TICKS_PER_SONG_POSITION)
            case Effect.LOSE:
                self._lose()
            case Effect.REGAIN:
                return self.regain(1)
            case Effect.FORGET:
                self._forget()
        self.count += 1
        return NOTHING

    def advance(self, ticks: int) -> tuple[Send, ...]:
        """Go on by `ticks` ticks (0 or more) with one clock; only the last is a time to send."""
        course = self._course
        tick = course.tick + 1
        if ticks == 1:
            course.fresh = False
            if tick < course.act_at:
                course.tick = tick
                return NOTHING
            return self._act(tick, True)
        if ticks < 1:
            return NOTHING
        course.fresh = False
        while ticks > 1:
            # Plain ticks are passed over in one.
            plain = min(max(course.act_at - course.tick - 1, 0), ticks - 1)
            course.tick += plain
            ticks -= plain
            if ticks > 1:
                self._act(course.tick + 1, False)
                ticks -= 1
        return self._act(course.tick + 1, True)

    def regain(self, ticks: int) -> tuple[Send, ...]:
        """The clock is back after a silence: go on by `ticks` ticks, unsure until cleared."""
        self.state = State.RUNNING
        self.count += 1
        if self._course.fresh or self._trust.sure:
            # A start or a position was heard in the silence; how long ago, nobody knows.
            self._trust.lose(trust.CLOCK_BROKE)
            self._trust.lose_for_good()
        elif self._trust.doubt == trust.CLOCK_LOST:
            self._trust.lose(trust.CLOCK_WAS_LOST)
        return self.advance(ticks)

    def heed(self, finding: Finding) -> None:
        """Take in what the gate found about the clock."""
        held = self._trust
        match finding:
            case Finding.NOTHING:
                return
            case Finding.DOUBT:
                held.clock_in_question()
                if held.sure:
                    held.lose(trust.CLOCK_ODD)
            case Finding.CLEARED:
                held.clock_answered()
            case Finding.GIVEN_UP:
                held.lose_for_good()
        self.count += 1

    def suspect(self, why: str) -> None:
        """Take in that the count cannot be trusted until a person says so; `why` in plain words."""
        self.count += 1
        self._trust.lose(why)
        self._trust.lose_for_good()

    # -- what is asked -----------------------------------------------------------------------

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

    def report(self, send: Send, out: bool) -> None:
        """Tell what became of a `Send`: whether it left. A failed one is never tried again."""
        self.count += 1
        if out:
            return
        self._course.changes.fail(send.change)
        if send.part != self.part.number:
            return
        self.notice = self._not_sent(send.change)
        if self.state is not State.RUNNING:
            # It was to choose the part for the next start.
            self._trust.part_known = False
            self.notice += ": choose the part by hand"
        elif send.change.instrument == self.part.instrument:
            # It was to leave on the boundary itself.
            self._course.stay(send.change)
            self.notice += ": the part goes on for another phrase"
            if self._maybe_by_hand:
                self._trust.lose(trust.WHICH_PART)

    @property
    def fresh(self) -> bool:
        """Whether the next clock is the first at a position that was set rather than counted."""
        return self._course.fresh

    @property
    def sure(self) -> bool:
        """Whether the count can be trusted."""
        return self._trust.sure and self.state is not State.READY

    @property
    def doubt(self) -> str:
        """Why the count cannot be trusted, in plain words; "" if it can."""
        return trust.JOINED if self.state is State.READY else self._trust.doubt

    @property
    def part(self) -> Part:
        """The running part."""
        return self._course.part

    @property
    def tick(self) -> int:
        """The latest tick counted in the running part, below 0 before its first."""
        return self._course.tick

    @property
    def changes_out(self) -> bool:
        """Whether anything has left for the coming boundary, or for the next start."""
        return bool(self._course.changes.out)

    @property
    def stretch(self) -> Stretch:
        """The running part as one stretch of the set; another object whenever it begins anew."""
        return self._course.timeline.running

    @property
    def planned_end(self) -> int | None:
        """The tick at which the running part ends by wish or plan; see `Standing`."""
        return self.standing().planned_end

    def pace(self, period_ns: int) -> None:
        """Tell how long a tick lasts, in ns; leads in milliseconds go by it."""
        self._course.changes.period_ns = period_ns

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
            staying=course.staying,
            following=course.timeline.following,
            pending=course.changes.view(),
            carried_passes=stretch.carried_passes,
            carried_phrases=stretch.carried_phrases,
            armed=self.armed,
            sends=self.sends,
            notice=self.notice,
            count=self.count,
        )

    # -- inside ------------------------------------------------------------------------------

    @property
    def _by_hand(self) -> bool:
        """Whether a person changes the patterns."""
        return not (self.sends and self.armed)

    @property
    def _is_changing(self) -> bool:
        """Whether the instrument may hold the change for the coming boundary by now."""
        handed_back = self._handed_back is not None and self._handed_back == self._course.end
        return self._course.is_changing(self._by_hand or handed_back)

    def _begin(self) -> None:
        held, course = self._trust, self._course
        interrupted = self._is_changing
        # Changed by hand while nobody could count along, the part may be any.
        by_hand = course.end is not None and self._by_hand
        lost = not held.part_known or (by_hand and not held.sure and not held.passing)
        begun = course.part
        if course.changes.decided and course.timeline.following is not None:
            begun = course.timeline.following
        course.restart(begun.number - 1)
        self._known = held.song_known = True
        self._adrift = False
        self._handed_back = None
        held.clear()
        if interrupted:
            # The instrument holds the new program, and most take it on the next start. Most.
            held.lose(trust.STOPPED_BEFORE_CHANGE)
        elif lost:
            held.lose(trust.WHICH_PART)
        held.part_known = held.sure

    def _resume(self) -> None:
        held = self._trust
        if not self._known:
            self._course.restart(self.part.number - 1)
            held.lose(trust.JOINED)
            held.beat = Beat.LOST
        elif self._adrift:
            # Played all along or stood still with its clock running, who knows.
            held.lose(trust.JOINED)
            held.beat = Beat.LOST
        elif held.doubt in (trust.CLOCK_LOST, *trust.PASSING):
            held.lose_for_good()
        elif held.sure and self._is_changing:
            held.lose(trust.STOPPED_BEFORE_CHANGE)

    def _locate(self, position: int) -> None:
        """Go to `position` ticks from the last start, so that the next clock is that tick."""
        held = self._trust
        never_known, self._known, self._adrift = not self._known, True, False
        sent = self._is_changing
        same = self._course.locate(position)
        if not held.song_known or not held.part_known or self.state is State.LOST:
            held.part_known = False
            if held.sure:
                held.lose(trust.NOWHERE)
        elif not same:
            held.part_known = False
            held.lose(trust.ELSEWHERE)
        elif sent:
            held.part_known = False
            held.lose(trust.STOPPED_BEFORE_CHANGE)
        elif never_known or held.doubt == trust.JOINED:
            held.clear()

    def _relocate(self, position: int) -> None:
        here = self._course.timeline.running.start + self.tick + 1
        if self._trust.song_known and here == position:
            # What only repeats the count moves nothing.
            every = position - self._told_at
            self._told_every = every if every > 0 and position % every == 0 else 0
            self._told_at = position
        elif (
            self._trust.sure
            and not self._trust.song_known
            and self._told_every
            and position % self._told_every == 0
        ):
            # An instrument that tells its position regularly does so again: there lies its start.
            self._course.timeline.rebase(position - self.tick - 1)
            self._trust.song_known = True
            self._told_at = position
        else:
            self._told_every = 0
            self._locate(position)
            self._trust.lose(trust.MOVED)

    def _lose(self) -> None:
        self._trust.clock_in_question()
        if self._trust.sure or self._trust.passing:
            self._trust.lose(trust.CLOCK_LOST)

    def _forget(self) -> None:
        # Like new, the instrument may be on any pattern; before anything was counted, on the first.
        known, self._known = self._known, False
        self._course.restart(self.part.number - 1)
        self._trust.clear()
        self._trust.part_known = not known and self.part.number == 1

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

    @property
    def _within_a_beat(self) -> int | None:
        """The coming boundary if it is so near that who knows if a person still makes it."""
        course = self._course
        if course.end is None or course.changes.decided:
            return None
        beat = course.part.pattern.meter.beat_ticks
        return course.end if course.end - course.tick <= beat else None

    def _act(self, tick: int, may_send: bool) -> tuple[Send, ...]:
        """Take `tick`, at which something may be due: changes to send, the part's end."""
        course, held = self._course, self._trust
        part, crossed, before = course.part, course.boundaries, course.changes.view()
        by_hand = self._by_hand or not course.changes.own
        sends = course.take(tick, self._leave(may_send))
        if course.boundaries != crossed:
            self.count += 1
            entered = course.part is not part
            self._maybe_by_hand = self._handed_back == tick
            if course.missed:
                self.notice = self._not_sent(course.missed[-1])
                if not entered:
                    self.notice += ": the part goes on for another phrase"
                    if self._maybe_by_hand:
                        held.lose(trust.WHICH_PART)
            if entered and self._hasty_end == tick:
                held.lose(trust.WHICH_PART)
            if entered and not held.sure:
                if held.passing and not held.part_known and by_hand:
                    # It began and ended while the clock was away: nobody could see it end.
                    held.lose(trust.WHICH_PART)
                held.part_known = False
            self._hasty_end = self._handed_back = None
        elif course.changes.view() != before:
            self.count += 1
        return sends

    def _leave(self, may_send: bool) -> Leave:
        if self._by_hand:
            return Leave.BY_HAND
        if self._trust.sure and may_send:
            return Leave.YES
        return Leave.NOT_YET if self._trust.sure or self._trust.passing else Leave.NO

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

    def _not_sent(self, change: ProgramChange) -> str:
        shown = self.setlist.instruments[change.instrument].shown(change.program)
        return f"program {shown} was not sent to {change.instrument}"
