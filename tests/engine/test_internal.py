"""The internal clock: even, and where the computer was held up it goes on from there."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from companion.engine.clock import InternalClock
from companion.engine.engine import Engine, Options
from companion.midi import INTERNAL
from tests.builders import three_parts

MS = 10**6


class Time:
    """A computer's time that is simulated; held up for `held_ms` once, after `at` clocks."""

    def __init__(self, at: int, held_ms: int, clocks: int) -> None:
        self.now_ns = 10**9
        self.at, self.held_ms, self.clocks = at, held_ms, clocks
        self.heard = 0
        self.engine = Engine(three_parts(), Options(internal_clock=True), None)
        self.clock = InternalClock(self.hear, lambda: 120.0)

    def sleep(self, seconds: float) -> None:
        self.now_ns += round(seconds * 1e9) + 10_000
        # As the watch does.
        with self.engine._lock:
            self.engine._follower.passed(self.now_ns)

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> None:
        assert port == INTERNAL
        self.engine.hear(port, t_ns, message)
        if message[0] == 0xF8:
            self.heard += 1
            told = self.engine.snapshot()
            assert (told.part, told.tick) == ((self.heard - 1) // 192 + 1, (self.heard - 1) % 192)
            # With the fourth clock the tempo is known well enough to tell that none is missing.
            assert told.sure or self.heard in (2, 3)
            if self.heard == self.at:
                self.now_ns += self.held_ms * MS
            if self.heard == self.clocks:
                self.clock._ended.set()


@pytest.mark.parametrize("held_ms", [0, 300, 1500, 60_000])
def test_held_up_it_goes_on_from_where_it_was_and_the_count_is_sure(
    held_ms: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    time = Time(at=100, held_ms=held_ms, clocks=300)
    monkeypatch.setattr("time.monotonic_ns", lambda: time.now_ns)
    monkeypatch.setattr("time.sleep", time.sleep)
    begin_ns = time.now_ns
    time.clock._run()
    assert time.heard == 300
    # A head start of 0.3 s, and 299 times 20.83 ms (60 s / (120 x 24)); up to a second is made up.
    lost_ms = held_ms if held_ms > 1000 else 0
    went_ms = (time.now_ns - begin_ns) / MS
    assert went_ms == pytest.approx(300 + 299 * 20.8333 + lost_ms, abs=25)
