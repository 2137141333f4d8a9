"""From where to where in an instrument's count a part is planned to stay. Pure arithmetic."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from companion.setlist.model import Part, SetList
from companion.setlist.plan import carried, recounts


@dataclass(frozen=True, slots=True)
class Stay:
    """A part's stay in count ticks: ticks of the count that its instrument keeps.

    `start` is None where an earlier part, open or not a whole number of passes, leaves that open;
    `end` is None where the performer decides.
    """

    part: Part
    start: int | None
    end: int | None

    @property
    def planned(self) -> bool:
        """Whether start and end are known."""
        return self.start is not None and self.end is not None


def stays(setlist: SetList) -> dict[str, list[Stay]]:
    """The stays of all parts, by the names of their patterns."""
    found: dict[str, list[Stay]] = {}
    for part, stay in zip(setlist.parts, _stays(setlist), strict=True):
        found.setdefault(part.pattern.name, []).append(stay)
    return found


def _stays(setlist: SetList) -> Iterator[Stay]:
    sure = True
    for part, passes in zip(setlist.parts, carried(setlist), strict=True):
        sure = sure or recounts(setlist, part)
        start = passes * part.pattern.pass_ticks if sure else None
        planned = part.planned_ticks
        end = None if start is None or planned is None else start + planned
        yield Stay(part, start, end)
        sure = sure and planned is not None and planned % part.pattern.pass_ticks == 0
