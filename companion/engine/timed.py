"""Program changes whose lead is in milliseconds: they leave between two ticks, on a thread's time.

The conductor lets such a change go with the tick before its time; here it waits for the rest, less
than a tick. It leaves at the latest with the clock of its boundary.

Nothing leaves late. Where the computer was held up, its driver may hand on at once all that was
heard meanwhile: then what fell due is past, though its tick has only just arrived.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass

from companion.follow.changes import NEVER, PRESUMED_NS
from companion.follow.conductor import Send
from companion.follow.tempo import TempoTracker
from companion.setlist.model import Instrument, Unit

# What is due within half a millisecond leaves at once: no thread wakes up more exactly than that.
SOON_NS = 500_000
# What is to leave on a tick, or less than one before, may come so many ticks after that: an eighth
# of a beat. Later, a change or a mute is heard as late (common practice, no source).
LATE_TICKS = 3


@dataclass(slots=True)
class _Waiting:
    send: Send
    due_ns: int
    latest_ns: int
    ticks_left: int


def due_ns(send: Send, instrument: Instrument, tempo: TempoTracker, now_ns: int) -> int:
    """When `send`, let go with the latest tick, is to leave: `now_ns` unless its lead is in ms."""
    lead = instrument.lead
    if lead.unit is not Unit.MILLISECONDS or send.ticks_left < 1 or not tempo.period_ns:
        return now_ns
    if not send.lead_ticks:
        # Asked for now, not let go for its lead.
        return now_ns
    # Never longer than a tick, whatever the tempo is thought to do.
    latest_ns = now_ns + tempo.period_ns
    return min(max(tempo.when(send.ticks_left) - lead.count * 1_000_000, now_ns), latest_ns)


def latest_ns(send: Send, instrument: Instrument, tempo: TempoTracker, heard_ns: int) -> int:
    """Until when `send`, let go with the tick that was heard at `heard_ns`, may leave.

    That is half its lead before its boundary.
    """
    period_ns = tempo.period_ns or PRESUMED_NS
    boundary_ns = heard_ns + send.ticks_left * period_ns
    lead_ns = (send.lead_ticks or send.ticks_left) * period_ns
    if instrument.lead.unit is Unit.MILLISECONDS:
        lead_ns = min(lead_ns, instrument.lead.count * 1_000_000)
    if instrument.at_once and lead_ns < period_ns:
        return boundary_ns + LATE_TICKS * period_ns
    return boundary_ns - lead_ns // 2


def is_late(tempo: TempoTracker, heard_ns: int, now_ns: int) -> bool:
    """Whether it is too late `now_ns` for what was due with the tick heard at `heard_ns`."""
    return now_ns - heard_ns > LATE_TICKS * (tempo.period_ns or PRESUMED_NS)


class TimedSends:
    """Holds what is to leave between two ticks. All but `start` and `close` under `lock`.

    `let_out` is called under `lock` with each send when its time has come, `miss` with one whose
    time has gone by; `failed` when that raised.
    """

    def __init__(
        self,
        lock: AbstractContextManager[object],
        let_out: Callable[[Send], None],
        miss: Callable[[Send], None],
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

    def put(self, send: Send, due_ns: int, now_ns: int, latest_ns: int = NEVER) -> None:
        """Let `send` out at `due_ns`, at once if that is now, but never after `latest_ns`."""
        each = _Waiting(send, due_ns, latest_ns, send.ticks_left)
        if due_ns - now_ns < SOON_NS:
            self._let_go(each, now_ns)
            return
        self._waiting.append(each)
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
        now_ns = time.monotonic_ns()
        self._leave([each for each in self._waiting if each.ticks_left < 1], now_ns)

    def passed(self, now_ns: int) -> int | None:
        """Tell that it is `now_ns`; returns when the next one is due, None if none waits."""
        self._leave([each for each in self._waiting if each.due_ns <= now_ns], now_ns)
        return min((each.due_ns for each in self._waiting), default=None)

    # -- inside ------------------------------------------------------------------------------

    def _leave(self, leaving: list[_Waiting], now_ns: int) -> None:
        for each in leaving:
            self._waiting.remove(each)
            self._let_go(each, now_ns)

    def _let_go(self, each: _Waiting, now_ns: int) -> None:
        (self._let_out if now_ns <= each.latest_ns else self._miss)(each.send)

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
