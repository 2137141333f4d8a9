"""Whether the computer slept: a clock that goes on meanwhile, held against the monotonic one.

The monotonic clock, by which ticks are counted, stands still while a computer sleeps: to whoever
goes by that alone, an hour is no time, and the first ticks after it may well lie on the old line.
"""

from __future__ import annotations

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
