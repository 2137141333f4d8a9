"""What the intervals between ticks tell by themselves, whatever the clock says of the whole. Pure.

Two lines that meet at the same whole number may do so by chance: while the tempo moves, a line
drawn on passes by every whole number in turn. So the ticks between are asked, too. A hole with an
even tick after it is a tick that was lost, for one that was late is close to the next. And a run of
ticks at a tempo that neither line has shifts all that is measured across it.

`faster` and `slower` are the periods of the two lines, in ns, the shorter first.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

# From 8/5 of a tick on an interval is a hole; up to 7/10 it makes up for one before.
HOLE, SHORT = (8, 5), (7, 10)
# Up to 2/5 of a tick it may be a tick that was doubled.
CLOSE = 2, 5
# How far a run at another tempo may shift what is measured across it, in ticks; and how far it
# might if it went on so where nothing was heard, which is only asked of so many ticks.
SHIFT, UNHEARD = (1, 5), (1, 2)
ENOUGH = 8


def has_hole(intervals: Sequence[int], slower: int) -> bool:
    """Whether one of the intervals has room for a tick that was lost."""
    return HOLE[1] * max(intervals) >= HOLE[0] * slower


def has_close(intervals: Sequence[int], faster: int) -> bool:
    """Whether two ticks came so close together that one may be the other's double."""
    return CLOSE[1] * min(intervals) <= CLOSE[0] * faster


def lacks_one(intervals: Sequence[int], faster: int, slower: int) -> bool:
    """Whether a tick was lost for certain: there is a hole, and the next came in its own time."""
    return any(
        HOLE[1] * hole >= HOLE[0] * slower and SHORT[1] * after > SHORT[0] * faster
        for hole, after in pairwise(intervals)
    )


def strays(intervals: Sequence[int], gap: int, faster: int, slower: int) -> bool:
    """Whether the tempo went out of what lies between the two lines, and came back, within `gap`.

    Holes, and what comes in a bunch after one, are left out.
    """
    shift = heard = 0
    bunched = False
    for interval in intervals:
        if HOLE[1] * interval >= HOLE[0] * slower:
            bunched = True
        elif not (bunched and SHORT[1] * interval <= SHORT[0] * faster):
            bunched = False
            if CLOSE[1] * interval > CLOSE[0] * faster:
                shift += interval - min(max(interval, faster), slower)
                heard += 1
    shift = abs(shift)
    if SHIFT[1] * shift > SHIFT[0] * faster:
        return True
    return heard >= ENOUGH and UNHEARD[1] * shift * gap > UNHEARD[0] * faster * heard
