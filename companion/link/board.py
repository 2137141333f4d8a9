"""What hangs on the engine's board for every screen: the newest plan and map, encoded once.

Which screen has read what is told by a number that goes up; no socket here.
"""

from __future__ import annotations

import logging
from collections.abc import Callable

from companion.link.overview import PatternMap, Plan, encode_map, encode_plan

Make = Callable[[], tuple[Plan | None, PatternMap | None]]
_log = logging.getLogger(__name__)


class Board:
    """Asks for plan and map, and keeps the lines of those that changed. One thread only."""

    def __init__(self, make: Make) -> None:
        """`make` hands out the same objects again while nothing changes; None says nothing yet."""
        self._make = make
        self.number = 0
        self._plan: Plan | None = None
        self._map: PatternMap | None = None
        # By kind, with the number each was hung up under.
        self._lines: dict[str, tuple[int, bytes]] = {}
        self._failing = False

    def refresh(self) -> None:
        """Look for something new; what goes wrong is said once and costs nobody the snapshot."""
        try:
            plan, pattern_map = self._make()
            if plan is not None and plan is not self._plan:
                self._hang("plan", encode_plan(plan))
                self._plan = plan
            if pattern_map is not None and pattern_map is not self._map:
                self._hang("map", encode_map(pattern_map))
                self._map = pattern_map
        except (Exception, SystemExit):
            if not self._failing:
                _log.exception("no overview for the screens")
            self._failing = True
        else:
            self._failing = False

    def news(self, read: int) -> bytes:
        """The lines hung up after number `read`."""
        return b"".join(line for number, line in self._lines.values() if number > read)

    def _hang(self, kind: str, line: bytes) -> None:
        self.number += 1
        self._lines[kind] = (self.number, line)
