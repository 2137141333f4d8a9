"""The program changes of one boundary: when each is due, and what became of it.

Knows no transport and no wish. Ticks count from the start of the part that ends on the boundary.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import Enum

from companion.counting.pattern import Pattern
from companion.setlist.model import Instrument, Part, ProgramChange, Unit

# 120 beats a minute: what a lead in milliseconds goes by until a tempo is known.
PRESUMED_NS = 20_833_333
NEVER = 1 << 62


class Outcome(Enum):
    """What became of a program change."""

    OPEN = "open"
    SENT = "sent"
    # The instrument was asked at its own front panel, and said so.
    TOLD = "told"
    BY_HAND = "by hand"
    MISSED = "missed"


_HELD = (Outcome.SENT, Outcome.TOLD)


class Leave(Enum):
    """Whether a change that falls due may go out."""

    YES = "yes"
    # The clock is being looked into; the answer comes within a beat.
    NOT_YET = "not yet"
    NO = "no"
    # Sending is off: the performer changes the pattern.
    BY_HAND = "by hand"


@dataclass(frozen=True, slots=True)
class PendingView:
    """A program change of the coming boundary as others see it."""

    change: ProgramChange
    outcome: Outcome


class _Pending:
    __slots__ = ("change", "outcome", "waits")

    def __init__(self, change: ProgramChange) -> None:
        self.change = change
        self.outcome = Outcome.OPEN
        # Fell due while the clock was in question; may still leave within its lead.
        self.waits = False


class Changes:
    """The changes that make the next part start; replaced when boundary or part change."""

    def __init__(self, instruments: Mapping[str, Instrument]) -> None:
        self._instruments = instruments
        self._pending: list[_Pending] = []
        self._own: _Pending | None = None
        self._pattern = Pattern("")
        self._end: int | None = None
        # Nanoseconds per tick, 0 while unknown; only leads in milliseconds look at it.
        self.period_ns = 0

    def plan(self, running: Part, following: Part | None, end: int | None) -> None:
        """Plan the changes for `following` to start at tick `end` of `running`; None is open."""
        changes = () if following is None else following.changes
        self._pattern = running.pattern
        self._pending = [_Pending(change) for change in changes]
        self._own = next(
            (
                p
                for p in self._pending
                if following is not None and p.change.instrument == following.instrument
            ),
            None,
        )
        self._end = end

    def mark_out(self, changes: Collection[ProgramChange]) -> None:
        """Take note of changes that are out already."""
        for pending in self._pending:
            if pending.change in changes:
                pending.outcome = Outcome.SENT

    def put_off(self, end: int | None) -> None:
        """Plan what has not left yet for another boundary; what is out stays out."""
        for pending in self._pending:
            if pending.outcome not in _HELD:
                pending.outcome, pending.waits = Outcome.OPEN, False
        self._end = end

    def wait(self, tick: int) -> None:
        """The tick was set to `tick`: let what fell due by then leave if it is not too late."""
        for pending in self._pending:
            if pending.outcome is Outcome.OPEN and self._end is not None:
                pending.waits = tick >= self._due(pending.change, self._end)

    def act_at(self) -> int:
        """The next tick at which anything can be due, the end included."""
        if self._end is None:
            return NEVER
        at = self._end
        for pending in self._pending:
            if pending.outcome is Outcome.OPEN:
                if self._is_timed(pending.change):
                    at = min(at, self._end - self._pattern.pass_ticks)
                else:
                    at = min(at, self._due(pending.change, self._end))
        return at

    def fall_due(self, tick: int, leave: Leave) -> list[ProgramChange]:
        """Decide on what is due at `tick`; returns what goes out now.

        What fell due before and was not let out then is missed: it would be late. So is what
        would leave with less than half its lead.
        """
        out: list[ProgramChange] = []
        end = self._end
        if end is None:
            return out
        for pending in self._pending:
            if pending.outcome is not Outcome.OPEN:
                continue
            due = self._due(pending.change, end)
            if tick < due:
                continue
            # The tempo may have moved a lead in milliseconds past its tick.
            on_time = tick == due or pending.waits or self._is_timed(pending.change)
            left, lead = end - tick, end - due
            if leave is Leave.BY_HAND:
                pending.outcome = Outcome.BY_HAND
            elif leave is Leave.YES and on_time and 2 * left >= lead:
                pending.outcome = Outcome.SENT
                out.append(pending.change)
            elif leave is Leave.NOT_YET and on_time and 2 * left > lead:
                # Half the lead may go by while the clock is looked into; then it is too late.
                pending.waits = True
            else:
                pending.outcome = Outcome.MISSED
        return out

    def lead(self, change: ProgramChange, end: int) -> int:
        """How many ticks before a boundary at `end` `change` is due."""
        return end - self._due(change, end)

    def in_time(self, boundary: int, tick: int) -> bool:
        """Whether every change for `boundary` would still be due after `tick`."""
        return all(self._due(p.change, boundary) > tick for p in self._pending)

    def leave_now(self, *, all_of_them: bool) -> list[ProgramChange]:
        """Let out what has not left, well before it is due; returns it.

        Without `all_of_them` only for instruments that wait for the end of their pass.
        """
        out: list[ProgramChange] = []
        for pending in self._pending:
            waiting = not self._instruments[pending.change.instrument].at_once
            if pending.outcome is Outcome.OPEN and (waiting or all_of_them):
                pending.outcome = Outcome.SENT
                out.append(pending.change)
        return out

    def told(self, instrument: str) -> None:
        """Take note that `instrument` has its change from elsewhere: it is not to be sent."""
        for pending in self._pending:
            if pending.change.instrument == instrument and pending.outcome is not Outcome.SENT:
                pending.outcome, pending.waits = Outcome.TOLD, False

    def is_at_once(self, following: Part) -> bool:
        """Whether the instrument of the part that follows changes at once."""
        name = following.instrument
        return name is not None and self._instruments[name].at_once

    def fail(self, change: ProgramChange) -> None:
        """Take note that a change which was let out did not leave."""
        for pending in self._pending:
            if pending.change is change:
                pending.outcome = Outcome.MISSED

    @property
    def out(self) -> list[ProgramChange]:
        """The changes that instruments hold by now: they have left, or need not."""
        return [p.change for p in self._pending if p.outcome in _HELD]

    @property
    def missed(self) -> list[ProgramChange]:
        """The changes that should have left and did not."""
        return [p.change for p in self._pending if p.outcome is Outcome.MISSED]

    @property
    def decided(self) -> bool:
        """Whether what moves the next part's own instrument has left (or any, if nothing does)."""
        if self._own is not None:
            return self._own.outcome in _HELD
        return bool(self.out)

    @property
    def own(self) -> bool:
        """Whether the next part's own instrument is to be told."""
        return self._own is not None

    @property
    def own_missed(self) -> bool:
        """Whether the next part's own instrument should have been told and was not."""
        return self._own is not None and self._own.outcome is Outcome.MISSED

    @property
    def own_settled(self) -> bool:
        """Whether the next part's own instrument was told, or is changed by hand, or not at all."""
        return self._own is None or self._own.outcome in (*_HELD, Outcome.BY_HAND)

    def view(self) -> tuple[PendingView, ...]:
        """All changes and what became of them."""
        return tuple(PendingView(p.change, p.outcome) for p in self._pending)

    def _is_timed(self, change: ProgramChange) -> bool:
        return self._instruments[change.instrument].lead.unit is Unit.MILLISECONDS

    def _due(self, change: ProgramChange, end: int) -> int:
        """The tick at which `change` is due for a boundary at `end`.

        Kept inside the pass that ends on the boundary for an instrument that applies a change
        there: outside it the change would be taken a pass early, or a pass late.
        """
        instrument = self._instruments[change.instrument]
        lead = instrument.lead
        if lead.unit is Unit.MILLISECONDS:
            # Rounded to the tick before, so that it is never later than asked.
            ticks = -(-lead.count * 1_000_000 // (self.period_ns or PRESUMED_NS))
        else:
            ticks = lead.ticks(self._pattern)
        if not instrument.at_once:
            ticks = min(max(ticks, 1), self._pattern.pass_ticks)
        return end - ticks
