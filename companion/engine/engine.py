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
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from companion.engine.checkpointfile import Memory
from companion.engine.clock import DEFAULT_BPM, FASTEST, SLOWEST, InternalClock
from companion.engine.host import Asleep, Tidying
from companion.engine.portkeeper import Keeper
from companion.engine.ports import MidiSystem
from companion.engine.rehearsing import Rehearsal, Rehearsing
from companion.engine.reload import Handover, Incoming, Reloading, Saved
from companion.engine.sending import TimedSends, told
from companion.engine.snapshot import EngineStatus, Viewer
from companion.follow.conductor import Send, Standing
from companion.follow.follower import Follower, MuteSend, Sends
from companion.follow.portnames import choose_output
from companion.follow.transport import State
from companion.link.endpoint import EngineLock
from companion.link.messages import Misfit, Snapshot, Trouble
from companion.link.server import Server
from companion.midi import CLOCK, INTERNAL
from companion.setlist import SetList
from companion.takes.record import Recorder
from companion.wishes import Ask, Wish

# How often silence is looked for, and snapshots are called for while ticks flow.
WATCH_S = 0.01
POKE_EVERY = 10
TIDY_EVERY = 100
# What is not in order is put down for the take this often, in rounds of the watch.
TROUBLES_EVERY = 100
# Where we stand is kept at least this often, in rounds of the watch.
KEEP_EVERY = 20
# A thread that draws or encodes hands the interpreter to the MIDI thread after this long; the
# interpreter's own 5 ms would be heard.
SWITCH_S = 0.0001
# How long a notice is shown.
NOTICE_NS = 6_000_000_000
# So many steps that do not fit are named.
MOST_STEPS = 3
# How near to twice or half the tempo of its song a clock is taken for that of another grid.
NEAR = 0.06


@dataclass(frozen=True, slots=True)
class Options:
    """How an engine was asked to run.

    `in_glob` and `out_glob` are the command line's port globs or None; `tempo` overrides the songs'
    for the internal clock, which goes at `pace` times that; `demo` marks the shipped demonstration,
    `rehearsal` is what was asked for where the instrument is our own.
    """

    in_glob: str | None = None
    out_glob: str | None = None
    send: bool = True
    internal_clock: bool = False
    tempo: float | None = None
    pace: float = 1.0
    demo: bool = False
    rehearsal: Rehearsal | None = None

    def sends(self, setlist: SetList, system: MidiSystem | None) -> bool:
        """Whether anything of the set is ever to be sent by `system`. Raises PortError.

        Whoever follows an instrument waits for it; the internal clock does without, if none that
        anything is sent to is there when it begins: a pad alone is nobody to send to.
        """
        if self.rehearsal is not None:
            return True
        if not self.send or system is None:
            return False
        if not self.internal_clock:
            return True
        names = system.outputs()
        globs = (setlist.instruments[name].port for name in told(setlist))
        return any(choose_output(names, glob, self.out_glob, None) for glob in globs)

    def silence(self, sends: bool) -> str:
        """Why nothing is sent while nothing is; `sends`: whether there is anything to send to."""
        if not self.send:
            return "started without sending"
        if not sends:
            return "nothing to send to: no instrument is connected"
        return "disarmed"


