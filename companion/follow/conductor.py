"""The conductor: what plays and how sure that is, where the set goes, what is due to go out. Pure.

All that is held stands in one value, `Situation`, and one class moves it: what is heard of the
transport and of the instruments' own words goes through the belief in possible worlds (`belief`),
what a person wishes through the plan. How many ticks there were is the affair of `count`.

No port and no file is known here; times come in as arguments, in ns of one monotonic clock.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from copy import copy, deepcopy
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

import msgspec

from companion.counting import TICKS_PER_SONG_POSITION, Pattern
from companion.follow import belief
from companion.follow.announced import ECHO_NS, Announced, has_program, nearest_part
from companion.follow.belief import Belief, Doubt, Heard, Place, Wait, World
from companion.follow.count import EARLY, WRONG_BY_MORE, WRONG_BY_ONE, Count
from companion.follow.transport import Effect, Signal, State, transport
from companion.midi import program_change
from companion.setlist import (
    Cue,
    Instrument,
    Layer,
    Part,
    ProgramChange,
    SetList,
    Span,
    Unit,
    WhenKind,
    cue_ticks,
)
from companion.setlist.course import layer_ticks, stages, to_be_told
from companion.wishes import OF_THE_COUNT, WISHES, Ask, Later, WhyNot, Wish

# 120 beats a minute: what a lead in milliseconds goes by until a tempo is known.
PRESUMED_NS = 20_833_333
NEVER = 1 << 62
# A press this near to the beat of a count that keeps the beat means that beat: a sixteenth.
# Fingers err by tens of milliseconds, a clock that is followed does not.
FINGER_TICKS = 6
# What is to leave on a tick may come so many ticks after it: an eighth of a beat. Later, a change
# is heard as late (common practice, no source).
LATE_TICKS = 3
# Nobody presses start, stop or continue within a shorter silence than this, nor while an engine
# was away for less than that (taken for granted, docs/faults.md).
UNSEEN_NS, AWAY_NS = 2_000_000_000, 10_000_000_000
# What went on unheard for longer than this cannot even be estimated.
ESTIMATED_NS = 1_200_000_000_000
# Whoever lets sends out says within this time if one did not leave.
REPORTED_NS = 1_000_000_000
# A clock that ticked so lately goes on ticking, whether anything plays or not.
TICKING_NS = 1_000_000_000
# A tick that has not come so long after its time, in ticks, was sent.
OVERDUE = 0.5

# For so many bars a person's word on the count can be undone, and so many such words.
UNDO_BARS, MOST_WORDS = 8, 3
# A press that may be a slip counts if it comes again within this time.
AGAIN_NS = 2_000_000_000

JOINED = "joined in the middle: no start was heard"
CLOCK_LOST = "the clock is lost"
CLOCK_WAS_LOST = "the clock was lost and came back"
CLOCK_ODD = "a clock tick may be missing or doubled"
CLOCK_COARSE = "the clock comes in blocks of {:.0f} ms, too long to count ticks by"
FINER = "give JACK shorter periods: jack_bufsize 256, then start this again"
CLOCK_BROKE = "the clock broke off, and the count may be off"
MOVED = "the instrument moved its position while playing"
ELSEWHERE = "the instrument jumped to another part"
NOWHERE = "the instrument moved its position, and its own start is not known"
SLEPT = "the computer slept, and the count may be off"
OTHER_PORT = "the clock comes from another port than before"
UNLIKE_FOUND = "it does not sound like what was found by ear"
RESTARTED = "the engine was started again, and the count may be off"

# What the worlds differ in says more than these.
_OF_THE_CLOCK = (CLOCK_WAS_LOST, CLOCK_BROKE)
_PLAYS = frozenset((State.RUNNING, State.LOST))
# Why a wish would do nothing: the kind, and the sentence.
_LAST = "last", "this is the last part"
_LOST = "lost", "the clock is lost: nothing can be planned"
_WAIT = "lost", "the clock is lost: wait until it is back"
_ON_ITS_WAY = "out", "a change is on its way already: the program change is out"
_TOO_LATE = "out", "too late: the program change is out"
_IDLE = "idle", "nothing runs: there is nothing to stay in"
_OPEN = "open", "this part goes on until another is asked for"
_NOTHING = "nothing", "there is no wish to undo"
_TOLD = "told", "no instrument is without its program, as far as is known"
_HAPPENED = "happened", "too late to undo: it has happened"
_CLOCKLESS = "clockless", "no clock is running: press play on the instrument"
_UNCOUNTED = "uncounted", "nothing is counted yet: press play, or say where the one is"
_SURE = "sure", "the count is sure already"
_AGAIN = "the count is sure: press again within two seconds to say that the one was there"
_PLAYING = "playing", "it plays already"
_COUNTED_IN = "playing", "it is counted in already"
_STILL = "idle", "nothing plays"
_NOT_OURS = "instrument", "this is no rehearsal: the instrument itself starts and stops"
_SILENT = "silent", "nothing can be sent: started without sending, or nothing to send to"
_UNDUE = "undue", "no cue is due within a bar"
_UNRECORDED = "unrecorded", "nothing is recorded that could be looked up"
# The wishes that a screen may offer, each to be told whether it would do anything.
_REHEARSED = (Ask.START, Ask.PAUSE)
_OFFERED = (
    *(w for w in WISHES if w.ask not in (Ask.FILL, Ask.STOP, *_REHEARSED)),
    Wish(Ask.PART),
)
# The wishes that there is no way back from at the very beginning.
_BACK = (Ask.PREVIOUS, Ask.PREVIOUS_SONG)
# Those that act on what is shown, and so on the boundary that is shown as crossed.
_FOR_THE_TAKE = frozenset((Ask.DONE, Ask.MARK))
_ON_THE_SHOWN = frozenset(Ask) - {Ask.ARM, Ask.DISARM, Ask.FILL, Ask.STOP} - _FOR_THE_TAKE


class Outcome(Enum):
    """What became of a program change."""

    OPEN = "open"
    SENT = "sent"
    # The instrument was asked at its own front panel, and said so.
    TOLD = "told"
    BY_HAND = "by hand"
    MISSED = "missed"


_HELD = (Outcome.SENT, Outcome.TOLD)


@dataclass(frozen=True, slots=True)
class PendingView:
    """A program change of the coming boundary, and what became of it."""

    change: ProgramChange
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class Send:
    """A program change that is to leave at `at_ns`, and never after `latest_ns`.

    Part `part` starts by it `ticks_left` ticks from now. `lead_ticks` is how long before that it
    was to leave, 0 for one that somebody hurried. `wanted` is set where it is for the part that
    plays already, so that no boundary is near.
    """

    change: ProgramChange
    part: int
    ticks_left: int
    lead_ticks: int = 0
    at_ns: int = 0
    latest_ns: int = NEVER
    channel: int = 0
    bank: int | None = None
    wanted: bool = False

    @property
    def messages(self) -> tuple[bytes, ...]:
        """The bytes that are to leave, in order."""
        return program_change(self.channel, self.change.program, self.bank)

    @property
    def instrument(self) -> str:
        """The name of the instrument that it is for."""
        return self.change.instrument

    @property
    def kind(self) -> str:
        """What sort of message it is."""
        return "program"


@dataclass(frozen=True, slots=True)
class Stretch:
    """One part since the last start: the tick it began at, and what it carried over.

    `part_index` is the part's number less one; `start` counts from the last start, of which
    `begun` is the number: another stretch is never equal. `layers` is how far each layer of the
    part had counted when it began, by the plan alone where `assumed`.
    """

    start: int
    part_index: int
    carried_passes: int = 0
    carried_phrases: int = 0
    begun: int = 0
    layers: tuple[int, ...] = ()
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a person wishes of the part that runs.

    `target` is the number of the part to go to, None for the one that follows in the set.
    """

    asked: bool = False
    staying: bool = False
    unit: Unit = Unit.PHRASES
    target: int | None = None
    end: int | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """Where the shown part ends, by plan or wish, and what became of the changes for that.

    `part` and `start` are the shown world's. `since` is the count from which it has been shown,
    sure, that a person is to make this very change; None while none is. `armed_at` is that at
    which sending was switched on again, None if it was not.
    """

    part: int
    start: int | None = None
    wishes: Wishes = Wishes()
    pending: tuple[PendingView, ...] = ()
    since: int | None = None
    armed_at: int | None = None

    @property
    def end(self) -> int | None:
        """The tick at which the next part begins, None while that is open."""
        return self.wishes.end

    @property
    def out(self) -> list[ProgramChange]:
        """The changes that instruments hold by now: they have left, or need not."""
        return [p.change for p in self.pending if p.outcome in _HELD]


@dataclass(frozen=True, slots=True)
class Out:
    """A send that was returned, and the worlds and plan from before it.

    `had` is what its instrument had been told before. `left` says that it has left by now, unless
    somebody says that it has not.
    """

    send: Send
    worlds: Belief
    plan: Plan
    left: bool = False
    had: ProgramChange | None = None


@dataclass(frozen=True, slots=True)
class Sent:
    """A program that left: until when it may come back, and whether it has."""

    instrument: str
    channel: int
    program: int
    until_ns: int
    heard: bool = False


@dataclass(frozen=True, slots=True)
class Before:
    """What the latest wish that can be undone has changed; `wish` is None once it has happened."""

    wish: Wish | None
    wishes: Wishes


@dataclass(slots=True)
class Beside:
    """Another conductor that hears all that is heard, as if a person had not said `wish`.

    `before` is what could be undone when that was said; `left` is for how many clocks more it goes
    on.
    """

    conductor: Conductor
    wish: Wish
    before: Before | None
    left: int


@dataclass(frozen=True, slots=True)
class Pressed:
    """A press that may be a slip: what it asks for, when it came and at which count."""

    wish: Wish
    at_ns: int
    count: int
    stretch: Stretch


@dataclass(frozen=True, slots=True)
class Situation:
    """All that is held while one set is followed.

    `stretches` are the parts that were shown since the last start. `why` is a doubt in its own
    words, where the worlds differ for a reason that should be told, `remedy` such a reason and what
    to do about it. `told` is a count and the tick
    of the song that the instrument said it is, `unheard` the counts between which nobody listened.
    `went` are the wishes from before an instrument went elsewhere by itself. `names` and `echoes`
    are the instruments that were heard to tell what is chosen on them, and to pass on what they
    get. `has` is the latest program that we told each instrument, but for those of which nothing is
    known; `first` are the instruments that are still to be told of part 1 before anything starts.
    `refused` is why the latest wish did nothing, None if it did something. `events` goes up with
    everything that happens but a plain tick; `ticking` is whether the clock ran as this was kept.
    `played` are the numbers of the parts that were shown to play, `back` the instruments whose port
    was away and came back, `missed` those that could not be told of the part that is shown.
    """

    worlds: Belief
    plan: Plan
    stretches: tuple[Stretch, ...]
    transport: State = State.WAITING
    armed: bool = True
    why: str = ""
    remedy: tuple[str, str] = "", ""
    told: tuple[int, int] | None = None
    unheard: tuple[int, int] = (0, 0)
    out: tuple[Out, ...] = ()
    sent: tuple[Sent, ...] = ()
    went: Wishes | None = None
    before: Before | None = None
    names: frozenset[str] = frozenset()
    echoes: frozenset[str] = frozenset()
    has: tuple[ProgramChange, ...] = ()
    first: tuple[str, ...] = ()
    notice: str = ""
    refused: WhyNot | None = None
    events: int = 0
    ticking: bool = False
    played: frozenset[int] = frozenset()
    back: frozenset[str] = frozenset()
    missed: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class LayerStanding:
    """A layer of the running part at `tick` of its own count.

    `assumed` says that it was not shown to begin: where it is follows from the plan alone.
    """

    layer: Layer
    tick: int
    assumed: bool = False

    @property
    def pattern(self) -> str:
        """The name of its pattern."""
        return self.layer.pattern.name

    @property
    def on(self) -> str:
        """The name of its instrument."""
        return self.layer.instrument


@dataclass(frozen=True, slots=True)
class ProgramWanted:
    """A program that the plan has on an instrument by now; `told` says that we told it so.

    `other` says that it has something else: we told it so, and that is none of what comes next, or
    could not tell it in time.
    """

    change: ProgramChange
    told: bool
    other: bool = False


@dataclass(frozen=True, slots=True)
class Standing:
    """Where things stand: one immutable look at the conductor.

    `tick` is the tick the next reader should show (0 or more). `end` is the tick at which the next
    part begins, None while that is open; `asked` whether a wish set it, `staying` whether one
    keeps the part going; `following` is the part that comes at that end, None after the last and
    where the song stops there; `upcoming` is what comes next in either case. `stops` says that the
    part ends in silence, `over` that its end has come. `doubt` says why the count is unsure,
    `doubt_kind` in one word, `help` what to do. `undoable` is the latest wish that can be undone.
    `layers` is what plays beside the part, `wants` what the plan has on each instrument. `count`
    goes up with everything that happens but a plain tick.
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
    doubt_kind: str = ""
    help: str = ""
    undoable: str = ""
    upcoming: Part | None = None
    stops: bool = False
    over: bool = False
    layers: tuple[LayerStanding, ...] = ()
    wants: tuple[ProgramWanted, ...] = ()
    played: frozenset[int] = frozenset()
    back: frozenset[str] = frozenset()

    @property
    def planned_end(self) -> int | None:
        """The end by wish or plan; the last part has the plan's, though no other follows it."""
        return self.part.planned_ticks if self.end is None and not self.staying else self.end


@dataclass(frozen=True, slots=True)
class ByEar:
    """What whoever listens for the place can tell by now, in words, and what would settle the rest.

    `place` is where it most likely is, None while nothing is likely.
    """

    words: str = ""
    help: str = ""
    place: Place | None = None


NOTHING: tuple[Send, ...] = ()


