"""How the count goes on: by signals of the transport, by ticks and by what the gate finds.

It moves the count and says how far that can be trusted. What a person asks for is in `conductor`.
"""

from __future__ import annotations

from companion.counting.ticks import TICKS_PER_SONG_POSITION
from companion.follow import trust
from companion.follow.course import Send
from companion.follow.gate import Finding
from companion.follow.situation import Situation
from companion.follow.transport import Effect, Signal, State, transport
from companion.follow.trust import Beat

NOTHING: tuple[Send, ...] = ()


class Progress(Situation):
    """Goes on by what is heard. Not thread-safe: one caller at a time."""

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
        elif not send.ticks_left and send.change.instrument == self.part.instrument:
            # It was to leave on the boundary itself.
            self._course.stay(send.change)
            self.notice += ": the part goes on for another phrase"
            if self._maybe_by_hand:
                self._trust.lose(trust.WHICH_PART)

    # -- inside ------------------------------------------------------------------------------

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