class Engine:
    """One running engine. `system` is None where no MIDI is wanted or to be had.

    With an internal clock, nothing but presses is heard of the ports.

    With a `memory` it goes on where the one before stood, if that was cut short. `ended` is whether
    it was told to stop.
    Whenever the files of `saved` are saved whole, they are taken over at the next boundary. With a
    `recorder` all that happens is put down.
    """

    def __init__(
        self,
        setlist: SetList,
        options: Options,
        system: MidiSystem | None,
        memory: Memory | None = None,
        saved: Saved | None = None,
        recorder: Recorder | None = None,
    ) -> None:
        sends = options.sends(setlist, system)
        self._options = options
        self._system = system
        # With the virtual instrument alone nothing is late: it waits for the clock, as we do.
        self._alone = options.rehearsal is not None and not options.rehearsal.sends
        self._lock = threading.Lock()
        self._memory = memory
        self._follower = self._taken_up(setlist, sends)
        self._follower.conductor.own_clock = options.internal_clock
        self._recorder = recorder
        self._follower.conductor.records = not self._recorder_fails
        self._notes = None if recorder is None else recorder.notes
        self._heard = None if recorder is None else recorder.notes.heard
        self._viewer = Viewer(setlist)
        self._keeper = Keeper(
            setlist,
            system,
            None if options.internal_clock else self.hear,
            in_glob=options.in_glob,
            out_glob=options.out_glob,
            sends=sends and (options.rehearsal is None or options.rehearsal.sends),
            beside=lambda: self._follower.port,
            gone=self._port_gone,
            presses=self.press,
            outlets=None if options.rehearsal is None else options.rehearsal.outlets,
        )
        self.rehearsing: Rehearsing | None = None
        if options.rehearsal is not None:
            self.rehearsing = Rehearsing(
                options.rehearsal,
                self._follower,
                self._keeper,
                self._lock,
                self.hear,
                self._send,
                self._play,
            )
        if self._follower.port is not None:
            self._keeper.expect(self._follower.port)
        self._server: Server | None = None
        # A plain flag: a signal's handler must not ask for a lock that the watch may hold.
        self.ended = False
        self._count = 0
        self._faults = Faults()
        self._asleep = Asleep()
        self._saving = None if saved is None else Reloading(saved, self._expect, self._poke)
        self._handover = Handover()
        self._reporter = Reporter(
            options, self._follower, self._keeper, self._faults, memory, self._saving, recorder
        )
        self._timed = TimedSends(self._lock, self._let_out, self._miss, self._faults.add)

    def run(self, lock: EngineLock, ready: Callable[[], None]) -> None:
        """Run until told to stop, by wish, SIGTERM or SIGINT.

        `lock` is held by the caller; `ready` is called once screens can attach. Raises LinkError
        if the link cannot be offered.
        """
        token = secrets.token_urlsafe(32)
        server = Server(
            self.snapshot,
            self.wish,
            token,
            make_overview=lambda: self._viewer.overview(),
            on_refused=self.refuse,
        )
        rehearsing = self.rehearsing
        heard = self.hear if rehearsing is None else rehearsing.heard
        clock = InternalClock(heard, self._internal_bpm, starts=rehearsing is None)
        tidying = Tidying()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: self._end())
        sys.setswitchinterval(SWITCH_S)
        tidying.begin()
        if self._recorder is not None:
            self._recorder.start()
        try:
            self._heed_blocks()
            # The ears come first: whoever can be seen is taken to listen.
            self._keeper.start()
            if self._memory is not None:
                self._memory.play(self._follower.setlist, self._memory.digest)
                self._memory.start()
                with self._lock:
                    # The page of the engine before is gone.
                    self._keep()
            lock.publish(server.start(), token, self._follower.setlist.name)
            self._server = server
            self._timed.start()
            if self._saving is not None:
                self._saving.start()
            if rehearsing is not None:
                rehearsing.begin()
            if self._options.internal_clock:
                clock.start()
            ready()
            self._watch(tidying)
        finally:
            if self._options.internal_clock:
                clock.close()
            if rehearsing is not None:
                rehearsing.close()
            if self._saving is not None:
                self._saving.close()
            self._timed.close()
            self._keeper.close()
            if self._memory is not None:
                self._memory.close(forget=self.ended)
            server.close()
            if self._recorder is not None:
                self._recorder.close()
            tidying.end()
            self._faults.tell()

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> None:
        """Take one message from a port, on whatever thread brings it; never raises."""
        try:
            with self._lock:
                follower = self._follower
                if message and message[0] == CLOCK and port == follower.port:
                    self._timed.tick()
                now_ns = None if self._alone else time.monotonic_ns()
                self._send(follower.hear(port, t_ns, message, now_ns))
                self._change_sets()
                if self.rehearsing is not None and message[0] == CLOCK:
                    self.rehearsing.ticked()
                conductor = follower.conductor
                changed = conductor.count != self._count
                if self._heard is not None:
                    if changed:
                        self._look(t_ns)
                    self._heard((t_ns, port, message, conductor.ticks.ticks))
            if changed:
                self._poke()
        except Exception:
            # Whatever it was, the next tick is more important than this one.
            self._faults.add()

    def press(self, port: str, t_ns: int, message: Sequence[int]) -> None:
        """Take one message from a port that only presses come from; never raises."""
        try:
            with self._lock:
                self._send(self._follower.press(port, t_ns, message))
                changed = self._follower.conductor.count != self._count
                if self._heard is not None:
                    self._look(t_ns)
                    self._heard((t_ns, port, message, self._follower.conductor.ticks.ticks))
            if changed:
                self._poke()
        except Exception:
            self._faults.add()

    def wish(self, wish: Wish) -> None:
        """Do what a screen asks."""
        if wish.ask is Ask.STOP:
            self._end()
            return
        with self._lock:
            now_ns = time.monotonic_ns()
            self._send(self._follower.grant(wish, now_ns))
            self._look(now_ns)
            self._reporter.renew(self._follower.conductor.notice, now_ns)
        self._poke()

    def refuse(self, why: str) -> None:
        """Tell the screens that a wish was refused, and why."""
        with self._lock:
            conductor = self._follower.conductor
            conductor.notice = why
            conductor.count += 1
            self._reporter.renew(why, time.monotonic_ns())
        self._poke()

    def snapshot(self) -> Snapshot:
        """What screens show, as of now. Called by the link's thread only."""
        with self._lock:
            standing, viewer = self._follower.standing(), self._viewer
            around = self._reporter.status(standing, time.monotonic_ns())
        return viewer.snapshot(standing, around)

    # -- inside ------------------------------------------------------------------------------

    def _end(self) -> None:
        self.ended = True

    def _taken_up(self, setlist: SetList, sends: bool) -> Follower:
        """A follower of the set, put where the one of an engine that was cut short stood."""
        found = None if self._memory is None else self._memory.find()
        if found is None or self._memory is None:
            return Follower(setlist, can_send=sends)
        try:
            follower = Follower.resume(setlist, found.kept, time.monotonic_ns(), can_send=sends)
        except (ValueError, TypeError, KeyError, IndexError, OverflowError):
            return Follower(setlist, can_send=sends)
        if not found.trusted:
            follower.slept()
        self._memory.started_ns = found.started_ns
        return follower

    def _send(self, sends: Sends) -> None:
        """Let out what is due, each when its time comes. Called under the lock."""
        if not sends:
            return
        # So that afterwards it is known what may be out, whatever becomes of this engine.
        self._keep()
        now_ns = time.monotonic_ns()
        if self._notes is not None:
            self._notes.due(self._follower, sends, now_ns)
        for send in sends:
            if self._alone:
                self._let_out(send)
            else:
                self._timed.put(send, now_ns)

    def _play(self, t_ns: int, message: Sequence[int]) -> None:
        """Put down for the take what our own instrument plays. Called under the lock."""
        if self._heard is not None:
            self._heard((t_ns, INTERNAL, message, self._follower.conductor.ticks.ticks))

    def _look(self, now_ns: int) -> None:
        """Put down for the take where we stand. Called under the lock."""
        if self._notes is not None:
            self._notes.look(self._follower, now_ns)

    def _keep(self) -> None:
        """Put down where we stand. Called under the lock."""
        if self._memory is not None:
            self._memory.note(self._follower.checkpoint(time.monotonic_ns()))

    @property
    def _recorder_fails(self) -> bool:
        return self._recorder is None or bool(self._recorder.trouble)

    def _miss(self, send: Send | MuteSend) -> None:
        """Take in that a send has not left. Called under the lock."""
        self._send(self._follower.failed(send, time.monotonic_ns()))
        if self._notes is not None:
            self._notes.left(send, time.monotonic_ns(), self._follower.conductor.notice)
        self._reporter.renew(self._follower.conductor.notice, time.monotonic_ns())

    def _let_out(self, send: Send | MuteSend) -> None:
        """Let a message out now. Called under the lock."""
        slept = self._slept()
        if slept or not self._follower.keeps(send) or not self._reach(send):
            self._miss(send)
        elif self._notes is not None:
            self._notes.left(send, time.monotonic_ns())
        if slept:
            self._follower.slept()

    def _reach(self, send: Send | MuteSend) -> bool:
        """Send to the instrument, real or virtual; whether it got there. Called under the lock."""
        rehearsing = self.rehearsing
        if rehearsing is not None and not rehearsing.asked.sends:
            rehearsing.take(send)
            return True
        reached = self._keeper.routes.send(send.instrument, send.messages)
        if reached and rehearsing is not None:
            rehearsing.take(send)
        return reached

    def _heed_sleep(self) -> None:
        """Take in that the computer slept, if it did. Called under the lock."""
        if self._slept():
            self._follower.slept()

    def _heed_blocks(self) -> None:
        """Take in how coarse the times are that the MIDI system tells. Called under the lock."""
        if self._system is not None and not self._options.internal_clock:
            self._follower.conductor.ticks.comes_in_blocks(self._system.block_ms)

    def _slept(self) -> bool:
        # The internal clock slept, too, and goes on where it was.
        return self._asleep.slept() and not self._options.internal_clock

    def _expect(self, incoming: Incoming) -> None:
        """A whole set list was saved: have it taken over at the next boundary."""
        with self._lock:
            self._handover.expect(incoming, self._follower.conductor)
        self._poke()

    def _change_sets(self) -> None:
        """Let a set list that was saved take over, if now is a time for that. Under the lock."""
        if self._handover.incoming is None:
            return
        incoming = self._handover.take(self._follower, held_up=self._timed.waits)
        if incoming is None:
            return
        self._viewer = incoming.viewer
        self._keeper.adopt(incoming.setlist)
        if self.rehearsing is not None:
            self.rehearsing.adopt(incoming.setlist)
        if self._notes is not None:
            self._notes.adopt(incoming.setlist)
        if self._memory is not None:
            self._memory.play(incoming.setlist, incoming.digest)

    def _port_gone(self, port: str) -> None:
        with self._lock:
            self._send(self._follower.port_gone(port, time.monotonic_ns()))
            self._look(time.monotonic_ns())
        self._poke()

    def _internal_bpm(self) -> float:
        part = self._follower.conductor.part
        planned = self._follower.setlist.songs[part.song].tempo or DEFAULT_BPM
        bpm = planned if self._options.tempo is None else self._options.tempo
        return min(max(bpm * self._options.pace, SLOWEST), FASTEST)

    def _watch(self, tidying: Tidying) -> None:
        """Look for silence until told to stop; also the heartbeat of the snapshots."""
        rounds = 0
        while not self.ended:
            time.sleep(WATCH_S)
            rounds += 1
            if self.rehearsing is not None and self.rehearsing.over:
                self._end()
            try:
                with self._lock:
                    now_ns = time.monotonic_ns()
                    self._heed_sleep()
                    self._heed_blocks()
                    self._send(self._follower.passed(now_ns, self._keeper.routes.table))
                    self._change_sets()
                    changed = self._follower.conductor.count != self._count
                    state = self._follower.conductor.state
                    if changed or rounds % KEEP_EVERY == 0:
                        self._keep()
                    self._look(now_ns)
                    if self._notes is not None and rounds % TROUBLES_EVERY == 0:
                        self._notes.troubles(self._reporter.faults(now_ns), now_ns)
                        self._follower.conductor.records = not self._recorder_fails
                counting = state is State.RUNNING
                if counting:
                    self._reporter.started(now_ns)
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


