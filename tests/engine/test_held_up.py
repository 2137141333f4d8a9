"""The whole engine held up for a while, its driver not: all that came meanwhile arrives at once.

So does a busy computer, one that swaps, or a process that was stopped. The driver tells the true
times; the watch looks before, between and after what it hands on.
"""

from __future__ import annotations

import random
from typing import Any

import pytest

from companion.engine.engine import Engine, Options
from companion.engine.ports import DriverTime
from companion.follow.belief import WHICH_PART
from companion.follow.follower import Status
from companion.setlist import Span, Unit
from tests.builders import PORT, TICK_NS, three_parts
from tests.nightly import latin

MS, SECOND = 10**6, 10**9
# Three parts of two bars; a pass is one bar of 96 ticks.
PASS, PART = 96, 192
# How late an instrument that changes at once may be told, in ticks: an eighth of a beat.
LATE = 3


class Stage:
    """An instrument that plays on, and an engine whose computer may be held up."""

    def __init__(self, lead: Span, at_once: bool, seed: int) -> None:
        self.at_once = at_once
        system: Any = object()
        self.engine = Engine(three_parts(lead, at_once=at_once), Options(), system)
        routes: Any = {"drums": self}
        self.engine._keeper.routes.table = routes
        self.rng = random.Random(seed)
        self.driver = DriverTime()
        self.start_ns = self.now_ns = self.driver_ns = 7 * SECOND
        self.tick = -1
        # Tick of the instrument, fraction included, at which each program arrived.
        self.sent: list[tuple[float, int]] = []
        self.arrives(0xFA, self.now_ns)

    def send(self, message: tuple[int, ...]) -> None:
        self.sent.append(((self.now_ns - self.start_ns) / TICK_NS - 1, message[1]))

    def arrives(self, status: int, came_ns: int) -> None:
        delta_s = (came_ns - self.driver_ns) / 1e9
        self.driver_ns = came_ns
        self.engine.hear(PORT, self.driver.stamp(delta_s, self.now_ns), (status,))

    def watch(self) -> None:
        with self.engine._lock:
            self.engine._follower.passed(self.now_ns)

    def plays(self, until_tick: int) -> None:
        """The clock goes on to that tick; whatever is late comes as fast as it is taken."""
        while self.tick < until_tick:
            self.tick += 1
            came_ns = self.start_ns + (self.tick + 1) * TICK_NS
            while self.now_ns + 10 * MS < came_ns:
                self.now_ns += 10 * MS
                self.watch()
            late = came_ns < self.now_ns
            self.now_ns = max(self.now_ns, came_ns) + self.rng.randrange(20_000, 300_000)
            if late and self.rng.random() < 0.2:
                self.watch()
            self.arrives(0xF8, came_ns)
            told = self.told()
            if told.sure and told.state == "running":
                assert (told.part, told.tick) == self.where()

    def where(self) -> tuple[int, int]:
        """Part, and tick in it, that the instrument played at the latest tick."""
        part, begin = 1, 0
        for sent_at, program in self.sent:
            # At the end of the running pass, or at once, where that is the boundary.
            passes = (sent_at - LATE - 1) // PART * 2 + 2 if self.at_once else sent_at // PASS + 1
            if passes * PASS <= self.tick:
                part, begin = program, int(passes) * PASS
        return part, self.tick - begin

    def told(self) -> Status:
        """What snapshots are made of; made at every tick, they are most of the work here."""
        return self.engine._follower.status()


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[Stage]:
    """Put a stage in, and its time is that of the engine."""
    stages: list[Stage] = []
    monkeypatch.setattr("time.monotonic_ns", lambda: stages[0].now_ns if stages else 7 * SECOND)
    return stages


LEADS = [
    (Span(1, Unit.BEATS), False, 24),
    (Span(1, Unit.STEPS), False, 6),
    (Span(0, Unit.STEPS), True, 0),
]


@pytest.mark.parametrize(
    ("lead", "held_ms", "at", "seed"),
    latin(LEADS, [30, 120, 400, 1000, 1900, 3000, 6000], [100, 150, 160, 185], range(3)),
)
def test_nothing_leaves_late_and_no_wrong_count_is_sure(
    held_ms: int, at: int, seed: int, lead: tuple[Span, bool, int], clock: list[Stage]
) -> None:
    span, at_once, ticks = lead
    stage = Stage(span, at_once, seed)
    clock.append(stage)
    stage.plays(at)
    stage.now_ns += held_ms * MS
    if seed:
        stage.watch()
    stage.plays(at + held_ms * MS // TICK_NS + 26)
    if held_ms < 2000:
        # A beat after the last that came late.
        assert stage.told().sure
    stage.plays(at + 900)
    told = stage.told()
    if told.sure:
        assert [program for _, program in stage.sent] == [2, 3]
    else:
        # Every tick has come, but for more than two seconds nobody heard the instrument.
        assert held_ms > 2000
        assert told.doubt == WHICH_PART
        assert [program for _, program in stage.sent] in ([], [2])
    for sent_at, _ in stage.sent:
        assert sent_at % PART <= LATE if at_once else -sent_at % PART >= ticks / 2
