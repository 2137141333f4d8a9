"""Faults of our own: counted while it plays, told when it is over; nothing is printed between."""

from __future__ import annotations

import sys
import traceback


class Faults:
    """How many there were, and the first of them."""

    def __init__(self) -> None:
        self.count = 0
        self._first = ""

    def add(self) -> None:
        """Take note of the exception being handled."""
        if not self.count:
            self._first = traceback.format_exc()
        self.count += 1

    @property
    def trouble(self) -> str:
        """A sentence for the screen, "" if there were none."""
        if not self.count:
            return ""
        times = "a fault" if self.count == 1 else f"{self.count} faults"
        return f"the engine met {times} of its own and went on"

    def tell(self) -> None:
        """Print the first, for whoever mends it."""
        if self.count:
            print(f"{self.count} faults; the first:\n{self._first}", file=sys.stderr)
