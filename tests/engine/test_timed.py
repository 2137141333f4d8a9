"""Leads in milliseconds: a change leaves between two ticks, at the latest with its boundary."""

from __future__ import annotations

import threading
import time

from companion.engine.sending import SOON_NS, TimedSends
from companion.follow.conductor import NEVER, Send
from companion.setlist import ProgramChange

MS = 1_000_000


def send(ticks_left: int = 1, program: int = 4, *, at_ns: int = 0, latest_ns: int = NEVER) -> Send:
    """A change that is to leave then, for a boundary so many ticks ahead."""
    return Send(ProgramChange("sampler", program), 2, ticks_left, ticks_left, at_ns, latest_ns)


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
    due = send(at_ns=1000 + SOON_NS - 1)
    desk.timed.put(due, 1000)
    assert [each for each, _ in desk.left] == [due]
    desk.timed.tick()
    assert len(desk.left) == 1


def test_with_its_boundary_it_leaves_even_if_the_thread_has_not_come_to_it() -> None:
    desk = Desk()
    due = send(2, at_ns=15 * MS)
    desk.timed.put(due, 0)
    desk.timed.tick()
    assert desk.left == []
    desk.timed.tick()
    assert [each for each, _ in desk.left] == [due]
    desk.timed.tick()
    assert len(desk.left) == 1


def test_what_has_become_too_late_meanwhile_does_not_leave() -> None:
    desk = Desk()
    now = time.monotonic_ns()
    # As after the whole process was held up: its tick comes when its time has long gone by.
    desk.timed.put(send(program=1, at_ns=now, latest_ns=now - 1), now)
    desk.timed.put(send(program=2, at_ns=now + MS, latest_ns=now - MS), now)
    desk.timed.put(send(program=3, at_ns=now + MS, latest_ns=now + 10_000 * MS), now)
    desk.timed.tick()
    assert [each.change.program for each, _ in desk.left] == [3]
    assert [each.change.program for each in desk.missed] == [1, 2]


def test_the_thread_lets_each_out_once_in_the_order_of_their_times_and_not_before() -> None:
    desk = Desk()
    desk.timed.start()
    with desk.lock:
        now = time.monotonic_ns()
        desk.timed.put(send(program=1, at_ns=now + 60 * MS), now)
        desk.timed.put(send(program=2, at_ns=now + 20 * MS), now)
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
            desk.timed.put(send(program=program, at_ns=now + 5 * MS), now)
        desk.wait_for(program)
    desk.timed.close()
    assert [each.change.program for each, _ in desk.left] == [1, 2]
    assert desk.faults == 2


def test_what_waits_when_the_engine_ends_does_not_leave() -> None:
    desk = Desk()
    desk.timed.start()
    with desk.lock:
        now = time.monotonic_ns()
        desk.timed.put(send(at_ns=now + 10_000 * MS), now)
    desk.timed.close()
    assert desk.left == []
