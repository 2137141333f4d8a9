"""An ear: what is heard of one port, whether over one connection or, while it is renewed, two.

A cable that was out for a moment may leave a connection that looks whole and carries nothing. So
a second one is opened beside it; both hear the same for a while, and nothing is lost or told twice.
No driver here.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence

Heard = Callable[[str, int, Sequence[int]], None]

# Two connections bring the same message with times no further apart, however busy the machine is.
TWIN_NS = 50_000_000
# How many messages one connection may be ahead of the other, where the engine was held up.
AHEAD = 256


class Ear:
    """Passes on what is heard of one port under the name `alias`, each message once.

    `heard_ns` is when the latest came, 0 before the first; `opened_ns` when it began to listen.
    """

    __slots__ = ("_heard", "_lock", "_next", "_twins", "_waiting", "alias", "heard_ns", "opened_ns")

    def __init__(self, alias: str, heard: Heard, opened_ns: int = 0) -> None:
        self.alias = alias
        self.opened_ns = opened_ns
        self.heard_ns = 0
        self._heard = heard
        self._next = 0
        self._twins = False
        # Each connection has a thread of its driver's.
        self._lock = threading.Lock()
        # What one connection brought and the other has not yet: (connection, t_ns, message).
        self._waiting: deque[tuple[int, int, tuple[int, ...]]] = deque(maxlen=AHEAD)

    def connection(self) -> Heard:
        """What to call with the messages of one more connection."""
        number = self._next
        self._next += 1

        def arrived(_: str, t_ns: int, message: Sequence[int]) -> None:
            if self._twins and self._is_known(number, t_ns, message):
                return
            self.heard_ns = t_ns
            self._heard(self.alias, t_ns, message)

        return arrived

    def pair(self, twins: bool) -> None:
        """Tell whether two connections are open from now on."""
        with self._lock:
            self._waiting.clear()
            self._twins = twins

    def _is_known(self, number: int, t_ns: int, message: Sequence[int]) -> bool:
        """Whether the other connection brought this message already."""
        whole = tuple(message)
        waiting = self._waiting
        with self._lock:
            for entry in [each for each in waiting if each[0] != number]:
                if t_ns - entry[1] > TWIN_NS:
                    # What this connection has not brought by now it will not bring any more.
                    waiting.remove(entry)
                elif entry[2] == whole:
                    waiting.remove(entry)
                    return True
            waiting.append((number, t_ns, whole))
            return False
