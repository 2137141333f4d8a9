"""What the plan says of a part before anything is played. Pure arithmetic."""

from __future__ import annotations

from collections.abc import Iterator

from companion.setlist.model import Part, SetList


def carried_passes(setlist: SetList, part: Part) -> int:
    """Passes that the instrument has counted before `part` begins, if the set is played as planned.

    0 where its instrument restarts the count on a change. A part without a planned length counts
    as one phrase.
    """
    for each, passes in zip(setlist.parts, carried(setlist), strict=False):
        if each.number == part.number:
            return passes
    raise ValueError(f"the set has no part {part.number}")


def carried(setlist: SetList) -> Iterator[int]:
    """For each part of the set in order, what `carried_passes` says of it."""
    passes = 0
    for part in setlist.parts:
        if recounts(setlist, part):
            passes = 0
        yield passes
        ticks = (part.phrases or 1) * part.pattern.phrase_ticks
        passes += ticks // part.pattern.pass_ticks


def recounts(setlist: SetList, part: Part) -> bool:
    """Whether the count of passes begins anew with the part."""
    if part.number == 1 or part.instrument is None:
        return True
    return setlist.instruments[part.instrument].recount
