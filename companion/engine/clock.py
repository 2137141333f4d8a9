"""The internal clock: start and timing clocks as an instrument would send them, with no cable."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence

from companion.counting import TICKS_PER_QUARTER
from companion.midi import CLOCK, INTERNAL, START
from companion.setlist import USUAL_TEMPO

DEFAULT_BPM = USUAL_TEMPO
# What a follower takes for a tempo, and no set list goes beyond.
SLOWEST, FASTEST = 20.0, 400.0
# Long enough for a screen to attach, short enough that nobody waits.
HEAD_START_NS = 300_000_000
# A machine that slept goes on from now instead of rushing through all it missed.
LATEST_NS = 1_000_000_000


class InternalClock:
    """Ticks on its own thread by deadlines that do not drift.

    `heard(port, t_ns, message)` is called for each message, with the time it was due; `bpm()` is
    asked at every tick for the tempo in quarter notes a minute. With `starts` it is a start that
    comes first.
    """

    def __init__(
        self,
        heard: Callable[[str, int, Sequence[int]], None],
        bpm: Callable[[], float],
        *,
        starts: bool = True,
    ) -> None:
        self._heard = heard
        self._bpm = bpm
        self._starts = starts
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="internal clock", daemon=True)

    def start(self) -> None:
        """Begin to tick; the first clock comes after a short head start."""
        self._thread.start()

    def close(self) -> None:
        """Fall silent and wait for the thread to end."""
        self._ended.set()
        self._thread.join(timeout=2.0)

    def _run(self) -> None:
        due_ns = time.monotonic_ns() + HEAD_START_NS
        if self._starts:
            self._heard(INTERNAL, due_ns, (START,))
        while not self._ended.is_set():
            now_ns = time.monotonic_ns()
            if now_ns < due_ns:
                time.sleep((due_ns - now_ns) / 1e9)
                continue
            if now_ns - due_ns > LATEST_NS:
                due_ns = now_ns
            self._heard(INTERNAL, due_ns, (CLOCK,))
            due_ns += round(60e9 / (self._bpm() * TICKS_PER_QUARTER))
