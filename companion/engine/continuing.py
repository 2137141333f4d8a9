"""Going on where another engine was cut short, and letting the next do so. No file, no port here.

Between the follower, which knows where it stands, and the memory, which keeps that in a file.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from companion.engine.memory import Memory
from companion.follow.conductor import Send
from companion.follow.follower import Follower
from companion.follow.place import recall, remember
from companion.follow.resume import WRITTEN_TICKS, Resumption
from companion.setlist.model import SetList

Listen = Callable[[str, int, Sequence[int]], tuple[Send, ...]]


class Continuing:
    """Takes up the place that `memory` holds, if any, and keeps it up to date.

    `died_ns` is when the engine before was seen to be dead, by the monotonic clock, None if nobody
    looked. `port` is the port that was followed then, None if none was.
    """

    def __init__(self, memory: Memory, died_ns: int | None) -> None:
        self.memory = memory
        self.port: str | None = None
        self._died_ns = died_ns
        self._resumption: Resumption | None = None
        self._noted: tuple[int, int] | None = None

    def follower(self, setlist: SetList, sends: bool) -> Follower:
        """A new follower of the set, put where the one before stood."""
        follower = Follower(setlist, sends=sends)
        found = self.memory.find()
        if found is None:
            return follower
        self.memory.started_ns = found.started_ns
        try:
            recall(follower, found.place)
        except (ValueError, TypeError):
            return Follower(setlist, sends=sends)
        self.port = found.place.port
        self._resumption = Resumption(
            follower, found.place, found.trusted, time.monotonic_ns(), self._died_ns
        )
        return follower

    def listen(self, follower: Follower) -> Listen:
        """Who hears for the follower now."""
        return follower.hear if self._resumption is None else self._resumption.hear

    def note(self, follower: Follower) -> bool:
        """Have it written down where we stand, if that is news; whether `listen` has changed."""
        conductor, resumption = follower.conductor, self._resumption
        noted = (conductor.count, conductor.tick // WRITTEN_TICKS)
        if noted == self._noted or (resumption is not None and resumption.waiting):
            return False
        self._noted = noted
        now_ns = time.monotonic_ns()
        if resumption is None:
            self.memory.note(remember(follower, now_ns))
            return False
        self.memory.note(resumption.remember(now_ns))
        if resumption.over:
            self._resumption = None
        return resumption.over
