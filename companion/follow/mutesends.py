"""Mutes that are sent: which cues are due at the tick that has just come. Pure.

Only for tracks whose instrument is to be told (`send_mutes`), and by the rules of program changes:
never late, never while unsure or disarmed. What a message looks like is the engine's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from companion.follow.conductor import Conductor, Stretch
from companion.follow.transport import State
from companion.setlist import Action, Cue, MuteControl, Part, SetList, WhenKind, cue_ticks

# A mute may leave so many ticks after its own: an eighth of a beat. Later it is heard as late
# (common practice, no source).
LATE_TICKS = 3
_MUTES = (Action.MUTE, Action.UNMUTE)


@dataclass(frozen=True, slots=True)
class MuteOrder:
    """A mute that is due now: `instrument` is to be told that its track is `muted`, or sounds.

    `track` is what the cue calls it.
    """

    instrument: str
    send: MuteControl
    muted: bool
    track: str

    @property
    def value(self) -> int:
        """The controller's value that says so."""
        return self.send.muted if self.muted else self.send.sounding


class Due(NamedTuple):
    """What a tick brings: mutes to send `now`, and those whose tick went by and were not sent."""

    now: list[MuteOrder]
    missed: list[MuteOrder]


NOTHING = Due([], [])


def not_sent(orders: list[MuteOrder]) -> str:
    """A sentence on mutes that the performer is to make by hand instead."""
    # What was to be last counts.
    latest = reversed(orders)
    whats = [f"{'mute' if order.muted else 'unmute'} {order.track}" for order in latest]
    return f"not sent, do it by hand: {', '.join([*dict.fromkeys(whats)][::-1])}"


class MuteSending:
    """Watches one conductor's ticks; `any` says whether there is anything to send at all."""

    def __init__(self, setlist: SetList) -> None:
        self._setlist = setlist
        # By the part's number, its cues that anything is sent for.
        self._cues = {part.number: self._sendable(part) for part in setlist.parts}
        self.any = any(self._cues.values())
        self._stretch: Stretch | None = None
        self._tick = -1

    def ticked(self, conductor: Conductor) -> Due:
        """Tell that `conductor` may have counted a tick; returns what is due by it.

        A tick that does not follow the one before is a jump, and nothing is sent for it. What
        could not be sent because of that, or because the count was unsure, is missed; while
        sending is off, nothing is.
        """
        if not self.any:
            return NOTHING
        standing_in, tick = conductor.stretch, conductor.tick
        before, last = self._stretch, self._tick
        if standing_in == before and tick == last:
            return NOTHING
        self._stretch, self._tick = standing_in, tick
        if not (conductor.sends and conductor.armed and conductor.state is State.RUNNING):
            return NOTHING
        first, follows = last + 1, True
        due: list[MuteOrder] = []
        if standing_in != before:
            first = 0
            if before is not None and _follows_on(standing_in, before):
                length = standing_in.start - before.start
                ended = self._setlist.parts[before.part_index]
                follows = length == last + 1
                due += self._due(ended, length, last + 1, length)
                due += self._due(ended, length, length, length + 1, at_end=True)
            elif tick > 0:
                return NOTHING
        # Nothing lies in a jump back.
        due += self._due(conductor.part, conductor.standing().planned_end, first, tick + 1)
        return Due(due, []) if conductor.sure and follows and tick == first else Due([], due)

    # -- inside ------------------------------------------------------------------------------

    def _due(
        self, part: Part, end: int | None, from_tick: int, until_tick: int, *, at_end: bool = False
    ) -> list[MuteOrder]:
        orders = []
        for cue in self._cues[part.number]:
            # A phrase that would begin where a part ends is the next part's.
            if at_end and cue.when.kind is not WhenKind.END:
                continue
            for _ in cue_ticks(cue.when, part.pattern, end, from_tick, until_tick):
                orders += self._orders(part, cue)
        return orders

    def _orders(self, part: Part, cue: Cue) -> list[MuteOrder]:
        muted, instruments = cue.action is Action.MUTE, self._setlist.instruments
        orders = []
        if part.instrument is not None:
            sends = instruments[part.instrument].mute_sends
            named = [send for send in sends if send.track in cue.tracks]
            orders = [MuteOrder(part.instrument, send, muted, send.track) for send in named]
        for layer in part.layers:
            for send in instruments[layer.instrument].mute_sends:
                if (called := layer.called(send.track)) in cue.tracks:
                    orders.append(MuteOrder(layer.instrument, send, muted, called))
        return orders

    def _sendable(self, part: Part) -> tuple[Cue, ...]:
        cues = (cue for cue in part.cues if cue.action in _MUTES)
        return tuple(cue for cue in cues if self._orders(part, cue))


def _follows_on(stretch: Stretch, before: Stretch) -> bool:
    """Whether the part of `stretch` came after that of `before`, with no start between."""
    return stretch.part_index != before.part_index and stretch.start > before.start
