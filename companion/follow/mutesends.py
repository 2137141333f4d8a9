"""Mutes that are sent: which cues are due at the tick that has just come. Pure.

Only for tracks whose instrument is to be told (`send_mutes`), and by the rules of program changes:
never late, never while unsure or disarmed. What a message looks like is the engine's.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.follow.conductor import Conductor
from companion.follow.timeline import Stretch
from companion.follow.transport import State
from companion.setlist.controls import MuteSend
from companion.setlist.cues import cue_ticks
from companion.setlist.model import Action, Cue, Part, SetList, WhenKind

_MUTES = (Action.MUTE, Action.UNMUTE)


@dataclass(frozen=True, slots=True)
class MuteOrder:
    """A mute that is due now: `instrument` is to be told that its track is `muted`, or sounds."""

    instrument: str
    send: MuteSend
    muted: bool

    @property
    def value(self) -> int:
        """The controller's value that says so."""
        return self.send.muted if self.muted else self.send.sounding


NOTHING: list[MuteOrder] = []


class MuteSending:
    """Watches one conductor's ticks. Not thread-safe: one caller at a time."""

    def __init__(self, setlist: SetList) -> None:
        self._setlist = setlist
        # By the part's number, its cues that anything is sent for.
        self._cues = {part.number: self._sendable(part) for part in setlist.parts}
        self._any = any(self._cues.values())
        self._stretch: Stretch | None = None
        self._tick = -1

    def ticked(self, conductor: Conductor) -> list[MuteOrder]:
        """Tell that `conductor` may have counted a tick; returns what is due by it.

        A tick that does not follow the one before is a jump, and nothing is sent for it.
        """
        if not self._any:
            return NOTHING
        standing_in, tick = conductor._course.timeline.running, conductor.tick
        before, last = self._stretch, self._tick
        if standing_in is before and tick == last:
            return NOTHING
        self._stretch, self._tick = standing_in, tick
        armed = conductor.sends and conductor.armed
        if not (armed and conductor.sure and conductor.state is State.RUNNING):
            return NOTHING
        orders: list[MuteOrder] = []
        if standing_in is not before:
            if tick != 0:
                return NOTHING
            if before is not None and 0 < standing_in.start == before.start + last + 1:
                ended = self._setlist.parts[before.part_index]
                orders += self._due(ended, last + 1, last + 1, at_end=True)
        elif tick != last + 1:
            return NOTHING
        return orders + self._due(conductor.part, conductor.standing().planned_end, tick)

    # -- inside ------------------------------------------------------------------------------

    def _due(
        self, part: Part, end: int | None, tick: int, *, at_end: bool = False
    ) -> list[MuteOrder]:
        orders = []
        for cue in self._cues[part.number]:
            # A phrase that would begin where a part ends is the next part's.
            if at_end and cue.when.kind is not WhenKind.END:
                continue
            for _ in cue_ticks(cue.when, part.pattern, end, tick, tick + 1):
                orders += self._orders(part, cue)
        return orders

    def _orders(self, part: Part, cue: Cue) -> list[MuteOrder]:
        name = part.instrument
        if name is None:
            return []
        sends = self._setlist.instruments[name].mute_sends
        muted = cue.action is Action.MUTE
        return [MuteOrder(name, send, muted) for send in sends if send.track in cue.tracks]

    def _sendable(self, part: Part) -> tuple[Cue, ...]:
        cues = (cue for cue in part.cues if cue.action in _MUTES)
        return tuple(cue for cue in cues if self._orders(part, cue))
