"""A rehearsal: the internal clock drives the virtual instrument, and what it plays goes out.

Here the clock, the follower, the virtual instrument and the ports meet; what each of them knows is
its own affair. Everything happens on the clock's thread, tick by tick: wishes to start and to pause
are taken there, and so a note, a click and the clock that leaves never pass each other. Only a
program change may reach the virtual instrument on another thread, under the engine's lock.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from companion.counting import Pattern
from companion.engine.portkeeper import Keeper
from companion.engine.ports import Output
from companion.follow.conductor import Send, Stretch
from companion.follow.follower import Follower, MuteSend, Sends
from companion.follow.notes import planned_mutes
from companion.follow.transport import State
from companion.midi import CLOCK, CONTINUE, START, STOP, Message
from companion.rehearse import (
    CLICKS,
    Course,
    Key,
    Loop,
    Place,
    Sounding,
    Strike,
    VirtualInstrument,
    click,
)
from companion.rehearse.sounding import note_offs
from companion.setlist import Action, Layer, Part, SetList
from companion.wishes import Ask, Wish

# What goes out of a rehearsal beside what instruments are told.
SOUND, CLOCK_OUT = "sound", "clock"
# What our own instrument is known not to do.
_RULED_OUT = 1e-9


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What was asked for: see `companion rehearse`.

    `sound` and `clock_out` are globs of output ports, None for none. `begin` is the number of the
    part to begin with, `count_in` is in bars. `sends` says that real instruments are told, too.
    With `stays` it can be started again when it is over; else the engine ends. With `join` it plays
    already, at a random place that nobody is told, and is to be found by ear.
    """

    begin: int = 1
    loop: Loop | None = None
    count_in: int = 0
    click: bool = False
    seed: int = 0
    sound: str | None = None
    clock_out: str | None = None
    sends: bool = False
    now: bool = False
    stays: bool = False
    join: bool = False

    @property
    def outlets(self) -> dict[str, str]:
        """The globs of the ports to be kept, by what goes out there."""
        wanted = {SOUND: self.sound, CLOCK_OUT: self.clock_out}
        return {name: glob for name, glob in wanted.items() if glob is not None}


@dataclass(frozen=True, slots=True)
class Joined:
    """How a place was found: part and tick that were joined, and after how many ticks it was sure.

    `after` is None where the part was over before. `right` says whether that is where it played,
    `last` what the doubt was at the end of it.
    """

    part: int
    tick: int
    after: int | None = None
    right: bool = False
    last: str = ""

    def told(self, setlist: SetList) -> str:
        """It in plain words."""
        part = setlist.parts[self.part - 1]
        bar_ticks = part.pattern.meter.bar_ticks
        where = f"joined part {self.part}, {part.name}, in bar {self.tick // bar_ticks + 1}"
        if self.after is None:
            return f"{where}: not found before its end ({self.last})"
        bars = f"{self.after / bar_ticks:.1f} bars"
        return f"{where}: sure after {bars}, {'and right' if self.right else 'and WRONG'}"


class Phase(Enum):
    """Where a rehearsal is."""

    WAITING = "waits for its start"
    COUNT_IN = "is counted in"
    PLAYING = "plays"
    PAUSED = "stands still"
    JOINED = "plays, and is to be found"


