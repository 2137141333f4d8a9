"""What an instrument tells of itself by messages, and where its mutes and the plan differ. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from companion.follow.mutes import TrackState
from companion.follow.noted import noted
from companion.setlist.controls import Kind, Tells


@dataclass(frozen=True, slots=True)
class Told:
    """What one message says: for each track whether it is muted, None for a toggle.

    `fill` says whether a fill is held from now on, None if the message says nothing of that.
    """

    mutes: tuple[tuple[str, bool | None], ...] = ()
    fill: bool | None = None


NOTHING = Told()


@dataclass(frozen=True, slots=True)
class Difference:
    """A track that is not as planned; `likelihood` is that of its being muted."""

    track: str
    planned: bool
    likelihood: float


def told_by(tells: Tells, message: Sequence[int]) -> Told:
    """What a message of the instrument says by `tells`.

    The mutes are meant for `MuteWatch.told`. The caller sees to it that it is that instrument's.
    """
    heard = noted(message)
    if heard is None:
        return NOTHING
    mutes: list[tuple[str, bool | None]] = []
    for told in tells.mutes:
        if not heard.fits(told.address):
            continue
        if not told.toggles:
            # Of a note the velocity is no matter, only whether it is held.
            value = 127 * heard.on if heard.kind is Kind.NOTE else heard.value
            mutes.append((told.track, told.muted(value)))
        elif heard.on:
            mutes.append((told.track, None))
    fill = heard.on if tells.fill is not None and heard.fits(tells.fill) else None
    return Told(tuple(mutes), fill) if mutes or fill is not None else NOTHING


def differs(
    planned_mutes: Collection[str], states: Mapping[str, TrackState]
) -> tuple[Difference, ...]:
    """The tracks whose mutes are known and not as planned, in the order of `states`.

    Call `MuteWatch.due` for each track whose mute the plan changes, or what was true before the
    cue is held against the performer until the next steps have been heard.
    """
    return tuple(
        Difference(track, track in planned_mutes, state.likelihood)
        for track, state in states.items()
        if state.muted is not None and state.muted != (track in planned_mutes)
    )
