"""What an inquiry makes of ticks where the clock before and the clock after meet by chance.

The intervals were heard in simulated nights, in ms, from the last sure tick on; each was once taken
for another number of ticks than it was. Never sure of a wrong number: that is all that is asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import pytest

from companion.follow.inquiry import Inquiry

MS = 1_000_000
# A clock read in whole ms that is a little fast, and then is not.
UP = (*[12.0, 13.0, 13.0] * 3, 12.0, *[13.0] * 4, 12.0)
DOWN = (*[13.0] * 6, 12.0, *[13.0] * 6, 14.0, *[13.0] * 7)


@dataclass(frozen=True)
class Case:
    """A clock with ticks every `every` ms, as the gate had it; `ticks` is how many went by.

    `off` is how far from its line the ticks lie on average, and `worst` at most, in ms; `before`
    are the intervals of those that the line rests on. `silent` tells that the first interval of
    those that followed was a silence.
    """

    name: str
    every: float
    off: float
    worst: float
    before: tuple[float, ...]
    intervals: tuple[float, ...]
    ticks: int
    calm: bool = False
    silent: bool = False


CASES = (
    Case(
        "a tick lost while the tempo is turned",
        *(30.95, 2.06, 5.35),
        (33.0, 36.0, 33.0, 36.0, *[33.0] * 8, *[30.0, 33.0] * 3, *[30.0] * 3),
        (63.0, 30.0, 30.0, 27.0, 30.0, 30.0, 30.0, 27.0),
        ticks=9,
    ),
    Case(
        "the tempo up and down again after a silence",
        *(15.0, 0.13, 1.07),
        (15.03,) * 47,
        (316.0, *[15.0] * 12, *[12.2] * 10, *[15.0] * 23),
        ticks=66,
        calm=True,
        silent=True,
    ),
    Case(
        "the first tick after a start late, and one lost soon after",
        *(8.37, 0.35, 0.91),
        (),
        (3.65, 8.24, 8.6, 8.91, 8.3, 16.69, *[8.26] * 9, 8.5, *[8.34] * 23),
        ticks=40,
    ),
    Case(
        "a tick doubled right after a start, and the tempo turned",
        *(13.19, 0.32, 0.73),
        (13.0,),
        (1.12, 11.88, *[13.0, 14.0, 13.0, 13.0] * 4, 13.25, *[13.2] * 15, *[12.65] * 12),
        ticks=45,
    ),
    Case(
        "a tempo that was turned up through a silence, and down again after it",
        *(12.81, 0.24, 0.91),
        (*[13.0] * 5, 14.0, *[13.0] * 19, 12.0, *[13.0] * 11, 12.0, *[13.0] * 6, 12.0, 13.0, 13.0),
        (446.0, *UP, *DOWN),
        ticks=71,
        silent=True,
    ),
    Case(
        "a long gap just after the tempo was turned",
        *(19.12, 0.62, 1.39),
        (*[18.8] * 31, *[19.12] * 16),
        (276.62, *[0.1] * 13, 10.08, *[19.19] * 36, *[18.6] * 14),
        ticks=65,
        silent=True,
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_two_lines_that_meet_by_chance_do_not_make_sure(case: Case) -> None:
    last_ns = 1000 * MS
    back = accumulate(reversed(case.before), initial=0.0)
    before = [last_ns - round(t * MS) for t in back][::-1]
    inquiry = Inquiry(
        last_ns,
        last_ns,
        round(case.every * MS),
        round(case.off * MS),
        before,
        worst_ns=round(case.worst * MS),
        calm=case.calm,
    )
    for heard, interval in enumerate(accumulate(case.intervals), start=1):
        t_ns = last_ns + round(interval * MS)
        if case.silent and heard == 1:
            inquiry.bridge(t_ns)
        else:
            inquiry.hear(t_ns)
        verdict = inquiry.verdict()
        if verdict is not None:
            assert verdict.ticks in (None, heard + case.ticks - len(case.intervals))
            return