class Rehearsing:
    """Plays one rehearsal. `heard` is for the clock's thread; `played` and `close` for after it.

    `over` says that all has been played.
    """

    def __init__(
        self,
        asked: Rehearsal,
        follower: Follower,
        keeper: Keeper,
        lock: threading.Lock,
        hear: Callable[[str, int, Sequence[int]], None],
        send: Callable[[Sends], None],
        played: Callable[[int, Message], None],
    ) -> None:
        """`hear` takes what the clock says, `send` what is due to leave, `played` every note.

        The latter two are called under the lock, with the messages of a note and when it was due.
        """
        self.asked = asked
        # What was played, in order: each part with how many ticks of it.
        self.played: list[list[int]] = []
        self.over = False
        self.joined: Joined | None = None
        self._follower = follower
        self._conductor = follower.conductor
        self._conductor.rehearses = True
        self._keeper = keeper
        self._lock = lock
        self._hear = hear
        self._send = send
        self._put_down = played
        self._course = Course(asked.begin, asked.loop)
        self._instrument = VirtualInstrument(follower.setlist, asked.seed)
        self._sounding = Sounding()
        self._phase = Phase.WAITING
        # Ticks of the count-in that are left.
        self._left = 0
        # Where it stands still, and whether the next start goes on there or begins at its top.
        self._stands_in: Stretch | None = None
        self._resumes = False
        # The stretch that plays; None until its first tick.
        self._stretch: Stretch | None = None
        self._outputs: dict[str, Output | None] = {}
        # The tracks that a person mutes and unmutes, each with its instrument.
        self._by_hand: set[tuple[str, str]] = set()
        # Every key that may have sounded.
        self._keys = self._instrument.keys | CLICKS

    def begin(self) -> None:
        """Choose the part to begin with. Before anything is heard, and when all is over."""
        if self.asked.join and self.joined is None:
            self._join()
            return
        with self._lock:
            place = self._course.begin(self._follower.setlist)
            if self._conductor.part.number != place.part:
                wish = Wish(Ask.PART, part=place.part)
                self._send(self._follower.grant(wish, time.monotonic_ns()))
            self._put(place)
            self._stands_in, self._resumes = self._conductor.stretch, False
            if self.asked.now and not self.played:
                self._conductor.called = Ask.START

    def heard(self, port: str, t_ns: int, message: Sequence[int]) -> None:
        """The internal clock ticks: all that belongs to this tick, in its order."""
        if self.over:
            return
        if self._phase is Phase.JOINED:
            self._be_found(port, t_ns, message)
            return
        with self._lock:
            called, self._conductor.called = self._conductor.called, None
            self._do_as_said()
        if called is Ask.START and self._phase is not Phase.PLAYING:
            self._count_in()
        elif called is Ask.PAUSE:
            self._pause(port, t_ns)
        if self._phase is Phase.COUNT_IN and self._left == 0:
            self._set_going(port, t_ns)
        elif self._phase is Phase.PLAYING:
            self._end_what_ends(port, t_ns)
            if self.over:
                return
        self._put_out(CLOCK_OUT, (bytes((CLOCK,)),))
        if self._phase is not Phase.PLAYING:
            self._hear(port, t_ns, message)
            self._click_in()
            return
        with self._lock:
            self._instrument.advance()
        self._hear(port, t_ns, message)
        with self._lock:
            strikes = self._instrument.strikes(self._follower.fill)
            if self.asked.click:
                strikes += click(self._pattern, self._instrument.tick)
            messages = self._sounding.tick(strikes)
            for message in messages:
                if Key(message[0] & 0x0F, message[1]) in self._instrument.keys:
                    self._put_down(t_ns, message)
        self._put_out(SOUND, messages)

    def ticked(self) -> None:
        """The follower has counted a tick. Called under the lock, before anybody looks."""
        if self._phase is Phase.PLAYING:
            self._follow()

    def take(self, send: Send | MuteSend) -> None:
        """The virtual instrument gets what an instrument is sent. Called under the lock."""
        if isinstance(send, MuteSend):
            order = send.order
            self._instrument.mute(order.instrument, order.send.track, order.muted)
        else:
            self._instrument.tell(send.instrument, send.part, now=not send.ticks_left)

    def adopt(self, setlist: SetList) -> None:
        """Go on by another version of the set list, the follower in it already. Under the lock."""
        self._instrument.adopt(setlist, self._conductor.part.number)
        self._keys |= self._instrument.keys
        self._stretch = self._conductor.stretch

    def close(self) -> None:
        """End every note, and stop whoever follows the clock. The clock is silent by now."""
        if self._phase is Phase.PLAYING:
            self._put_out(CLOCK_OUT, (bytes((STOP,)),))
        self._put_out(SOUND, self._sounding.silence())

    # -- inside: found by ear ----------------------------------------------------------------

    def _join(self) -> None:
        """Play already, at a random tick of a part whose notes are known, and tell nobody."""
        setlist = self._follower.setlist
        rng = random.Random(self.asked.seed)
        parts = [part for part in setlist.parts if setlist.notes_of(part)]
        if self.asked.begin > 1:
            parts = [part for part in parts if part.number == self.asked.begin]
        part = rng.choice(parts)
        tick = rng.randrange(part.likely_ticks)
        with self._lock:
            self._conductor.rehearses = False
            self._instrument.place(part.number, tick - 1, 0)
            self._instrument.start()
            self.joined = Joined(part.number, tick)
            self._say("it plays already: where, is to be found by ear")
        self._phase = Phase.JOINED

    def _be_found(self, port: str, t_ns: int, message: Sequence[int]) -> None:
        """One tick, heard as of any instrument: clock and notes, and nothing else."""
        assert self.joined is not None
        joined, instrument = self.joined, self._instrument
        part = self._follower.setlist.parts[joined.part - 1]
        if instrument.tick + 1 == part.planned_ticks:
            # It goes on as far as the set says, and a set cannot say what comes if nothing is sent.
            self.joined = replace(joined, last=self._conductor.doubt)
            self._leave(port, t_ns)
            return
        self._put_out(CLOCK_OUT, (bytes((CLOCK,)),))
        with self._lock:
            instrument.advance()
        self._hear(port, t_ns, message)
        with self._lock:
            messages = self._sounding.tick(instrument.strikes(self._follower.fill))
            for each in messages:
                self._put_down(t_ns, each)
        self._put_out(SOUND, messages)
        for each in messages:
            self._hear(self._port_of(each), t_ns, each)
        with self._lock:
            if self._conductor.state is not State.RUNNING or not self._conductor.sure:
                return
            part, tick = self._conductor.part, self._conductor.tick
            right = part.number == instrument.part and tick == instrument.tick
            if part.planned_ticks is None:
                # Which phrase it is of a part without an end, nobody can hear.
                right = part.number == instrument.part
                right = right and (tick - instrument.tick) % part.pattern.pass_ticks == 0
            after = instrument.tick - joined.tick + 1
            self.joined = replace(joined, after=after, right=right)
            self._say(self.joined.told(self._follower.setlist))
            self.played.append([instrument.part, after])
        self._leave(port, t_ns)

    def _leave(self, port: str, t_ns: int) -> None:
        """It was found, or not: from here on it is a rehearsal like any other, or over."""
        joined = self.joined
        assert joined is not None
        self._conductor.rehearses = True
        if not self.asked.stays:
            self.over = True
        elif joined.after is None or not joined.right:
            self._stop(port, t_ns)
            self.begin()
            with self._lock:
                self._say(joined.told(self._follower.setlist))
        else:
            self._phase, self._stretch = Phase.PLAYING, self._conductor.stretch

    def _port_of(self, message: Message) -> str:
        """A name of a port on which that instrument would send it."""
        channel = message[0] & 0x0F
        instruments = self._follower.setlist.instruments.values()
        named = (each.port for each in instruments if each.channel == channel)
        # A glob fits itself.
        return next((glob for glob in named if glob is not None), "")

    # -- inside: its own transport -----------------------------------------------------------

    def _count_in(self) -> None:
        with self._lock:
            self._left = self.asked.count_in * self._pattern.meter.bar_ticks
            self._tell_beats()
            if self._left:
                bars = self.asked.count_in
                self._say(f"a count-in of {bars} {'bar' if bars == 1 else 'bars'}")
        self._phase = Phase.COUNT_IN

    def _tell_beats(self) -> None:
        """Tell how many beats are left, each until its end: they turn with the click."""
        start, beat = self._instrument.tick + 1, self._pattern.meter.beat_ticks
        left = -(-start // beat) - (start - self._left) // beat
        self._conductor.counted_in = left if self._left else 0

    def _click_in(self) -> None:
        """The click of the count-in; before a place within a bar it is that bar's own."""
        strikes: tuple[Strike, ...] = ()
        if self._phase is Phase.COUNT_IN:
            strikes = click(self._pattern, self._instrument.tick + 1 - self._left)
            with self._lock:
                self._tell_beats()
            self._left -= 1
        self._put_out(SOUND, self._sounding.tick(strikes))

    def _set_going(self, port: str, t_ns: int) -> None:
        with self._lock:
            self._conductor.counted_in = 0
            stays = self._conductor.stretch == self._stands_in
            if not stays:
                # Another part was chosen meanwhile, and begins at its top.
                self._put(Place(self._conductor.part.number))
            resumes = stays and self._resumes
            fresh = self._instrument.untouched
            self._instrument.start()
            self._stretch = self._conductor.stretch if resumes else None
        self._phase = Phase.PLAYING
        self._put_out(CLOCK_OUT, (bytes((CONTINUE if resumes else START,)),))
        self._hear(port, t_ns, (START if fresh and not resumes else CONTINUE,))

    def _pause(self, port: str, t_ns: int) -> None:
        if self._phase is Phase.COUNT_IN:
            self._phase = Phase.PAUSED
            with self._lock:
                self._conductor.counted_in = 0
        elif self._phase is Phase.PLAYING:
            self._stop(port, t_ns)

    def _stop(self, port: str, t_ns: int) -> None:
        self._phase = Phase.PAUSED
        self._put_out(CLOCK_OUT, (bytes((STOP,)),))
        self._put_out(SOUND, self._sounding.silence())
        self._stands_in, self._resumes = self._conductor.stretch, True
        self._hear(port, t_ns, (STOP,))
        with self._lock:
            self._instrument.stop()
            if self._conductor.part.number == self._instrument.part or self._instrument.waits:
                self._confess()

    def _end_what_ends(self, port: str, t_ns: int) -> None:
        """Stop before a tick that is not to be played any more: of a song, or of all."""
        with self._lock:
            part = self._follower.setlist.parts[self._instrument.part - 1]
            standing, tick = self._conductor.standing(), self._instrument.tick + 1
            end = standing.planned_end if standing.part is part else None
            ends = end is not None and tick >= end and standing.following is None
            over = self._course.is_over(part, tick) or (ends and standing.upcoming is None)
        if not (ends or over):
            return
        self._stop(port, t_ns)
        if not over:
            # A song that ends in silence; the next one waits for its start.
            if self.asked.now:
                self._conductor.called = Ask.START
        elif self.asked.stays:
            self.begin()
            with self._lock:
                self._say("that was all: it can be started again")
        else:
            self.over = True

    # -- inside: from part to part -----------------------------------------------------------

    def _follow(self) -> None:
        """Do what the performer's hands would do as a part begins, and keep the loop going."""
        instrument, conductor = self._instrument, self._conductor
        before, stretch = self._stretch, conductor.stretch
        if stretch == before and self.played:
            self.played[-1][1] += 1
            return
        self._stretch = stretch
        went_on = before is None or (before.begun == stretch.begun and before != stretch)
        number = conductor.part.number
        if went_on and not instrument.waits and instrument.part != number:
            # No program change says so: it is chosen by hand.
            instrument.place(number, conductor.tick, stretch.carried_passes, stretch.layers)
            self._confess()
        if not went_on:
            # A person has said where the count is, which moves no instrument.
            if self.played:
                self.played[-1][1] += 1
            return
        place = self._course.jump(self._follower.setlist, number)
        if place is not None and before is not None:
            self._put(place)
            self._stretch = conductor.stretch
        wish = self._course.wish(self._follower.setlist, number)
        if wish is not None and conductor.why_not(wish) is None:
            self._send(self._follower.grant(wish, time.monotonic_ns()))
        if self._course.told:
            self._say(self._course.told)
        self.played.append([number, 1])

    def _put(self, place: Place) -> None:
        """Put instrument and conductor there."""
        playing = self._phase is Phase.PLAYING
        self._let_sound()
        # Before its first tick an instrument stands one tick ahead of it.
        tick = place.tick if playing else place.tick - 1
        self._instrument.place(place.part, tick, place.carried, place.layers)
        self._conductor.place(*place)
        if not self.asked.sends:
            self._conductor.has_all()
        if place.tick:
            self._mute_as_planned()

    def _confess(self) -> None:
        """Tell which part the virtual instrument is on and whether another waits, with no doubt.

        Where real instruments are told, too, what they made of it is not known.
        """
        if self.asked.sends:
            return
        part, waits = self._instrument.part, self._instrument.waits
        self._conductor.weigh(
            lambda world: 1.0 if (world.part, bool(world.waits)) == (part, waits) else _RULED_OUT
        )

    def _do_as_said(self) -> None:
        """Mute by hand what the performer says is done: nobody's hand reaches our instrument."""
        cue, self._conductor.done = self._conductor.done, None
        if cue is None:
            return
        if cue.action is Action.RESTORE:
            self._let_sound()
        part = self._conductor.part
        played: list[Part | Layer] = [part, *part.layers]
        for what in played:
            for track in what.pattern.tracks:
                called = what.called(track.name) if isinstance(what, Layer) else track.name
                if called in cue.tracks:
                    key = what.instrument or "", track.name
                    self._instrument.mute(*key, cue.action is Action.MUTE)
                    self._by_hand.add(key)

    def _let_sound(self) -> None:
        for name, track in self._by_hand:
            self._instrument.mute(name, track, False)
        self._by_hand.clear()

    def _mute_as_planned(self) -> None:
        """What is muted in the middle of a part, as it is told, had it been played from its top."""
        part, setlist = self._conductor.part, self._follower.setlist
        end = self._conductor.standing().planned_end
        muted = planned_mutes(part, end, self._instrument.tick)
        plays: list[Part | Layer] = [part, *part.layers]
        for what in plays:
            if what.instrument is None:
                continue
            for each in setlist.instruments[what.instrument].mute_sends:
                called = what.called(each.track) if isinstance(what, Layer) else each.track
                self._instrument.mute(what.instrument, each.track, called in muted)

    @property
    def _pattern(self) -> Pattern:
        return self._conductor.part.pattern

    def _say(self, words: str) -> None:
        self._conductor.notice = words
        self._conductor.count += 1

    # -- inside: what goes out ---------------------------------------------------------------

    def _put_out(self, outlet: str, messages: Iterable[Message]) -> None:
        """Send messages; a port that has come anew is silenced first."""
        output = self._keeper.outlets.get(outlet)
        if output is None:
            self._outputs[outlet] = None
            return
        try:
            if self._outputs.get(outlet, output) is not output and outlet == SOUND:
                # It went, and what sounded then could not be ended.
                for message in note_offs(self._keys):
                    output.send(message)
            self._outputs[outlet] = output
            for message in messages:
                output.send(message)
        except Exception:
            # It is about to be missed by the keeper.
            self._outputs[outlet] = None
