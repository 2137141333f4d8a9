"""The course of the set: part, tick and the boundary ahead, which wishes move.

Knows no transport, and not whether the count is right. How boundaries are counted up to and
crossed is in `boundaries`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from companion.follow.boundaries import Boundaries
from companion.follow.boundaries import Send as Send
from companion.follow.changes import Leave
from companion.setlist.model import Unit


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a person wishes of the part that runs: see `Course`; `target` as in `Course.ask`."""

    asked: bool
    staying: bool
    unit: Unit
    target: int | None
    end: int | None


class Course(Boundaries):
    """Where the set stands, and where wishes take it."""

    __slots__ = ()

    def ask(self, ahead: int = 0, unit: Unit = Unit.PHRASES, target: int | None = None) -> None:
        """Let the part end at the coming boundary of a `unit` that can still be announced.

        It is more than `ahead` ticks away. `target` is the index of the part to go to, None for the
        one that follows in the set. An earlier wish that says otherwise is forgotten.
        """
        if (self.staying, self.unit, self.timeline.target) != (False, unit, target):
            self._aim(target)
            self.unit = unit
        boundary = self._boundary(ahead, unit)
        elsewhere = target is not None and not self.asked
        if self.end is None or boundary < self.end or elsewhere:
            self.asked = True
            self._end_at(boundary)

    def hurry(self, leave: Leave, ahead: int = 0) -> tuple[Send, ...]:
        """Let the part end as soon as the instrument of the one that follows can change.

        That is now, or where the running pass ends. What may leave by `leave` does at once; where
        it could only just leave, or not, it is the end of a pass that is announced as ever.
        """
        following = self.timeline.following
        if following is None:
            return ()
        self._aim(self.timeline.target)
        self.unit, self.asked = Unit.PASSES, True
        tick, at_once = max(self.tick, 0), self.changes.is_at_once(following)
        if at_once and leave in (Leave.YES, Leave.BY_HAND):
            self._end_at(tick + 1)
        else:
            self._end_at(self._boundary(ahead, Unit.PASSES))
        running_pass = tick // self.part.pattern.pass_ticks
        if leave is not Leave.YES or self.end is None:
            return ()
        if not at_once and (self.end - 1) // self.part.pattern.pass_ticks != running_pass:
            # Told now, the instrument might still take it at the end of this very pass.
            return ()
        sends = tuple(
            replace(send, lead_ticks=0)
            for send in self._sends(self.changes.leave_now(all_of_them=at_once))
        )
        self._reckon()
        return sends

    def follow(self, target: int, end: int, instrument: str) -> None:
        """Let the part `target` (its index) begin at tick `end`, for `instrument` goes there."""
        planned = target == self.part.number and self.timeline.target is None and end == self.end
        if not planned:
            self._aim(None if target == self.part.number else target)
            self.unit, self.asked = Unit.PASSES, True
            self._end_at(end)
        self.changes.told(instrument)
        self._reckon()

    def hold(self) -> None:
        """Let the part go on past its planned end, until a wish says otherwise."""
        self._aim(None)
        self.staying = True
        self._end_at(None)

    def unask(self) -> None:
        """Let the part end where the plan says, or at the first boundary after that."""
        self._aim(None)

    def wishes(self) -> Wishes:
        """What is wished for now, to come back to with `rewish`."""
        return Wishes(self.asked, self.staying, self.unit, self.timeline.target, self.end)

    def rewish(self, wishes: Wishes) -> None:
        """Come back to earlier wishes; where their boundary is too near, the next one will do."""
        self._aim(wishes.target)
        self.asked, self.staying, self.unit = wishes.asked, wishes.staying, wishes.unit
        end = wishes.end
        if end is not None and (end <= self.tick or not self.changes.in_time(end, self.tick)):
            end = self._boundary(0, wishes.unit)
        self._end_at(end)

    # -- inside ------------------------------------------------------------------------------

    def _aim(self, target: int | None) -> None:
        """Forget what was wished, and plan the natural end, for the part `target` to follow."""
        self._forget_wishes()
        self.timeline.target = target
        self.changes.plan(self.part, self.timeline.following, None)
        end = self._planned_end()
        if end is not None and (end <= self.tick or not self.changes.in_time(end, self.tick)):
            end = self._boundary(0, Unit.PHRASES)
        self._end_at(end)

    def _boundary(self, ahead: int, unit: Unit) -> int:
        """The coming end of a `unit`, more than `ahead` ticks away, that can be announced."""
        length = unit.ticks(self.part.pattern)
        tick = max(self.tick, 0) + ahead
        boundary = (tick // length + 1) * length
        while not self.changes.in_time(boundary, tick):
            boundary += length
        return boundary
