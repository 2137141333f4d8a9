"""The engine: follower, ports, sending and link put together, and the threads that drive them.

Threads: the driver's (one for each input, or the internal clock) bring messages and send what is
due; the keeper opens and closes ports; the watch tells the follower of silence and the memory where
it stands; the memory writes that down; the link serves screens. One lock guards the follower and is
held for microseconds; no disk, no screen and no logging stand behind it.
"""

from __future__ import annotations

import secrets
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence

from companion.engine.asleep import Asleep
from companion.engine.continuing import Continuing, Listen
from companion.engine.faults import Faults
from companion.engine.handover import Handover
from companion.engine.internal import DEFAULT_BPM, InternalClock
from companion.engine.keeper import Keeper
from companion.engine.memory import Memory
from companion.engine.options import Options
from companion.engine.playing import Playing
from companion.engine.ports import MidiSystem
from companion.engine.reloading import Incoming, Reloading, Saved
from companion.engine.telling import Telling
from companion.engine.tidying import Tidying
from companion.engine.timed import TimedSends, due_ns, is_late, latest_ns
from companion.engine.wishing import wanted
from companion.follow.conductor import Send
from companion.follow.controls import Asked
from companion.follow.follower import CLOCK, Follower
from companion.follow.mutesends import Due, not_sent
from companion.follow.steering import Steering
from companion.follow.transport import State
from companion.link.endpoint import EngineLock
from companion.link.messages import Snapshot, Wish
from companion.link.server import Server
from companion.setlist.controls import Ask, Wanted
from companion.setlist.model import SetList

# How often silence is looked for, and snapshots are called for while ticks flow.
WATCH_S = 0.01
POKE_EVERY = 10
TIDY_EVERY = 100
# A thread that draws or encodes hands the interpreter to the MIDI thread after this long; the
# interpreter's own 5 ms would be heard.
SWITCH_S = 0.0001


