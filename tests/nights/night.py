"""One night: box, line, performer and follower put together, moment by moment in simulated time.

A night plays sets one after the other, each with a box, a line and a follower of its own. The
follower is driven by its contract alone, as the engine drives it.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from heapq import heappop, heappush
from random import Random
from typing import Any

from companion.follow.follower import Follower, Sends, Status
from tests.nights.box import CLOCK, CONTINUE, SENSING, START, STOP, Box
from tests.nights.judge import Judge, Tally
from tests.nights.line import MS, Arrival, Line
from tests.nights.sets import random_kind, random_set, with_tracks
from tests.nights.tempo import Hand

PORT, OTHER = "tide drum", "foghorn"
NEVER = 1 << 62
# The watch looks this often, and keeps the place after so many looks at the latest (engine).
LOOK_NS = 10 * MS
KEEP_LOOKS = 20
SENSING_NS = 250 * MS
SECOND = 1_000_000_000
PROGRAM, NOTE_ON = 0xC0, 0x90

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Fate:
    """What a set of the night is like: seed, length in seconds, and who is told in words.

    With `notes` the box sends what it plays; `deaf` is software that does not listen for its place.
    """

    seed: str
    seconds: float
    tell: Tell | None = None
    notes: bool = False
    deaf: bool = False


class Stage:
    """What stands on the stage of one set, and the time there. Actors come from outside."""

    def __init__(self, fate: Fate, tally: Tally) -> None:
        rng = self.rng = Random(fate.seed)
        # What is done in the worst of moments is drawn apart.
        self.worst = Random(f"{fate.seed} worst")
        self._tell = fate.tell
        self.now_ns = rng.randrange(SECOND, 1000 * SECOND)
        # Many sets are ordinary; in rough ones everything that can happen does, in mixed ones so
        # often that faults meet; on others hands are on the instrument, or the engine is killed.
        nights = ("ordinary", "rough", "mixed", "hands", "kills")
        self.night = rng.choices(nights, (3, 2, 1, 1, 1))[0]
        self.rough = self.night in ("rough", "mixed")
        self.kind = random_kind(rng, names=self.night == "hands")
        self.setlist = random_set(rng, self.kind)
        # Whoever plays by a list draws apart, so that the night stays the same without.
        self._fingers = Random(f"{fate.seed} notes")
        self.plays, self._deaf = fate.notes, fate.deaf
        if fate.notes:
            self.setlist = with_tracks(self.setlist, self._fingers)
        self.box = Box(self.kind, {p.number: p.pattern.pass_ticks for p in self.setlist.parts})
        self.hand = Hand(rng, (40.0, 300.0) if self.rough else (70.0, 180.0))
        self.line, self.other_line = Line(rng), Line(rng)
        # Whether the performer wants anything sent.
        self.armed = rng.random() < 0.95
        self.follower = self._listening(Follower(self.setlist, sends=self.armed))
        # Whether the engine is away, killed; the place that it kept last, and what had happened.
        self.dead = False
        self._kept: dict[str, Any] = {}
        self._kept_count = 0
        self._looks = 0
        self.pressed_ns = 0
        self.tally = tally
        self.judge = Judge(self, fate.seed, tally)
        # Whether the program changes get through, too, while the cable is out; port gone: never.
        self.way_back = True
        self._next_tick_ns = NEVER
        self._next_look_ns = self.now_ns
        self._next_sensing_ns = NEVER
        # What is to leave between two ticks: when, order, send, its boundary in the box's ticks.
        self._waiting: list[tuple[int, int, Any, int]] = []
        self._agenda: list[tuple[int, int, Callable[[], None]]] = []
        self._order = 0
        self._before = (0, -1)
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
        self._keep()

    # -- for the actors ----------------------------------------------------------------------

    @property
    def status(self) -> Status:
        """What the software says; of an engine that is away, what it said last."""
        return self.follower.status()

    def after(self, seconds: float, do: Callable[[], None]) -> None:
        """Let something happen later."""
        self._order += 1
        heappush(self._agenda, (self.now_ns + round(seconds * SECOND), self._order, do))

    def say(self, words: str) -> None:
        """Tell what happens, where someone listens."""
        if self._tell is not None:
            box, seen = self.box, self.status
            queued = "" if box.queued is None else f">{box.queued}"
            self._tell(
                f"{self.now_ns / SECOND:10.3f}  {words:40} box {box.part}{queued}:{box.tick:<6} "
                f"counted {seen.part}:{seen.tick:<6} {'away' if self.dead else seen.state}"
                f"{'' if seen.sure else ', ' + seen.doubt}"
            )

    def wish(self, words: str) -> None:
        """Ask something of the software; while the engine is away, nobody hears."""
        if self.dead:
            return
        self.pressed_ns = self.now_ns
        self.take(self.follower.wish(words, self.now_ns))

    def arm(self, armed: bool) -> None:
        """Switch sending on or off."""
        if not self.dead:
            self.armed = armed
            self.wish("arm" if armed else "disarm")

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

    def port_gone(self) -> None:
        """The driver tells that the port of the box has vanished."""
        if not self.dead:
            self.take(self.follower.port_gone(PORT, self.now_ns))

    @property
    def may_be_killed(self) -> bool:
        """Whether nothing was pressed just now: what nobody wrote down is as good as unheard."""
        under_way = any(_is_pressed(a) for a in self.line.under_way)
        return not under_way and self.now_ns - self.pressed_ns > 3 * LOOK_NS // 2

    def die(self) -> None:
        """The engine dies, if it lives and may be killed now."""
        if not self.dead and self.may_be_killed and self.ticks_since_set >= 3:
            self.judge.fault("killed", self.now_ns)
            self.kill()

    def kill(self) -> None:
        """The engine dies, and another one takes over after a while."""
        rng = self.rng
        ranges = ((0.02, 1.9), (1.9, 9.5), (10.5, 30))
        seconds = rng.uniform(*rng.choices(ranges, (6, 2, 1))[0])
        self.say(f"killed for {seconds:.3f} s")
        self.dead = True
        self._waiting.clear()
        if seconds < 10:
            self._short_until_ns = max(
                self._short_until_ns, self.now_ns + round(seconds * SECOND) + MS * 50
            )
        self.after(seconds, self._come_back)

    def _come_back(self) -> None:
        kept = json.loads(json.dumps(self._kept))
        self.follower = self._listening(Follower.resume(self.setlist, kept, self.now_ns))
        self.dead = False
        self.judge.came_back()
        self.say("back")

    def press_start(self) -> None:
        """Press start on the box."""
        self.box.start()
        self.judge.moved()
        if not self.kind.transport:
            # Nobody heard it: how long a silence is, the first ticks have to tell anew.
            self.judge.came_back()
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

    def choose(self, part: int) -> None:
        """Choose a pattern on the box, which may tell of it; the running one takes back another."""
        box = self.box
        self.judge.picked()
        if box.running and part == box.part:
            box.queued = box.press_at = None
        elif box.running and self.kind.at_once:
            # Between this tick and the next.
            box.press_at = (part, box.tick + 1)
            return
        else:
            box.choose(part)
        self._name(part)

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
        self.line.send(
            Arrival(
                self.now_ns,
                PORT,
                message,
                box.running,
                box.part,
                box.tick,
                before=self._before,
                after=box.coming,
            )
        )

    def take(self, sends: Sends) -> None:
        """Let out what is due when its time comes, as the engine does; first keep the place."""
        if not sends:
            return
        self._keep()
        for send in sends:
            if self._dies_now():
                return
            # Its boundary, in the box's ticks.
            end = self.judge.truth.tick + send.ticks_left
            if send.at_ns > self.now_ns:
                self._order += 1
                heappush(self._waiting, (send.at_ns, self._order, send, end))
            else:
                self._let_out(send, end, waited=False)
                if self.night == "kills" and self.worst.random() < 0.05:
                    # Killed at some microsecond before its boundary, or just after it.
                    self.after(self.worst.uniform(0, 2), self.die)
        if self._waiting:
            self.on_held()

    def _dies_now(self) -> bool:
        """The engine dies with a change in its hands: the worst of moments."""
        if self.dead:
            return True
        often = 0.1 if self.night == "kills" else 0.005
        if self.rng.random() > often or any(_is_pressed(a) for a in self.line.under_way):
            return False
        self.judge.fault("killed", self.now_ns)
        self.kill()
        return True

    def _let_out(self, send: Any, end: int, *, waited: bool) -> None:
        follower = self.follower
        crossing = any(a.message[:1] == (PROGRAM,) for a in self.line.under_way)
        withdrawn = waited and not follower.keeps(send)
        if withdrawn or self.rng.random() < 0.02 or not self.way_back or crossing:
            # Of a pattern that is chosen just then nobody could know.
            self.say(f"program change to {send.instrument} {'withdrawn' if withdrawn else 'fails'}")
            self.take(follower.failed(send, self.now_ns))
            return
        self.say(f"program change to {send.instrument}, {send.ticks_left} left")
        self.judge.sent(send, end, round(2_500_000_000 / self.hand.bpm))
        if send.instrument == "drums":
            self._told(send.part)
            if self.kind.echoes:
                self.send(tuple(send.messages[-1]))
            if self.kind.at_once and self.box.running:
                # What goes out with it is counted from the part that has begun by it.
                box = self.box
                self.judge.truth = replace(self.judge.truth, part=box.part, tick=box.tick)

    # -- time --------------------------------------------------------------------------------

    def run_until(self, until_ns: int) -> None:
        """Let time pass."""
        line, other = self.line.under_way, self.other_line.under_way
        agenda, waiting = self._agenda, self._waiting
        while True:
            tick_ns, look_ns = self._next_tick_ns, self._next_look_ns
            arrival_ns = line[0].t_ns if line else NEVER
            other_ns = other[0].t_ns if other else NEVER
            act_ns = agenda[0][0] if agenda else NEVER
            due = waiting[0][0] if waiting else NEVER
            now_ns = min(tick_ns, look_ns, arrival_ns, other_ns, act_ns, due, self._next_sensing_ns)
            if now_ns >= until_ns:
                self.now_ns = until_ns
                return
            self.now_ns = now_ns
            if now_ns == due:
                _, _, send, end = heappop(waiting)
                self._let_out(send, end, waited=True)
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

    def _keep(self) -> None:
        self._kept = self.follower.checkpoint(self.now_ns)
        self._kept_count = self.follower.standing().count
        self._looks = 0

    def _set_going(self, message: tuple[int, ...]) -> None:
        self.ticks_since_set = 0
        self._before = (0, -1)
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
        self.ticks_since_set += 1
        self.spoilt_ticks -= 1
        self._before = box.part, box.tick
        before = box.stretch, box.part, box.tick + 1
        if box.press_at is not None and box.press_at[1] <= box.tick + 1:
            self._name(box.press_at[0])
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
        if self.plays and box.part:
            self._play(box.part, box.tick + box.shown_before * box.length)
        self.on_tick()

    def _play(self, part: int, tick: int) -> None:
        """Send the notes that belong to a tick of a pattern, two in a hundred of them lost."""
        for at, track in enumerate(self.setlist.parts[part - 1].pattern.tracks):
            passes, into = divmod(tick, track.length * track.step_ticks)
            for step in track.steps:
                if into != (step.number - 1) * track.step_ticks:
                    continue
                plays = all((passes + 1 - c.k) % c.n == 0 for c in step.rule.cycles)
                if plays and self._fingers.random() >= 0.02:
                    self.send((NOTE_ON, 36 + at, 100))

    def _listening(self, follower: Follower) -> Follower:
        if self._deaf:
            follower._made.ears.any = False
        return follower

    def _arrive(self, arrival: Arrival) -> None:
        if arrival.message[:1] == (NOTE_ON,):
            if not self.dead:
                self.take(self.follower.hear(arrival.port, arrival.t_ns, bytes(arrival.message)))
            return
        if arrival.own and arrival.message != CLOCK:
            self.pressed_ns = self.now_ns
        if self.dead:
            if arrival.own:
                self.judge.unheard(arrival)
            return
        sends = self.follower.hear(arrival.port, arrival.t_ns, bytes(arrival.message), self.now_ns)
        if sends:
            if arrival.own:
                self.judge.truth = arrival
            self.take(sends)
            if arrival.own:
                # What left just now may have moved the box: its tick is another part's by now.
                arrival = self.judge.truth
        if arrival.own and not self.dead:
            self.judge.heard(arrival, round(2_500_000_000 / self.hand.bpm))
            if arrival.message == CLOCK and arrival.running:
                self.on_heard()

    def _arrive_other(self, arrival: Arrival) -> None:
        if not self.dead:
            self.take(self.follower.hear(arrival.port, arrival.t_ns, bytes(arrival.message)))

    def _look(self) -> None:
        self._next_look_ns += LOOK_NS
        if self.dead:
            return
        self.take(self.follower.passed(self.now_ns))
        if self.dead:
            return
        self.judge.looked(self.now_ns)
        self._looks += 1
        if self._looks >= KEEP_LOOKS or self.follower.conductor.count != self._kept_count:
            self._keep()

    def _name(self, part: int) -> None:
        """The box tells which program was chosen on it, if it does such a thing."""
        changes = self.setlist.parts[part - 1].changes
        program = next((c.program for c in changes if c.instrument == "drums"), None)
        if self.kind.names and program is not None:
            self.send((PROGRAM, program))

    def _told(self, part: int) -> None:
        """The box gets a program change."""
        box = self.box
        before = box.stretch, box.part, box.tick
        running = box.running
        box.choose(part)
        if running and box.stretch != before[0]:
            self.tally.boundaries += 1
            self._before = before[1], before[2]
            self.judge.entered(before, box.part)
            for arrival in self.line.under_way:
                # Sent before, it comes when the box is in the other part by now.
                arrival.after = box.part, box.tick


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


def _is_pressed(arrival: Arrival) -> bool:
    """Whether somebody had to press something for it."""
    return arrival.own and arrival.message != CLOCK and arrival.message[:1] != (NOTE_ON,)


def play_night(
    seed: int,
    hours: float,
    tell: Tell | None = None,
    *,
    notes: bool = False,
    deaf: bool = False,
) -> Tally:
    """Play a night of so many hours; the same seed is the same night."""
    tally = Tally()
    left, number = hours * 3600, 0
    lengths = Random(seed)
    while left > 0:
        seconds = min(left, lengths.uniform(200, 1500))
        if tell is not None:
            tell(f"set {seed}.{number}")
        play_set(Fate(f"{seed}.{number}", seconds, tell, notes, deaf), tally)
        left -= seconds
        number += 1
    return tally
