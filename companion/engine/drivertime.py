"""Driver time laid onto the host's monotonic clock. Pure; one object for each input port.

A driver stamps messages when they arrive, the interpreter sees them when it gets to run: the
driver's own intervals are the truth, the host's clock only says where they lie.
"""

from __future__ import annotations

# Some drivers' clocks stand still, or stop: so many messages in a row without any time between
# them, though the interpreter saw them so far apart, and the interpreter is the better clock.
STILL, APART_NS = 2, 5_000_000
# Messages after which the two clocks are compared again: two beats of clock.
WINDOW = 48


class DriverTime:
    """Turns the driver's seconds since the last message into monotonic nanoseconds.

    The message that was seen with the least delay in each window sets the offset, so a busy machine
    does not move it, and drift between the clocks, or an interval lost by the driver, mends itself.
    """

    __slots__ = ("_least", "_left", "_ns", "_seen_ns", "_still")

    def __init__(self) -> None:
        self._ns: int | None = None
        self._least = 1 << 62
        self._left = WINDOW
        self._seen_ns = 0
        # Until it is seen to move, the next will do.
        self._still = STILL - 1

    def stamp(self, delta_s: float, now_ns: int) -> int:
        """Time in ns of a message that came `delta_s` after the one before and is seen at `now_ns`.

        Never later than `now_ns`, so never in the future.
        """
        apart_ns, self._seen_ns = now_ns - self._seen_ns, now_ns
        if self._ns is None or delta_s < 0:
            self._ns = now_ns
            return now_ns
        if delta_s > 0:
            self._still = 0
        elif apart_ns >= APART_NS:
            self._still += 1
        if self._still >= STILL:
            self._ns = now_ns
            return now_ns
        t = self._ns + round(delta_s * 1e9)
        lag = now_ns - t
        if lag < 0:
            t, lag = now_ns, 0
        if lag < self._least:
            self._least = lag
        self._left -= 1
        self._ns = t
        if self._left == 0:
            self._ns = t + self._least
            self._least = 1 << 62
            self._left = WINDOW
        return t
