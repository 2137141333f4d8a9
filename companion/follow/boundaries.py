"""The running part, tick by tick, up to the boundary ahead and over it, and what is due for that.

Counts and crosses boundaries; knows no transport, no wish, and not whether the count is right.
Every position is a whole number of ticks from the start of the part. Where a wish moves the
boundary is in `course`.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.follow.changes import NEVER, Changes, Leave
from companion.follow.timeline import Timeline
from companion.setlist.model import Part, ProgramChange, SetList, Unit


@dataclass(frozen=True, slots=True)
class Send:
    """A program change that is due now, so that part `part` starts `ticks_left` ticks from now.

    `lead_ticks` is how long before that it was to leave, 0 for one that somebody hurried.
    """

    change: ProgramChange
    part: int
    ticks_left: int
    lead_ticks: int = 0


class Boundaries:
    """Where the set stands, boundary by boundary.

    `tick` is the latest one counted; `fresh` whether the next is the first at a position that was
    set rather than counted. `end` is the tick at which the next part begins, None while that is
    open; `asked` whether a wish set it, to the end of a phrase or of a pass by `unit`; `staying`
    whether one put it off for good. `act_at` is the next tick at which anything can be due.
    `boundaries` is how many were crossed, `missed` what was not sent for the latest of them,
    and `told` what was.
    """

    __slots__ = (
        "act_at",
        "asked",
        "boundaries",
        "changes",
        "end",
        "fresh",
        "missed",
        "staying",
        "tick",
        "timeline",
        "told",
        "unit",
    )

    def __init__(self, setlist: SetList) -> None:
        self.timeline = Timeline(setlist)
        self.asked = self.staying = False
        self.unit = Unit.PHRASES
        self.changes = Changes(setlist.instruments)
        self.end: int | None = None
        self.act_at = NEVER
        self.boundaries = 0
        self.missed: tuple[ProgramChange, ...] = ()
        self.told: tuple[ProgramChange, ...] = ()
        self.restart(0)

    @property
    def part(self) -> Part:
        """The running part."""
        return self.timeline.part

    @property
    def last(self) -> bool:
        """Whether no part follows."""
        return self.timeline.following is None

    @property
    def ends_the_set(self) -> bool:
        """Whether the running part is the last, wherever a wish goes."""
        return self.timeline.ends_the_set

    def restart(self, part_index: int) -> None:
        """Put a part at its start, so that the next tick is its tick 0."""
        self.timeline.restart(part_index)
        self._forget_wishes()
        self.tick = -1
        self.fresh = True
        self._plan()

    def restart_here(self) -> None:
        """The running part's tick 0 is the latest tick; what is out for its end stays out."""
        timeline = self.timeline
        target = timeline.target
        timeline.restart(self.part.number - 1)
        self.tick = 0
        self.fresh = False
        if self.changes.out:
            timeline.target = target
        elif target is not None:
            self.changes.plan(self.part, timeline.following, None)
        self._forget_wishes()
        self.end = self._planned_end()
        self._end_in_reach()
        self.changes.wait(self.tick)

    # -- counting ----------------------------------------------------------------------------

    def take(self, tick: int, leave: Leave) -> tuple[Send, ...]:
        """Take `tick`, at which something may be due: changes to send, the part's end."""
        self.tick = tick
        end, changes = self.end, self.changes
        if end is None or tick < self.act_at:
            return ()
        out = changes.fall_due(tick, leave)
        sends = self._sends(out)
        if tick == end:
            self._cross(end)
            if self.act_at <= self.tick:
                # A lead as long as the part is due on its very first tick. What leaves on the
                # boundary itself may fail and undo it, though: then a tick later.
                if sends:
                    self.changes.wait(self.tick)
                else:
                    sends = self.take(self.tick, leave)
        else:
            self._reckon()
        return sends

    def is_changing(self, by_hand: bool) -> bool:
        """Whether the instrument may hold the change for the coming boundary by now.

        `by_hand` says that a person changes the pattern; they do so within the last pass.
        """
        if self.changes.out:
            return True
        by_hand = by_hand or not self.changes.own
        last_pass = self.part.pattern.pass_ticks
        return self.end is not None and by_hand and self.tick + last_pass >= self.end

    def stay(self, failed: ProgramChange) -> None:
        """Undo the boundary just crossed, for which `failed` did not leave.

        The part that ended there goes on for another phrase.
        """
        tick = self.timeline.step_back()
        self.fresh = False
        self.tick = tick
        self.changes.plan(self.part, self.timeline.following, None)
        self.changes.mark_out([change for change in self.told if change is not failed])
        self._end_at(self._phrase_after(tick))

    # -- other positions ---------------------------------------------------------------------

    def locate(self, position: int) -> bool:
        """Go to `position` ticks from the last start, so that the next tick is that one.

        Returns whether that is in the part that ran before.
        """
        was, held = self.timeline.running, self.end
        following, out = self.timeline.following, self.changes.out
        tick = self.timeline.rewind(position)
        self.fresh = True
        if self.timeline.running is was and (held is None or tick < held):
            self.tick = tick - 1
            self._end_in_reach()
            return True
        self._forget_wishes()
        self.timeline.target = None
        end = self._planned_end()
        while end is not None and tick >= end:
            tick -= end
            self.timeline.extend(end)
            end = self._planned_end()
        self.tick = tick - 1
        self._plan()
        if self.timeline.running is was and self.timeline.following is following:
            # Past the boundary it was for, and yet nothing else: what is out stays out.
            self.changes.mark_out(out)
            self._end_in_reach()
        return False

    def move(self, tick: int) -> None:
        """Put the running part at `tick` (0 or more), which may lie at its end or beyond."""
        end = self.end
        if end is not None and tick >= end:
            if self.changes.own_settled:
                self._enter_next(end)
                self.move(tick - end)
                return
            # The instrument was not told, and plays on.
            self.end = self._phrase_after(tick)
        self.tick = tick
        self._end_in_reach()
        self.changes.wait(self.tick)

    # -- inside ------------------------------------------------------------------------------

    def _reckon(self) -> None:
        """Work out `act_at`, so that plain ticks cost nothing."""
        self.act_at = self.changes.act_at()

    def _cross(self, end: int) -> None:
        self.boundaries += 1
        self.missed = tuple(self.changes.missed)
        self.told = tuple(self.changes.out)
        if self.changes.own_missed:
            # Never told, the instrument plays on; saying that it changed would be a lie.
            self._end_at(self._phrase_after(end))
        else:
            self._enter_next(end)

    def _enter_next(self, end: int) -> None:
        self.timeline.extend(end)
        self._forget_wishes()
        self.tick = 0
        self._plan()

    def _sends(self, changes: list[ProgramChange]) -> tuple[Send, ...]:
        following, end = self.timeline.following, self.end
        if following is None or end is None:
            return ()
        left, lead = end - self.tick, self.changes.lead
        return tuple(Send(each, following.number, left, lead(each, end)) for each in changes)

    def _forget_wishes(self) -> None:
        self.asked = self.staying = False
        self.unit = Unit.PHRASES

    def _phrase_after(self, tick: int) -> int:
        phrase = self.part.pattern.phrase_ticks
        return (tick // phrase + 1) * phrase

    def _planned_end(self) -> int | None:
        return None if self.last else self.part.planned_ticks

    def _plan(self) -> None:
        """Plan the boundary of a part that has just been taken up."""
        self.end = self._planned_end()
        self.changes.plan(self.part, self.timeline.following, self.end)
        self._reckon()

    def _end_at(self, end: int | None) -> None:
        """Move the boundary; what is out for it stays out."""
        self.end = end
        self.changes.put_off(end)
        self._reckon()

    def _end_in_reach(self) -> None:
        """The tick was set anew: what fell due before may be ahead again."""
        end = self.end
        if self.changes.decided:
            # The instrument holds the change, and takes it when its running pass ends, though a
            # part whose end is open had it from a wish alone.
            length = self.part.pattern.pass_ticks
            end = ((self.tick + self.fresh) // length + 1) * length
        self._end_at(end)