class Conductor:
    """Follows one set. Not thread-safe: one caller at a time.

    `ticks` is the count of the clock. `own_clock` says that it is our own: where that pauses, it
    stood still, and nothing is lost. `rehearses` says that the instrument is our own, too:
    `called` is what a wish has asked of it, START or PAUSE, until somebody takes it, `counted_in`
    how many beats of a count-in are left, 0 outside one, `done` a cue that was said to be done,
    until somebody takes it. `records` says whether there is a take to
    say a word to. Every call that takes a time may change `situation`.

    What a person says of the count may be wrong: for a while a second conductor goes on beside as
    if it had not been said. It hears what this one hears and is told what this one lets out, so
    that to undo is to go on in its place.
    """

    def __init__(self, setlist: SetList, *, sends: bool = True, ticks: Count | None = None) -> None:
        self.setlist = setlist
        self.sends = sends
        self.ticks = Count() if ticks is None else ticks
        self.own_clock = False
        self.rehearses = False
        self.counted_in = 0
        self.called: Ask | None = None
        self.done: Cue | None = None
        self.records = True
        self.by_ear = ByEar()
        self.now_ns = 0
        # When anything was last heard of the transport, and when a clock was.
        self.heard_ns = 0
        self.clock_ns = 0
        self._act_at = NEVER
        self._was_sure = self._known_sure = True
        self._course = _Course(setlist)
        first, top = World(1, offset=0), Stretch(0, 0, layers=layer_ticks(setlist.parts[0], None))
        # The plan asks what instruments have been told: nothing.
        self.situation = Situation(belief.normal([(first, 1.0)]), Plan(1), (top,), armed=True)
        told_first = tuple(self._course.stages[0]) if setlist.sends_first else ()
        self._set(plan=self._natural(first), first=told_first)
        # What is shown where the most probable count is over a boundary that the least is not: the
        # situation it comes of, that at the count shown, and for which counts.
        self._ahead: tuple[Situation, int, int, Situation] | None = None
        # The count at which what is shown ends, in the situation it was asked for.
        self._bound: tuple[Situation | None, int | None] = None, None
        self._beside: Beside | None = None
        # Whether this is one beside another: it lets nothing out, and nobody sees it.
        self._unseen = False
        self._pressed: Pressed | None = None
        # The latest look at everything, and what it was made from.
        self._look: tuple[Situation, int, int, Standing] | None = None

    def begin_disarmed(self) -> None:
        """Before anything is heard: nothing goes out until somebody arms it."""
        self._set(armed=False)

    # -- what others see ---------------------------------------------------------------------

    @property
    def state(self) -> State:
        """Where the transport is."""
        return self.situation.transport

    @property
    def armed(self) -> bool:
        """Whether program changes go out by themselves."""
        return self.situation.armed

    @property
    def notice(self) -> str:
        """What came of the latest wish or event, in plain words."""
        return self.situation.notice

    @notice.setter
    def notice(self, words: str) -> None:
        self._set(notice=words)

    @property
    def notice_kind(self) -> str:
        """Why the wish that the notice answers was refused, in one word; "" for any other."""
        refused = self.situation.refused
        return refused.kind if refused is not None and refused.words == self.notice else ""

    @property
    def count(self) -> int:
        """Goes up with everything that happens but a plain tick."""
        return self.situation.events

    @count.setter
    def count(self, events: int) -> None:
        self._set(events=events)

    @property
    def part(self) -> Part:
        """The running part."""
        return self.setlist.parts[self._shown.plan.part - 1]

    @property
    def tick(self) -> int:
        """The latest tick counted in the running part, below 0 before its first."""
        return self._tick_of(self._shown)

    @property
    def sure(self) -> bool:
        """Whether what is shown can be trusted."""
        state = self.situation.transport
        if state is State.LOST or (state is State.READY and not self.rehearses):
            return False
        return self._clock_sure and not self._differ(self._shown)

    @property
    def doubt(self) -> str:
        """Why it cannot be trusted, in plain words; "" if it can."""
        return self._doubt.words

    @property
    def changes_out(self) -> bool:
        """Whether anything has left for the coming boundary, or for the next start."""
        held = self.situation
        waits = any(w.ours for world in belief.matter(held.worlds) for w in world.waits)
        return bool(self._shown.plan.out) or waits

    @property
    def stretch(self) -> Stretch:
        """The running part as one stretch of the set; another one whenever it begins anew."""
        return self._shown.stretches[-1]

    @property
    def planned_end(self) -> int | None:
        """The tick at which the running part ends by wish or plan; see `Standing`."""
        return self.standing().planned_end

    @property
    def undoable(self) -> str:
        """What an undo would withdraw, in the words of that wish; "" if nothing."""
        wish = self._undone_by(self._shown)
        return "" if wish is None else str(wish)

    def refused(self) -> tuple[WhyNot, ...]:
        """The wishes that would do nothing now, and why; PART without a number is any other one."""
        here = Wish(Ask.PART, part=self._shown.plan.part)
        own = tuple(map(Wish, _REHEARSED)) if self.rehearses else ()
        found = (self.why_not(wish) for wish in (*_OFFERED, *own, here))
        return tuple(each for each in found if each is not None)

    def later(self) -> tuple[Later, ...]:
        """The wishes to go on that would miss the coming boundary, since a lead is past by now."""
        held = self.situation
        if held.transport is not State.RUNNING or held.plan.start is None or self._can_end(held):
            return ()
        tick = max(self._tick_of(held), 0)
        found = []
        for wish, unit in ((Wish(Ask.NEXT), Unit.PHRASES), (Wish(Ask.NEXT, "pass"), Unit.PASSES)):
            if self._why_not(wish) is None:
                pending = self._open(replace(held.plan, wishes=Wishes()))
                at = self._boundary(self._hand_ticks(held.plan.part + 1), unit, pending)
                if at > self._boundary(0, unit, ()):
                    found.append(Later(str(wish), at - tick))
        return tuple(found)

    def why_not(self, wish: Wish) -> WhyNot | None:
        """Why `wish` would do nothing now; None if it would do something."""
        why = self._why_not(wish)
        return None if why is None else WhyNot(str(wish), *why)

    def standing(self) -> Standing:
        """One immutable look at everything; the same one until something is heard or changes."""
        made, ticks = self._look, self.ticks.ticks
        if made is None or made[0] is not self.situation or made[1:3] != (ticks, self.clock_ns):
            made = self._look = self.situation, ticks, self.clock_ns, self._standing()
        return made[3]

    def _standing(self) -> Standing:
        held, stretch = self._shown, self._shown.stretches[-1]
        plan, doubt = held.plan, self._doubt
        part, stops = self.setlist.parts[plan.part - 1], self._ends_song(plan)
        tick = self._tick_of(held)
        fresh = tick < 0 or held.transport is not State.RUNNING
        playing = held.transport in _PLAYS
        # Before its first clock a position that was set is the one to show.
        tick += fresh and not playing and held.worlds[0][0].start is not None and self._fresh(held)
        return Standing(
            state=held.transport,
            sure=not doubt.words,
            doubt=doubt.words,
            part=part,
            tick=max(tick, 0),
            end=plan.end,
            asked=plan.wishes.asked,
            staying=plan.wishes.staying,
            following=self._following(plan),
            pending=self._pending_view(plan, tick),
            carried_passes=stretch.carried_passes,
            carried_phrases=stretch.carried_phrases,
            armed=held.armed,
            sends=self.sends,
            notice=held.notice,
            count=held.events,
            doubt_kind=doubt.kind,
            help=doubt.help,
            undoable=self.undoable,
            played=held.played,
            back=held.back,
            upcoming=self._upcoming(plan),
            stops=stops,
            over=stops and playing and plan.end is not None and tick >= plan.end,
            layers=tuple(
                LayerStanding(layer, max(tick, 0) + before, stretch.assumed)
                for layer, before in zip(part.layers, stretch.layers, strict=True)
            ),
            wants=self._wanted(held),
        )

    # -- the transport -----------------------------------------------------------------------

    def signal(self, signal: Signal, t_ns: int, value: int = 0) -> tuple[Send, ...]:
        """Take one signal; `value` is the song position in units of 6 clocks. Returns what is due.

        Silence is told by whoever knows the ports; how long it lasted is seen here.
        """
        self.now_ns = t_ns
        clock = signal is Signal.CLOCK
        if self._beside is not None:
            self._beside.conductor.own_clock = self.own_clock
            self._beside.conductor.signal(signal, t_ns, value)
            self._grow_old(clock)
        if clock and self.own_clock and self.clock_ns:
            period_ns = round(self.ticks.period_ns)
            late_ns = t_ns - self.clock_ns - period_ns
            if period_ns and late_ns > period_ns:
                # Held up, our own clock goes on from where it was.
                self.ticks.stood_still(late_ns)
        if clock and self.situation.transport is State.RUNNING:
            if t_ns - self.heard_ns > UNSEEN_NS:
                self._absent(t_ns)
            self.heard_ns = self.clock_ns = t_ns
            if self.situation.out:
                self._have_left(t_ns)
            return self._clock(t_ns)
        self._have_left(t_ns)
        if signal not in (Signal.SILENCE, Signal.SENSING_GONE):
            self._absent(t_ns)
            self.heard_ns = t_ns
        if clock:
            self.clock_ns = t_ns
        state, effect = transport(self.situation.transport, signal)
        if effect is Effect.IGNORE and not clock:
            self._set(transport=state)
            return NOTHING
        ticks = value * TICKS_PER_SONG_POSITION
        match effect:
            case Effect.IGNORE:
                self.ticks.hear(t_ns)
                changed = state is not self.situation.transport
                self._set(transport=state)
                if state is State.READY and not self.rehearses:
                    self._adrift()
                if changed:
                    self._event()
                return NOTHING
            case Effect.BEGIN:
                self._withdraw(t_ns)
                self._begin(state)
                self._event()
                self._settle()
                return self._put_right()
            case Effect.RESUME:
                self._withdraw(t_ns)
                self._resume(state)
            case Effect.HOLD:
                self._withdraw(t_ns)
                self._hold(state)
                self._event()
                self._settle()
                return self._after_song()
            case Effect.LOCATE:
                self._withdraw(t_ns)
                self._locate(ticks)
            case Effect.RELOCATE:
                self._withdraw(t_ns)
                self._relocate(ticks)
            case Effect.LOSE:
                self._withdraw(t_ns)
                self._set(transport=state)
            case Effect.REGAIN:
                return self._regain(t_ns)
            case Effect.FORGET:
                self._withdraw(t_ns)
                self._forget(state)
        self._event()
        self._settle()
        return NOTHING

    def passed(self, now_ns: int, reached: Collection[str] | None = None) -> tuple[Send, ...]:
        """Tell that it is `now_ns`, and nothing was heard since the latest message.

        `reached` are the instruments that can be sent to by now, None for all. Returns what is due:
        part 1's programs, where the set wants them sent before anything starts.
        """
        if self._beside is not None:
            self._beside.conductor.passed(now_ns, ())
        self.now_ns = max(self.now_ns, now_ns)
        self._absent(now_ns)
        self._have_left(now_ns)
        return self._tell_first(reached) if self.situation.first else NOTHING

    def suspect(self, why: str, *, part: bool = False) -> None:
        """Take in that the count cannot be trusted until a person says so; `why` in plain words.

        `part` says that the instrument may play anything by now.
        """
        if self._beside is not None:
            self._beside.conductor.suspect(why, part=part)
        # First, for what is withdrawn gives back the worlds from before it.
        self._withdraw(self.now_ns)
        worlds = belief.astray(self.situation.worlds)
        self._set(worlds=belief.lift_anything(worlds) if part else worlds, why=why)
        self._event()
        self._settle()

    def unseen(self, why: str = "") -> None:
        """Tell that a person could act unseen: choose, start and stop; `why` in plain words."""
        if self._beside is not None:
            self._beside.conductor.unseen(why)
        self._withdraw(self.now_ns)
        held = self.situation
        worlds = belief.lift_anything(held.worlds, running=True)
        if worlds == held.worlds:
            return
        self._set(worlds=worlds, why=held.why or why)
        self._event()
        self._settle()

    # -- what the instruments say ------------------------------------------------------------

    def named(self, word: Announced, t_ns: int) -> tuple[Send, ...]:
        """An instrument named a program, of its own accord or as an echo. Returns what is due."""
        self.now_ns = t_ns
        if self._beside is not None:
            self._beside.conductor.named(word, t_ns)
        # What has not left yet is weighed anew with the next tick.
        self._withdraw(t_ns)
        held = self.situation
        echo = next((s for s in held.sent if _echoes(s, word) and t_ns <= s.until_ns), None)
        if echo is not None and echo.instrument != word.instrument:
            # Through another port it looks like another instrument's on that channel.
            return NOTHING
        name, was = word.instrument, held.worlds[0][0]
        sure = self.sure
        plays = held.transport in _PLAYS
        low, high = -1, -1
        if plays:
            # Whether ticks that are overdue were lost or are held up shows only behind it.
            least = min(k for k, share in self._unheard if share > belief.WEIGHTS.line)
            low, high = self.ticks.lowest + least, self._range()[1]
        following = self._following(held.plan)
        heard = Heard(
            word,
            low,
            high,
            echo is not None,
            echo is not None and name in held.echoes and not echo.heard,
            None if following is None else following.number,
        )
        wait = was.wait(name)
        echoes, names = held.echoes, held.names
        if echo is not None and not echo.heard:
            if sure and wait is not None and wait.ours:
                echoes = echoes | {name}
            heard_once = replace(echo, heard=True)
            self._set(sent=tuple(heard_once if s is echo else s for s in held.sent))
        elif echo is None:
            plays_it = has_program(self.setlist.parts[was.part - 1], word)
            if not plays_it and (plays or was != World(was.part)):
                # What it plays it may say that never says what is chosen on it; and what it still
                # stands in, where it was told another since.
                names = names | {name}
            self._set(
                has=_without(held.has, {name}),
                back=held.back - {name},
                missed=held.missed - {name},
            )
        worlds = belief.named(held.worlds, self.setlist, heard)
        self._set(worlds=worlds, echoes=echoes, names=names)
        now = worlds[0][0]
        if not plays and now.part != was.part:
            sends = self._also(was.part, now.part, name, sure)
            self._event()
            self._settle()
            self.notice = f"part {now.part} comes with the next start"
            return sends
        self._settle()
        self._tell(word, was, wait)
        return NOTHING

    def came_back(self, instrument: str) -> None:
        """Tell that an instrument's port was away: nobody knows what program it has by now."""
        if self._beside is not None:
            self._beside.conductor.came_back(instrument)
        held = self.situation
        self._set(has=_without(held.has, {instrument}), back=held.back | {instrument})
        self._event()

    def weigh(self, likelihood: Callable[[World], float], why: str = "", remedy: str = "") -> None:
        """Something was heard of the instruments that each world foretells with its likelihood.

        `why` says in words what doubt that raises, if it does, `remedy` what to do about it.
        """
        if self._beside is not None:
            self._beside.conductor.weigh(likelihood, why, remedy)
        was = self.situation.worlds
        worlds = belief.weighed(was, likelihood)
        if worlds != was:
            self._set(worlds=worlds, why=self.situation.why or why, remedy=(why, remedy))
            self._settle()

    @property
    def listens(self) -> bool:
        """Whether something plays, and where it is in the set is in doubt: notes may tell."""
        state = self.situation.transport
        if state is State.READY:
            return not self.rehearses
        held = self.situation
        told = held.why and held.why == held.remedy[0]
        # What a person was told to put right by hand stays so until that is done.
        if state is not State.RUNNING or self.sure or told:
            return False
        # Of a clock that cannot be counted at all no note tells anything.
        return not self._strange_clock

    def found_by_ear(self, places: Sequence[Place]) -> None:
        """Notes tell where it is: at one of `places`, the likeliest first, and nowhere else."""
        self._take_place(places)
        # Where it is, is known: how many ticks were lost on the way does not matter any more.
        self.ticks.settle()
        self._event()
        self._act(may_send=False)
        self.notice = f"found by ear: {self.part.name}"

    # -- what became of a send ---------------------------------------------------------------

    def keeps(self, send: Send) -> bool:
        """Whether `send`, which waits for its time, is still to leave."""
        held = self.situation
        if not any(out.send is send or out.send == send for out in held.out):
            return False
        return not send.ticks_left or (self.sends and held.armed and self.sure)

    def failed(self, send: Send, t_ns: int) -> tuple[Send, ...]:
        """Tell that `send` did not leave. It is not tried again before the next phrase ends."""
        if self._beside is not None:
            self._beside.conductor.failed(send, t_ns)
        self.now_ns = max(self.now_ns, t_ns)
        held = self.situation
        out = next((o for o in held.out if o.send is send or o.send == send), None)
        if out is None:
            return NOTHING
        self._undo_out(out, Outcome.MISSED)
        notice = self._not_sent(send.change)
        plays = held.transport is State.RUNNING
        goal = self.setlist.parts[send.part - 1]
        own = send.change.instrument == goal.instrument
        if not plays:
            if own and self.situation.plan.part != send.part:
                # It was to choose the part for the next start.
                self._choose(send.part, False)
                self._set(worlds=belief.lift_anything(self.situation.worlds))
            notice += ": choose the part by hand"
        elif own and not send.ticks_left:
            notice += ": the part goes on for another phrase"
        self._event()
        self._act(may_send=False)
        self.notice = notice
        return NOTHING

    # -- wishes ------------------------------------------------------------------------------

    def grant(self, wish: Wish, now_ns: int) -> tuple[Send, ...]:
        """Do what is wished, or say in `notice` why not. Returns what is due now.

        A fill that is held is no wish to a conductor: it is passed over.
        """
        self.now_ns = max(self.now_ns, now_ns)
        if wish.ask in (Ask.FILL, Ask.STOP):
            return NOTHING
        self._event()
        if wish.ask in _ON_THE_SHOWN:
            self._commit()
        refused = self.why_not(wish)
        self._set(refused=refused)
        if refused is not None:
            self.notice = refused.words
            return NOTHING
        planned = self.situation.plan
        hand = None if planned.since is None else self._maybe_by_hand(self.situation, self._count)
        if wish.ask is Ask.UNDO:
            self._undo()
            self._leave_open(hand, planned)
            return NOTHING
        of_the_count = wish.ask in OF_THE_COUNT
        if of_the_count and wish.pressed and self._may_slip(wish):
            self.notice = _AGAIN
            return NOTHING
        twin = self._as_it_is() if of_the_count else None
        if self._beside is not None and twin is None:
            self._beside.conductor.grant(wish, now_ns)
        before, stretch = self.situation, self.stretch
        sends = self._grant(wish)
        self._leave_open(hand, planned)
        after = self.situation
        if twin is not None:
            if after.worlds != before.worlds:
                self._keep_beside(twin, wish)
        elif self.stretch != stretch or wish.ask in (Ask.ARM, Ask.DISARM):
            # It took effect, and there is no way back.
            self._set(before=None)
        elif after.plan.wishes != before.plan.wishes:
            self._set(before=Before(wish, before.plan.wishes))
        return sends

    def _leave_open(self, hand: Wait | None, was: Plan) -> None:
        """What a person was to make, and may have, is wished otherwise now: both stay open."""
        plan, following = self.situation.plan, self._following(self.situation.plan)
        if hand is None or (plan.part, plan.start) != (was.part, was.start):
            return
        if (plan.end, following and following.number) != (hand.at, hand.part):
            self._set(worlds=belief.perhaps(self.situation.worlds, hand))

    # -- an instrument of our own ------------------------------------------------------------

    def place(self, number: int, tick: int, passes: int = 0, layers: tuple[int, ...] = ()) -> None:
        """The instrument is our own, and was put there: the latest clock is `tick` of that part.

        While nothing plays, the next one is. `passes` is what it had counted before the part,
        `layers` how many ticks of its own each of the part's layers had; nothing if not given.
        """
        held = self.situation
        plays = held.transport in _PLAYS
        pattern = self.setlist.parts[number - 1].pattern
        phrases = passes * pattern.pass_ticks // pattern.phrase_ticks
        start = (self._count if plays else 0) - tick
        world = World(number, start, running=plays, passes=passes, phrases=phrases)
        begun = held.stretches[-1].begun + 1
        layers = layers or layer_ticks(self.setlist.parts[number - 1], None)
        self._set(
            worlds=belief.normal([(world, 1.0)]),
            plan=self._natural(world),
            stretches=(Stretch(0, number - 1, passes, phrases, begun, layers),),
            why="",
            told=None if plays else (0, tick),
            out=(),
            went=None,
            before=None,
        )
        self._event()
        self._settle()

    def has_all(self) -> None:
        """The instruments are our own, and each has the program that the plan has there by now."""
        held = self.situation
        self._set(has=tuple(self._course.stages[held.plan.part - 1].values()))

    # -- another engine, another set list ----------------------------------------------------

    def resume(self, kept: Mapping[str, Any], kept_ns: int, now_ns: int) -> None:
        """Go on where another conductor of this set stood at `kept_ns`; it is `now_ns`.

        `kept` is what its `keep` returned. What was returned just before it was kept may have left,
        or not. What ran is taken for lost until its clock is heard. Raises ValueError, TypeError or
        KeyError where `kept` is of no conductor of this set.
        """
        last = self
        self._go_on_from(kept, kept_ns, now_ns)
        # One kept by an engine of before has none beside.
        for each in kept.get("beside", [])[:MOST_WORDS]:
            twin = self._as_it_is()
            twin._beside = None
            twin._go_on_from(each, kept_ns, now_ns)
            words, left = each["wish"], each["left"]
            if not (isinstance(words, str) and isinstance(left, int)):
                raise TypeError("no such word")
            last._beside = Beside(twin, Wish.of(words), None, left)
            last = twin

    def _go_on_from(self, plain: Mapping[str, Any], kept_ns: int, now_ns: int) -> None:
        kept, ticks = load(self.setlist, plain["situation"]), Count.load(plain["count"])
        worlds = kept.worlds
        unsent = {out.send.instrument for out in kept.out if not out.left}
        for out in kept.out:
            if not out.left:
                worlds = belief.normal(
                    [*worlds, *((w, p * belief.BESIDES / belief.SHOWN) for w, p in out.worlds)]
                )
        state = kept.transport
        if state in _PLAYS:
            state = State.LOST
            ticks.away()
        elif state is not State.STOPPED or not kept.ticking:
            # The first clock may be that of a start nobody heard: it makes ready, no more.
            state = State.WAITING
        self.ticks = ticks
        self.situation = replace(
            kept,
            worlds=worlds,
            transport=state,
            out=(),
            has=_without(kept.has, unsent),
            before=None,
            notice="the engine was started again and goes on where it was",
        )
        self.now_ns = self.heard_ns = now_ns
        self._settle()
        untouched = kept.transport in (State.WAITING, State.READY) and len(worlds) == 2
        begun = not untouched or worlds[0][0] != World(1, offset=0)
        if begun and now_ns - kept_ns > AWAY_NS and not self.own_clock:
            if state in _PLAYS and now_ns - kept_ns > ESTIMATED_NS:
                # Not even an estimate: from here on it is counted anew.
                self._fold()
                self.ticks.begin()
                anew = tuple((replace(w, running=True), p) for w, p in self.situation.worlds)
                self._set(worlds=belief.astray(anew))
            self.unseen(RESTARTED)

    def keep(self, now_ns: int) -> dict[str, Any]:
        """What is to be kept for `resume`, as of `now_ns`, as plain JSON values.

        With it, under `beside`, goes what a person's word on the count is undone by, the latest
        first.
        """
        held = replace(self.situation, ticking=now_ns - self.clock_ns < TICKING_NS)
        kept: dict[str, Any] = {"situation": dump(held), "count": self.ticks.dump(), "beside": []}
        if self._beside is not None:
            twin = self._beside.conductor.keep(now_ns)
            word = {"wish": str(self._beside.wish), "left": self._beside.left}
            kept["beside"] = [word | twin, *twin.pop("beside")]
        return kept

    def fits(self, setlist: SetList) -> bool:
        """Whether the running part is in the set list `setlist`, too."""
        return counterparts(self.setlist, setlist)[self.situation.plan.part - 1] is not None

    def adopt(self, setlist: SetList) -> None:
        """Go on by another version of the set list, in the same part at the same tick.

        What a wish asked for stays asked for where the new set has it. A running part that is not
        in the new set becomes the nearest by number: only for when nothing runs, see `fits`. What
        has left for the coming boundary would be forgotten: call it when nothing has.
        """
        becomes = counterparts(self.setlist, setlist)
        shown = self.situation.plan.part
        if becomes[shown - 1] is None:
            becomes[shown - 1] = min(shown, len(setlist.parts)) - 1
        held = self.situation
        wishes = held.plan.wishes
        old, self.setlist, self._ahead, self._look = self.setlist, setlist, None, None
        self._beside = None
        self._course = _Course(setlist)
        known = tuple(c for c in held.has if c.instrument in setlist.instruments)
        first = tuple(name for name in held.first if name in self._course.stages[0])
        self._set(**_renumbered(held, becomes, old, setlist), out=(), before=None, went=None)
        self._set(has=known, first=first if setlist.sends_first else ())
        self._set(plan=self._natural(self.situation.worlds[0][0]))
        target = None if wishes.target is None else becomes[wishes.target - 1]
        if wishes.target is not None and target is None:
            # Where it was to go is gone, and the wish with it.
            wishes = Wishes(staying=wishes.staying)
        if wishes.asked or wishes.staying:
            self._rewish(replace(wishes, target=None if target is None else target + 1))
        else:
            self._unask()
        self._event()
        self._settle()

    # -- inside: time ------------------------------------------------------------------------

    def _clock(self, t_ns: int) -> tuple[Send, ...]:
        """Take a clock of an instrument that plays."""
        was = self.ticks.ticks
        count = self.ticks.hear(t_ns)
        if count > was + 1:
            self._set(unheard=(was, count))
        sure = self._clock_sure
        if count < self._act_at and sure is self._was_sure:
            return NOTHING
        return self._act(may_send=True)

    def _regain(self, t_ns: int) -> tuple[Send, ...]:
        """Take the first clock after a silence."""
        was = self.ticks.ticks
        timeless = not self.ticks.period_ns
        count = self.ticks.hear(t_ns)
        held = self.situation
        why = held.why or CLOCK_WAS_LOST
        worlds = belief.listened(held.worlds, max(count - was - 1, 0))
        if was < 0 or timeless:
            # A start or a position was heard, and then a silence of nobody knows how many ticks.
            worlds, why = belief.astray(worlds), held.why or CLOCK_BROKE
        unheard = was, max(self.ticks.highest, count)
        self._set(transport=State.RUNNING, worlds=worlds, why=why, unheard=unheard)
        self._event()
        # What was due in the silence was not sent in time.
        return self._act(may_send=True)

    def _act(self, *, may_send: bool) -> tuple[Send, ...]:
        """Do what is due by the latest tick: send, cross boundaries, forget what did not show."""
        sends: tuple[Send, ...] = NOTHING
        if self.situation.transport is not State.RUNNING:
            self._settle()
            return sends
        for _ in range(2):
            low = self.ticks.lowest
            boundary = self._boundary_count(self.situation)
            if may_send and not sends:
                sends = self._due(low, self._under_way)
            self._miss()
            crossed = self._crossed(self.situation, low)
            if crossed is self.situation:
                break
            self._take_up(crossed)
            # What leaves on the boundary itself may fail and undo it; what is due on the first
            # tick of the next part waits a tick then.
            if sends or boundary is None:
                break
        worlds = belief.shown_by_now(self.situation.worlds, self.ticks.lowest)
        if worlds is not self.situation.worlds:
            self._set(worlds=worlds)
        self._settle()
        return sends

    def _absent(self, now_ns: int) -> None:
        """Take in how long nothing was heard: a person may have acted meanwhile."""
        if self.own_clock or not self.heard_ns or now_ns - self.heard_ns <= UNSEEN_NS:
            return
        # Once is enough for one silence.
        self.heard_ns = now_ns
        if self.situation.transport in _PLAYS:
            self.unseen()

    # -- inside: the transport ---------------------------------------------------------------

    def _begin(self, state: State) -> None:
        # Nothing is left of where it was, nor of what was said of that.
        self._beside = None
        self._fold()
        self.ticks.begin()
        worlds = belief.started(self.situation.worlds, self.setlist)
        shown = worlds[0][0]
        self._set(
            transport=state,
            worlds=worlds,
            plan=self._natural(shown),
            stretches=self._anew(shown.part),
            played=self.situation.played | {shown.part},
            why="",
            told=(0, 0),
            went=None,
            first=(),
        )
        self._happened()

    def _resume(self, state: State) -> None:
        lost = self.situation.transport is State.LOST
        self._fold()
        if lost:
            # Where it was when it was stopped, and for how long, nobody knows.
            self._set(worlds=belief.astray(self.situation.worlds), why=CLOCK_BROKE)
        self.ticks.begin()
        held = self.situation
        part = held.worlds[0][0].part
        unknown = any(w.part == part and w.start is None for w in belief.matter(held.worlds))
        worlds = belief.went_on(held.worlds, self.setlist)
        why = JOINED if unknown and not held.why else held.why
        self._set(transport=state, worlds=worlds, why=why)

    def _hold(self, state: State) -> None:
        lost = self.situation.transport is State.LOST
        self._fold()
        self._set(transport=state)
        if lost:
            self._set(worlds=belief.astray(self.situation.worlds), why=CLOCK_BROKE)

    def _fold(self) -> None:
        """It stands still, as far as the count goes: the count's doubt becomes one of worlds."""
        held = self.situation
        if held.transport not in _PLAYS:
            return
        self._commit()
        held = self.situation
        # What makes the count unsure matters among the worlds as well, which are less strict.
        ticks = self.ticks
        chances: dict[int, float] = {}
        least = 2 * belief.WEIGHTS.line * ticks.chances[0][1]
        for n, chance in ticks.chances:
            if chance > (WRONG_BY_ONE if abs(n - ticks.ticks) == 1 else WRONG_BY_MORE):
                chance = max(chance, least)
            for k, share in self._unheard:
                chances[n + k] = chances.get(n + k, 0.0) + share * chance
        count = max(chances, key=lambda n: chances[n])
        kept = sorted(chances.items(), key=lambda each: -each[1])[:8]
        worlds = belief.stopped(held.worlds, self.setlist, kept, self._maybe_by_hand(held, count))
        if self.ticks.wrong_by_more > belief.WEIGHTS.line or self._strange_clock:
            worlds = belief.astray(worlds)
        self._set(worlds=worlds)
        self._shift(count + 1)

    def _shift(self, by: int) -> None:
        """The count is `by` less from now on; the worlds are so already."""
        held = self.situation
        plan = held.plan
        told = held.told
        self._set(
            plan=replace(
                plan,
                start=None if plan.start is None else plan.start - by,
                since=None if plan.since is None else plan.since - by,
                armed_at=None if plan.armed_at is None else plan.armed_at - by,
            ),
            told=None if told is None else (told[0] - by, told[1]),
            unheard=(held.unheard[0] - by, held.unheard[1] - by),
            out=(),
        )

    def _locate(self, ticks: int) -> None:
        held = self.situation
        lost = held.transport is State.LOST
        if lost:
            self._fold()
            self._set(worlds=belief.astray(self.situation.worlds))
            held = self.situation
        plan = held.plan
        own = self._own(plan)
        if own is None or own.outcome not in _HELD:
            # The plan as it stands without a wish: what was wished was for the place before.
            plan = replace(self._natural(held.worlds[0][0]), start=plan.start)
        following = self._following(plan)
        nowhere = held.worlds[0][0].offset is None
        stretch = held.stretches[-1]
        shown = held.worlds[0][0]
        beyond = plan.end is not None and ticks - (shown.offset or 0) >= plan.end
        # A song that has ended is gone on in until somebody stops it.
        beyond = beyond and not self._ends_song(plan)
        before = next((s for s in reversed(held.stretches) if s.start <= ticks), stretch)
        worlds = belief.located(
            held.worlds,
            self.setlist,
            ticks,
            plan.end,
            None if following is None else following.number,
            (before.part_index + 1, before.start) if before is not stretch else None,
        )
        if lost:
            self.ticks.begin()
            worlds = tuple((replace(w, running=True), p) for w, p in belief.astray(worlds))
            # In place of the part's own tick, which nobody knows, it is where it says it is.
        why = held.why
        if nowhere:
            why = NOWHERE
        elif (beyond and not shown.waits) or before is not stretch:
            why = ELSEWHERE
            worlds = belief.lift_anything(worlds)
        there = worlds[0][0]
        if there.part == held.plan.part and there.start is not None and not there.waits:
            ahead = held.plan.end is not None and -1 - there.start < held.plan.end
            if not ahead:
                # What is out for other instruments stays out.
                self._set(plan=_marked(self._natural(there), held.plan.out, Outcome.SENT))
        self._set(worlds=worlds, why=why, told=(0, ticks))

    def _relocate(self, ticks: int) -> None:
        self._commit()
        held = self.situation
        count = self._count
        told = held.told
        repeats = None if told is None else told[1] + count + 1 - told[0] == ticks
        shown = held.worlds[0][0]
        worlds = belief.jumped(held.worlds, self.setlist, ticks, count, repeats)
        moved = worlds[0][0].start != shown.start or not repeats
        self._set(worlds=worlds, told=(count + 1, ticks), why=MOVED if moved else held.why)

    def _adrift(self) -> None:
        """Clocks come, and nobody said whether anything plays."""
        held = self.situation
        if held.worlds[0][0].start is not None:
            self._set(worlds=belief.astray(held.worlds))
            # Which part is the likeliest may be another without its ticks.
            self._settle()

    def _forget(self, state: State) -> None:
        self._beside = None
        held = self.situation
        fresh = World(1, offset=0)
        new = len(belief.matter(held.worlds)) == 1 and held.worlds[0][0] == fresh
        part = held.plan.part
        worlds = belief.normal([(World(part, offset=0), 1.0)])
        self._set(
            transport=state,
            worlds=worlds if new else belief.lift_anything(worlds),
            plan=self._natural(World(part)),
            stretches=self._anew(part),
            why="",
            told=None,
            went=None,
            has=(),
        )
        self._happened()

    # -- inside: boundaries ------------------------------------------------------------------

    @property
    def _shown(self) -> Situation:
        """The situation at the most probable count, which may step back over a boundary."""
        held = self.situation
        if self._bound[0] is not held:
            # Asked for several times a tick; the situation stays the same for many.
            self._bound = held, self._boundary_count(held)
        boundary = self._bound[1]
        if boundary is None or (count := self._count) < boundary:
            return held
        ahead = self._ahead
        if ahead is not None and ahead[0] is held and ahead[1] <= count < ahead[2]:
            return ahead[3]
        shown = self._crossed(held, count)
        beyond = self._boundary_count(shown)
        self._ahead = held, boundary, NEVER if beyond is None else beyond, shown
        return shown

    def _boundary_count(self, held: Situation) -> int | None:
        """The count at which the shown part ends, None while that is open."""
        plan, shown = held.plan, held.worlds[0][0]
        if held.transport not in _PLAYS or plan.start is None:
            return None
        end = self._end_count(plan)
        ends = [] if end is None else [end]
        if shown.start is not None:
            ends += [shown.start + wait.at for wait in shown.waits]
        return min(ends, default=None)

    def _commit(self) -> None:
        """Let the boundary count as crossed that is shown as crossed: a person acts on it."""
        shown = self._shown
        if shown is not self.situation:
            self._take_up(shown)

    def _take_up(self, crossed: Situation) -> None:
        if crossed.stretches[-1] != self.situation.stretches[-1]:
            own = self._own(self.situation.plan)
            if self._beside is not None and (own is None or own.outcome not in _HELD):
                # A hand made the change when this count said so.
                self._beside.conductor.unseen()
            self.situation = crossed
            self._happened()
        self.situation = replace(crossed, before=self.situation.before)

    def _happened(self) -> None:
        """What was wished has come: it cannot be undone any more."""
        before = self.situation.before
        if before is not None:
            self._set(before=replace(before, wish=None))

    def _crossed(self, held: Situation, count: int) -> Situation:
        """`held` at `count`, with all boundaries up to there crossed."""
        for _ in range(100):
            plan = held.plan
            end = self._end_count(plan)
            hit = held.transport in _PLAYS and end is not None and count >= end
            worlds = held.worlds
            by = end if hit and end is not None else count
            gone_on = [(belief.gone_on(self.setlist, w, by), p) for w, p in worlds]
            if any(
                after is not before for (after, _), (before, _) in zip(gone_on, worlds, strict=True)
            ):
                worlds = belief.normal(gone_on)
            if hit:
                worlds = self._at_the_end(held, worlds)
            elif worlds is held.worlds:
                break
            shown = worlds[0][0]
            if (shown.part, shown.start) != (plan.part, plan.start):
                held = self._entered(held, worlds)
            elif hit:
                held = self._held_on(held, worlds, count)
            else:
                held = replace(held, worlds=worlds)
        return held

    def _at_the_end(self, held: Situation, worlds: Belief) -> Belief:
        """Where the plan has the shown part end and nothing waits, a hand may have changed it."""
        plan = held.plan
        following = self._following(plan)
        if following is None:
            return worlds
        end, start, own = plan.end, plan.start, self._own(plan)
        assert end is not None
        assert start is not None
        part = self.setlist.parts[plan.part - 1]
        beat = part.pattern.meter.beat_ticks
        most, besides = belief.SHOWN, belief.BESIDES
        shares: tuple[float, float] = (0.0, 1.0)
        if self._by_hand(held, plan):
            last, back = held.unheard
            missed = last < start + end <= back
            # Nothing is shown while the clock is away, or the engine.
            shown_to = last if missed else start + end
            seen = plan.since is not None and shown_to - plan.since > beat
            # A doubt that does not end by itself is one that a person waits for, up to here.
            waits = bool(held.why) and not (missed and self._clock_sure)
            if own is not None and following.instrument in held.names:
                # It would have said so, but where that went by unheard.
                if not self._all_heard(held, plan):
                    shares = (most, besides) if missed else (besides, most)
            elif own is not None and own.outcome is Outcome.MISSED:
                # It was said that it did not leave, and that the part goes on.
                shares = (besides, most)
            elif seen and not waits and not self._differ(held):
                shares = (1.0, 0.0)
            else:
                shares = (most, besides)
        elif self._handed_back(plan):
            shares = (besides, most)
        made, kept = shares

        def follow(world: World) -> belief.Branches:
            if (world.part, world.start) == (plan.part, plan.start) and not world.waits:
                if made:
                    yield belief.enter(self.setlist, world, following.number, end), made
                if kept:
                    yield world, kept
            else:
                yield world, 1.0

        return belief.each(worlds, follow)

    def _entered(self, held: Situation, worlds: Belief) -> Situation:
        """Another part is shown from here on."""
        plan, shown = held.plan, worlds[0][0]
        missed = [p.change for p in plan.pending if p.outcome is Outcome.MISSED]
        forward = plan.start is not None and shown.start is not None and shown.start > plan.start
        stretches, begun = held.stretches, held.stretches[-1].begun
        if forward:
            assert shown.start is not None
            assert plan.start is not None
            began = stretches[-1].start + shown.start - plan.start
        else:
            stretches, began, begun = (), shown.offset or 0, begun + 1
        part, left = self.setlist.parts[shown.part - 1], stretches[-1] if stretches else None
        if left is not None:
            told = {p.change.instrument for p in plan.pending if p.outcome is not Outcome.MISSED}
            before = self.setlist.parts[left.part_index]
            layers = layer_ticks(part, before, left.layers, began - left.start, told)
        else:
            # It plays on where it did before; how the layers went meanwhile, nobody knows.
            here = began, shown.part - 1
            same = (s.layers for s in held.stretches if (s.start, s.part_index) == here)
            layers = next(same, layer_ticks(part, None))
        assumed = bool(layers) and (not forward or held.stretches[-1].assumed)
        stretch = Stretch(
            began, shown.part - 1, shown.passes, shown.phrases, begun, layers, assumed
        )
        # What did not leave is a person's affair.
        by_hand = {p.change.instrument for p in plan.pending if p.outcome is not Outcome.SENT}
        notice = self._not_sent(missed[-1]) if missed else held.notice
        after = self._natural(shown)
        return replace(
            held,
            worlds=worlds,
            plan=after,
            stretches=(*stretches, stretch),
            played=held.played | {shown.part} if held.transport in _PLAYS else held.played,
            went=None,
            has=_without(held.has, by_hand),
            missed=frozenset(c.instrument for c in missed if c.instrument != part.instrument),
            notice=notice,
            events=held.events + 1,
        )

    def _held_on(self, held: Situation, worlds: Belief, count: int) -> Situation:
        """The shown part goes on past its end: its instrument was not told."""
        plan = held.plan
        assert plan.start is not None
        part = self.setlist.parts[plan.part - 1]
        own, notice = self._own(plan), held.notice
        if own is not None and own.outcome in (Outcome.MISSED, Outcome.OPEN):
            notice = f"{self._not_sent(own.change)}: the part goes on for another phrase"
        end = self._phrase_after(part.pattern, count - plan.start)
        pending = tuple(
            p if p.outcome in _HELD and p is not own else PendingView(p.change, Outcome.OPEN)
            for p in plan.pending
        )
        return replace(
            held,
            worlds=worlds,
            plan=replace(
                plan,
                wishes=replace(plan.wishes, end=end),
                pending=pending,
                since=None,
                armed_at=None,
            ),
            notice=notice,
            events=held.events + 1,
        )

    def _settle(self) -> None:
        """Bring the plan in line with what is shown; see what is due next, and what is in doubt."""
        held = self.situation
        shown = held.worlds[0][0]
        if shown.running and shown.start is None:
            # Something has to be shown of a part whose tick is not known.
            top = replace(shown, start=self._count + 1)
            self._set(worlds=belief.normal([(top, 1.01), *held.worlds]))
            held, shown = self.situation, top
        plan = held.plan
        if (shown.part, shown.start) != (plan.part, plan.start):
            if shown.part == plan.part:
                self._move_plan(shown)
            else:
                self.situation = self._entered(held, held.worlds)
                self._happened()
            self._keep_ahead(shown)
        if held.transport not in _PLAYS:
            self._keep_ahead(shown)
        self._follow_waits()
        self._note_hand()
        held = self.situation
        if held.why and not self._differ(held) and self._clock_sure:
            self._set(why="")
        sure = self.sure
        if sure is not self._known_sure:
            self._event()
        self._known_sure = sure
        self._was_sure = self._clock_sure
        self._act_at = self._next_act()

    def _move_plan(self, shown: World) -> None:
        """The shown part's tick was set anew: what fell due before may be ahead again."""
        plan = self.situation.plan
        pending = plan.pending if plan.start is None else self._reopened(plan)
        self._set(plan=replace(plan, start=shown.start, pending=pending, since=None))

    def _keep_ahead(self, shown: World) -> None:
        """An end that lies behind was not told to the instrument, and it plays on."""
        plan = self.situation.plan
        end = self._end_count(plan)
        if end is None or plan.start is None or shown.waits:
            return
        if self._count >= end:
            tick = self._count - plan.start
            part = self.setlist.parts[plan.part - 1]
            self._set_wishes(end=self._phrase_after(part.pattern, tick))

    def _follow_waits(self) -> None:
        """What waits in the shown world is what comes next."""
        held = self.situation
        plan, shown = held.plan, held.worlds[0][0]
        if shown.start is None:
            return
        wait = shown.wait()
        own = self._own(plan)
        if wait is None:
            if own is None or own.outcome not in _HELD:
                return
            # It was taken back.
            if held.went is not None:
                self._rewish(held.went)
                self._set(went=None)
                return
            part = self.setlist.parts[plan.part - 1]
            end = plan.end or 0
            wishes = replace(plan.wishes, end=self._phrase_after(part.pattern, end))
            plan = replace(_marked(plan, (own.change,), Outcome.OPEN), wishes=wishes, since=None)
            self._set(plan=plan)
            return
        outcome = Outcome.SENT if wait.ours else Outcome.TOLD
        following = self._following(plan)
        if following is None or following.number != wait.part or plan.end != wait.at:
            went = held.went
            if not wait.ours and not (own is not None and own.outcome is Outcome.TOLD):
                went = plan.wishes
            target = self._target(plan, wait.part)
            wishes = Wishes(True, False, Unit.PASSES, target, wait.at)
            same = following is not None and following.number == wait.part
            moved = replace(plan, wishes=wishes, since=None)
            pending = plan.pending if same else self._open(moved)
            self._set(plan=replace(moved, pending=pending), went=went)
            plan = self.situation.plan
            own = self._own(plan)
        if own is not None and own.outcome is not outcome:
            if not wait.ours and held.went is None and self.situation.went is None:
                self._set(went=plan.wishes)
            self._set(plan=_marked(plan, (own.change,), outcome))

    def _note_hand(self) -> None:
        """Since when it has been shown, sure, that a person is to make the coming change."""
        held = self.situation
        plan = held.plan
        by_hand = plan.end is not None and self._by_hand(held, plan)
        if held.transport in _PLAYS and by_hand and not self._unseen:
            beat = self.setlist.parts[plan.part - 1].pattern.meter.beat_ticks
            if self.sure:
                if plan.since is None or held.why:
                    # What a person waited for has ended. A start is no tick before the first.
                    self._set(plan=replace(plan, since=max(self._count, 0)))
            elif plan.since is not None and self._count - plan.since <= beat:
                # Shown for too short a time to be acted on.
                self._set(plan=replace(plan, since=None))
        elif plan.since is not None:
            self._set(plan=replace(plan, since=None))

    def _next_act(self) -> int:
        """The count at which anything can be due next, so that plain ticks cost nothing."""
        held = self.situation
        plan = held.plan
        if held.transport is not State.RUNNING or plan.start is None:
            return NEVER
        at = [w.start + wait.at for w, _ in held.worlds if w.start is not None for wait in w.waits]
        at += [w.ignored + 1 for w, _ in held.worlds if w.ignored is not None]
        end = self._end_count(plan)
        if end is not None:
            at.append(end)
            pattern = self.setlist.parts[plan.part - 1].pattern
            for pending in plan.pending:
                if pending.outcome is Outcome.OPEN and self.sends and held.armed:
                    lead = self._lead(pending.change, pattern)
                    timed = self._is_timed(pending.change)
                    at.append(end - (pattern.pass_ticks if timed else lead))
        return min(at, default=NEVER)

    # -- inside: sending ---------------------------------------------------------------------

    def _due(self, low: int, high: int) -> tuple[Send, ...]:
        """What leaves with the latest tick, `low` or more; up to `high` are under way by now."""
        held = self.situation
        plan = held.plan
        following = self._following(plan)
        if following is None or plan.end is None or plan.start is None:
            return NOTHING
        if not self._lets_out or self._differ(held) or self._strange_clock:
            return NOTHING
        pattern = self.setlist.parts[plan.part - 1].pattern
        end = plan.start + plan.end
        found = []
        for pending in plan.pending:
            if pending.outcome is not Outcome.OPEN:
                continue
            instrument = self.setlist.instruments[pending.change.instrument]
            lead = self._lead(pending.change, pattern)
            if not _lands(instrument, pattern, lead, end - high, end - low):
                continue
            found.append(self._out(pending.change, following.number, lead))
        return tuple(found)

    def _miss(self) -> None:
        """Take in what cannot leave in time any more."""
        held = self.situation
        plan = held.plan
        if plan.end is None or plan.start is None or not (self.sends and held.armed):
            return
        pattern = self.setlist.parts[plan.part - 1].pattern
        left = plan.start + plan.end - self._count
        pending = []
        for each in plan.pending:
            lead = self._lead(each.change, pattern)
            late = 2 * left < lead if lead else left < -LATE_TICKS
            missed = each.outcome is Outcome.OPEN and late
            pending.append(PendingView(each.change, Outcome.MISSED) if missed else each)
        if tuple(pending) != plan.pending:
            self._set(plan=replace(plan, pending=tuple(pending)))
            self._event()

    def _out(
        self,
        change: ProgramChange,
        number: int,
        lead: int,
        *,
        hurried: bool = False,
        wanted: bool = False,
    ) -> Send:
        """Let a change out: it is returned to leave, and the worlds are those after it."""
        held = self.situation
        plan = held.plan
        instrument = self.setlist.instruments[change.instrument]
        count, now_ns = self._count, self.now_ns
        playing = held.transport is State.RUNNING and plan.start is not None and not wanted
        end = (plan.start or 0) + (plan.end or 0)
        left = max(end - count, 0) if playing else 0
        period_ns = round(self.ticks.period_ns) or PRESUMED_NS
        at_ns = now_ns
        if playing and self._is_timed(change) and left and not hurried and self.ticks.period_ns:
            lead_ns = instrument.lead.count * 1_000_000
            # Never longer than a tick, whatever the tempo is thought to do.
            at_ns = min(max(self.ticks.time_of(end) - lead_ns, now_ns), now_ns + period_ns)
        # On the line of the clock, however late the latest tick was.
        boundary_ns = now_ns + round((left - self._overdue * playing) * period_ns)
        latest_ns = NEVER
        if playing:
            # One that somebody hurried has what is left: it may be less than a tick.
            lead_ns = lead * period_ns or max(boundary_ns - now_ns, 0)
            if self._is_timed(change):
                lead_ns = min(lead_ns, instrument.lead.count * 1_000_000)
            if instrument.at_once and lead_ns < period_ns:
                latest_ns = boundary_ns + LATE_TICKS * period_ns
            else:
                latest_ns = boundary_ns - lead_ns // 2
        send = Send(
            change,
            number,
            left,
            0 if hurried or not playing else lead,
            at_ns,
            # Half its lead before the boundary, or what is late for one that changes at once.
            max(latest_ns, at_ns),
            instrument.channel,
            instrument.bank if change.bank is None else change.bank,
            wanted,
        )
        self._let_out(send, self._wait_in(self.setlist.parts[number - 1]))
        return send

    def _let_out(self, send: Send, wait_in: Callable[[World], Wait]) -> None:
        """Take in that `send` is to leave; `wait_in` is what then waits in a world."""
        if self._beside is not None:
            self._beside.conductor.let_out(send)
        held, change = self.situation, send.change
        worlds, period_ns = held.worlds, round(self.ticks.period_ns) or PRESUMED_NS
        playing = held.transport is State.RUNNING and held.plan.start is not None
        boundary_ns = self.now_ns + round((send.ticks_left - self._overdue * playing) * period_ns)
        sent = Sent(
            change.instrument,
            send.channel,
            change.program,
            max(send.at_ns + ECHO_NS, boundary_ns),
        )
        had = next((c for c in held.has if c.instrument == change.instrument), None)
        if playing and change.instrument == self.setlist.parts[send.part - 1].instrument:
            worlds = belief.sent(
                worlds,
                wait_in,
                lambda world, wait: self._shows_at(world, (world.start or 0) + wait.at),
            )
        recent = tuple(
            s for s in held.sent if s.until_ns >= self.now_ns and s.program != sent.program
        )
        self._set(
            worlds=worlds,
            plan=_after(held.plan, send),
            back=held.back - {change.instrument},
            missed=held.missed - {change.instrument},
            out=(*held.out, Out(send, held.worlds, held.plan, had=had)),
            sent=(*recent, sent),
            has=(*_without(held.has, {change.instrument}), change),
        )
        self._event()

    def let_out(self, send: Send) -> None:
        """Take in that another conductor lets `send` out, by a count and plan of its own."""
        following = self.setlist.parts[send.part - 1]
        name = following.instrument or ""
        at_once = send.instrument == name and self.setlist.instruments[name].at_once
        count = self._count + int(self._overdue + EARLY)

        def wait_in(world: World) -> Wait:
            tick = count - (world.start or 0)
            if at_once:
                at = max(tick + send.ticks_left, 0)
            else:
                part = self.setlist.parts[world.part - 1]
                at = belief.boundary_after(self.setlist, part, name, tick)
            return Wait(name, following.number, at, ours=True)

        self._let_out(send, wait_in)
        if self.situation.transport is not State.RUNNING:
            # What an instrument that stands still makes of it nobody knows.
            self._set(worlds=belief.lift_anything(self.situation.worlds))
        self._act(may_send=False)

    def _wait_in(self, following: Part) -> Callable[[World], Wait]:
        held = self.situation
        plan = held.plan
        # One that changes at once begins at the latest tick that was sent, heard or held up.
        count, name = self._count + int(self._overdue + EARLY), following.instrument or ""
        # What it needs to change it needs in every world: there, too, it begins on the boundary.
        at_once = bool(name) and self.setlist.instruments[name].at_once
        began = max((plan.start or 0) + (plan.end or 0), count)

        def wait_in(world: World) -> Wait:
            start = (plan.start if world.start is None else world.start) or 0
            if at_once or world.start is None or (world.part, start) == (plan.part, plan.start):
                at = max(began - start, 0)
            else:
                part = self.setlist.parts[world.part - 1]
                at = belief.boundary_after(self.setlist, part, name, count - start)
            return Wait(name, following.number, at, ours=True)

        return wait_in

    def _shows_at(self, world: World, boundary: int) -> int:
        """The count by which it has shown in `world` that a change for `boundary` was ignored."""
        part = self.setlist.parts[world.part - 1]
        notes = bool(self.setlist.notes_of(part))
        passes = belief.SHOWN_PASSES_BY_NOTES if notes else belief.SHOWN_PASSES
        return boundary + passes * part.pattern.pass_ticks

    def _have_left(self, now_ns: int) -> None:
        """What was to leave before `now_ns` has left, or somebody will say so soon."""
        kept = tuple(
            replace(out, left=out.left or out.send.at_ns < now_ns)
            for out in self.situation.out
            if now_ns - out.send.at_ns < REPORTED_NS
        )
        if kept != self.situation.out:
            self._set(out=kept)

    def _withdraw(self, now_ns: int) -> None:
        """What waits for its time between two ticks does not leave any more."""
        for out in reversed(self.situation.out):
            if out.send.at_ns > now_ns:
                self._undo_out(out, Outcome.OPEN)

    def _undo_out(self, out: Out, outcome: Outcome) -> None:
        """`out` has not left: the worlds are those from before it, if it is what moved them."""
        held, send, was = self.situation, out.send, out.plan
        own = send.instrument == self.setlist.parts[send.part - 1].instrument

        def without(plan: Plan) -> Plan:
            """What became of the others for that boundary stays so."""
            if (plan.part, plan.start) != (was.part, was.start):
                return plan
            return _marked(plan, (send.change,), outcome)

        at = held.out.index(out)
        # Nor did those that were returned after it follow from it.
        others = tuple(
            replace(
                o,
                worlds=out.worlds if own and n > at else o.worlds,
                plan=without(o.plan),
                had=out.had if o.had is send.change else o.had,
            )
            for n, o in enumerate(held.out)
            if n != at
        )
        sent = tuple(s for s in held.sent if s.program != send.change.program)
        plan, stretches, worlds = without(held.plan), held.stretches, held.worlds
        if own:
            worlds = out.worlds
            if (plan.part, plan.start) != (was.part, was.start):
                plan = _marked(without(was), [o.send.change for o in others], Outcome.SENT)
                stretches = stretches[:-1] if len(stretches) > 1 else stretches
        has = held.has
        if send.change in has:
            before = () if out.had is None else (out.had,)
            has = (*_without(has, {send.instrument}), *before)
        self._set(worlds=worlds, plan=plan, stretches=stretches, out=others, sent=sent, has=has)

    # -- inside: wishes ----------------------------------------------------------------------

    def _why_not(self, wish: Wish) -> tuple[str, str] | None:
        """Why `wish` would do nothing: what stands in its way where we are shown to be."""
        held = self._shown
        state, plan = held.transport, held.plan
        runs, last = state is State.RUNNING, len(self.setlist.parts)
        match wish.ask:
            case Ask.NEXT | Ask.NOW | Ask.PART:
                number = plan.part if wish.part is None else wish.part
                follows = plan.part < last if wish.ask is Ask.NEXT else self._upcoming(plan)
                if wish.ask is not Ask.PART and not follows and not self._can_end(held):
                    return _LAST
                if not 1 <= number <= last:
                    return "no part", f"there is no part {number}"
                if wish.ask is Ask.PART and wish.part == plan.part:
                    # Here already: at most a wish to go elsewhere is withdrawn.
                    return _TOO_LATE if state in _PLAYS and plan.out else None
                if state is State.LOST:
                    return _LOST
                return _ON_ITS_WAY if runs and plan.out else None
            case Ask.PREVIOUS | Ask.NEXT_SONG | Ask.PREVIOUS_SONG | Ask.SONG_AGAIN:
                goal = self._goal(wish.ask, plan)
                if isinstance(goal, str):
                    return "first" if wish.ask in _BACK else "last", goal
                if state is State.LOST:
                    return _LOST
                return _ON_ITS_WAY if runs and plan.out else None
            case Ask.STAY:
                part = self.setlist.parts[plan.part - 1]
                if not runs:
                    return _LOST if state is State.LOST else _IDLE
                if plan.out:
                    return _TOO_LATE
                held_on = plan.wishes.staying or plan.wishes.asked
                return _OPEN if self._endless(part) and not held_on else None
            case Ask.UNDO:
                if self._undone_by(held) is not None:
                    return None
                if self._before(held) is None and not plan.wishes.asked:
                    return _NOTHING if held.before is None else _HAPPENED
                return "out", "too late to undo: the program change is out"
            case Ask.ALIGN:
                ready = state is State.READY and not self.rehearses
                return None if runs or ready else _CLOCKLESS
            case Ask.NUDGE_FORWARD | Ask.NUDGE_BACK:
                if state is State.LOST:
                    return _WAIT
                if not (runs or state is State.STOPPED) or held.worlds[0][0].start is None:
                    return _UNCOUNTED
                if self._nudged_to(held, wish) < 0:
                    return "young", f"the part is not one {wish.unit} old yet: align on the one"
            case Ask.CONFIRM:
                if state is State.LOST:
                    return _WAIT
                if state is State.READY and self.by_ear.place is not None:
                    return None
                if state is State.READY or (state is State.WAITING and self.sure):
                    return _UNCOUNTED
                return _SURE if self.sure else None
            case Ask.PROGRAMS:
                if state is State.LOST:
                    return _LOST
                if not (self.sends and held.armed):
                    return _SILENT
                return None if self._missing(plan.part) else _TOLD
            case Ask.ARM | Ask.DISARM:
                return None if self.sends else _SILENT
            case Ask.START | Ask.PAUSE if not self.rehearses:
                return _NOT_OURS
            case Ask.START:
                return _COUNTED_IN if self.counted_in else _PLAYING if runs else None
            case Ask.PAUSE:
                return None if runs or self.counted_in else _STILL
            case Ask.MARK | Ask.DONE if not self.records:
                return _UNRECORDED
            case Ask.DONE:
                return None if self._due_cue(held) else _UNDUE
        return None

    def _grant(self, wish: Wish) -> tuple[Send, ...]:
        """Do what is wished, which nothing stands in the way of."""
        plan = self.situation.plan
        match wish.ask:
            case Ask.NEXT:
                unit = Unit(wish.unit) if wish.unit else Unit.PHRASES
                if self._can_end(self.situation):
                    return self._end_song(unit)
                return self._go(plan.part + 1, unit)
            case Ask.PART if wish.part is not None:
                return self._go_to(wish.part)
            case Ask.PREVIOUS | Ask.NEXT_SONG | Ask.PREVIOUS_SONG | Ask.SONG_AGAIN:
                number = self._goal(wish.ask, plan)
                assert isinstance(number, int)
                return self._go(number)
            case Ask.PROGRAMS:
                return self._send_missing(plan.part)
            case Ask.NOW:
                return self._go_now()
            case Ask.STAY:
                self._stay()
            case Ask.ARM | Ask.DISARM:
                self._arm(wish.ask is Ask.ARM)
            case Ask.ALIGN:
                self._align(Unit(wish.unit) if wish.unit else None, wish.pressed)
            case Ask.NUDGE_FORWARD | Ask.NUDGE_BACK:
                self._nudge(wish)
            case Ask.CONFIRM:
                if self.situation.transport is State.READY and self.by_ear.place is not None:
                    # What is shown is what was heard.
                    self._take_place([self.by_ear.place])
                count = self._count
                self._by_person(belief.confirmed(self.situation.worlds, count), count=count)
                self.notice = "confirmed: the count is right"
            case Ask.START | Ask.PAUSE:
                self.called = wish.ask
                self.notice = "start" if wish.ask is Ask.START else "pause"
            case Ask.DONE if (cue := self._due_cue(self._shown)) is not None:
                self.done = cue if self.rehearses else None
                words = (cue.action.value, ", ".join(cue.tracks), cue.text)
                self.notice = f"done: {' '.join(filter(None, words))}"
            case Ask.MARK:
                bar = max(self.tick, 0) // self.part.pattern.meter.bar_ticks + 1
                self.notice = f"remembered: part {self.part.number}, bar {bar}"
        return NOTHING

    def _goal(self, ask: Ask, plan: Plan) -> int | str:
        """The number of the part that `ask` goes to, or why there is none."""
        song = self.setlist.parts[plan.part - 1].song
        match ask:
            case Ask.PREVIOUS:
                return plan.part - 1 or "this is the first part"
            case Ask.PREVIOUS_SONG:
                return self.setlist.songs[song - 1].parts[0] if song else "this is the first song"
            case Ask.NEXT_SONG if song + 1 == len(self.setlist.songs):
                return "this is the last song"
            case Ask.NEXT_SONG:
                return self.setlist.songs[song + 1].parts[0]
        return self.setlist.songs[song].parts[0]

    def _due_cue(self, held: Situation) -> Cue | None:
        """The cue whose tick is nearest, within a bar; None if there is none."""
        tick, found = max(self._tick_of(held), 0), []
        part = self.setlist.parts[held.plan.part - 1]
        end = part.planned_ticks if held.plan.end is None else held.plan.end
        bar = part.pattern.meter.bar_ticks
        for cue in part.cues:
            due = cue_ticks(cue.when, part.pattern, end, tick - bar, tick + bar + 1)
            found += [(abs(at - tick), cue) for at in due]
        if len(held.stretches) > 1 and tick <= bar:
            # What was due at the end of the part before is done after it, or not at all.
            before = self.setlist.parts[held.stretches[-2].part_index]
            found += [(tick, cue) for cue in before.cues if cue.when.kind is WhenKind.END]
        return min(found, key=lambda each: each[0])[1] if found else None

    def _go(self, number: int, unit: Unit = Unit.PHRASES) -> tuple[Send, ...]:
        """Go to a part at the coming boundary of a `unit`, or at once while nothing runs."""
        if self.situation.transport is not State.RUNNING:
            return self._step_to(number)
        was = self.situation.plan
        target = self._target(was, number)
        self._ask(self._hand_ticks(number), unit, target)
        plan = self.situation.plan
        if plan.wishes == was.wishes and not was.wishes.staying:
            so = "asked for" if was.wishes.asked else "planned"
            self.notice = f"part {number} comes {self._when()} anyway: it is {so}"
            return NOTHING
        self.notice = f"going to part {number} {self._when()}"
        if self._boundary(0, unit, ()) < (plan.end or 0):
            self.notice += f": it is too late for the end of this {unit.value}"
        return NOTHING

    def _end_song(self, unit: Unit) -> tuple[Send, ...]:
        """Let the song end in silence at the coming boundary of a `unit`."""
        self._ask(self.part.pattern.meter.beat_ticks, unit, None)
        self.notice = f"the song ends {self._when()}: press stop there"
        return NOTHING

    def _go_to(self, number: int) -> tuple[Send, ...]:
        held = self.situation
        plan = held.plan
        if number != plan.part:
            return self._go(number)
        if held.transport in _PLAYS:
            if plan.wishes.asked:
                self._unask()
            self.notice = f"part {number} is running"
        elif plan.out or self._untold(number):
            return self._step_to(number)
        else:
            self.notice = f"part {number} comes with the next start"
        return NOTHING

    def _go_now(self) -> tuple[Send, ...]:
        """Go to the part that follows as soon as its instrument can change.

        An instrument that waits for the end of its pass is told at once.
        """
        if self._can_end(self.situation):
            return self._end_song(Unit.PASSES)
        following = self._upcoming(self.situation.plan)
        assert following is not None
        if self.situation.transport is not State.RUNNING:
            return self._step_to(following.number)
        if self._following(self.situation.plan) is None:
            # The song has ended, and is to go on into the next one.
            self._aim(Wishes(target=following.number))
        sends = self._hurry(following)
        self.notice = f"going to part {following.number} {self._when()}"
        return sends

    def _stay(self) -> None:
        """Stay in this part past its planned end; asked again, let it end."""
        plan = self.situation.plan
        part = self.setlist.parts[plan.part - 1]
        if plan.wishes.staying:
            self._unask()
            self.notice = f"the part goes on to its end, {self._when()}"
        elif self._endless(part):
            self._unask()
            self.notice = _OPEN[1]
        else:
            self._aim(Wishes(staying=True))
            self.notice = "staying in this part, phrase by phrase"

    def _endless(self, part: Part) -> bool:
        """Whether a part has no planned end at which anything happens."""
        return ends_by_plan(self.setlist, part.number) is None

    def _before(self, held: Situation) -> Before | None:
        """What the latest wish has changed, None where that has happened or there is none."""
        before = held.before
        begun = held.stretches[-1] != self.situation.stretches[-1]
        return None if before is None or before.wish is None or begun else before

    def _undone_by(self, held: Situation) -> Wish | None:
        """The wish that an undo withdraws: the latest, or else what asked for the coming change."""
        before, wishes = self._before(held), held.plan.wishes
        if self._word_is_latest(before):
            assert self._beside is not None
            return self._beside.wish
        if before is not None and not held.plan.out:
            return before.wish
        if not wishes.asked or held.plan.out:
            return None
        unit = "pass" if wishes.unit is Unit.PASSES else ""
        return Wish(Ask.NEXT, unit) if wishes.target is None else Wish(Ask.PART, part=wishes.target)

    def _undo(self) -> None:
        """Come back to what was before the latest wish, or withdraw the change asked for."""
        wish, before = self._undone_by(self.situation), self._before(self.situation)
        beside = self._beside
        if beside is not None and self._word_is_latest(before):
            self._go_on_as(beside.conductor)
        else:
            if beside is not None and wish == beside.conductor._undone_by(beside.conductor._shown):
                beside.conductor._undo()
            if before is None:
                self._unask()
            else:
                self._rewish(before.wishes)
            self._set(before=None)
        self.notice = f"undone: {wish}"

    def _take_place(self, places: Sequence[Place]) -> None:
        # From here on it plays, if nobody had said so.
        self._now_count()
        worlds = belief.placed_by_ear(self.situation.worlds, places)
        played = self.situation.played | {worlds[0][0].part}
        self._set(worlds=worlds, why="", told=None, played=played)
        self._settle()

    # -- inside: what goes on beside ---------------------------------------------------------

    @property
    def _lets_out(self) -> bool:
        """Whether anything may leave by itself."""
        return self.sends and self.situation.armed and not self._unseen

    def _as_it_is(self) -> Conductor:
        """A second conductor that stands where this one does."""
        twin = copy(self)
        twin.ticks, twin._unseen, twin._pressed = deepcopy(self.ticks), True, None
        return twin

    def _keep_beside(self, twin: Conductor, wish: Wish) -> None:
        """Have `twin` go on beside, as if `wish` had not been granted."""
        bar = max(part.pattern.meter.bar_ticks for part in self.setlist.parts)
        # The bar that has begun is none of the eight.
        self._beside = Beside(twin, wish, self.situation.before, (UNDO_BARS + 1) * bar)
        last = self._beside
        for _ in range(MOST_WORDS - 1):
            if last.conductor._beside is None:
                break
            last = last.conductor._beside
        last.conductor._beside = None

    def _word_is_latest(self, before: Before | None) -> bool:
        """Whether a word on the count is what was said last; `before` is of the latest wish."""
        beside = self._beside
        return beside is not None and (before is None or before == beside.before)

    def _grow_old(self, clock: bool) -> None:
        beside = self._beside
        if beside is not None and clock and self.situation.transport is State.RUNNING:
            beside.left -= 1
            if beside.left <= 0:
                self._beside = None

    def _go_on_as(self, twin: Conductor) -> None:
        """Go on where `twin` stands, in place of here."""
        events = self.situation.events
        self.ticks, self._beside, self._look = twin.ticks, twin._beside, None
        self.situation = replace(twin.situation, events=events + 1)
        self._settle()

    def _may_slip(self, wish: Wish) -> bool:
        """Whether a press may be a slip: the count is sure, and this is the first of two."""
        if wish.ask is not Ask.ALIGN or not self.sure:
            return False
        first, self._pressed = self._pressed, None
        again = first is not None and first.wish == wish and first.stretch == self.stretch
        if first is not None and again and self.now_ns - first.at_ns <= AGAIN_NS:
            # It was the first that was on the one.
            self._pressed = first
            return False
        self._pressed = Pressed(wish, self.now_ns, self._ticks_by_now, self.stretch)
        return True

    def _arm(self, armed: bool) -> None:
        """Let program changes go out by themselves, or not."""
        held = self.situation
        if not armed:
            self._withdraw(self.now_ns)
        plan = replace(self.situation.plan, since=None)
        if armed and not held.armed:
            plan = replace(plan, armed_at=self._count)
        self._set(armed=armed, plan=plan)
        known = held.transport not in (State.WAITING, State.READY)
        words = "armed: program changes go out"
        if known and not self.sure:
            words += " once sure"
        self.notice = words if armed else "disarmed: change by hand"
        self._settle()

    def _align(self, unit: Unit | None, pressed: bool) -> None:
        """The performer says that the one is now: the nearest start of a `unit` is this tick.

        Of two presses it is the first that says when.

        Where the count keeps the beat it goes on keeping it, and moves by whole beats. Without a
        unit, or while no position is known, the part starts at this tick.
        """
        now = count = self._now_count()
        if pressed and self._pressed is not None:
            count, self._pressed = self._pressed.count, None
        held = self.situation
        part = self.setlist.parts[held.plan.part - 1]
        keeps = self._keeps_beat(count)

        def tick_in(world: World) -> int | None:
            if unit is None or held.worlds[0][0].start is None:
                return 0
            if world.start is None:
                return None
            tick = max(count - world.start, 0)
            length = unit.ticks(part.pattern)
            target = (tick + length // 2) // length * length
            if keeps:
                beat = part.pattern.meter.beat_ticks
                off = (target - tick + beat // 2) % beat - beat // 2
                target -= off if abs(off) <= FINGER_TICKS else 0
            return max(target, 0)

        worlds = belief.placed(held.worlds, self.setlist, count, tick_in)
        self._by_person(worlds, restarted=unit is None, count=now)
        self.notice = "aligned: the one is now"

    def _nudged_by(self, wish: Wish) -> int:
        """By how many ticks a nudge moves the count."""
        pattern = self.setlist.parts[self._shown.plan.part - 1].pattern
        ticks = Unit(wish.unit).ticks(pattern)
        return ticks if wish.ask is Ask.NUDGE_FORWARD else -ticks

    def _nudged_to(self, held: Situation, wish: Wish) -> int:
        """The tick that a nudge would move the count to; below 0 the part had not begun."""
        runs = held.transport is State.RUNNING
        count = self._ticks_by_now if runs else -1
        start = held.worlds[0][0].start or 0
        return count - start + self._nudged_by(wish) + self._fresh(held)

    def _nudge(self, wish: Wish) -> None:
        """The performer says that the count is a pass or a phrase behind, or ahead."""
        held = self.situation
        moves = self._nudged_by(wish)
        runs = held.transport is State.RUNNING
        count = self._now_count() if runs else -1
        fresh = self._fresh(held)

        def tick_in(world: World) -> int | None:
            if world.start is None:
                return None
            return max(count - world.start + moves, -1 if fresh else 0)

        worlds = belief.placed(held.worlds, self.setlist, count, tick_in)
        if not runs:
            worlds = tuple((replace(w, running=False), p) for w, p in worlds)
        self._by_person(worlds, count=count)
        self.notice = f"{Span(1, Unit(wish.unit))} {'forward' if moves > 0 else 'back'}"

    def _ask(self, ahead: int, unit: Unit, target: int | None) -> None:
        """Let the part end at the coming boundary of a `unit` that can still be announced.

        It is more than `ahead` ticks away. An earlier wish that says otherwise is forgotten.
        """
        wishes = self.situation.plan.wishes
        if (wishes.staying, wishes.unit, wishes.target) != (False, unit, target):
            self._aim(replace(Wishes(), target=target, end=self._planned_or_next(target)))
            self._set_wishes(unit=unit)
        wishes = self.situation.plan.wishes
        boundary = self._boundary(ahead, unit)
        elsewhere = target is not None and not wishes.asked
        if wishes.end is None or boundary < wishes.end or elsewhere:
            self._set_wishes(asked=True, end=boundary)
        self._settle()

    def _hurry(self, following: Part) -> tuple[Send, ...]:
        held = self.situation
        plan = held.plan
        name = following.instrument
        at_once = name is not None and self.setlist.instruments[name].at_once
        by_hand = not (self.sends and held.armed)
        sure = self.sure
        self._aim(replace(Wishes(), target=plan.wishes.target))
        tick = max(self.tick, 0)
        if at_once and (sure or by_hand):
            # Before its first tick it changes with that one.
            end = (tick if plan.start is None else self._tick_of(held)) + 1
        else:
            end = self._boundary(self._hand_ticks(following.number), Unit.PASSES)
        self._set_wishes(asked=True, unit=Unit.PASSES, end=end)
        plan = self.situation.plan
        pattern = self.setlist.parts[plan.part - 1].pattern
        low, high = self._range()
        start = plan.start or 0
        # Told now, the instrument might still take it at the end of this very pass.
        same_pass = (end - 1) // pattern.pass_ticks == tick // pattern.pass_ticks
        same_pass = (
            same_pass
            and (high + 1 - start) // pattern.pass_ticks == (low - start) // pattern.pass_ticks
        )
        sends = []
        if self._lets_out and sure and (at_once or same_pass):
            for pending in plan.pending:
                waits = not self.setlist.instruments[pending.change.instrument].at_once
                if pending.outcome is Outcome.OPEN and (waits or at_once):
                    sends.append(self._out(pending.change, following.number, 0, hurried=True))
        self._settle()
        return tuple(sends)

    def _step_to(self, number: int) -> tuple[Send, ...]:
        """Choose the part for the next start, and tell the instruments of it."""
        held = self.situation
        sure = self.sure
        out = held.plan.out
        ours = {w.instrument for world in belief.matter(held.worlds) for w in world.waits if w.ours}
        goal = self.setlist.parts[number - 1]
        to_tell = self._changes_to(number, held.plan.part)
        if number == held.plan.part and not out:
            # Of the part that is chosen already only what nobody has been told.
            to_tell = self._untold(number)
        changes = [c for c in to_tell if c not in out and c.instrument not in ours]
        by_hand = not (self.sends and held.armed)
        told = any(c.instrument == goal.instrument for c in changes)
        sends_now = sure and self._lets_out
        before = self.situation
        self._choose(number, sends_now and told)
        notice = f"part {number} comes with the next start"
        sends: tuple[Send, ...] = NOTHING
        if sends_now:
            sends = tuple(self._out(change, number, 0) for change in changes)
            self._set(
                out=tuple(
                    replace(o, worlds=before.worlds, plan=before.plan) for o in self.situation.out
                )
            )
        elif not by_hand and changes:
            notice += ": choose it by hand"
        self._settle()
        self.notice = notice
        return sends

    def _also(self, left: int, number: int, told: str, sure: bool) -> tuple[Send, ...]:
        """While nothing plays an instrument went from part `left` to `number`: tell the others."""
        held = self.situation
        changes = self._changes_to(number, left)
        self._set(plan=self._natural(held.worlds[0][0]), stretches=self._anew(number), went=None)
        if not (self._lets_out and sure):
            return NOTHING
        return tuple(self._out(c, number, 0) for c in changes if c.instrument != told)

    def _untold(self, number: int) -> tuple[ProgramChange, ...]:
        """What the plan has on the instruments by part `number`, and nobody has told them."""
        if not (self.sends and self.situation.armed and self.sure):
            return ()
        goal, stage = self.setlist.parts[number - 1], self._course.stages[number - 1]
        has = self._has(self.situation)
        wanted = to_be_told(goal, stage, has, jump=True)
        return tuple(change for change in wanted if has.get(change.instrument) != change)

    def _missing(self, number: int) -> tuple[ProgramChange, ...]:
        """What nobody has told; while it plays not the part's own instrument, which would change,
        nor those that are told of what comes next."""
        found = self._untold(number)
        if self.situation.transport not in _PLAYS:
            return found
        ahead = {change.instrument for change in self.situation.plan.out}
        ahead.add(self.setlist.parts[number - 1].instrument or "")
        return tuple(change for change in found if change.instrument not in ahead)

    def _wanted(self, held: Situation) -> tuple[ProgramWanted, ...]:
        """What the plan has on each instrument by the shown part, and what we told it."""
        plan, has, ahead = held.plan, self._has(held), set[str]()
        if held.transport in _PLAYS:
            ahead = {change.instrument for change in plan.out}
            ahead.add(self.setlist.parts[plan.part - 1].instrument or "")
        return tuple(
            ProgramWanted(
                change,
                has.get(name) == change,
                (has.get(name, change) != change or name in held.missed) and name not in ahead,
            )
            for name, change in self._course.stages[plan.part - 1].items()
        )

    def _send_missing(self, number: int) -> tuple[Send, ...]:
        found = self._missing(number) if self._lets_out else ()
        stopped = self.situation.transport is State.STOPPED
        own = self.setlist.parts[number - 1].instrument
        if not (stopped or self.situation.transport is State.RUNNING):
            return self._step_to(number)
        if stopped and any(change.instrument == own for change in found):
            return self._step_to(number)
        sends = self._tell_others(found, number)
        self.notice = "sent " + ", ".join(
            f"program {self.setlist.instruments[c.instrument].shown(c.program)} to {c.instrument}"
            for c in found
        )
        return sends

    def _tell_others(self, changes: Collection[ProgramChange], number: int) -> tuple[Send, ...]:
        """Tell further instruments what they have in the part that is shown."""
        sends = tuple(self._out(change, number, 0, wanted=True) for change in changes)
        self._settle()
        return sends

    def _put_right(self) -> tuple[Send, ...]:
        """At a start, tell the further instruments that were told of a part that has not come.

        A stop between that and its boundary leaves them there.
        """
        held = self.situation
        if not (self._lets_out and self.sure):
            return NOTHING
        known = {change.instrument for change in held.has}
        wanted = [each.change for each in self._wanted(held) if each.other]
        others = [change for change in wanted if change.instrument in known]
        return self._tell_others(others, held.plan.part) if others else NOTHING

    def _tell_first(self, reached: Collection[str] | None) -> tuple[Send, ...]:
        """Tell part 1's programs to those that can be reached by now; nothing has started yet."""
        held = self.situation
        if not self._lets_out or held.plan.part != 1:
            return NOTHING
        now = [name for name in held.first if reached is None or name in reached]
        if not now:
            return NOTHING
        stage = self._course.stages[0]
        self._set(first=tuple(name for name in held.first if name not in now))
        return tuple(self._out(stage[name], 1, 0) for name in now)

    def _after_song(self) -> tuple[Send, ...]:
        """After a stop: where that ended a song, choose the next one and tell the instruments."""
        held = self.situation
        plan = held.plan
        if not self._ends_song(plan) or plan.wishes.staying:
            return NOTHING
        part = self.setlist.parts[plan.part - 1]
        # Fingers stop a little before the one. An open part is over whenever it is stopped.
        end = part.pattern.phrase_ticks if plan.end is None else plan.end
        if self._tick_of(held) + 1 < end - part.pattern.meter.beat_ticks:
            return NOTHING
        if plan.part == len(self.setlist.parts):
            self.notice = "the set is over"
            return NOTHING
        sends = self._step_to(plan.part + 1)
        self.notice = f"the song is over: {self.notice}"
        return sends

    def _choose(self, number: int, told: bool) -> None:
        self._beside = None
        held = self.situation
        shows_at = (lambda world: self._shows_at(world, -1)) if told else None
        worlds = belief.chosen(held.worlds, number, shows_at)
        # What a person asked for is shown, whatever weighs more.
        worlds = belief.normal(
            (w, max(p, 1.01) if (w.part, w.start) == (number, None) else p) for w, p in worlds
        )
        shown = worlds[0][0]
        self._set(
            worlds=worlds,
            plan=self._natural(shown),
            stretches=self._anew(number),
            went=None,
        )
        self._happened()

    def _by_person(self, worlds: Belief, *, count: int, restarted: bool = False) -> None:
        """A person has said where we are."""
        held = self.situation
        if not self._clock_sure:
            # How many ticks there were before does not matter any more.
            self._set(told=None)
        self.ticks.settle()
        # The person said it now: ticks that are still to come in count from here.
        by = count - self._count if held.transport in _PLAYS else 0
        if by:
            worlds = belief.shifted(worlds, by)
        was = held.plan
        state = State.RUNNING if held.transport is State.READY else held.transport
        self._set(transport=state, worlds=worlds, why="")
        if restarted:
            shown = worlds[0][0]
            plan = self._natural(shown)
            if was.out:
                plan = replace(
                    plan,
                    wishes=replace(plan.wishes, target=was.wishes.target),
                    pending=was.pending,
                )
            self._set(plan=plan, stretches=self._anew(shown.part))
            if not was.out and was.part == shown.part:
                # It begins anew, and what was wished of it stays so.
                self._wish_anew(was)
        else:
            self._set(plan=replace(was, since=None))
        self._settle()
        self._set(plan=replace(self.situation.plan, since=None))
        self._note_hand()
        self._act(may_send=False)

    def _aim(self, wishes: Wishes) -> None:
        """Forget what was wished, and plan by `wishes`."""
        plan = self.situation.plan
        if not wishes.staying and wishes.end is None:
            wishes = replace(wishes, end=self._planned_or_next(wishes.target))
        moved = replace(plan, wishes=wishes, since=None)
        self._set(plan=replace(moved, pending=self._open(moved)), went=None)
        self._settle()

    def _wish_anew(self, was: Plan) -> None:
        """Wish of a part that begins anew what `was` wished of it."""
        wishes, following = was.wishes, self._following(was)
        if wishes.staying:
            self._aim(Wishes(staying=True))
        elif wishes.asked and following is not None:
            self._ask(self._hand_ticks(following.number), wishes.unit, wishes.target)

    def _unask(self) -> None:
        """Let the part end where the plan says, or at the first boundary after that."""
        self._aim(Wishes())

    def _rewish(self, wishes: Wishes) -> None:
        """Come back to earlier wishes; where their boundary is too near, the next one will do."""
        plan = self.situation.plan
        moved = replace(plan, wishes=wishes, since=None)
        self._set(plan=replace(moved, pending=self._open(moved)))
        end, tick = wishes.end, self.tick
        ends = self._end_count(self.situation.plan) is not None
        if end is not None and ends and (end <= tick or not self._in_time(end, tick)):
            self._set_wishes(end=self._boundary(0, wishes.unit))
        self._settle()

    def _set_wishes(self, **changes: Any) -> None:
        plan = self.situation.plan
        wishes = replace(plan.wishes, **changes)
        self._set(plan=replace(plan, wishes=wishes, since=None))

    def _planned_or_next(self, target: int | None) -> int | None:
        """The plan's end of the shown part, or the first boundary that can be announced after."""
        plan = self.situation.plan
        part = self.setlist.parts[plan.part - 1]
        end = part.planned_ticks
        probe = replace(plan, wishes=Wishes(target=target))
        if end is None or (self._following(probe) is None and not self._ends_song(probe)):
            return None
        tick = self._tick_of(self.situation)
        if end <= tick or not self._in_time(end, tick, self._open(probe)):
            return self._boundary(0, Unit.PHRASES, self._open(probe))
        return end

    def _boundary(
        self, ahead: int, unit: Unit, pending: tuple[PendingView, ...] | None = None
    ) -> int:
        """The coming end of a `unit`, more than `ahead` ticks away, that can be announced."""
        part = self.setlist.parts[self.situation.plan.part - 1]
        length = unit.ticks(part.pattern)
        tick = max(self._tick_of(self.situation), 0) + ahead
        boundary = (tick // length + 1) * length
        while not self._in_time(boundary, tick, pending):
            boundary += length
        return boundary

    def _in_time(
        self, boundary: int, tick: int, pending: tuple[PendingView, ...] | None = None
    ) -> bool:
        """Whether every change for `boundary` would still be due after `tick`."""
        plan = self.situation.plan
        pattern = self.setlist.parts[plan.part - 1].pattern
        pending = plan.pending if pending is None else pending
        return all(boundary - self._lead(p.change, pattern) > tick for p in pending)

    def _hand_ticks(self, number: int) -> int:
        """How long a person needs to change to a part by hand, 0 where its instrument is told."""
        goal = self.setlist.parts[number - 1]
        changes = self._changes_to(number, self.situation.plan.part)
        told = any(change.instrument == goal.instrument for change in changes)
        by_hand = not (self.sends and self.situation.armed and told)
        return self.part.pattern.meter.beat_ticks if by_hand else 0

    # -- inside: looking ---------------------------------------------------------------------

    @property
    def _count(self) -> int:
        """The most probable count; -1 while nothing plays."""
        state = self.situation.transport
        plays = state is State.RUNNING or state is State.LOST
        return self.ticks.ticks if plays else -1

    def _now_count(self) -> int:
        """The count now, ticks that are overdue included; while ready the clock's own."""
        if self.situation.transport is State.READY:
            # What is known of places was told while the count stood at -1.
            before = self.ticks.ticks + 1
            shifted = belief.shifted(self.situation.worlds, -before)
            self._set(worlds=tuple((replace(w, running=True), p) for w, p in shifted))
            self._shift(-before)
            self._set(transport=State.RUNNING)
        return self._ticks_by_now

    @property
    def _ticks_by_now(self) -> int:
        """The count of the clock now: ticks that should have come, and have not, were lost."""
        return self.ticks.ticks + max(0, int(self._overdue - OVERDUE))

    @property
    def _overdue(self) -> float:
        """How many ticks have gone by since the latest that was heard, in parts of one.

        More than one where that itself was held up: those behind it are under way.
        """
        return self.ticks.overdue(self.now_ns) if self.ticks.ticks >= 0 else 0.0

    @property
    def _unheard(self) -> tuple[tuple[int, float], ...]:
        """How many ticks went unheard before a message that has just come, with chances."""
        # A clock that is lost may stand still, for all that is known.
        running = self.situation.transport is State.RUNNING and self.ticks.ticks >= 0
        return self.ticks.unheard(self.now_ns) if running else ((0, 1.0),)

    def _range(self) -> tuple[int, int]:
        """The least and the most ticks that there are by now, heard or not."""
        overdue = self._overdue
        # A clock that is lost may stand still, for all that is known.
        lost = self.situation.transport is State.LOST
        low = self.ticks.lowest + (0 if lost else max(0, int(overdue - OVERDUE)))
        return low, max(self.ticks.highest + int(overdue + EARLY), low)

    @property
    def _under_way(self) -> int:
        """The most ticks that have been sent by now: those that are held up come close behind.

        However many were lost and however many are held up, together they lie on one line.
        """
        return max(self.ticks.highest, self.ticks.ticks + int(self._overdue + EARLY))

    @property
    def _clock_sure(self) -> bool:
        return self.situation.transport not in _PLAYS or self.ticks.sure

    @property
    def _strange_clock(self) -> bool:
        """Whether the clock is none that can be counted: not a matter of this tick or that."""
        ticks = self.ticks
        if ticks.sure:
            return False
        off = sum(p for n, p in ticks.chances if abs(n - ticks.ticks) > 1)
        return ticks.wrong_by_more - off > 1e-7

    def _differ(self, held: Situation) -> bool:
        """Whether the worlds that matter differ in what is shown."""
        return bool(belief.doubt(held.worlds, self.setlist, self._count).kind)

    @property
    def _doubt(self) -> Doubt:
        found, heard = self._plain_doubt, self.by_ear
        if not (found.kind and heard.words):
            return found
        # Where a count is on the screen, what is to be pressed is about that one.
        ready = self.situation.transport is State.READY
        return Doubt(found.kind, heard.words, heard.help if ready else found.help)

    @property
    def _plain_doubt(self) -> Doubt:
        """The doubt, but for what may have been heard of it."""
        held = self.situation
        state = held.transport
        press = "press start on the instrument, or say where the one is"
        if state is State.READY and not self.rehearses:
            return Doubt("joined", JOINED, press)
        if state is State.LOST:
            return Doubt("clock", CLOCK_LOST, "wait for the clock, or look at the cable")
        found = belief.doubt(self._shown.worlds, self.setlist, self._count)
        if found.kind:
            if held.why in _OF_THE_CLOCK and found.kind == "part":
                return found
            if held.why and held.why == held.remedy[0]:
                return Doubt(found.kind, *held.remedy)
            return found._replace(words=held.why or found.words)
        if not self._clock_sure:
            if self.ticks.coarse_ms:
                return Doubt("clock", CLOCK_COARSE.format(self.ticks.coarse_ms), FINER)
            return Doubt("clock", held.why or CLOCK_ODD, "wait a beat, or press c if it is right")
        return found

    def _keeps_beat(self, count: int) -> bool:
        """Whether nearly all weight knows where the beat is."""
        held = self.situation
        if not self.ticks.sure:
            return False
        shown = held.worlds[0][0]
        beat = self.setlist.parts[held.plan.part - 1].pattern.meter.beat_ticks
        for world, weight in held.worlds:
            if world.start is None or shown.start is None:
                if weight >= belief.WEIGHTS.line:
                    return False
            elif (world.start - shown.start) % beat and weight >= belief.WEIGHTS.line:
                return False
        return True

    def _tick_of(self, held: Situation) -> int:
        start = held.worlds[0][0].start
        return -1 if start is None else self._count - start

    def _fresh(self, held: Situation) -> bool:
        """Whether the next clock is the first at a position that was set rather than counted."""
        told = held.told
        return held.transport not in _PLAYS and told is not None and told[0] == 0

    def _following(self, plan: Plan) -> Part | None:
        """The part that comes at the end of the shown one: the one asked for, or the next.

        None after the last, and where the song ends in silence.
        """
        target = plan.wishes.target
        if target is not None:
            return self.setlist.parts[target - 1]
        return None if self._ends_song(plan) else self._after(plan)

    def _upcoming(self, plan: Plan) -> Part | None:
        """What comes next, whether the shown part changes into it or silence lies between."""
        return self._following(plan) or (self._after(plan) if self._ends_song(plan) else None)

    def _after(self, plan: Plan) -> Part | None:
        """The next part of the set."""
        return self.setlist.parts[plan.part] if plan.part < len(self.setlist.parts) else None

    def _target(self, plan: Plan, number: int) -> int | None:
        """What a wish holds that asks for part `number`: None for what comes by the plan anyway."""
        on_plan = self._following(replace(plan, wishes=Wishes()))
        return None if on_plan is not None and on_plan.number == number else number

    def _ends_song(self, plan: Plan) -> bool:
        """Whether the shown part ends in silence: nothing is sent there, a person stops it."""
        return plan.part in self._course.stops and plan.wishes.target is None

    def _end_count(self, plan: Plan) -> int | None:
        """The count at which the shown part ends and another is to begin, None while that is open.

        Where a song ends in silence nothing begins: it plays on until somebody stops it.
        """
        if plan.start is None or plan.end is None or self._ends_song(plan):
            return None
        return plan.start + plan.end

    def _over(self, held: Situation) -> bool:
        """Whether the song has ended, and plays on until somebody stops it."""
        end = held.plan.end
        return self._ends_song(held.plan) and end is not None and self._tick_of(held) >= end

    def _can_end(self, held: Situation) -> bool:
        """Whether a wish to go on would bring the silence nearer in which the song ends."""
        runs = held.transport is State.RUNNING
        return runs and self._ends_song(held.plan) and not self._over(held)

    def _changes_to(self, number: int, left: int) -> tuple[ProgramChange, ...]:
        """What instruments are told for part `number` after part `left`."""
        return to_be_told(
            self.setlist.parts[number - 1],
            self._course.stages[number - 1],
            self._has(self.situation),
            jump=number != left + 1,
        )

    @staticmethod
    def _has(held: Situation) -> dict[str, ProgramChange]:
        return {change.instrument: change for change in held.has}

    def _natural(self, shown: World) -> Plan:
        """The plan of a part that has just been taken up."""
        plan = Plan(shown.part, shown.start, Wishes(end=ends_by_plan(self.setlist, shown.part)))
        return replace(plan, pending=self._open(plan))

    def _anew(self, part: int) -> tuple[Stretch, ...]:
        """A part that begins with nothing before it."""
        layers = layer_ticks(self.setlist.parts[part - 1], None)
        begun = self.situation.stretches[-1].begun + 1
        return (Stretch(0, part - 1, begun=begun, layers=layers),)

    def _open(self, plan: Plan) -> tuple[PendingView, ...]:
        following = self._following(plan)
        changes = () if following is None else self._changes_to(following.number, plan.part)
        return tuple(PendingView(change, Outcome.OPEN) for change in changes)

    def _reopened(self, plan: Plan) -> tuple[PendingView, ...]:
        return tuple(
            p if p.outcome in _HELD else PendingView(p.change, Outcome.OPEN) for p in plan.pending
        )

    def _own(self, plan: Plan) -> PendingView | None:
        """The change that moves the next part's own instrument."""
        following = self._following(plan)
        name = None if following is None else following.instrument
        return next((p for p in plan.pending if p.change.instrument == name), None)

    def _by_hand(self, held: Situation, plan: Plan) -> bool:
        """Whether a person makes the coming change."""
        own = self._own(plan)
        if own is not None and own.outcome in _HELD:
            return False
        return own is None or not (self.sends and held.armed)

    def _handed_back(self, plan: Plan) -> bool:
        """Whether a person may have made the coming change before sending was switched on again."""
        if plan.armed_at is None or plan.end is None or plan.start is None:
            return False
        length = self.setlist.parts[plan.part - 1].pattern.pass_ticks
        own = self._own(plan)
        if own is None or own.outcome in _HELD:
            return False
        return plan.armed_at >= plan.start + plan.end - length

    def _all_heard(self, held: Situation, plan: Plan) -> bool:
        """Whether no tick of the shown part's last pass went by unheard."""
        assert plan.start is not None
        assert plan.end is not None
        last, back = held.unheard
        end = plan.start + plan.end
        length = self.setlist.parts[plan.part - 1].pattern.pass_ticks
        return back <= last + 1 or last >= end or back <= end - length

    def _maybe_by_hand(self, held: Situation, count: int) -> Wait | None:
        """What a person may have chosen already for the coming boundary."""
        plan = held.plan
        following = self._following(plan)
        if following is None or plan.end is None or plan.start is None:
            return None
        name = following.instrument or self.setlist.parts[plan.part - 1].instrument
        if name is None:
            return None
        named = name in held.names and self._own(plan) is not None
        by_hand = self._by_hand(held, plan) and not (named and self._all_heard(held, plan))
        length = self.setlist.parts[plan.part - 1].pattern.pass_ticks
        if not (by_hand or self._handed_back(plan)):
            return None
        # Before its first tick it is in its first pass.
        if max(count, plan.start) + length < plan.start + plan.end:
            return None
        return Wait(name, following.number, plan.end, ours=False)

    def _pending_view(self, plan: Plan, tick: int) -> tuple[PendingView, ...]:
        """What becomes of the changes; those that fell due with sending off are a person's."""
        if plan.end is None or (self.sends and self.situation.armed):
            return plan.pending
        pattern = self.setlist.parts[plan.part - 1].pattern
        return tuple(
            PendingView(p.change, Outcome.BY_HAND)
            if p.outcome is Outcome.OPEN and tick >= (plan.end or 0) - self._lead(p.change, pattern)
            else p
            for p in plan.pending
        )

    def _is_timed(self, change: ProgramChange) -> bool:
        return self.setlist.instruments[change.instrument].lead.unit is Unit.MILLISECONDS

    def _lead(self, change: ProgramChange, pattern: Pattern) -> int:
        """How many ticks before its boundary `change` is due.

        Kept inside the pass that ends on the boundary for an instrument that applies a change
        there: outside it the change would be taken a pass early, or a pass late.
        """
        instrument = self.setlist.instruments[change.instrument]
        lead = instrument.lead
        if lead.unit is Unit.MILLISECONDS:
            # Rounded to the tick before, so that it is never later than asked.
            period_ns = round(self.ticks.period_ns) or PRESUMED_NS
            ticks = -(-lead.count * 1_000_000 // period_ns)
        else:
            ticks = lead.ticks(pattern)
        if not instrument.at_once:
            ticks = min(max(ticks, 1), pattern.pass_ticks)
        return ticks

    def _phrase_after(self, pattern: Pattern, tick: int) -> int:
        return (tick // pattern.phrase_ticks + 1) * pattern.phrase_ticks

    def _when(self) -> str:
        """When the running part ends, in words."""
        plan = self.situation.plan
        pattern = self.setlist.parts[plan.part - 1].pattern
        end, tick = plan.end, max(self._tick_of(self.situation), 0)
        if end is None:
            return "when you ask for it"
        if end <= tick + 1:
            return "now"
        if end % pattern.phrase_ticks:
            same = (end - 1) // pattern.pass_ticks == tick // pattern.pass_ticks
            return f"at the end of {'this' if same else 'the next'} pass"
        if (end - 1) // pattern.phrase_ticks == tick // pattern.phrase_ticks:
            return "at the end of this phrase"
        bars = -(-(end - tick) // pattern.meter.bar_ticks)
        return f"in {Span(bars, Unit.BARS)}"

    def _tell(self, word: Announced, was: World, wait: Wait | None) -> None:
        """Say what became of an instrument's word."""
        name = word.instrument
        now = self.situation.worlds[0][0]
        after = now.wait(name)
        shown = self.setlist.instruments[name].shown(word.program)
        part = self.setlist.parts[was.part - 1]
        notice = ""
        if after is not None and after != wait and not after.ours:
            notice = f"{name} goes to part {after.part} {self._when()}"
        elif wait is not None and after is None and now.part == was.part:
            notice = f"{name} stays in this part"
            if wait.ours:
                notice = f"{name} says that it stays on program {shown}"
        elif not has_program(part, word) and nearest_part(self.setlist, was.part, word) is None:
            known = any(
                (c.instrument, c.program) == (name, word.program)
                for p in self.setlist.parts
                for c in p.changes
            )
            notice = "" if known else f"{name} has program {shown}, and no part has it"
        if notice:
            self._event()
            self.notice = notice

    def _not_sent(self, change: ProgramChange) -> str:
        shown = self.setlist.instruments[change.instrument].shown(change.program)
        return f"program {shown} was not sent to {change.instrument}"

    def _set(self, **changes: Any) -> None:
        self.situation = replace(self.situation, **changes)

    def _event(self) -> None:
        self._set(events=self.situation.events + 1)


class _Course:
    """What the plan of a set says of each part, worked out once."""

    def __init__(self, setlist: SetList) -> None:
        self.stages = stages(setlist)
        # The parts that end in silence.
        self.stops = frozenset(song.parts[-1] for song in setlist.songs if song.stops)


def ends_by_plan(setlist: SetList, number: int) -> int | None:
    """The tick at which a part is planned to end; None where it plays on, as the last one does."""
    part = setlist.parts[number - 1]
    plays_on = number == len(setlist.parts) and not setlist.songs[part.song].stops
    return None if plays_on else part.planned_ticks


def _marked(plan: Plan, changes: Collection[ProgramChange], outcome: Outcome) -> Plan:
    """`plan`, with that having become of those of its changes."""
    pending = (PendingView(p.change, outcome) if p.change in changes else p for p in plan.pending)
    return replace(plan, pending=tuple(pending))


def _after(plan: Plan, send: Send) -> Plan:
    """`plan` once `send` is out."""
    if not send.wanted:
        return _marked(plan, (send.change,), Outcome.SENT)
    # What is sent for the part that is shown is none of what is to come, and takes one's place.
    replaced = [p.change for p in plan.pending if p.change.instrument == send.instrument]
    return _marked(plan, replaced, Outcome.OPEN)


def _without(has: tuple[ProgramChange, ...], names: set[str]) -> tuple[ProgramChange, ...]:
    """What instruments have been told, but for those of `names`."""
    return tuple(c for c in has if c.instrument not in names) if names else has


def _echoes(sent: Sent, word: Announced) -> bool:
    """Whether `word` may be `sent` on its way back."""
    same = sent.instrument == word.instrument or sent.channel == word.channel
    return sent.program == word.program and same


def _lands(instrument: Instrument, pattern: Pattern, lead: int, least: int, most: int) -> bool:
    """Whether a change that leaves now, with `least` to `most` ticks left, is in its window."""
    if not lead:
        return most <= 0 and least >= -LATE_TICKS
    if not instrument.at_once and most > pattern.pass_ticks:
        return False
    return most <= lead and 2 * least >= lead


# -- to be kept, and taken up again ---------------------------------------------------------------


def dump(held: Situation) -> dict[str, Any]:
    """A situation as plain JSON values (what was a set is in order), for `load`."""
    plain: dict[str, Any] = msgspec.to_builtins(held, order="deterministic")
    return plain


def load(setlist: SetList, kept: Any) -> Situation:
    """The situation that `dump` wrote; raises ValueError if it is none of this set."""
    try:
        # Strict: no type is made of another.
        held = msgspec.convert(kept, Situation)
    except msgspec.ValidationError as error:
        raise ValueError(f"not a place: {error}") from error
    parts, course = len(setlist.parts), _Course(setlist)
    numbers = [held.plan.part, *(s.part_index + 1 for s in held.stretches)]
    plans = [held.plan, *(out.plan for out in held.out)]
    beliefs = [held.worlds, *(out.worlds for out in held.out)]
    for worlds in beliefs:
        if len(worlds) < 2 or worlds[-1][0].part or not all(w.part for w, _ in worlds[:-1]):
            raise ValueError("no such worlds")
        numbers += [w.part for w, _ in worlds[:-1]]
        waits = [wait for w, _ in worlds for wait in w.waits]
        numbers += [wait.part for wait in waits]
        if any(wait.instrument not in setlist.instruments for wait in waits):
            raise ValueError("no such instrument")
    for plan in plans:
        numbers += [plan.part, plan.wishes.target or plan.part]
        if not 1 <= plan.part <= parts or not 1 <= (plan.wishes.target or 1) <= parts:
            raise ValueError("no such part")
        if not _fits(plan, setlist, course):
            raise ValueError("not the same set")
    for stretch in held.stretches:
        if 1 <= stretch.part_index + 1 <= parts:
            layers = setlist.parts[stretch.part_index].layers
            if len(stretch.layers) != len(layers) or any(ticks < 0 for ticks in stretch.layers):
                raise ValueError("not the same layers")
    named = {*(change.instrument for change in held.has), *held.first}
    if not named <= setlist.instruments.keys() or not set(held.first) <= course.stages[0].keys():
        raise ValueError("no such instrument")
    shown = held.worlds[0][0]
    if not held.stretches or not all(1 <= number <= parts for number in numbers):
        raise ValueError("no such part")
    if shown.part != held.plan.part:
        raise ValueError("no such place")
    return held


def _fits(plan: Plan, setlist: SetList, course: _Course) -> bool:
    """Whether the changes of a plan are those of its set: all that is written, and what is put
    right besides."""
    target = plan.wishes.target or (0 if plan.part in course.stops else plan.part + 1)
    changes = [p.change for p in plan.pending]
    if not 1 <= target <= len(setlist.parts):
        return not changes
    may = set(course.stages[target - 1].values())
    return len(set(changes)) == len(changes) and (
        set(setlist.parts[target - 1].changes) <= set(changes) <= may
    )


def counterparts(old: SetList, new: SetList) -> list[int | None]:
    """For each part of `old`, by index, the index in `new` of the part that it has become.

    A part is known by its song's title (the second of two songs with one title by being the
    second) and its place in the song. None where the new set has no such part.
    """
    found: list[int | None] = [None] * len(old.parts)
    songs: dict[tuple[str, int], range] = {}
    for title, nth, numbers in _songs(new):
        songs[title, nth] = numbers
    for title, nth, numbers in _songs(old):
        now = songs.get((title, nth), range(0))
        for before, after in zip(numbers, now, strict=False):
            found[before - 1] = after - 1
    return found


def _renumbered(
    held: Situation, becomes: list[int | None], old: SetList, new_set: SetList
) -> dict[str, Any]:
    """Worlds and stretches of `held` by the numbers of another set; what is no more there goes."""

    def new(part: int) -> int:
        index = becomes[part - 1]
        return 0 if index is None else index + 1

    worlds = []
    for world, weight in held.worlds:
        if world.part:
            waits = tuple(replace(w, part=new(w.part)) for w in world.waits if new(w.part))
            world = replace(world, part=new(world.part), waits=waits)
        worlds.append(
            (world if world.part else replace(belief.ANYTHING, running=world.running), weight)
        )
    stretches: list[Stretch] = []
    for stretch in held.stretches:
        index = becomes[stretch.part_index]
        # Positions from before a part that is gone lie in parts that are no more.
        if index is None:
            stretches = []
            continue
        # A layer that is still there has counted on; another begins with the part.
        layers = layer_ticks(
            new_set.parts[index], old.parts[stretch.part_index], stretch.layers, 0, ()
        )
        stretches.append(replace(stretch, part_index=index, layers=layers))
    played = frozenset(map(new, held.played)) - {0}
    return {"worlds": belief.normal(worlds), "stretches": tuple(stretches), "played": played}


def _songs(setlist: SetList) -> list[tuple[str, int, range]]:
    """Title, how many of that title came before, and the numbers of the parts."""
    seen: dict[str, int] = {}
    found = []
    for song in setlist.songs:
        nth = seen.get(song.title, 0)
        seen[song.title] = nth + 1
        found.append((song.title, nth, song.parts))
    return found
