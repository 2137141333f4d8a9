"""What the plan says of a part before anything is played. Pure arithmetic."""

from __future__ import annotations

from companion.setlist.model import Part, SetList


def carried_passes(setlist: SetList, part: Part) -> int:
    """Passes that the instrument has counted before `part` begins, if the set is played as planned.

    0 where its instrument restarts the count on a change. A part without a planned length counts
    as one phrase.
    """
    carried = 0
    for earlier in setlist.parts[: part.number - 1]:
        following = setlist.parts[earlier.number]
        name = following.instrument
        if name is None or setlist.instruments[name].recount:
            carried = 0
            continue
        ticks = (earlier.phrases or 1) * earlier.pattern.phrase_ticks
        carried += ticks // earlier.pattern.pass_ticks
    return carried
