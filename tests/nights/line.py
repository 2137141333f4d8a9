"""The line between box and software: it is late, unsteady, and now and then worse.

Messages arrive in the order they were sent. What the line does to them is decided from outside,
by the faults of the night; all it does by itself is jitter.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from random import Random

MS = 1_000_000


@dataclass(slots=True)
class Arrival:
    """A message as it arrives: when, on which port, and what was true of the box as it sent it.

    `part` and `tick` are the box's, `stretch` tells its boundaries apart, `running` whether it
    played. `own` is False for what another instrument sent. `before` and `after` are part and tick
    one tick earlier and later, `again` marks a tick that the line doubled.
    """

    t_ns: int
    port: str
    message: tuple[int, ...]
    running: bool
    part: int
    tick: int
    own: bool = True
    before: tuple[int, int] = (0, -1)
    after: tuple[int, int] = (0, -1)
    again: bool = False


def _steady(rng: Random) -> Callable[[int], int]:
    return lambda t: t + rng.randrange(MS // 10)


def _usb(rng: Random) -> Callable[[int], int]:
    # Class-compliant USB polls once a millisecond (common practice, no source).
    return lambda t: t + rng.randrange(MS)


def _milliseconds(rng: Random) -> Callable[[int], int]:
    return lambda t: (t // MS + 1) * MS


def _cable(rng: Random) -> Callable[[int], int]:
    # A byte takes 320 us on a DIN line (MIDI 1.0 Detailed Specification 4.2.1, Hardware, from
    # memory: 31250 baud, ten bits), so a busy one adds some ms.
    most = rng.uniform(1, 5) * MS
    return lambda t: t + int(rng.random() * most)


def _gauss(rng: Random) -> Callable[[int], int]:
    deviation = rng.uniform(0.2, 1.5) * MS
    return lambda t: t + max(0, int(rng.gauss(2 * deviation, deviation)))


def _spiky(rng: Random) -> Callable[[int], int]:
    often, most = rng.uniform(0.001, 0.02), rng.uniform(2, 12) * MS
    return lambda t: (
        t + rng.randrange(MS) + (int(rng.random() * most) if rng.random() < often else 0)
    )


def _batches(rng: Random) -> Callable[[int], int]:
    every = rng.choice((2, 3, 4, 5)) * MS
    return lambda t: (t // every + 1) * every


def _held(rng: Random) -> Callable[[int], int]:
    # A hub or a busy computer: single messages are held up, and all behind them wait (the line
    # keeps order).
    often, most = rng.choice((1 / 60, 1 / 60, 1 / 20, 1 / 10)), rng.choice((40, 40, 80)) * MS
    return lambda t: (
        t + (rng.randrange(5 * MS, most) if rng.random() < often else int(abs(rng.gauss(0, MS))))
    )


def _bursts(rng: Random) -> Callable[[int], int]:
    # USB frames of 1 ms from a host that stalls for 5 to 40 ms, once in 60 messages; now and then
    # it is busy for a while and stalls at every other one.
    stalled_ns = busy_ns = 0

    def delay(t: int) -> int:
        nonlocal stalled_ns, busy_ns
        if t >= busy_ns and rng.random() < 1 / 1000:
            busy_ns = t + rng.randrange(200 * MS, 2000 * MS)
        if t >= stalled_ns and rng.random() < (1 / 2 if t < busy_ns else 1 / 60):
            stalled_ns = t + rng.randrange(5 * MS, 40 * MS)
        return max((t // MS + 1) * MS, stalled_ns)

    return delay


JITTERS = {
    "steady": _steady,
    "usb": _usb,
    "milliseconds": _milliseconds,
    "cable": _cable,
    "gauss": _gauss,
    "spiky": _spiky,
    "batches": _batches,
    "held": _held,
    "bursts": _bursts,
}
ORDINARY = ("steady", "usb", "milliseconds", "cable", "spiky", "held")


class Line:
    """Carries messages to the software, first in, first out."""

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self.under_way: deque[Arrival] = deque()
        self._latest_ns = 0
        # Nothing gets through before this time, and what is sent meanwhile is lost (the cable is
        # out) or waits (the driver hangs).
        self.out_until_ns = 0
        self.held_until_ns = 0
        self.jitter = "steady"
        self.set_jitter("steady")
        # What becomes of the next tick: "" or "lost" or "doubled".
        self.next_tick = ""

    def set_jitter(self, name: str) -> None:
        """Change the way the line is unsteady."""
        self.jitter = name
        self._delay = JITTERS[name](self._rng)

    def send(self, arrival: Arrival) -> None:
        """Send a message at its `t_ns`; it arrives later, or never."""
        t_ns = arrival.t_ns
        if t_ns < self.out_until_ns:
            return
        fate = ""
        if arrival.message[:1] == (0xF8,) and self.next_tick:
            fate, self.next_tick = self.next_tick, ""
        if fate == "lost":
            return
        self._deliver(arrival, self._delay(t_ns))
        if fate == "doubled":
            again = replace(arrival, t_ns=t_ns, again=True)
            self._deliver(again, arrival.t_ns + self._rng.randrange(MS // 20, 12 * MS // 10))

    def _deliver(self, arrival: Arrival, t_ns: int) -> None:
        # One message takes some time of its own, so that held ones do not come all at once.
        t_ns = max(t_ns, self.held_until_ns, self._latest_ns + 100_000)
        arrival.t_ns = self._latest_ns = t_ns
        self.under_way.append(arrival)
