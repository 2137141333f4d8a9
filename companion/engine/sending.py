"""Sending: what leaves at once, what leaves between two ticks, and where to.

The follower says when each send is to leave, and until when it may; what lies ahead, such as a
program change whose lead is in milliseconds, waits here, less than a tick. It leaves at the latest
with the clock of its boundary.

Nothing leaves late. Where the computer was held up, its driver may hand on at once all that was
heard meanwhile: then what fell due is past, though its tick has only just arrived.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass

from companion.engine.ports import Output
from companion.follow.conductor import Send
from companion.follow.follower import MuteSend
from companion.setlist import SetList


def told(setlist: SetList) -> list[str]:
    """Instruments that anything is ever sent to, in the order of the set."""
    used: dict[str, None] = {}
    for part in setlist.parts:
        used |= dict.fromkeys(change.instrument for change in part.changes)
        own = part.instrument
        if own is not None and setlist.instruments[own].mute_sends:
            used[own] = None
    return list(used)


class Routes:
    """The output of each instrument by its name. `table` is replaced as a whole, never changed."""

    def __init__(self) -> None:
        self.table: dict[str, Output] = {}

    def send(self, instrument: str, messages: Sequence[bytes]) -> bool:
        """Send messages at once, in order; False if the instrument cannot be reached."""
        output = self.table.get(instrument)
        if output is None:
            return False
        try:
            for message in messages:
                output.send(message)
        except Exception:
            return False
        return True


# What is due within half a millisecond leaves at once: no thread wakes up more exactly than that.
SOON_NS = 500_000


@dataclass(slots=True)
class _Waiting:
    send: Send | MuteSend
    ticks_left: int


class TimedSends:
    """Holds what is to leave between two ticks. All but `start` and `close` under `lock`.

    `let_out` is called under `lock` with each send when its time has come, `miss` with one whose
    time has gone by; `failed` when that raised.
    """

    def __init__(
        self,
        lock: AbstractContextManager[object],
        let_out: Callable[[Send | MuteSend], None],
        miss: Callable[[Send | MuteSend], None],
        failed: Callable[[], None],
    ) -> None:
        self._lock = lock
        self._let_out = let_out
        self._miss = miss
        self._failed = failed
        self._waiting: list[_Waiting] = []
        self._news = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="sender", daemon=True)

    def start(self) -> None:
        """Begin to keep time."""
        self._thread.start()

    def close(self) -> None:
        """Keep no time any more; what still waits does not leave."""
        self._ended = True
        self._news.set()
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)

    def put(self, send: Send | MuteSend, now_ns: int) -> None:
        """Let `send` out when its time comes, at once if that is now, but never too late."""
        if send.at_ns - now_ns < SOON_NS:
            self._let_go(send)
            return
        self._waiting.append(_Waiting(send, send.ticks_left))
        self._news.set()

    @property
    def waits(self) -> bool:
        """Whether anything waits for its time."""
        return bool(self._waiting)

    def tick(self) -> None:
        """A clock has come and is not counted yet: what has its boundary there leaves now."""
        if not self._waiting:
            return
        for each in self._waiting:
            each.ticks_left -= 1
        self._leave([each for each in self._waiting if each.ticks_left < 1])

    def passed(self, now_ns: int) -> int | None:
        """Tell that it is `now_ns`; returns when the next one is due, None if none waits."""
        self._leave([each for each in self._waiting if each.send.at_ns <= now_ns])
        return min((each.send.at_ns for each in self._waiting), default=None)

    # -- inside ------------------------------------------------------------------------------

    def _leave(self, leaving: list[_Waiting]) -> None:
        for each in leaving:
            self._waiting.remove(each)
            self._let_go(each.send)

    def _let_go(self, send: Send | MuteSend) -> None:
        # Looked up for each anew: whoever is held up between two of them is late with the second.
        (self._let_out if time.monotonic_ns() <= send.latest_ns else self._miss)(send)

    def _run(self) -> None:
        left_s: float | None = None
        while not self._ended:
            self._news.wait(left_s)
            self._news.clear()
            try:
                with self._lock:
                    now_ns = time.monotonic_ns()
                    due = self.passed(now_ns)
                    left_s = None if due is None else max(due - now_ns, 0) / 1e9
            except Exception:
                self._failed()
                left_s = None
