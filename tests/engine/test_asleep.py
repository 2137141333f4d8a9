"""A computer that slept: its monotonic clock stood still, and the instrument did not."""

from __future__ import annotations

from typing import Any

import pytest

from companion.engine.engine import Engine, Options
from companion.engine.host import LEAST_NS, Asleep
from companion.follow.belief import WHICH_PART
from companion.follow.conductor import SLEPT
from companion.wishes import Wish
from tests.builders import PORT, TICK_NS, three_parts

MS, SECOND, HOUR = 10**6, 10**9, 3600 * 10**9


class Clocks:
    """The clocks of a computer, the second of which stands still while it sleeps."""

    def __init__(self) -> None:
        self.sleepless_ns = 5 * HOUR
        self.monotonic_ns = HOUR
        # How long the process is held up between two looks.
        self.held_up_ns: list[int] = []

    def asleep(self) -> Asleep:
        return Asleep(lambda: self._look(True), lambda: self._look(False))

    def awake(self, ns: int) -> None:
        self.sleepless_ns += ns
        self.monotonic_ns += ns

    def _look(self, sleepless: bool) -> int:
        seen = self.sleepless_ns if sleepless else self.monotonic_ns
        self.awake(self.held_up_ns.pop(0) if self.held_up_ns else 100)
        return seen


@pytest.mark.parametrize("slept_ns", [2 * LEAST_NS, 3 * SECOND, 9 * HOUR])
def test_a_sleep_is_noticed_once(slept_ns: int) -> None:
    clocks = Clocks()
    asleep = clocks.asleep()
    clocks.awake(SECOND)
    assert not asleep.slept()
    clocks.sleepless_ns += slept_ns
    assert asleep.slept()
    clocks.awake(HOUR)
    assert not asleep.slept()


def test_held_up_between_two_looks_it_has_not_slept() -> None:
    clocks = Clocks()
    asleep = clocks.asleep()
    for held_up in ([SECOND, 0, 0], [0, SECOND, 0], [0, 0, SECOND], [SECOND, SECOND, SECOND]):
        clocks.held_up_ns = held_up
        assert not asleep.slept()
        assert not asleep.slept()
    clocks.sleepless_ns += 20 * MS
    assert asleep.slept()


def test_the_clocks_of_this_computer_do_not_part_while_it_is_awake() -> None:
    asleep = Asleep()
    assert not any(asleep.slept() for _ in range(1000))


def test_where_there_is_no_such_clock_nothing_is_noticed_and_nothing_breaks() -> None:
    def none() -> int:
        raise OSError("invalid argument")

    assert not Asleep(none).slept()


# -- in the engine -------------------------------------------------------------------------------


class Laptop:
    """An engine on a computer that can be put to sleep, and what it sends."""

    def __init__(self, options: Options = Options()) -> None:  # noqa: B008
        system: Any = None if options.internal_clock else object()
        self.engine = Engine(three_parts(), options, system)
        self.clocks = Clocks()
        self.engine._asleep = self.clocks.asleep()
        self.sent: list[bytes] = []
        routes: Any = {"drums": self}
        self.engine._keeper.routes.table = routes
        self.now_ns = 0

    def send(self, message: bytes) -> None:
        self.sent.append(message)

    def hear(self, status: int) -> None:
        self.engine.hear(PORT, self.now_ns, (status,))

    def clock(self, ticks: int) -> None:
        for _ in range(ticks):
            self.now_ns += TICK_NS
            self.clocks.awake(TICK_NS)
            self.hear(0xF8)

    def sleeps(self, ns: int) -> None:
        self.clocks.sleepless_ns += ns

    def confirms(self) -> None:
        self.engine.wish(Wish.of("confirm"))

    def wakes(self) -> None:
        """What the watch does first."""
        with self.engine._lock:
            self.engine._heed_sleep()


@pytest.fixture
def laptop(monkeypatch: pytest.MonkeyPatch) -> Laptop:
    laptop = Laptop()
    monkeypatch.setattr("time.monotonic_ns", lambda: laptop.now_ns)
    return laptop


def test_after_a_sleep_the_count_is_unsure_though_the_ticks_lie_on_the_line(laptop: Laptop) -> None:
    laptop.hear(0xFA)
    laptop.clock(100)
    assert laptop.engine.snapshot().sure
    laptop.sleeps(HOUR)
    laptop.wakes()
    told = laptop.engine.snapshot()
    assert (told.state, told.sure, told.doubt) == ("running", False, SLEPT)
    # Through the lead and over the boundary nothing leaves.
    laptop.clock(150)
    assert laptop.engine.snapshot().doubt == SLEPT
    assert laptop.sent == []
    # Another pattern may have been chosen meanwhile: a start leaves the part in doubt.
    laptop.hear(0xFA)
    laptop.clock(5)
    assert laptop.engine.snapshot().doubt == WHICH_PART
    laptop.confirms()
    assert laptop.engine.snapshot().sure


def test_what_falls_due_before_the_watch_has_looked_does_not_leave(laptop: Laptop) -> None:
    laptop.hear(0xFA)
    laptop.clock(150)
    laptop.sleeps(HOUR)
    # The change is due at tick 168, a beat before the end of two bars.
    laptop.clock(19)
    told = laptop.engine.snapshot()
    assert (told.doubt, laptop.sent) == (SLEPT, [])
    laptop.clock(50)
    told = laptop.engine.snapshot()
    assert (told.part, laptop.sent) == (1, [])
    assert told.notice == "program 3 was not sent to drums: the part goes on for another phrase"


def test_a_sleep_before_anything_was_started_is_no_doubt(laptop: Laptop) -> None:
    laptop.clock(20)
    laptop.sleeps(HOUR)
    laptop.wakes()
    laptop.hear(0xFA)
    laptop.clock(5)
    assert laptop.engine.snapshot().sure


def test_where_it_stood_stopped_a_continue_and_a_start_are_in_doubt(laptop: Laptop) -> None:
    laptop.hear(0xFA)
    laptop.clock(100)
    laptop.hear(0xFC)
    laptop.sleeps(HOUR)
    laptop.wakes()
    laptop.hear(0xFB)
    laptop.clock(5)
    assert laptop.engine.snapshot().doubt == SLEPT
    laptop.hear(0xFC)
    laptop.hear(0xFA)
    laptop.clock(5)
    assert laptop.engine.snapshot().doubt == WHICH_PART
    laptop.confirms()
    assert laptop.engine.snapshot().sure


def test_the_internal_clock_sleeps_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    laptop = Laptop(Options(internal_clock=True))
    monkeypatch.setattr("time.monotonic_ns", lambda: laptop.now_ns)
    laptop.hear(0xFA)
    laptop.clock(100)
    laptop.sleeps(HOUR)
    laptop.wakes()
    laptop.clock(50)
    assert laptop.engine.snapshot().sure


def test_asleep_between_a_change_and_its_boundary_the_next_start_is_in_doubt(
    laptop: Laptop,
) -> None:
    laptop.hear(0xFA)
    laptop.clock(180)
    assert laptop.sent == [b"\xc0\x02"]
    laptop.sleeps(HOUR)
    laptop.wakes()
    laptop.hear(0xFA)
    laptop.clock(5)
    told = laptop.engine.snapshot()
    assert (told.part, told.doubt) == (2, "drums may be on ebb line or slack water")
    assert laptop.sent == [b"\xc0\x02"]
