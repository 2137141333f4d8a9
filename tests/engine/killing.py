"""A night in which the engine is killed: an instrument that plays on, engines that come and go.

The instrument is an independent judge. It takes a program when its running pass ends and keeps its
own count of the part it plays; all times are simulated, the state file is real.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from companion.engine.memory import Memory, Now
from companion.follow.follower import Follower
from companion.follow.place import recall, remember
from companion.follow.resume import WRITTEN_TICKS, Resumption
from companion.setlist.model import SetList

PORT = "tide drum"
BOOT = "the first"


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

    def advance(self) -> None:
        self.tick += 1
        if self.queued is not None and (self.tick - self.part_start) % self.pass_ticks == 0:
            self.part, self.part_start = self.programs[self.queued], self.tick
            self.queued = None

    def take(self, program: int) -> None:
        self.queued = program
        self.taken.append(program)

    @property
    def where(self) -> tuple[int, int]:
        """Part number and tick in it."""
        return self.part, self.tick - self.part_start


class Running:
    """One engine at work: a follower, and what the watch and the memory do beside it."""

    def __init__(
        self, setlist: SetList, memory: Memory, now: Now, died_ns: int | None = None
    ) -> None:
        self.memory = memory
        self.follower = Follower(setlist)
        self.resumption: Resumption | None = None
        self.noted: tuple[int, int] | None = None
        found = memory.find(now)
        self.resumed = found is not None
        if found is not None:
            recall(self.follower, found.place)
            self.resumption = Resumption(
                self.follower, found.place, found.trusted, now.monotonic_ns, died_ns
            )

    def hear(self, judge: Judge, t_ns: int, message: tuple[int, ...]) -> None:
        hear = self.follower.hear if self.resumption is None else self.resumption.hear
        for send in hear(PORT, t_ns, message):
            judge.take(send.change.program)

    def note(self, now: Now) -> None:
        """What the watch does every hundredth of a second."""
        resumption, conductor = self.resumption, self.follower.conductor
        noted = (conductor.count, conductor.tick // WRITTEN_TICKS)
        if noted == self.noted or (resumption is not None and resumption.waiting):
            return
        self.noted = noted
        if resumption is None:
            place = remember(self.follower, now.monotonic_ns)
        else:
            place = resumption.remember(now.monotonic_ns)
        self.memory.write(place, now)

    @property
    def where(self) -> tuple[int, int]:
        standing = self.follower.conductor.standing()
        return standing.part.number, standing.tick

    @property
    def sure(self) -> bool:
        return self.follower.conductor.standing().sure


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
        self.begin_ns = 5_000_000_000
        self.engine: Running | None = None
        # When the place of the latest tick is written: the watch looks every 10 ms, a disk is slow.
        self.written_ns = 0.0
        self.slowest_ns = 60_000_000

    def now(self, t_ns: float) -> Now:
        return Now(BOOT, round(t_ns), round(t_ns) + 1_700_000_000_000_000_000)

    def memory(self) -> Memory:
        return Memory(self.folder, "tidewater.yaml", "digest of the set")

    def begin(self) -> None:
        """An engine is there, and the instrument starts."""
        now = self.now(self.begin_ns)
        self.engine = Running(self.setlist, self.memory(), now)
        self.engine.hear(self.judge, now.monotonic_ns, (0xFA,))
        self.engine.note(now)

    def play(self, until_ns: float) -> Iterator[int]:
        """The instrument plays until then; yields after each tick, with its time."""
        while True:
            due_ns = self.begin_ns + (self.judge.tick + 2) * self.period_ns
            if due_ns > until_ns:
                return
            self.write(due_ns)
            self.judge.advance()
            t_ns = round(due_ns + self.rng.gauss(0, self.jitter_ns))
            if self.engine is not None:
                self.engine.hear(self.judge, t_ns, (0xF8,))
                if not self.written_ns:
                    self.written_ns = due_ns + self.rng.uniform(1e6, self.slowest_ns)
            yield t_ns

    def write(self, by_ns: float) -> None:
        """What was to be written by then is."""
        if self.written_ns and self.written_ns <= by_ns and self.engine is not None:
            self.engine.note(self.now(self.written_ns))
            self.written_ns = 0.0

    def kill(self, at_ns: float = 0) -> None:
        """It is gone from one moment to the next, its state file as it was."""
        self.write(at_ns)
        self.written_ns = 0.0
        self.engine = None

    def start_again(self, t_ns: float, died_ns: float | None = None) -> Running:
        """Another engine: started by hand, or by one who saw when the one before died."""
        died = None if died_ns is None else round(died_ns)
        self.engine = Running(self.setlist, self.memory(), self.now(t_ns), died)
        return self.engine
