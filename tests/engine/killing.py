"""A night in which the engine is killed: an instrument that plays on, engines that come and go.

The instrument is an independent judge. It takes a program when its running pass ends and keeps its
own count of the part it plays; all times are simulated, the files are real.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum, auto
from pathlib import Path

from companion.engine.checkpointfile import Memory, Now
from companion.follow.follower import Follower, Sends
from companion.setlist import SetList

PORT = "tide drum"
BOOT = "the first"
# The engine looks at the time every 10 ms, and keeps where it stands every 200.
LOOK_NS, KEEP_NS = 10_000_000, 200_000_000


class Moment(Enum):
    """When, in the handing out of a change, an engine is killed."""

    BEFORE_KEPT = auto()
    KEPT = auto()
    LEFT = auto()


class Killed(Exception):
    """The engine is gone."""


@dataclass
class Judge:
    """A drum machine that plays parts by program: one pass is `pass_ticks` long."""

    programs: dict[int, int]
    pass_ticks: int = 96
    tick: int = -1
    part: int = 1
    part_start: int = 0
    queued: int | None = None
    taken: list[int] = field(default_factory=list)
    # When it took the latest.
    took_ns: int = 0

    def advance(self) -> None:
        self.tick += 1
        if self.queued is not None and (self.tick - self.part_start) % self.pass_ticks == 0:
            self.part, self.part_start = self.programs[self.queued], self.tick
            self.queued = None

    def take(self, program: int, now_ns: int) -> None:
        self.queued, self.took_ns = program, now_ns
        self.taken.append(program)

    @property
    def where(self) -> tuple[int, int]:
        """Part number and tick in it."""
        return self.part, self.tick - self.part_start


class Running:
    """One engine at work: a follower, and what the watch and the memory do beside it."""

    def __init__(self, setlist: SetList, memory: Memory, now_ns: int, judge: Judge) -> None:
        self.memory = memory
        self.judge = judge
        # When the next that leaves is to be its last.
        self.dies: Moment | None = None
        found = memory.find()
        self.resumed = found is not None
        if found is None:
            self.follower = Follower(setlist)
        else:
            self.follower = Follower.resume(setlist, found.kept, now_ns)
            if not found.trusted:
                self.follower.slept()
        memory.start()
        self.note(now_ns)

    def hear(self, t_ns: int, message: tuple[int, ...]) -> None:
        self.send(self.follower.hear(PORT, t_ns, message), t_ns)

    def passed(self, now_ns: int) -> None:
        """What the watch does."""
        self.send(self.follower.passed(now_ns), now_ns)

    def send(self, sends: Sends, now_ns: int) -> None:
        """As the engine does: kept first, then let out."""
        if not sends:
            return
        if self.dies is Moment.BEFORE_KEPT:
            raise Killed
        self.note(now_ns)
        if self.dies is Moment.KEPT:
            raise Killed
        for send in sends:
            assert send.at_ns <= now_ns
            self.judge.take(send.messages[0][1], now_ns)
        if self.dies is Moment.LEFT:
            raise Killed

    def note(self, now_ns: int) -> None:
        self.memory.note(self.follower.checkpoint(now_ns))

    @property
    def where(self) -> tuple[int, int]:
        standing = self.follower.standing()
        return standing.part.number, standing.tick

    @property
    def sure(self) -> bool:
        return self.follower.status().sure

    @property
    def doubt(self) -> str:
        return self.follower.status().doubt


class Night:
    """The instrument plays on and on; engines live and die beside it."""

    def __init__(
        self,
        setlist: SetList,
        folder: Path,
        rng: random.Random,
        *,
        bpm: float = 120.0,
        jitter_ns: float = 300_000,
    ) -> None:
        self.setlist = setlist
        self.folder = folder
        self.rng = rng
        self.period_ns = 60e9 / (bpm * 24)
        self.jitter_ns = jitter_ns
        programs = {part.changes[0].program: part.number for part in setlist.parts if part.changes}
        self.judge = Judge(programs)
        self.begin_ns = self.now_ns = 5_000_000_000
        self.kept_ns = 0
        self.engine: Running | None = None

    def moment(self) -> Now:
        return Now(BOOT, self.now_ns, self.now_ns + 1_700_000_000_000_000_000)

    def begin(self) -> None:
        """An engine is there, and the instrument starts."""
        self.start_again(self.begin_ns).hear(self.begin_ns, (0xFA,))

    def play(self, until_ns: float) -> Iterator[int]:
        """The instrument plays until then; yields after each tick, with its time."""
        while True:
            due_ns = self.begin_ns + (self.judge.tick + 2) * self.period_ns
            if due_ns > until_ns:
                self.watch(round(until_ns))
                return
            self.judge.advance()
            # No tick arrives before it was sent.
            t_ns = round(due_ns + abs(self.rng.gauss(0, self.jitter_ns)))
            self.watch(t_ns)
            if self.engine is not None:
                try:
                    self.engine.hear(t_ns, (0xF8,))
                except Killed:
                    self.kill()
            yield t_ns

    def go_on(self, until_ns: float) -> None:
        """The instrument plays until then."""
        for _ in self.play(until_ns):
            pass

    def watch(self, until_ns: int) -> None:
        """Time goes by, and the watch looks at it."""
        while self.engine is not None and self.now_ns + LOOK_NS < until_ns:
            self.now_ns += LOOK_NS
            self.engine.passed(self.now_ns)
            if self.now_ns - self.kept_ns >= KEEP_NS:
                self.kept_ns = self.now_ns
                self.engine.note(self.now_ns)
        self.now_ns = max(self.now_ns, until_ns)

    def kill(self) -> None:
        """It is gone from one moment to the next, its files as they were."""
        if self.engine is not None:
            self.engine.memory.close(forget=False)
        self.engine = None

    def start_again(self, t_ns: float) -> Running:
        """Another engine is started."""
        self.now_ns = self.kept_ns = round(t_ns)
        memory = Memory(self.folder, "tidewater.yaml", "digest of the set", moment=self.moment)
        self.engine = Running(self.setlist, memory, self.now_ns, self.judge)
        return self.engine