class Reporter:
    """Gathers what screens are told beside where the count stands: troubles, notices, the clock.

    Called under the engine's lock; times are monotonic ns.
    """

    def __init__(
        self,
        options: Options,
        follower: Follower,
        keeper: Keeper,
        faults: Faults,
        memory: Memory | None,
        saving: Reloading | None,
        recorder: Recorder | None,
    ) -> None:
        self._options = options
        self._follower = follower
        self._keeper = keeper
        self._faults = faults
        self._memory = memory
        self._saving = saving
        self._recorder = recorder
        self._notice = ""
        self._notice_ns = 0
        # When the set was first started; 0 before.
        self.started_ns = 0 if memory is None else memory.started_ns

    def started(self, now_ns: int) -> None:
        """The set is running at `now_ns`, perhaps for the first time."""
        if not self.started_ns:
            self.started_ns = now_ns
            if self._memory is not None:
                self._memory.started_ns = now_ns

    def renew(self, notice: str, now_ns: int) -> None:
        """Show `notice` from now on, though it may be the one shown before."""
        self._notice, self._notice_ns = notice, now_ns

    def status(self, standing: Standing, now_ns: int) -> EngineStatus:
        """All of it."""
        follower, ticks = self._follower, self._follower.conductor.ticks
        rehearsal = self._options.rehearsal
        if standing.notice != self._notice:
            self.renew(standing.notice, now_ns)
        return EngineStatus(
            now_ns=now_ns,
            tick_ns=min(follower.conductor.clock_ns, now_ns),
            bpm=round(ticks.bpm, 3),
            jitter_ms=round(ticks.jitter_ms, 3),
            clock_port=follower.port or "",
            clocks_lost=follower.clocks_lost,
            demo=self._options.demo,
            notice=standing.notice if now_ns - self._notice_ns < NOTICE_NS else "",
            troubles=tuple(self._troubles(now_ns)),
            sending_note=self._options.silence(standing.sends),
            started_ns=self.started_ns,
            fill=follower.fill,
            wish=standing.undoable,
            refused=follower.refused(),
            later=follower.conductor.later(),
            notice_kind=follower.conductor.notice_kind,
            heard=follower.heard,
            found=dict(follower.found),
            misfits=self._misfits(),
            take=None if self._recorder is None else self._recorder.take,
            rehearsal=rehearsal is not None,
            alone=rehearsal is not None and not rehearsal.sends,
            count_in=follower.conductor.counted_in,
        )

    def faults(self, now_ns: int) -> tuple[str, ...]:
        """All that is not in order, in sentences."""
        return tuple(each.text for each in self._troubles(now_ns))

    def _strange_clock(self) -> str:
        """A sentence on a clock that ticks twice or half as often as its song has it, or ""."""
        conductor = self._follower.conductor
        bpm = conductor.ticks.bpm
        planned = conductor.setlist.songs[conductor.part.song].tempo
        if conductor.state is not State.RUNNING or self._options.internal_clock or not planned:
            return ""
        for times, word in ((2, "twice"), (0.5, "half")):
            if abs(bpm - times * planned) < NEAR * times * planned:
                return (
                    f"the clock ticks at {bpm:.0f} beats a minute, {word} the tempo of this song: "
                    "see that the instrument sends 24 ticks to the quarter"
                )
        return ""

    def _misfits(self) -> tuple[Misfit, ...]:
        return tuple(Misfit(m.track, m.step, m.text) for m in self._follower.misfits)

    def _strange_steps(self) -> Trouble:
        """A sentence on steps that do not play as the set list says, "" if there are none."""
        said = [each.text for each in self._follower.misfits]
        if not said:
            return Trouble("steps", "")
        rest = len(said) - MOST_STEPS
        more = [f"{rest} more do not fit"] if rest > 0 else []
        text = ", ".join([*said[:MOST_STEPS], *more])
        name = self._follower.conductor.part.pattern.name
        return Trouble("steps", f"{text}; was {name} changed on the instrument?", text)

    def _troubles(self, now_ns: int) -> list[Trouble]:
        """All that is not in order, worst first."""
        follower = self._follower
        others = follower.other_clocks(now_ns)
        more = f"{', '.join(others)} sends clock too; following {follower.port}" if others else ""
        found = [
            Trouble("change", follower.ignored),
            self._strange_steps(),
            *(Trouble("press", text) for text in follower.presses_refused),
            *self._keeper.troubles,
            Trouble("clock", self._strange_clock()),
            Trouble("clock", more),
            Trouble("engine", self._faults.trouble),
            Trouble("set", "" if self._saving is None else self._saving.trouble),
            Trouble("disk", "" if self._memory is None else self._memory.trouble),
            Trouble("disk", "" if self._recorder is None else self._recorder.trouble),
        ]
        return [trouble for trouble in found if trouble.text]


class Faults:
    """Our own, counted while it plays and told when it is over; nothing is printed between."""

    def __init__(self) -> None:
        self.count = 0
        self._first = ""

    def add(self) -> None:
        """Take note of the exception being handled."""
        if not self.count:
            self._first = traceback.format_exc()
        self.count += 1

    @property
    def trouble(self) -> str:
        """A sentence for the screen, "" if there were none."""
        if not self.count:
            return ""
        times = "a fault" if self.count == 1 else f"{self.count} faults"
        return f"the engine met {times} of its own and went on"

    def tell(self) -> None:
        """Print the first, for whoever mends it."""
        if self.count:
            print(f"{self.count} faults; the first:\n{self._first}", file=sys.stderr)
