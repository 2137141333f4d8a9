"""Wishes to the conductor, whoever has them: presses, keys and commands. Pure.

Finds who grants a wish, and undoes the latest. What a wish does is the conductor's; which press or
key means which is others'.
"""

from __future__ import annotations

from companion.follow.conductor import NOTHING, Conductor, Send
from companion.follow.course import Wishes
from companion.follow.timeline import Stretch
from companion.setlist.controls import Ask, Wanted
from companion.setlist.model import Unit

UNITS = {"bar": Unit.BARS, "pass": Unit.PASSES, "phrase": Unit.PHRASES}


class Steering:
    """Grants wishes to one conductor, and undoes them. Not thread-safe: one caller at a time."""

    def __init__(self, conductor: Conductor) -> None:
        self._conductor = conductor
        # What was wished before the latest wish, in which stretch that was, and the wish.
        self._before: tuple[Wishes, Stretch, Wanted] | None = None

    def grant(self, wanted: Wanted) -> tuple[Send, ...]:
        """Do what is wanted, and set the conductor's `notice`. Returns what is due now.

        A fill that is held is no wish to a conductor: it is passed over.
        """
        if wanted.ask is Ask.UNDO:
            self._undo()
            return NOTHING
        course = self._conductor._course
        before, stretch = course.wishes(), course.timeline.running
        sends = self._grant(wanted)
        if course.timeline.running is not stretch or wanted.ask in _AT_ONCE:
            # It took effect, and there is no way back.
            self._before = None
        elif course.wishes() != before:
            self._before = before, stretch, wanted
        return sends

    @property
    def undoable(self) -> str:
        """The latest wish that can still be undone, in words, "" if there is none."""
        if self._before is None:
            return ""
        _, stretch, wanted = self._before
        course = self._conductor._course
        return "" if course.timeline.running is not stretch or course.changes.out else str(wanted)

    # -- inside ------------------------------------------------------------------------------

    def _grant(self, wanted: Wanted) -> tuple[Send, ...]:
        conductor = self._conductor
        match wanted.ask:
            case Ask.NEXT:
                return conductor.go_next(UNITS.get(wanted.unit, Unit.PHRASES))
            case Ask.NOW:
                return conductor.go_now()
            case Ask.PART:
                return conductor.go_to(wanted.part or 0)
            case Ask.STAY:
                conductor.stay()
            case Ask.BACK:
                conductor.take_back()
            case Ask.ARM | Ask.DISARM:
                conductor.arm(wanted.ask is Ask.ARM)
            case Ask.ALIGN:
                conductor.align(UNITS.get(wanted.unit))
            case Ask.NUDGE_FORWARD | Ask.NUDGE_BACK:
                by = 1 if wanted.ask is Ask.NUDGE_FORWARD else -1
                conductor.nudge(UNITS.get(wanted.unit, Unit.PASSES), by)
            case Ask.CONFIRM:
                conductor.confirm()
        return NOTHING

    def _undo(self) -> None:
        conductor, before = self._conductor, self._before
        course = conductor._course
        conductor.count += 1
        if before is None:
            conductor.notice = "there is no wish to undo"
            return
        wishes, stretch, wanted = before
        if course.timeline.running is not stretch:
            conductor.notice = "too late to undo: it has happened"
            self._before = None
        elif course.changes.out:
            conductor.notice = "too late to undo: the program change is out"
        else:
            course.rewish(wishes)
            conductor.notice = f"undone: {wanted}"
            self._before = None


_AT_ONCE = frozenset(
    (Ask.ARM, Ask.DISARM, Ask.ALIGN, Ask.NUDGE_FORWARD, Ask.NUDGE_BACK, Ask.CONFIRM)
)
