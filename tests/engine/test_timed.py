"""Leads in milliseconds: a change leaves between two ticks, at the latest with its boundary."""

from __future__ import annotations

import random
import threading
import time

import pytest

from companion.engine.timed import SOON_NS, TimedSends, due_ns, latest_ns
from companion.follow.conductor import Send
from companion.follow.tempo import TempoTracker
from companion.setlist.model import Instrument, ProgramChange, Span, Unit

# 120 beats a minute: 60 / (120 x 24) s a clock (shared check value of the trade's arithmetic).
TICK_NS = 20_833_333
MS = 1_000_000
FIVE_MS = Instrument("sampler", at_once=True, lead=Span(5, Unit.MILLISECONDS))


def send(ticks_left: int = 1, program: int = 4) -> Send:
    """A change that was let go for its lead."""
    return Send(ProgramChange("sampler", program), 2, ticks_left, ticks_left)


def tempo_of(ticks: int, jitter_ms: float = 0.0, seed: int = 1) -> TempoTracker:
    """A tracker that heard ticks 0 to `ticks`, due at whole multiples of TICK_NS."""
    noise, tracker = random.Random(seed), TempoTracker()
    for tick in range(ticks + 1):
        tracker.hear(tick * TICK_NS + round(noise.uniform(-jitter_ms, jitter_ms) * MS))
    return tracker


@pytest.mark.parametrize("jitter_ms", [0.0, 1.0])
@pytest.mark.parametrize(("lead_ms", "ticks_left"), [(5, 1), (20, 1), (30, 2), (100, 5)])
def test_it_leaves_so_long_before_the_boundary_however_unsteady_the_tick(
    lead_ms: int, ticks_left: int, jitter_ms: float
) -> None:
    # Over one bar of 96 ticks the end of a line through them errs by at most twice s/sqrt(N) or
    # so; an even noise of 1 ms has s = 0.58 ms (a line in white noise; Kay 1993).
    instrument = Instrument("sampler", at_once=True, lead=Span(lead_ms, Unit.MILLISECONDS))
    latest = 96 * TICK_NS
    due = due_ns(send(ticks_left), instrument, tempo_of(96, jitter_ms), latest)
    boundary = latest + ticks_left * TICK_NS
    assert abs(boundary - due - lead_ms * MS) < 0.25 * MS


def test_a_lead_in_beats_leaves_with_its_tick() -> None:
    instrument = Instrument("drums", lead=Span(1, Unit.BEATS))
    assert due_ns(send(24), instrument, tempo_of(96), 7) == 7


def test_while_no_tempo_is_known_it_leaves_with_its_tick() -> None:
    assert due_ns(send(), FIVE_MS, TempoTracker(), 7) == 7


def test_it_never_waits_longer_than_a_tick() -> None:
    tracker = tempo_of(96)
    early = 95 * TICK_NS + TICK_NS // 2
    assert due_ns(send(), FIVE_MS, tracker, early) == early + tracker.period_ns


def test_what_is_wished_for_right_now_does_not_wait_for_a_lead() -> None:
    tracker = tempo_of(96)
    asked_ns = 96 * TICK_NS + 3 * MS
    for ticks_left in (1, 2, 48):
        hurried = Send(ProgramChange("sampler", 4), 2, ticks_left)
        assert due_ns(hurried, FIVE_MS, tracker, asked_ns) == asked_ns


@pytest.mark.parametrize(
    ("instrument", "ticks_left", "lead_ticks", "latest"),
    [
        (Instrument("drums", lead=Span(1, Unit.BEATS)), 24, 24, 12),
        # It had to wait until the clock was sure again, and half its lead is gone already.
        (Instrument("drums", lead=Span(1, Unit.BEATS)), 13, 24, 1),
        # Somebody hurried it.
        (Instrument("drums", lead=Span(1, Unit.BEATS)), 10, 0, 5),
        (Instrument("drums", lead=Span(500, Unit.MILLISECONDS)), 10, 0, 5),
        (Instrument("sampler", at_once=True, lead=Span(0, Unit.STEPS)), 0, 0, 3),
        # 5 ms are less than a tick; 100 ms are 4.8 ticks, half of that before the boundary.
        (FIVE_MS, 1, 1, 4),
        (Instrument("drums", lead=Span(100, Unit.MILLISECONDS)), 5, 5, 2.6),
    ],
)
def test_half_its_lead_before_its_boundary_it_is_too_late(
    instrument: Instrument, ticks_left: int, lead_ticks: int, latest: float
) -> None:
    each = Send(ProgramChange(instrument.name, 4), 2, ticks_left, lead_ticks)
    heard_ns = 96 * TICK_NS
    until_ns = latest_ns(each, instrument, tempo_of(96), heard_ns)
    assert abs(until_ns - heard_ns - latest * TICK_NS) < 0.01 * TICK_NS


