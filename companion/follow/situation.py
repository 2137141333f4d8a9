"""Where things stand: what is held of the transport, the count and the trust in it.

Looks at what is held, and no more: what is heard changes it in `progress`, what is asked for in
`conductor`.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.follow import trust
from companion.follow.changes import Leave, PendingView
from companion.follow.course import Course, Wishes
from companion.follow.timeline import Stretch
from companion.follow.transport import State
from companion.follow.trust import Trust
from companion.setlist.model import Part, ProgramChange, SetList


@dataclass(frozen=True, slots=True)
class Standing:
    """Where things stand: one immutable look at the conductor.

    `tick` is the tick the next reader should show (0 or more). `end` is the tick at which the next
    part begins, None while that is open; `asked` whether a wish set it, `staying` whether one
    keeps the part going; `following` is the part to come, None after the last. `count` goes up with
    everything that happens but a plain tick.
    """

    state: State
    sure: bool
    doubt: str
    part: Part
    tick: int
    end: int | None
    asked: bool
    staying: bool
    following: Part | None
    pending: tuple[PendingView, ...]
    carried_passes: int
    carried_phrases: int
    armed: bool
    sends: bool
    notice: str
    count: int

    @property
    def planned_end(self) -> int | None:
        """The end by wish or plan; the last part has the plan's, though no other follows it."""
        return self.part.planned_ticks if self.end is None and not self.staying else self.end


class Situation:
    """What is held while one set is followed. Not thread-safe: one caller at a time."""

    def __init__(self, setlist: SetList, *, sends: bool = True) -> None:
        self.setlist = setlist
        self.sends = sends
        self.armed = True
        self.state = State.WAITING
        self.notice = ""
        # Goes up with everything that happens but a plain tick.
        self.count = 0
        # Whether a person set the count since the last clock; whoever feeds clocks takes it back.
        self.set_by_hand = False
        self._trust = Trust()
        self._course = Course(setlist)
        # Whether a start, a position or a person ever said where we are.
        self._known = False
        # Whether clocks came since a position was told that nobody knows to be played or not.
        self._adrift = False
        # The boundary for which a person took over, or learnt of, within its last beat.
        self._hasty_end: int | None = None
        # The boundary for which a person may have done so before sending was switched on again.
        self._handed_back: int | None = None
        # Whether that was the latest one crossed.
        self._maybe_by_hand = False
        # The wishes from before an instrument went to another part by itself.
        self._before_it_went: Wishes | None = None
        # Where the instrument told its position last while it played, and how regularly it does.
        self._told_at = self._told_every = 0

    # -- what others see ---------------------------------------------------------------------

    @property
    def fresh(self) -> bool:
        """Whether the next clock is the first at a position that was set rather than counted."""
        return self._course.fresh

    @property
    def sure(self) -> bool:
        """Whether the count can be trusted."""
        return self._trust.sure and self.state is not State.READY

    @property
    def doubt(self) -> str:
        """Why the count cannot be trusted, in plain words; "" if it can."""
        return trust.JOINED if self.state is State.READY else self._trust.doubt

    @property
    def part(self) -> Part:
        """The running part."""
        return self._course.part

    @property
    def tick(self) -> int:
        """The latest tick counted in the running part, below 0 before its first."""
        return self._course.tick

    @property
    def changes_out(self) -> bool:
        """Whether anything has left for the coming boundary, or for the next start."""
        return bool(self._course.changes.out)

    @property
    def stretch(self) -> Stretch:
        """The running part as one stretch of the set; another object whenever it begins anew."""
        return self._course.timeline.running

    @property
    def planned_end(self) -> int | None:
        """The tick at which the running part ends by wish or plan; see `Standing`."""
        return self.standing().planned_end

    def pace(self, period_ns: int) -> None:
        """Tell how long a tick lasts, in ns; leads in milliseconds go by it."""
        self._course.changes.period_ns = period_ns

    def standing(self) -> Standing:
        """One immutable look at everything."""
        course = self._course
        stretch = course.timeline.running
        return Standing(
            state=self.state,
            sure=self.sure,
            doubt=self.doubt,
            part=course.part,
            tick=max(course.tick + course.fresh, 0),
            end=course.end,
            asked=course.asked,
            staying=course.staying,
            following=course.timeline.following,
            pending=course.changes.view(),
            carried_passes=stretch.carried_passes,
            carried_phrases=stretch.carried_phrases,
            armed=self.armed,
            sends=self.sends,
            notice=self.notice,
            count=self.count,
        )

    # -- inside ------------------------------------------------------------------------------

    @property
    def _by_hand(self) -> bool:
        """Whether a person changes the patterns."""
        return not (self.sends and self.armed)

    @property
    def _is_changing(self) -> bool:
        """Whether the instrument may hold the change for the coming boundary by now."""
        handed_back = self._handed_back is not None and self._handed_back == self._course.end
        return self._course.is_changing(self._by_hand or handed_back)

    @property
    def _within_a_beat(self) -> int | None:
        """The coming boundary if it is so near that who knows if a person still makes it."""
        course = self._course
        if course.end is None or course.changes.decided:
            return None
        beat = course.part.pattern.meter.beat_ticks
        return course.end if course.end - course.tick <= beat else None

    def _leave(self, may_send: bool) -> Leave:
        if self._by_hand:
            return Leave.BY_HAND
        if self._trust.sure and may_send:
            return Leave.YES
        return Leave.NOT_YET if self._trust.sure or self._trust.passing else Leave.NO

    def _not_sent(self, change: ProgramChange) -> str:
        shown = self.setlist.instruments[change.instrument].shown(change.program)
        return f"program {shown} was not sent to {change.instrument}"
