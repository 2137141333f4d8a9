"""The conductor: which part and tick we are on, what was asked for, what is due to go out.

It counts; it knows no port, no clock and no file. It is fed signals of the transport and wishes
and answers with the program changes that are due at that very tick. Every position is a whole
number of ticks from the start of the part.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.counting.ticks import TICKS_PER_SONG_POSITION
from companion.follow.changes import Changes, Leave, PendingView
from companion.follow.gate import Finding
from companion.follow.timeline import Timeline
from companion.follow.transport import Effect, Signal, State, transport
from companion.setlist.model import Part, ProgramChange, SetList, Unit

JOINED = "joined in the middle: no start was heard"
CLOCK_LOST = "the clock is lost"
CLOCK_WAS_LOST = "the clock was lost and came back"
CLOCK_ODD = "a clock tick may be missing or doubled"
MOVED = "the instrument moved its position while playing"
ELSEWHERE = "the instrument jumped to another part"
STOPPED_BEFORE_CHANGE = "the instrument stopped between a program change and its boundary"

# Doubts that the clock itself may clear within a beat: what falls due meanwhile waits a little.
PASSING = (CLOCK_ODD, CLOCK_WAS_LOST)

NOTHING: tuple[Send, ...] = ()


@dataclass(frozen=True, slots=True)
class Send:
    """A program change that is due now, so that part `part` starts `ticks_left` ticks from now."""

    change: ProgramChange
    part: int
    ticks_left: int


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


class Conductor:
    """Follows one set. Not thread-safe: one caller at a time."""

    def __init__(self, setlist: SetList, *, sends: bool = True) -> None:
        self.setlist = setlist
        self.sends = sends
        self.armed = True
        self.state = State.WAITING
        self.sure = True
        self.doubt = ""
        self.notice = ""
        # Goes up with everything that happens but a plain tick.
        self.count = 0
        self.tick = -1
        # Whether the next clock is the first at a position that was set rather than counted.
        self._fresh = True
        self._known = False
        self._asked = False
        self._end: int | None = None
        self._changes = Changes(setlist.instruments)
        self._timeline = Timeline(setlist)
        self._plan()

    # -- what is heard -----------------------------------------------------------------------

    def signal(self, signal: Signal, value: int = 0) -> tuple[Send, ...]:
        """Take one signal; `value` is the song position in units of 6 clocks. Returns what is due.

        A clock counts as one tick here; see `advance` and `regain` for what the gate makes of it.
        """
        self.state, effect = transport(self.state, signal)
        if effect is Effect.ADVANCE:
            tick = self.tick + 1
            self._fresh = False
            if tick < self._changes.act_at:
                self.tick = tick
                return NOTHING
            return self._act(tick, True)
        if effect is Effect.IGNORE:
            return NOTHING
        self.count += 1
        match effect:
            case Effect.BEGIN:
                self._begin()
            case Effect.RESUME:
                self._resume()
            case Effect.HOLD:
                pass
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
        return NOTHING

    def advance(self, ticks: int) -> tuple[Send, ...]:
        """Go on by `ticks` ticks (0 or more) with one clock; only the last is a time to send."""
        for _ in range(ticks - 1):
            self._fresh = False
            self._act(self.tick + 1, False)
        return self.signal(Signal.CLOCK) if ticks > 0 else NOTHING

    def regain(self, ticks: int) -> tuple[Send, ...]:
        """The clock is back after a silence: go on by `ticks` ticks, unsure until cleared."""
        self.state = State.RUNNING
        self.count += 1
        if self.doubt == CLOCK_LOST:
            self._doubt(CLOCK_WAS_LOST)
        return self.advance(ticks)

    def heed(self, finding: Finding) -> None:
        """Take in what the gate found about the clock."""
        if finding is Finding.DOUBT and self.sure:
            self.count += 1
            self._doubt(CLOCK_ODD)
        elif finding is Finding.CLEARED and self.doubt in PASSING:
            self.count += 1
            self._trust()

    # -- what is asked -----------------------------------------------------------------------

    def go_next(self) -> tuple[Send, ...]:
        """Go to the next part: at the coming phrase boundary, or at once while nothing runs.

        Sets `notice`. Returns what is due now (only while nothing runs).
        """
        self.count += 1
        if self.part.number == len(self.setlist.parts):
            self.notice = "this is the last part"
            return NOTHING
        if self.state is State.LOST:
            self.notice = "the clock is lost: nothing can be planned"
            return NOTHING
        if self.state is not State.RUNNING:
            return self._step_to_next()
        if self._changes.decided:
            self.notice = "already on its way"
            return NOTHING
        phrase = self.part.pattern.phrase_ticks
        tick = max(self.tick, 0)
        boundary = (tick // phrase + 1) * phrase
        while not self._changes.in_time(boundary, tick):
            boundary += phrase
        if self._end is None or boundary < self._end:
            self._set_end(boundary)
            self._asked = True
        self.notice = f"going to part {self.part.number + 1} at the boundary"
        return NOTHING

    def take_back(self) -> None:
        """Withdraw the wish to go on, unless its program change is out already. Sets `notice`."""
        self.count += 1
        if not self._asked:
            self.notice = "nothing to take back"
        elif self._changes.decided:
            self.notice = "too late: the program change is out"
        else:
            self._asked = False
            self._set_end(self._planned_end())
            self.notice = "taken back"

    def arm(self, armed: bool) -> None:
        """Let program changes go out by themselves, or not. Sets `notice`."""
        self.count += 1
        if not self.sends:
            self.notice = "started without sending"
            return
        self.armed = armed
        self.notice = "armed: program changes go out" if armed else "disarmed: change by hand"

    def align(self, unit: Unit | None = None) -> None:
        """The performer says that the one is now: the nearest start of a `unit` is this tick.

        Without a unit, or while no position is known, the part starts now. Sets `notice`.
        """
        self.count += 1
        if self.state not in (State.READY, State.RUNNING):
            self.notice = "no clock is running: press play on the instrument"
            return
        self.state = State.RUNNING
        if unit is None or not self._known:
            self._restart(self.part.number - 1)
            self.tick = 0
        else:
            self._move_to_nearest(unit.ticks(self.part.pattern))
        self._fresh = False
        self._trust()
        self.notice = "aligned: the one is now"

    def confirm(self) -> None:
        """The performer says that the count on the screen is right. Sets `notice`."""
        self.count += 1
        if self.state is State.LOST:
            self.notice = "the clock is lost: wait until it is back"
        elif self.state is State.READY:
            self.notice = "nothing is counted yet: press play, or align on the one"
        elif self.sure:
            self.notice = "the count is sure already"
        else:
            self._known = True
            self._trust()
            self.notice = "confirmed: the count is right"

    # -- what others see ---------------------------------------------------------------------

    def report(self, send: Send, out: bool) -> None:
        """Tell what became of a `Send`: whether it left. A failed one is never tried again."""
        self.count += 1
        if not out:
            self._changes.fail(send.change)

    @property
    def fresh(self) -> bool:
        """Whether the next clock is the first at a position that was set rather than counted."""
        return self._fresh

    def pace(self, period_ns: int) -> None:
        """Tell how long a tick lasts, in ns; leads in milliseconds go by it."""
        self._changes.period_ns = period_ns

    @property
    def part(self) -> Part:
        """The running part."""
        return self._timeline.part

    def standing(self) -> Standing:
        """One immutable look at everything."""
        stretch = self._timeline.running
        return Standing(
            state=self.state,
            sure=self.sure and self.state is not State.READY,
            doubt=JOINED if self.state is State.READY else self.doubt,
            part=self.part,
            tick=max(self.tick + 1 if self._fresh else self.tick, 0),
            end=self._end,
            asked=self._asked,
            pending=self._changes.view(),
            carried_passes=stretch.carried_passes,
            carried_phrases=stretch.carried_phrases,
            armed=self.armed,
            sends=self.sends,
            notice=self.notice,
            count=self.count,
        )

    # -- inside ------------------------------------------------------------------------------

    def _begin(self) -> None:
        interrupted = self._changes.decided
        self._restart(self.part.number - 1 + interrupted)
        if interrupted:
            # The instrument holds the new program, and most take it on the next start. Most.
            self._doubt(STOPPED_BEFORE_CHANGE)
        else:
            self._trust()

    def _restart(self, part_index: int) -> None:
        self._timeline.restart(part_index)
        self._known = True
        self._asked = False
        self.tick = -1
        self._fresh = True
        self._plan()

    def _resume(self) -> None:
        if not self._known:
            self._restart(self.part.number - 1)
            self._known = False
            self._doubt(JOINED)
        elif self.doubt == CLOCK_LOST:
            self._doubt(CLOCK_WAS_LOST)
        elif self.sure and self._changes.decided:
            self._doubt(STOPPED_BEFORE_CHANGE)

    def _move_to_nearest(self, length: int) -> None:
        tick = (max(self.tick, 0) + length // 2) // length * length
        end = self._end
        if end is None or tick < end:
            self.tick = tick
        elif self._changes.own_settled:
            self._enter_next(end)
        else:
            # The boundary is now, and the instrument was not told: it plays on.
            self.tick = end
            self._hold_over(end)

    def _locate(self, position: int) -> None:
        """Go to `position` ticks from the last start, so that the next clock is that tick."""
        known = self._known
        self._known = True
        was = self.part
        sent = self._changes.decided
        tick = self._timeline.rewind(position)
        self._asked = self._asked and self.part is was
        asked_end = self._end if self._asked else None
        end = asked_end or self._planned_end()
        while end is not None and tick >= end:
            tick -= end
            self._timeline.extend(end)
            self._asked, asked_end = False, None
            end = self._planned_end()
        self.tick = tick - 1
        self._fresh = True
        self._set_end(end)
        if self.part is not was:
            self._doubt(ELSEWHERE)
        elif sent:
            self._doubt(STOPPED_BEFORE_CHANGE)
        elif not known or self.doubt in (JOINED, CLOCK_LOST, CLOCK_WAS_LOST):
            self._trust()

    def _relocate(self, position: int) -> None:
        here = self._timeline.running.start + self.tick + 1
        # Told once a sixteenth, a position that lies within it only repeats the count.
        if 0 <= here - position <= TICKS_PER_SONG_POSITION:
            return
        self._locate(position)
        self._doubt(MOVED)

    def _lose(self) -> None:
        if self.sure or self.doubt in PASSING:
            self._doubt(CLOCK_LOST)

    def _forget(self) -> None:
        self._restart(self.part.number - 1)
        self._known = False
        self._trust()

    def _trust(self) -> None:
        self.sure, self.doubt = True, ""

    def _doubt(self, why: str) -> None:
        self.sure, self.doubt = False, why

    def _act(self, tick: int, may_send: bool) -> tuple[Send, ...]:
        """Take `tick`, at which something may be due: changes to send, the part's end."""
        self.tick = tick
        end, changes = self._end, self._changes
        if end is None or tick < changes.act_at:
            return NOTHING
        before = changes.view()
        out = changes.fall_due(tick, self._leave(may_send))
        if changes.view() != before:
            self.count += 1
        sends = tuple(Send(change, self.part.number + 1, end - tick) for change in out)
        if tick == end:
            self._pass_boundary(end)
        else:
            changes.reckon()
        return sends

    def _leave(self, may_send: bool) -> Leave:
        if not (self.sends and self.armed):
            return Leave.BY_HAND
        if self.sure and may_send:
            return Leave.YES
        return Leave.NOT_YET if self.sure or self.doubt in PASSING else Leave.NO

    def _pass_boundary(self, end: int) -> None:
        self.count += 1
        for change in self._changes.missed:
            self.notice = f"program {self._shown(change)} was not sent to {change.instrument}"
        if self._changes.own_missed:
            # Never told, the instrument plays on; saying that it changed would be a lie.
            self.notice += ": the part goes on for another phrase"
            self._hold_over(end)
        else:
            self._enter_next(end)

    def _hold_over(self, end: int) -> None:
        self._end = end + self.part.pattern.phrase_ticks
        self._changes.put_off(self._end)

    def _enter_next(self, end: int) -> None:
        self._timeline.extend(end)
        self._asked = False
        self.tick = 0
        self._plan()

    def _step_to_next(self) -> tuple[Send, ...]:
        index = self.part.number
        sent = self._changes.out
        changes = [c for c in self.setlist.parts[index].changes if c not in sent]
        self._restart(index)
        self._known = False
        self.notice = f"part {index + 1} comes with the next start"
        if not (self.sends and self.armed and self.sure and self.state is not State.READY):
            return NOTHING
        return tuple(Send(change, index + 1, 0) for change in changes)

    def _planned_end(self) -> int | None:
        return None if self._timeline.following is None else self.part.planned_ticks

    def _plan(self) -> None:
        self._set_end(self._planned_end())

    def _set_end(self, end: int | None) -> None:
        self._end = end
        self._changes.plan(self.part, self._timeline.following, end)

    def _shown(self, change: ProgramChange) -> int:
        return self.setlist.instruments[change.instrument].shown(change.program)