class Desk:
    """Timed sends, and what has left."""

    def __init__(self, broken: bool = False) -> None:
        self.lock = threading.Lock()
        self.left: list[tuple[Send, int]] = []
        self.faults = 0
        self.broken = broken
        self.news = threading.Condition()
        self.missed: list[Send] = []
        self.timed = TimedSends(self.lock, self.out, self.missed.append, self.fault)

    def out(self, each: Send) -> None:
        with self.news:
            self.left.append((each, time.monotonic_ns()))
            self.news.notify()
        if self.broken:
            raise RuntimeError("the cable is wet")

    def fault(self) -> None:
        self.faults += 1

    def wait_for(self, count: int) -> None:
        with self.news:
            assert self.news.wait_for(lambda: len(self.left) >= count, timeout=10)


def test_what_is_due_now_leaves_now_and_needs_no_thread() -> None:
    desk = Desk()
    desk.timed.put(send(), 1000 + SOON_NS - 1, 1000)
    assert [each for each, _ in desk.left] == [send()]
    desk.timed.tick()
    assert len(desk.left) == 1


def test_with_its_boundary_it_leaves_even_if_the_thread_has_not_come_to_it() -> None:
    desk = Desk()
    desk.timed.put(send(2), 15 * MS, 0)
    desk.timed.tick()
    assert desk.left == []
    desk.timed.tick()
    assert [each for each, _ in desk.left] == [send(2)]
    desk.timed.tick()
    assert len(desk.left) == 1


def test_what_has_become_too_late_meanwhile_does_not_leave() -> None:
    desk = Desk()
    now = time.monotonic_ns()
    # As after the whole process was held up: its tick comes when its time has long gone by.
    desk.timed.put(send(1, program=1), now, now, now - 1)
    desk.timed.put(send(1, program=2), now + MS, now, now - MS)
    desk.timed.put(send(1, program=3), now + MS, now, now + 10_000 * MS)
    desk.timed.tick()
    assert [each.change.program for each, _ in desk.left] == [3]
    assert [each.change.program for each in desk.missed] == [1, 2]


def test_the_thread_lets_each_out_once_in_the_order_of_their_times_and_not_before() -> None:
    desk = Desk()
    desk.timed.start()
    with desk.lock:
        now = time.monotonic_ns()
        desk.timed.put(send(1, program=1), now + 60 * MS, now)
        desk.timed.put(send(1, program=2), now + 20 * MS, now)
    desk.wait_for(2)
    desk.timed.close()
    assert [each.change.program for each, _ in desk.left] == [2, 1]
    assert desk.left[0][1] >= now + 20 * MS
    assert desk.left[1][1] >= now + 60 * MS


def test_a_fault_of_one_is_told_and_the_next_still_leaves() -> None:
    desk = Desk(broken=True)
    desk.timed.start()
    for program in (1, 2):
        with desk.lock:
            now = time.monotonic_ns()
            desk.timed.put(send(1, program), now + 5 * MS, now)
        desk.wait_for(program)
    desk.timed.close()
    assert [each.change.program for each, _ in desk.left] == [1, 2]
    assert desk.faults == 2


def test_what_waits_when_the_engine_ends_does_not_leave() -> None:
    desk = Desk()
    desk.timed.start()
    with desk.lock:
        now = time.monotonic_ns()
        desk.timed.put(send(), now + 10_000 * MS, now)
    desk.timed.close()
    assert desk.left == []
