"""When the garbage collector may run: never while anything plays.

A full collection stops every thread: 60 ms with fifty songs of rules on every step, three ticks at
120 beats a minute. What we make is freed by counting references; rings of objects hardly arise. So
the collector is kept for the pauses, and what has stayed until then is put out of its sight.
"""

from __future__ import annotations

import gc

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
