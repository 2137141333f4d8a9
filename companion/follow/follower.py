"""The follower: MIDI messages with their times in, what is due out.

Chooses which port's clock to follow, tells the conductor what is heard and of silence, and hands
each message to those who draw conclusions from it: presses, what instruments tell, the mutes that
are heard, whether changes were taken. Sans-I/O: the same code follows a live port, the internal
clock and a simulated night. How the count is known stands in `count`, which part plays in `belief`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from companion.follow.announced import Announced, Announcements, Echoes
from companion.follow.conductor import (
    NOTHING,
    OTHER_PORT,
    PRESUMED_NS,
    SLEPT,
    Conductor,
    LayerStanding,
    Send,
    Standing,
    Stretch,
)
from companion.follow.drift import Misfit
from companion.follow.ears import Ears
from companion.follow.mutesends import LATE_TICKS, Due, MuteOrder, MuteSending, not_sent
from companion.follow.mutesends import NOTHING as NO_MUTES
from companion.follow.notes import ChangeCheck, HeardMutes, TrackState, told_by
from companion.follow.portnames import matches
from companion.follow.presses import Controls, reserved_by
from companion.follow.transport import Signal, State
from companion.midi import (
    ACTIVE_SENSING,
    CLOCK,
    CONTINUE,
    PROGRAM_CHANGE,
    RESET,
    SONG_POSITION,
    START,
    STOP,
    SYSTEM,
    control_change,
)
from companion.setlist import SetList
from companion.setlist.text import wish as wish_of
from companion.wishes import OF_THE_COUNT, Ask, WhyNot, Wish

_SIGNALS = {START: Signal.START, CONTINUE: Signal.CONTINUE, STOP: Signal.STOP, RESET: Signal.RESET}
# What makes a port worth following; a stop or a reset alone does not, and a position only where
# none is followed.
_LEADS = frozenset((CLOCK, START, CONTINUE))
_BEGINS = frozenset((START, CONTINUE))

# Silence this long, in ticks, is a lost clock: with 10 ms between two looks at the time, it is
# known within a quarter of a beat. While the tempo is unknown, or nothing is counted, half a
# second: a clock at 40 beats a minute ticks every 62 ms.
SILENT_TICKS = 5
SILENT_NS = 500_000_000
# Active sensing comes at least every 300 ms (MIDI 1.0); a tenth more for a late driver.
SENSING_NS = 330_000_000
# How long a lost clock is waited for before another is followed in its place.
WAIT_NS = 2_000_000_000
# How long another clock is mentioned after its latest tick.
OTHER_CLOCK_NS = 1_000_000_000

_NOBODY: Mapping[str, bool] = {}


@dataclass(frozen=True, slots=True)
class MuteSend:
    """A mute that is to leave at `at_ns`, and never after `latest_ns`."""

    order: MuteOrder
    at_ns: int
    latest_ns: int
    messages: tuple[bytes, ...]
    ticks_left: int = 0

    @property
    def instrument(self) -> str:
        """The name of the instrument that it is for."""
        return self.order.instrument

    @property
    def kind(self) -> str:
        """What sort of message it is."""
        return "mute"


Sends = tuple[Send | MuteSend, ...]


@dataclass(frozen=True, slots=True)
class NextChange:
    """The coming change: in so many ticks, to that part (its number)."""

    ticks: int
    part: int


@dataclass(frozen=True, slots=True)
class Status:
    """Where things stand, in a few words; `state` is one of the five of `companion status`.

    `part` is its number, `name` what the performer calls it, `tick` the one last heard, 0 before
    the first; `tempo` in beats a minute, 0 while unknown. `doubt` says why the count is unsure,
    `doubt_kind` in one word, `help` what to do about it. `layers` is what plays beside the part,
    each with its own `tick`. `stop_at_end` says that the part ends in silence.
    """

    state: str
    sure: bool
    doubt: str
    doubt_kind: str
    help: str
    part: int
    tick: int
    tempo: float
    notice: str
    sending: bool
    next_change: NextChange | None
    name: str = ""
    layers: tuple[LayerStanding, ...] = ()
    stop_at_end: bool = False


class Listeners:
    """All that is made from one set list to listen with, so that it is replaced as a whole."""

    def __init__(self, setlist: SetList) -> None:
        self.announcements = Announcements(setlist.instruments, matches)
        self.controls = Controls(setlist.controls, matches=matches, reserved=reserved_by(setlist))
        self.change_check = ChangeCheck(setlist, matches)
        self.mutes = MuteSending(setlist)
        self.heard = HeardMutes(setlist, matches)
        self.ears = Ears(setlist, matches)
        # Most sets have none, and then a tick pays nothing for them.
        self.presses = bool(setlist.controls)
        told = {name for name, each in setlist.instruments.items() if each.tells.mutes}
        self.telling = [each for each in setlist.instruments.values() if each.tells.fill]
        # Whether anything that is heard says what plays: notes, or what is told of mutes.
        self.listens = any(
            setlist.notes_of(each) or each.instrument in told for each in setlist.all_that_plays()
        )
        # Whether anybody would say so if a fill were held.
        self.knows_fill = bool(self.telling) or any(
            each.wish.ask is Ask.FILL for each in setlist.controls
        )


class Follower:
    """Follows one set by the first port that leads. Times are nanoseconds of one monotonic clock.

    The port that was started first, or whose count a person set, is home: only its count can be
    sure, and once it is back it is followed again. Not thread-safe: one caller at a time.

    A send whose `at_ns` lies ahead is the caller's to keep, and leaves only if `keeps` still holds
    then; a `checkpoint` is to be taken and kept before what a call returned leaves.
    """

    def __init__(self, setlist: SetList, *, sends: bool = True, can_send: bool = True) -> None:
        """With `sends` false it begins disarmed; without `can_send` nobody can arm it."""
        self.conductor = Conductor(setlist, sends=can_send)
        if not sends:
            self.conductor.begin_disarmed()
        self.port: str | None = None
        self.clocks_lost = 0
        self._made = Listeners(setlist)
        # The instruments that could be sent to lately, and those that once could and cannot now.
        self._reached: Collection[str] | None = None
        self._away: frozenset[str] = frozenset()
        self._home: str | None = None
        # What it was before the latest word of a person on the count.
        self._home_before: str | None = None
        self._last_heard_ns = 0
        # When the clock last gave a sign of life, a start included.
        self._alive_ns = 0
        self._senses = False
        # Whether the instrument was set going and its first tick has not come yet.
        self._setting_off = False
        self._others: dict[str, int] = {}
        # Our own programs that may come back and are no presses.
        self._echoes = Echoes()
        # The ports on which an instrument told of a fill that is still held.
        self._fills: set[str] = set()
        self._stretch: Stretch | None = None
        # The latest wishes, when they came and whether anything came of them: for who takes notes,
        # and takes them away.
        self.wished: deque[tuple[int, Wish, bool]] = deque(maxlen=64)

    # -- what is heard -----------------------------------------------------------------------

    def hear(
        self, port: str, t_ns: int, message: Sequence[int], now_ns: int | None = None
    ) -> Sends:
        """Take one MIDI message (its bytes) that arrived on `port` at `t_ns`. Returns what is due.

        `now_ns` is when it was handed on, where the driver did that late: what would leave too late
        by then is not returned. What is not one whole message is passed over.
        """
        if not message:
            return NOTHING
        if message[0] < SYSTEM:
            sends = self._channel(port, t_ns, message)
        else:
            sends = self._system(port, t_ns, message)
        return sends if now_ns is None or not sends else self._in_time(sends, now_ns)

    def press(self, port: str, t_ns: int, message: Sequence[int]) -> Sends:
        """Take one message from a port that only presses come from. Returns what is due."""
        made = self._made
        if not made.presses or not message or message[0] >= SYSTEM:
            return NOTHING
        if message[0] & 0xF0 == PROGRAM_CHANGE and len(message) > 1:
            came = Announced("", message[0] & 0x0F, message[1])
            if self._echoes.is_echo(came, t_ns):
                return NOTHING
        return self._obey(made.controls.hear(port, t_ns, message), t_ns)

    def passed(self, now_ns: int, reached: Collection[str] | None = None) -> Sends:
        """Tell that it is `now_ns` and nothing else arrived: it is how silence is known.

        Call it a few times per tick. `reached` are the instruments that can be sent to by now, None
        for all. Returns what is due.
        """
        self._look(now_ns)
        sends: Sends = NOTHING
        if reached is not self._reached:
            self._reach(reached)
        if first := self.conductor.passed(now_ns, reached):
            sends = self._left(first, now_ns)
        made = self._made
        if made.presses:
            sends = (*sends, *self._obey(made.controls.passed(now_ns), now_ns))
        return sends

    def port_gone(self, port: str, t_ns: int) -> Sends:
        """Tell that `port` has vanished: its clock is lost at once. Returns what is due."""
        self._others.pop(port, None)
        self._made.announcements.port_gone(port)
        self._fills.discard(port)
        if port == self.port and self.conductor.state in (State.RUNNING, State.READY):
            self._silent(Signal.SILENCE, t_ns)
        return self._obey(self._made.controls.port_gone(port), t_ns)

    def slept(self) -> None:
        """Tell that the computer slept: whatever was counted may have moved on unheard."""
        if self.conductor.state not in (State.WAITING, State.READY):
            self.conductor.suspect(SLEPT, part=True)

    # -- what is wished ----------------------------------------------------------------------

    def wish(self, words: str, t_ns: int) -> Sends:
        """Do what the words of docs/setlist.md ask for. Raises BadText. Returns what is due."""
        return self.grant(wish_of(words), t_ns)

    def grant(self, wish: Wish, t_ns: int) -> Sends:
        """Do what is wished; what came of it is said in the notice. Returns what is due."""
        self._look(t_ns)
        was_sure, undone = self.conductor.sure, ""
        if wish.ask is Ask.UNDO:
            undone = self.conductor.undoable
        sends = self._left(self.conductor.grant(wish, t_ns), t_ns)
        self.wished.append((t_ns, wish, self.conductor.situation.refused is None))
        if undone and Wish.of(undone).ask in OF_THE_COUNT:
            self._home = self._home_before
        elif wish.ask in OF_THE_COUNT:
            self._home_before = self._home
            if self.conductor.sure and not was_sure:
                # A person set the count, and so trusts the clock that is followed.
                self._home = self.port
        return sends

    def refused(self) -> tuple[WhyNot, ...]:
        """The wishes that would do nothing now, and why: see `Conductor.refused`."""
        return self.conductor.refused()

    # -- what became of a send ---------------------------------------------------------------

    def keeps(self, send: Send | MuteSend) -> bool:
        """Whether `send`, which waits for its time, is still to leave."""
        return isinstance(send, MuteSend) or self.conductor.keeps(send)

    def failed(self, send: Send | MuteSend, t_ns: int) -> Sends:
        """Tell that `send` did not leave: its port failed, or its time had gone by."""
        if isinstance(send, MuteSend):
            self._missed_mutes([send.order])
            return NOTHING
        return self.conductor.failed(send, t_ns)

    # -- where things stand ------------------------------------------------------------------

    def standing(self) -> Standing:
        """One immutable look at everything, for those who draw."""
        return self.conductor.standing()

    def status(self) -> Status:
        """Where things stand, in a few words."""
        seen, following = self.conductor.standing(), None
        if seen.end is not None and seen.following is not None:
            following = NextChange(max(seen.end - seen.tick, 0), seen.following.number)
        return Status(
            state=seen.state.value,
            sure=seen.sure,
            doubt=seen.doubt,
            doubt_kind=seen.doubt_kind,
            help=seen.help,
            part=seen.part.number,
            tick=max(self.conductor.tick, 0) if seen.state is State.RUNNING else seen.tick,
            tempo=self.conductor.ticks.bpm,
            notice=seen.notice,
            sending=seen.sends and seen.armed,
            next_change=following,
            name=seen.part.name,
            layers=seen.layers,
            stop_at_end=seen.stops,
        )

    @property
    def setlist(self) -> SetList:
        """The set list that is followed."""
        return self.conductor.setlist

    @property
    def fill(self) -> bool:
        """Whether a fill is held, as far as a press or an instrument says."""
        return self._made.controls.fill or bool(self._fills)

    @property
    def heard(self) -> Mapping[str, TrackState]:
        """What is known of the mute of each track of the running part."""
        return self._made.heard.states

    @property
    def found(self) -> Mapping[str, int]:
        """The tick at which that was last found to have changed, by track."""
        return self._made.heard.found

    @property
    def misfits(self) -> tuple[Misfit, ...]:
        """The steps of the running pattern that do not play as the set list says."""
        return self._made.heard.misfits

    @property
    def ignored(self) -> str:
        """A plain sentence on an instrument that did not take its change, "" if there is none."""
        return self._made.change_check.trouble(self.conductor)

    @property
    def presses_refused(self) -> list[str]:
        """Plain sentences on presses that get in the way of the music."""
        return [f"a press is not obeyed: {r.reason}" for r in self._made.controls.refused]

    @property
    def period_ns(self) -> int:
        """How long a tick lasts, in ns; what is usual while unknown."""
        return round(self.conductor.ticks.period_ns) or PRESUMED_NS

    def other_clocks(self, now_ns: int) -> list[str]:
        """Ports that send clock too, though another is followed."""
        return [p for p, t in self._others.items() if now_ns - t < OTHER_CLOCK_NS]

    # -- another engine, another set list ----------------------------------------------------

    def checkpoint(self, t_ns: int) -> dict[str, Any]:
        """Where it stands at `t_ns`, as plain JSON values, for `resume`."""
        return {
            "at_ns": t_ns,
            "port": self.port,
            "home": self._home,
            "home_before": self._home_before,
        } | self.conductor.keep(t_ns)

    @classmethod
    def resume(
        cls, setlist: SetList, kept: Mapping[str, Any], t_ns: int, *, can_send: bool = True
    ) -> Follower:
        """Another follower of the same set at `t_ns`, put where that one stood.

        Raises ValueError, TypeError or KeyError where `kept` is no checkpoint of this set.
        """
        follower = cls(setlist, can_send=can_send)
        follower.conductor.resume(kept, int(kept["at_ns"]), t_ns)
        ports = kept["port"], kept["home"], kept.get("home_before")
        if not all(isinstance(port, str | None) for port in ports):
            raise TypeError("a port is no name")
        follower.port, follower._home, follower._home_before = ports
        follower._alive_ns = follower._last_heard_ns = t_ns
        return follower

    def adopt(self, setlist: SetList, made: Listeners | None = None) -> None:
        """Go on by another version of the set list: see `Conductor.adopt`.

        `made` are its listeners, where somebody made them before, since that takes a while.
        """
        self.conductor.adopt(setlist)
        before, made = self._made, Listeners(setlist) if made is None else made
        made.controls.take_over(before.controls)
        made.heard.take_over(before.heard)
        # What was due at this very tick has been done by the old one.
        made.mutes.ticked(self.conductor)
        self._made = made

    # -- inside: messages --------------------------------------------------------------------

    def _channel(self, port: str, t_ns: int, message: Sequence[int]) -> Sends:
        made, conductor = self._made, self.conductor
        sends = self.press(port, t_ns, message) if made.presses else NOTHING
        if made.telling:
            self._hear_fill(port, message)
        if made.ears.any:
            made.ears.hear(port, t_ns, message, conductor)
        made.heard.hear(port, message, conductor, t_ns)
        made.change_check.hear(port, message, conductor)
        word = made.announcements.hear(port, message)
        if word is None:
            return sends
        self._look(t_ns)
        return (*sends, *self._left(conductor.named(word, t_ns), t_ns))

    def _system(self, port: str, t_ns: int, message: Sequence[int]) -> Sends:
        if message[0] == SONG_POSITION and not _is_position(message):
            self.conductor.notice = f"a song position that is no MIDI was passed over ({port})"
            return NOTHING
        if port != self.port and not self._choose(port, t_ns, message):
            return NOTHING
        # Where the whole computer was held up, nobody looked while nothing came.
        self._look(t_ns)
        self._last_heard_ns = t_ns
        status = message[0]
        sends: Sends = NOTHING
        if status == CLOCK:
            self._alive_ns = t_ns
            self._setting_off = False
            sends = self.conductor.signal(Signal.CLOCK, t_ns)
        elif (signal := _SIGNALS.get(status)) is not None:
            sends = self._transport(signal, status in _BEGINS, t_ns)
        elif status == SONG_POSITION:
            position = message[1] | message[2] << 7
            sends = self.conductor.signal(Signal.POSITION, t_ns, position)
        elif status == ACTIVE_SENSING:
            self._senses = True
            return NOTHING
        else:
            return NOTHING
        if sends:
            sends = self._left(sends, t_ns)
        mutes = self._ticked(t_ns)
        return (*sends, *mutes) if mutes else sends

    def _ticked(self, t_ns: int) -> tuple[MuteSend, ...]:
        """Tell all who listen that a tick may have been counted; returns the mutes that are due."""
        made, conductor = self._made, self.conductor
        due = made.mutes.ticked(conductor) if made.mutes.any else NO_MUTES
        if not made.listens:
            return self._mute_sends(due, t_ns) if due.now or due.missed else ()
        fill = self.fill if made.knows_fill else None
        stretch = conductor.stretch
        muted = made.heard.muted if stretch != self._stretch else _NOBODY
        self._stretch = stretch
        made.heard.ticked(conductor, fill)
        made.change_check.ticked(conductor, muted, fill)
        if made.ears.any:
            self._listen(made.ears, fill)
        return self._mute_sends(due, t_ns) if due.now or due.missed else ()

    def _listen(self, ears: Ears, fill: bool | None) -> None:
        """Let those listen who find the place, where its clock may be trusted at all."""
        conductor = self.conductor
        if conductor.listens and self._home not in (None, self.port):
            return
        if ears.ticked(conductor, fill):
            self._home = self.port
        conductor.by_ear = ears.says

    def _mute_sends(self, due: Due, t_ns: int) -> tuple[MuteSend, ...]:
        if due.missed:
            self._missed_mutes(due.missed)
        latest_ns = t_ns + LATE_TICKS * self.period_ns if due.now else 0
        return tuple(MuteSend(o, t_ns, latest_ns, _mute_message(o)) for o in due.now)

    def _missed_mutes(self, orders: list[MuteOrder]) -> None:
        self.conductor.notice = not_sent(orders)
        self.conductor.count += 1

    def _in_time(self, sends: Sends, now_ns: int) -> Sends:
        """Those that need not be too late; of the others it is told that they did not leave."""
        late = [send for send in sends if now_ns > send.latest_ns]
        mutes = [send.order for send in late if isinstance(send, MuteSend)]
        if mutes:
            self._missed_mutes(mutes)
        for send in late:
            if isinstance(send, Send):
                self.conductor.failed(send, now_ns)
        return tuple(send for send in sends if now_ns <= send.latest_ns)

    def _left(self, sends: tuple[Send, ...], t_ns: int) -> Sends:
        """Take note of what is about to leave, so that it is no press when it comes back."""
        for send in sends:
            instrument = self.setlist.instruments[send.instrument]
            self._echoes.sent(send.change, instrument.channel, max(send.at_ns, t_ns))
            self._made.change_check.sent(send)
        return sends

    def _obey(self, asked: Sequence[Wish], t_ns: int) -> Sends:
        """Do what presses ask for."""
        sends: Sends = NOTHING
        for each in asked:
            if each.ask is Ask.FILL:
                # The presses know themselves what they hold; screens are to see it.
                self.conductor.count += 1
            else:
                sends = (*sends, *self.grant(replace(each, pressed=True), t_ns))
        return sends

    def _hear_fill(self, port: str, message: Sequence[int]) -> None:
        for each in self._made.telling:
            if not (each.port is None or matches(each.port, port)):
                continue
            fill = told_by(each.tells, message).fill
            if fill is not None and fill != (port in self._fills):
                (self._fills.add if fill else self._fills.discard)(port)
                self.conductor.count += 1

    # -- inside: ports and silence -----------------------------------------------------------

    def _look(self, now_ns: int) -> None:
        """Take in how long nothing was heard by now."""
        conductor = self.conductor
        state = conductor.state
        if conductor.own_clock or (state is not State.RUNNING and state is not State.READY):
            return
        if self._senses and now_ns - self._last_heard_ns > SENSING_NS:
            self._senses = False
            self._silent(Signal.SENSING_GONE, now_ns)
            return
        silent_ns = now_ns - self._alive_ns
        if self._alive_ns == 0 or silent_ns < SILENT_TICKS * 5_000_000:
            # No clock ticks so fast that this could be a silence.
            return
        counting = state is State.RUNNING and not self._setting_off
        period_ns = conductor.ticks.period_ns if counting else 0
        if silent_ns > (SILENT_TICKS * period_ns or SILENT_NS):
            self._silent(Signal.SILENCE, now_ns)

    def _transport(self, signal: Signal, begins: bool, t_ns: int) -> tuple[Send, ...]:
        if signal is Signal.RESET:
            self._senses = False
        running = self.conductor.state is State.RUNNING
        sends = self.conductor.signal(signal, t_ns)
        if begins:
            if not running:
                self._setting_off = True
                self._alive_ns = t_ns
            if self._home is None:
                self._home = self.port
            elif self.port != self._home:
                self.conductor.suspect(OTHER_PORT)
        return sends

    def _reach(self, reached: Collection[str] | None) -> None:
        """Take in which instruments can be sent to by now; of one that is back, tell."""
        before, now = frozenset(self._reached or ()), frozenset(reached or ())
        self._reached = reached
        for name in self._away & now:
            self.conductor.came_back(name)
        self._away = (self._away | before) - now

    def _silent(self, signal: Signal, now_ns: int) -> None:
        if self.conductor.state is State.RUNNING:
            self.clocks_lost += 1
        self.conductor.signal(signal, now_ns)

    def _choose(self, port: str, t_ns: int, message: Sequence[int]) -> bool:
        """Whether to follow `port`, which is not the one followed, from this message on."""
        if message[0] not in _LEADS and (self.port is not None or message[0] != SONG_POSITION):
            return False
        if not self._is_better(port, t_ns, message[0] in _BEGINS):
            if message[0] == CLOCK:
                self._others[port] = t_ns
            return False
        self._others.pop(port, None)
        self.port = port
        self._senses = False
        if self.conductor.state in (State.RUNNING, State.LOST) and port != self._home:
            self.conductor.suspect(OTHER_PORT)
        return True

    def _is_better(self, port: str, t_ns: int, begins: bool) -> bool:
        if self.port is None or port == self._home:
            return True
        silent_ns = t_ns - self._alive_ns
        match self.conductor.state:
            case State.RUNNING:
                return False
            case State.LOST:
                return silent_ns > WAIT_NS
            case State.STOPPED:
                # Clocks alone do not take a stopped set over: its own may start without any.
                return begins and silent_ns > SILENT_NS
            case _:
                # Before anything was started, a start says more than clocks do.
                return silent_ns > SILENT_NS or (begins and self._home is None)


def _mute_message(order: MuteOrder) -> tuple[bytes, ...]:
    send = order.send
    return (control_change(send.channel, send.controller, order.value),)


def _is_position(message: Sequence[int]) -> bool:
    """Whether a song position is whole, its data bytes below 128 (MIDI 1.0, from memory)."""
    return len(message) == 3 and max(message[1:]) < 0x80
