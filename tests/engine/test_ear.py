"""One port over one connection, and over two while it is renewed: each message once."""

from __future__ import annotations

import random
from collections.abc import Sequence

from companion.engine.portkeeper import TWIN_NS, Ear

CLOCK, START = (0xF8,), (0xFA,)
# 120 beats a minute (60 / (120 x 24) s a clock).
TICK_NS = 20_833_333


class Listener:
    """Writes down what an ear passes on."""

    def __init__(self) -> None:
        self.heard: list[tuple[str, int, tuple[int, ...]]] = []
        self.ear = Ear("tide drum", self.hear)

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> None:
        self.heard.append((port, t_ns, tuple(message)))


def test_one_connection_passes_everything_on_under_the_first_name() -> None:
    listener = Listener()
    connection = listener.ear.connection()
    # The same port under another number.
    connection("tide drum 28:0", 1_000, START)
    connection("tide drum 28:0", 2_000, CLOCK)
    assert listener.heard == [("tide drum", 1_000, START), ("tide drum", 2_000, CLOCK)]
    assert listener.ear.heard_ns == 2_000


def test_two_connections_tell_nothing_twice_however_they_are_interleaved() -> None:
    rng = random.Random(5)
    for _ in range(200):
        listener = Listener()
        first, second = listener.ear.connection(), listener.ear.connection()
        listener.ear.pair(True)
        tick_ns = rng.choice([8_333_333, TICK_NS])
        events = []
        for number in range(40):
            message = START if number == 0 else CLOCK
            # A start and its first clock may come within a byte's time of each other.
            at_ns = 10**9 + max(number - 1, 0) * tick_ns + (number > 0) * 320_000
            for connection in (first, second):
                events.append((at_ns, number, message, connection))
        # Each connection keeps its order; the two run apart by up to ten milliseconds.
        lag = {first: 0, second: rng.randrange(0, 10_000_000)}
        for at_ns, _, message, connection in sorted(events, key=lambda e: (e[0] + lag[e[3]], e[1])):
            connection("", at_ns + lag[connection], message)
        assert [m for _, _, m in listener.heard] == [START] + [CLOCK] * 39


def test_what_only_one_of_two_connections_brings_is_not_lost() -> None:
    listener = Listener()
    first, second = listener.ear.connection(), listener.ear.connection()
    listener.ear.pair(True)
    # The first connection is dead; then the second is alone.
    for number in range(5):
        second("", number * TICK_NS, CLOCK)
    assert len(listener.heard) == 5
    first("", 5 * TICK_NS + TWIN_NS + 1, CLOCK)
    assert len(listener.heard) == 6


def test_held_up_one_connection_may_bring_all_it_has_before_the_other_does() -> None:
    # A bar at once, each tick with the time at which it came.
    listener = Listener()
    first, second = listener.ear.connection(), listener.ear.connection()
    listener.ear.pair(True)
    for begin, connections in ((0, (first, second)), (96, (second, first))):
        for connection in connections:
            for number in range(begin, begin + 96):
                connection("", number * TICK_NS, CLOCK)
    assert [t_ns for _, t_ns, _ in listener.heard] == [n * TICK_NS for n in range(192)]
    # What the other never brought is no twin of what it brings much later.
    first("", 192 * TICK_NS, CLOCK)
    second("", 192 * TICK_NS + TWIN_NS + 1, CLOCK)
    assert len(listener.heard) == 194


def test_once_one_is_closed_nothing_is_held_back() -> None:
    listener = Listener()
    first, second = listener.ear.connection(), listener.ear.connection()
    listener.ear.pair(True)
    first("", 0, CLOCK)
    listener.ear.pair(False)
    second("", 1, CLOCK)
    assert len(listener.heard) == 2
