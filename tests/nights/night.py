"""One night: box, line, performer and follower put together, moment by moment in simulated time.

A night plays sets one after the other, each with a box, a line and a follower of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass
from heapq import heappop, heappush
from random import Random

from companion.engine.timed import TimedSends, due_ns
from companion.follow.conductor import Send
from companion.follow.follower import Follower
from companion.follow.tempo import TempoTracker
from tests.nights.box import CLOCK, CONTINUE, SENSING, START, STOP, Box
from tests.nights.judge import Judge, Tally
from tests.nights.line import MS, Arrival, Line
from tests.nights.sets import random_kind, random_set
from tests.nights.tempo import Hand

PORT, OTHER = "tide drum", "foghorn"
NEVER = 1 << 62
# The watch looks this often (engine).
LOOK_NS = 10 * MS
SENSING_NS = 250 * MS
SECOND = 1_000_000_000

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Fate:
    """What a set of the night is like: seed, length in seconds, and who is told in words.

    `bare` has a hasty tempo tracker: it only decides when between two ticks a change leaves, and
    takes most of the time.
    """

    seed: str
    seconds: float
    tell: Tell | None = None
    bare: bool = False


class Hasty(TempoTracker):
    """A tempo tracker that believes the latest interval."""

    latest_ns = interval_ns = 0

    def lapse(self) -> None:
        """Forget all."""
        self.latest_ns = self.interval_ns = 0

    def hear(self, t_ns: int) -> None:
        """Take a tick."""
        if self.latest_ns:
            self.interval_ns = t_ns - self.latest_ns
        self.latest_ns = t_ns

    def skip(self, ticks: int) -> None:
        """Ticks were lost: the interval to come is none."""
        self.latest_ns = 0

    @property
    def period_ns(self) -> int:
        """How long the latest tick took."""
        return self.interval_ns

    def when(self, ticks: int) -> int:
        """When a tick to come is due."""
        return self.latest_ns + ticks * self.interval_ns


class Stage:
    """What stands on the stage of one set, and the time there. Actors come from outside."""

    def __init__(self, fate: Fate, tally: Tally) -> None:
        rng = self.rng = Random(fate.seed)
        self._tell = fate.tell
        self.now_ns = rng.randrange(SECOND, 1000 * SECOND)
        # Half the sets are ordinary; in the others everything that can happen does.
        self.rough = rng.random() < 0.5
        self.kind = random_kind(rng)
        self.setlist = random_set(rng, self.kind)
        self.box = Box(self.kind, {p.number: p.pattern.pass_ticks for p in self.setlist.parts})
        self.hand = Hand(rng, (40.0, 300.0) if self.rough else (70.0, 180.0))
        self.line, self.other_line = Line(rng), Line(rng)
        self.follower = Follower(self.setlist, sends=rng.random() < 0.95)
        if fate.bare:
            self.follower.tempo = self.follower._gate._tempo = Hasty()
        self.conductor = self.follower.conductor
        self.tally = tally
        self.judge = Judge(self.setlist, self.follower, self.box, tally)
        self.judge.where = fate.seed
        self.judge.night = "rough" if self.rough else "ordinary"
        # Whether the program changes get through, too, while the cable is out; port gone: never.
        self.way_back = True
        self._next_tick_ns = NEVER
        self._next_look_ns = self.now_ns
        self._next_sensing_ns = NEVER
        # As in the engine, without its thread: what leaves between two ticks.
        self._timed = TimedSends(
            nullcontext(),
            self._let_out,
            lambda _: self.judge.wrong("missed"),
            lambda: self.judge.wrong("failed"),
        )
        self._next_due_ns = NEVER
        self._ends: dict[int, tuple[Send, int]] = {}
        self._agenda: list[tuple[int, int, Callable[[], None]]] = []
        self._order = 0
        self.ticks_since_set = 0
        # Ticks for which a jump of the tempo would hide that one was lost.
        self.spoilt_ticks = 0
        # Until when a silence lasts of which the performer must not take advantage.
        self._short_until_ns = 0
        self.two_clocks_until_ns = 0
        # Called with each tick that the box plays: whoever plays by ear.
        self.on_tick: Callable[[], None] = lambda: None
        # Called when a change waits for its time between two ticks.
        self.on_held: Callable[[], None] = lambda: None
        # Called with each tick of the running box that arrived.
        self.on_heard: Callable[[], None] = lambda: None

    # -- for the actors ----------------------------------------------------------------------

    def after(self, seconds: float, do: Callable[[], None]) -> None:
        """Let something happen later."""
        self._order += 1
        heappush(self._agenda, (self.now_ns + round(seconds * SECOND), self._order, do))

    def say(self, words: str) -> None:
        """Tell what happens, where someone listens."""
        if self._tell is not None:
            box, c = self.box, self.conductor
            self._tell(
                f"{self.now_ns / SECOND:10.3f}  {words:40} box {box.part}:{box.tick:<6} "
                f"counted {c.part.number}:{c.tick:<6} {c.state.value}"
                f"{'' if c.sure else ', ' + c.standing().doubt}"
            )

    @property
    def line_is_idle(self) -> bool:
        """Whether nothing is wrong with the line now, nor on its way."""
        line = self.line
        return max(line.out_until_ns, line.held_until_ns) <= self.now_ns and not line.under_way

    @property
    def short_silence(self) -> bool:
        """Whether a press now might go unheard and leave no trace."""
        return self.now_ns < max(self._short_until_ns, self.two_clocks_until_ns)

    def silence(self, seconds: float, way_back: bool) -> None:
        """Let nothing through for a while; `way_back` whether program changes still are."""
        line = self.line
        until_ns = self.now_ns + round(seconds * SECOND)
        line.out_until_ns = max(line.out_until_ns, until_ns)
        self.way_back = way_back
        self.after(seconds, self._cable_in)
        if seconds < 2 or not self.box.running:
            self._short_until_ns = max(self._short_until_ns, line.out_until_ns + MS * 50)

    def _cable_in(self) -> None:
        if self.line.out_until_ns <= self.now_ns:
            self.way_back = True

    def press_start(self) -> None:
        """Press start on the box."""
        self.box.start()
        self.judge.moved()
        self._set_going(START)

    def press_stop(self) -> None:
        """Press stop on the box."""
        self.box.stop()
        self.judge.moved()
        if self.kind.transport:
            self.send(STOP)
        if not self.kind.clocks_idle:
            self._next_tick_ns = NEVER

    def press_continue(self) -> None:
        """Press continue on the box; one that plays goes on playing."""
        if self.box.running:
            self.send(CONTINUE)
            return
        self.box.go_on()
        self._set_going(CONTINUE)

    def locate(self, sixteenths: int) -> None:
        """Move the box to a song position."""
        self.box.locate(sixteenths)
        self.judge.moved()
        self.ticks_since_set = 0
        self.send((0xF2, sixteenths & 0x7F, sixteenths >> 7))

    def switch_on(self) -> None:
        """The box is switched on: its clock may run already."""
        if self.kind.clocks_idle:
            self._next_tick_ns = self.now_ns + self.hand.period_ns(self.now_ns)
        if self.kind.senses:
            self._next_sensing_ns = self.now_ns

    def fall_silent(self) -> None:
        """The clock of the box stands still."""
        self._next_tick_ns = NEVER

    def send(self, message: tuple[int, ...]) -> None:
        """Send a message from the box."""
        box = self.box
        self.line.send(Arrival(self.now_ns, PORT, message, box.running, box.part, box.tick))

    def take(self, sends: tuple[Send, ...]) -> None:
        """Let program changes out to the box when their time comes, as the engine does."""
        for send in sends:
            instrument = self.setlist.instruments[send.change.instrument]
            due = due_ns(send, instrument, self.follower.tempo, self.now_ns)
            # Its boundary, in the box's ticks: it may leave a tick later than it was let go.
            self._ends[id(send)] = send, self.judge.truth.tick + send.ticks_left
            self._timed.put(send, due, self.now_ns)
        if self._timed.waits:
            self.on_held()
        self._keep_time()

    def _keep_time(self) -> None:
        if self._timed.waits or self._next_due_ns != NEVER:
            self._next_due_ns = self._timed.passed(self.now_ns) or NEVER

    def _let_out(self, send: Send) -> None:
        conductor = self.conductor
        waited = send.ticks_left and not (conductor.sure and conductor.armed)
        if waited or self.rng.random() < 0.02 or not self.way_back:
            self.say(f"program change to {send.change.instrument} fails")
            del self._ends[id(send)]
            conductor.report(send, False)
            return
        self.say(f"program change to {send.change.instrument}, {send.ticks_left} left")
        period = round(2_500_000_000 / self.hand.bpm)
        self.judge.sent(send, self._ends.pop(id(send))[1], period)
        if send.change.instrument == "drums":
            self._choose(send.part)
            if self.kind.at_once and self.box.running:
                # What goes out with it is counted from the part that has begun by it.
                truth = self.judge.truth
                truth.part, truth.tick = self.box.part, self.box.tick

    # -- time --------------------------------------------------------------------------------

    def run_until(self, until_ns: int) -> None:
        """Let time pass."""
        line, other = self.line.under_way, self.other_line.under_way
        agenda = self._agenda
        while True:
            tick_ns, look_ns = self._next_tick_ns, self._next_look_ns
            arrival_ns = line[0].t_ns if line else NEVER
            other_ns = other[0].t_ns if other else NEVER
            act_ns = agenda[0][0] if agenda else NEVER
            due = self._next_due_ns
            now_ns = min(tick_ns, look_ns, arrival_ns, other_ns, act_ns, due, self._next_sensing_ns)
            if now_ns >= until_ns:
                self.now_ns = until_ns
                return
            self.now_ns = now_ns
            if now_ns == due:
                self._keep_time()
            elif now_ns == arrival_ns:
                self._arrive(line.popleft())
            elif now_ns == tick_ns:
                self._tick()
            elif now_ns == look_ns:
                self._look()
            elif now_ns == other_ns:
                self._arrive_other(other.popleft())
            elif now_ns == act_ns:
                heappop(agenda)[2]()
            else:
                self._next_sensing_ns = now_ns + SENSING_NS
                self.send(SENSING)

    # -- inside ------------------------------------------------------------------------------

    def _set_going(self, message: tuple[int, ...]) -> None:
        self.ticks_since_set = 0
        self.line.next_tick = ""
        if self.kind.transport:
            self.send(message)
        if self.kind.new_beat or self._next_tick_ns == NEVER:
            self._next_tick_ns = self.now_ns + self.rng.randrange(MS, 3 * MS)

    def _tick(self) -> None:
        """The box plays a tick, or its clock runs idly."""
        now_ns, box, tally = self.now_ns, self.box, self.tally
        self._next_tick_ns = now_ns + self.hand.period_ns(now_ns)
        if not box.running:
            self.send(CLOCK)
            return
        tally.ticks += 1
        tally.jitter[self.line.jitter] += 1
        tally.nights[self.judge.night] += 1
        self.ticks_since_set += 1
        self.spoilt_ticks -= 1
        before = box.stretch, box.part, box.tick + 1
        if box.play_tick():
            tally.boundaries += 1
            self.judge.entered(before, box.part)
        if self.kind.announces and box.song % 96 == 1:
            # The position of the tick that comes with the clock about to be sent.
            position = (box.song - 1) // 6
            arrival = Arrival(
                now_ns,
                PORT,
                (0xF2, position & 0x7F, position >> 7),
                True,
                before[1],
                before[2] - 1,
            )
            self.line.send(arrival)
        self.send(CLOCK)
        self.on_tick()

    def _arrive(self, arrival: Arrival) -> None:
        if self._timed.waits and arrival.message == CLOCK and arrival.port == self.follower.port:
            self._timed.tick()
            self._keep_time()
        sends = self.follower.hear(arrival.port, arrival.t_ns, arrival.message)
        if sends:
            self.judge.truth = arrival
            self.take(sends)
        if arrival.own:
            self.judge.heard(arrival, round(2_500_000_000 / self.hand.bpm))
            if arrival.message == CLOCK and arrival.running:
                self.on_heard()

    def _arrive_other(self, arrival: Arrival) -> None:
        self.take(self.follower.hear(arrival.port, arrival.t_ns, arrival.message))

    def _look(self) -> None:
        self._next_look_ns += LOOK_NS
        self.follower.passed(self.now_ns)
        self.judge.looked(self.now_ns)

    def _choose(self, part: int) -> None:
        box = self.box
        before = box.stretch, box.part, box.tick
        running = box.running
        box.choose(part)
        if running and box.stretch != before[0]:
            self.tally.boundaries += 1
            self.judge.entered(before, box.part)


def play_set(fate: Fate, tally: Tally) -> None:
    """Play one set from its first start until its time is up."""
    # The actors need a stage to act on, and so import this file.
    from tests.nights.faults import Faults
    from tests.nights.performer import Performer

    stage = Stage(fate, tally)
    begun_ns = stage.now_ns
    Performer(stage).come_on()
    Faults(stage).begin()
    stage.run_until(begun_ns + round(fate.seconds * SECOND))
    tally.hours += fate.seconds / 3600


def play_night(seed: int, hours: float, tell: Tell | None = None, *, bare: bool = False) -> Tally:
    """Play a night of so many hours; the same seed is the same night."""
    tally = Tally()
    left, number = hours * 3600, 0
    lengths = Random(seed)
    while left > 0:
        seconds = min(left, lengths.uniform(200, 1500))
        play_set(Fate(f"{seed}.{number}", seconds, tell, bare), tally)
        left -= seconds
        number += 1
    return tally
