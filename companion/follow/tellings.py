"""Mutes that the instrument tells of itself, and where mutes and plan differ. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from companion.follow.mutes import TrackState
from companion.follow.noted import ON, Kind, noted


@dataclass(frozen=True, slots=True)
class Telling:
    """A note or controller by which the instrument tells that `track` is muted.

    `channel` 0-15, `number` 0-127. A velocity or value of 64 and more says muted, less says
    sounding; where it `toggles`, each press turns the state round.
    """

    track: str
    kind: Kind
    channel: int
    number: int
    toggles: bool = False


@dataclass(frozen=True, slots=True)
class Difference:
    """A track that is not as planned; `likelihood` is that of its being muted."""

    track: str
    planned: bool
    likelihood: float


def tells(tellings: Iterable[Telling], message: Sequence[int]) -> list[tuple[str, bool | None]]:
    """What a message of the instrument says: (track, muted), None for a toggle.

    Meant for `MuteWatch.told`. The caller sees to it that the message is that instrument's.
    """
    heard = noted(message)
    if heard is None:
        return []
    key = (heard.kind, heard.channel, heard.number)
    said: list[tuple[str, bool | None]] = []
    for telling in tellings:
        if (telling.kind, telling.channel, telling.number) == key:
            if not telling.toggles:
                said.append((telling.track, heard.value >= ON))
            elif heard.on:
                said.append((telling.track, None))
    return said


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