class Engine:
    """One running engine. `system` is None where no MIDI is wanted or to be had.

    With an internal clock, nothing but presses is heard of the ports.

    With a `memory` it goes on where the one before stood, if that was cut short; `died_ns` is when,
    by the monotonic clock, if anybody saw it. `ended` is whether it was told to stop.
    Whenever the files of `saved` are saved whole, they are taken over at the next boundary.
    """

    def __init__(
        self,
        setlist: SetList,
        options: Options,
        system: MidiSystem | None,
        memory: Memory | None = None,
        died_ns: int | None = None,
        saved: Saved | None = None,
    ) -> None:
        sends = options.sends(setlist, system)
        self._options = options
        self._lock = threading.Lock()
        self._memory = memory
        self._continuing = None if memory is None else Continuing(memory, died_ns)
        if self._continuing is None:
            self._follower = Follower(setlist, sends=sends)
            self._listen: Listen = self._follower.hear
        else:
            self._follower = self._continuing.follower(setlist, sends)
            self._listen = self._continuing.listen(self._follower)
        self._follower.own_clock = options.internal_clock
        self._set = Playing(setlist)
        self._keeper = Keeper(
            setlist,
            system,
            None if options.internal_clock else self.hear,
            in_glob=options.in_glob,
            out_glob=options.out_glob,
            sends=sends,
            beside=lambda: self._follower.port,
            gone=self._port_gone,
            presses=self.press,
        )
        if self._continuing is not None and self._continuing.port is not None:
            self._keeper.expect(self._continuing.port)
        self._steering = Steering(self._follower.conductor)
        self._server: Server | None = None
        # A plain flag: a signal's handler must not ask for a lock that the watch may hold.
        self.ended = False
        self._count = 0
        self._faults = Faults()
        self._asleep = Asleep()
        self._saving = None if saved is None else Reloading(saved, self._expect, self._poke)
        self._handover = Handover()
        self._telling = Telling(
            options, self._follower, self._keeper, self._faults, memory, self._saving
        )
        self._timed = TimedSends(self._lock, self._let_out, self._miss, self._faults.add)

    def run(self, lock: EngineLock, ready: Callable[[], None]) -> None:
        """Run until told to stop, by wish, SIGTERM or SIGINT.

        `lock` is held by the caller; `ready` is called once screens can attach. Raises LinkError
        if the link cannot be offered.
        """
        token = secrets.token_urlsafe(32)
        server = Server(
            self.snapshot, self.wish, token, make_overview=lambda: self._set.viewer.overview()
        )
        clock = InternalClock(self.hear, self._internal_bpm)
        tidying = Tidying()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: self._end())
        sys.setswitchinterval(SWITCH_S)
        tidying.begin()
        try:
            # The ears come first: whoever can be seen is taken to listen.
            self._keeper.start()
            if self._memory is not None:
                self._memory.play(self._set.setlist, self._memory.digest)
                self._memory.start()
            lock.publish(server.start(), token, self._set.setlist.name)
            self._server = server
            self._timed.start()
            if self._saving is not None:
                self._saving.start()
            if self._options.internal_clock:
                clock.start()
            ready()
            self._watch(tidying)
        finally:
            if self._options.internal_clock:
                clock.close()
            if self._saving is not None:
                self._saving.close()
            self._timed.close()
            self._keeper.close()
            if self._memory is not None:
                self._memory.close(forget=self.ended)
            server.close()
            tidying.end()
            self._faults.tell()

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> None:
        """Take one message from a port, on whatever thread brings it; never raises."""
        try:
            with self._lock:
                if message and message[0] == CLOCK and port == self._follower.port:
                    self._timed.tick()
                conductor, made = self._follower.conductor, self._set
                self._obey(made.presses.hear(port, t_ns, message))
                for send in self._listen(port, t_ns, message):
                    self._send(send, t_ns)
                self._mute(made.mutes.ticked(conductor), t_ns)
                for send in made.listen(port, t_ns, message, conductor):
                    self._send(send, t_ns)
                self._change_sets()
                changed = self._follower.conductor.count != self._count
            if changed:
                self._poke()
        except Exception:
            # Whatever it was, the next tick is more important than this one.
            self._faults.add()

    def press(self, port: str, t_ns: int, message: Sequence[int]) -> None:
        """Take one message from a port that only presses come from; never raises."""
        try:
            with self._lock:
                self._obey(self._set.presses.hear(port, t_ns, message))
                changed = self._follower.conductor.count != self._count
            if changed:
                self._poke()
        except Exception:
            self._faults.add()

    def wish(self, wish: Wish) -> None:
        """Do what a screen asks."""
        if wish.name == "stop":
            self._end()
            return
        asked = wanted(wish)
        if asked is not None:
            with self._lock:
                self._grant(asked)
            self._poke()

    def snapshot(self) -> Snapshot:
        """What screens show, as of now. Called by the link's thread only."""
        with self._lock:
            now_ns = time.monotonic_ns()
            follower = self._follower
            standing, viewer = follower.conductor.standing(), self._set.viewer
            around = self._telling.around(standing, self._set, now_ns, self._steering.undoable)
        return viewer.snapshot(standing, around)

    def _end(self) -> None:
        self.ended = True

    def _obey(self, asked: Sequence[Asked]) -> None:
        """Do what presses ask for. Called under the lock."""
        for each in asked:
            if each.wanted.ask is Ask.FILL:
                # The presses know themselves what they hold; screens are to see it.
                self._follower.conductor.count += 1
            else:
                self._grant(each.wanted)

    def _grant(self, asked: Wanted) -> None:
        """Do what is wanted of the conductor. Called under the lock."""
        for send in self._steering.grant(asked):
            self._send(send)
        self._telling.renew(self._follower.conductor.notice, time.monotonic_ns())

    def _send(self, send: Send, heard_ns: int | None = None) -> None:
        """Let a program change out when its time comes. Under the lock, with the tick it is for.

        `heard_ns` is when that tick came, None if it is not for any.
        """
        now_ns, tempo = time.monotonic_ns(), self._follower.tempo
        instrument = self._set.setlist.instruments[send.change.instrument]
        latest = latest_ns(send, instrument, tempo, now_ns if heard_ns is None else heard_ns)
        self._timed.put(send, due_ns(send, instrument, tempo, now_ns), now_ns, latest)

    def _miss(self, send: Send) -> None:
        """Take in that the time of a program change has gone by. Called under the lock."""
        self._follower.conductor.report(send, False)

    def _let_out(self, send: Send) -> None:
        """Let a program change out now. Called under the lock."""
        conductor = self._follower.conductor
        waited = send.ticks_left and not (conductor.sure and conductor.armed)
        if self._heed_sleep() or waited or not self._keeper.routes.send(send.change):
            self._miss(send)
            return
        now_ns = time.monotonic_ns()
        self._set.presses.sent(send.change, now_ns)
        self._set.announcing.sent(send, now_ns, self._follower.tempo.period_ns)

    def _mute(self, due: Due, heard_ns: int) -> None:
        """Let the mutes of a tick out, and tell of those that did not go. Called under the lock."""
        if not (due.now or due.missed):
            return
        now_ns = time.monotonic_ns()
        late = self._heed_sleep() or is_late(self._follower.tempo, heard_ns, now_ns)
        send = self._keeper.routes.send_mute
        lost = [*due.missed, *(order for order in due.now if late or not send(order))]
        if lost:
            conductor = self._follower.conductor
            conductor.notice = not_sent(lost)
            self._telling.renew(conductor.notice, now_ns)

    def _heed_sleep(self) -> bool:
        """Take in that the computer slept, if it did; whether it did. Called under the lock."""
        # The internal clock slept, too, and goes on where it was.
        slept = self._asleep.slept() and not self._options.internal_clock
        if slept:
            self._follower.slept()
        return slept

    def _expect(self, incoming: Incoming) -> None:
        """A whole set list was saved: have it taken over at the next boundary."""
        with self._lock:
            self._handover.expect(incoming, self._follower.conductor)
        self._poke()

    def _change_sets(self) -> None:
        """Let a set list that was saved take over, if now is a time for that. Under the lock."""
        conductor = self._follower.conductor
        incoming = self._handover.take(conductor, held_up=self._timed.waits)
        if incoming is None:
            return
        made = incoming.made
        made.take_over(self._set)
        # What was due at this very tick has been done by the old one.
        made.mutes.ticked(conductor)
        self._set = made
        self._keeper.adopt(made.setlist, incoming.routes)
        self._steering = Steering(conductor)
        if self._memory is not None:
            self._memory.play(made.setlist, incoming.digest)

    def _port_gone(self, port: str) -> None:
        with self._lock:
            self._follower.port_gone(port)
            self._obey(self._set.presses.port_gone(port))
            self._set.announcing.port_gone(port)
        self._poke()

    def _internal_bpm(self) -> float:
        if self._options.tempo is not None:
            return self._options.tempo
        part = self._follower.conductor.part
        return self._set.setlist.songs[part.song].tempo or DEFAULT_BPM

    def _watch(self, tidying: Tidying) -> None:
        """Look for silence until told to stop; also the heartbeat of the snapshots."""
        rounds = 0
        while not self.ended:
            time.sleep(WATCH_S)
            rounds += 1
            try:
                with self._lock:
                    now_ns = time.monotonic_ns()
                    self._heed_sleep()
                    changed = self._follower.passed(now_ns)
                    self._obey(self._set.presses.passed(now_ns))
                    self._change_sets()
                    changed = changed or self._follower.conductor.count != self._count
                    state = self._follower.conductor.state
                    keeps = self._continuing
                    if keeps is not None and keeps.note(self._follower):
                        self._listen = keeps.listen(self._follower)
                counting = state is State.RUNNING
                if counting:
                    self._telling.started(now_ns)
                if changed or (counting and rounds % POKE_EVERY == 0):
                    self._poke()
                if rounds % TIDY_EVERY == 0:
                    tidying.look(counting or state is State.LOST, time.monotonic())
            except Exception:
                self._faults.add()

    def _poke(self) -> None:
        self._count = self._follower.conductor.count
        if self._server is not None:
            self._server.poke()
