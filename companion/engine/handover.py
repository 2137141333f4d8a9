"""When a set list that was saved while it is played may take over: at a boundary, with nothing out.

Called under the engine's lock.
"""

from __future__ import annotations

from companion.engine.reloading import Incoming
from companion.follow.adopting import adopt, fits
from companion.follow.conductor import Conductor
from companion.follow.timeline import Stretch
from companion.follow.transport import State


class Handover:
    """Holds the newest set list that was saved until its time has come."""

    def __init__(self) -> None:
        self._incoming: Incoming | None = None
        # The phrase in which it came.
        self._came_in: tuple[Stretch, int] | None = None

    def expect(self, incoming: Incoming, conductor: Conductor) -> None:
        """Take note of a whole set list. Sets the conductor's `notice`."""
        self._incoming, self._came_in = incoming, _phrase(conductor)
        conductor.notice = "the saved set list is whole: it comes with the next boundary"
        if conductor.state is State.RUNNING and not fits(conductor, incoming.made.setlist):
            conductor.notice = "the saved set list lacks this part: it comes after it"
        conductor.count += 1

    def take(self, conductor: Conductor, *, held_up: bool) -> Incoming | None:
        """What takes over now, the conductor in it already; None if nothing does.

        `held_up` says that something is about to be sent.
        """
        incoming = self._incoming
        if incoming is None or held_up or conductor.state is State.LOST or conductor.changes_out:
            return None
        setlist = incoming.made.setlist
        if conductor.state is State.RUNNING and (
            _phrase(conductor) == self._came_in or not fits(conductor, setlist)
        ):
            return None
        adopt(conductor, setlist)
        conductor.notice = "the set list is the saved one now"
        self._incoming = None
        return incoming


def _phrase(conductor: Conductor) -> tuple[Stretch, int]:
    return conductor.stretch, conductor.tick // conductor.part.pattern.phrase_ticks
