"""What an engine runs on, and what that may do to it: sleep, and the garbage collector.

The monotonic clock, by which ticks are counted, stands still while a computer sleeps: to whoever
goes by that alone, an hour is no time, and the first ticks after it may well lie on the old line.
`Asleep` holds a clock that goes on meanwhile against it.

A full collection stops every thread: 60 ms with fifty songs of rules on every step, three ticks at
120 beats a minute. What we make is freed by counting references; rings of objects hardly arise. So
`Tidying` keeps the collector for the pauses, and puts what has stayed until then out of its sight.
"""

from __future__ import annotations

import gc
import sys
import time
from collections.abc import Callable

# No computer sleeps for less. Where both clocks go on, they never part.
LEAST_NS = 10_000_000


def _sleepless_ns() -> int:
    """A clock that goes on while the computer sleeps, in ns; the monotonic one where that does."""
    if sys.platform == "linux":
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":
        return time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW)
    return time.monotonic_ns()


class Asleep:
    """Looks at both clocks whenever it is asked, by one thread at a time."""

    __slots__ = ("_apart_ns", "_monotonic_ns", "_sleepless_ns")

    def __init__(
        self,
        sleepless_ns: Callable[[], int] = _sleepless_ns,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        try:
            sleepless_ns()
        except OSError:
            # Not every system that calls itself Linux has that clock.
            sleepless_ns = monotonic_ns
        self._sleepless_ns = sleepless_ns
        self._monotonic_ns = monotonic_ns
        # At most so far do the two clocks stand apart.
        self._apart_ns = self._look()[1]

    def slept(self) -> bool:
        """Whether the computer has slept since the latest call, or since this was made."""
        least, most = self._look()
        slept = least - self._apart_ns > LEAST_NS
        self._apart_ns = most if slept else min(most, self._apart_ns)
        return slept

    def _look(self) -> tuple[int, int]:
        """How far the clocks stand apart, at least and at most: they are not read at once."""
        before = self._monotonic_ns()
        sleepless = self._sleepless_ns()
        return sleepless - self._monotonic_ns(), sleepless - before


# Seconds without anything playing before a pause is a pause.
PAUSE_S = 2.0
# Objects more than at the latest collection, after which it cannot wait for a pause: about 20 MB.
# A collection of the youngest takes some 10 ms then.
MANY = 100_000


class Tidying:
    """Keeps the collector to the pauses. For one thread."""

    def __init__(self) -> None:
        self._since_s: float | None = None
        self._done = False

    def begin(self) -> None:
        """Everything is loaded: from now on nothing is collected but in a pause."""
        gc.disable()
        _collect()

    def look(self, playing: bool, now_s: float) -> bool:
        """Collect if this is the time for it; whether it was. Call it about once a second."""
        if playing:
            self._since_s, self._done = None, False
            if gc.get_count()[0] > MANY:
                gc.collect(0)
                return True
            return False
        if self._since_s is None:
            self._since_s = now_s
        if self._done or now_s - self._since_s < PAUSE_S:
            return False
        self._done = True
        _collect()
        return True

    def end(self) -> None:
        """Leave the collector as it is at first."""
        gc.unfreeze()
        gc.enable()


def _collect() -> None:
    gc.collect()
    gc.freeze()
