"""Where a rehearsal goes: which part it begins with, the rounds of a loop, when it is over.

A loop is the last phrase of one part and the first of the next, over and over. What has to be
wished for that is said here, in the words of any wish; whoever asks for it is elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice
from typing import NamedTuple

from companion.setlist import Part, SetList, carried_passes
from companion.setlist.course import planned_layers
from companion.wishes import Ask, Wish


class Place(NamedTuple):
    """A tick of a part, and what had been counted as the part began.

    `carried` are the passes of its instrument, `layers` the ticks of each of its layers.
    """

    part: int
    tick: int = 0
    carried: int = 0
    layers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Loop:
    """From the last phrase of part `part` to the end of the first of the next one.

    `times` is how many rounds there are, None for no end.
    """

    part: int
    times: int | None = None

    def begin(self, setlist: SetList) -> Place:
        """Where each round begins, with the passes that the set has there."""
        part = setlist.parts[self.part - 1]
        tick = ((part.phrases or 1) - 1) * part.pattern.phrase_ticks
        layers = next(islice(planned_layers(setlist), self.part - 1, None))
        ticks = tuple(each.ticks for each in layers)
        return Place(self.part, tick, carried_passes(setlist, part), ticks)


class Course:
    """Follows one rehearsal from part to part. `round` counts from 1, 0 before the first."""

    def __init__(self, begin: int = 1, loop: Loop | None = None) -> None:
        """`begin` is the number of the part to begin with, for which a loop has its own."""
        self._begin = begin
        self._loop = loop
        self.round = 0

    def begin(self, setlist: SetList) -> Place:
        """Where it begins, each time that it begins anew."""
        self.round = 0
        return Place(self._begin) if self._loop is None else self._loop.begin(setlist)

    def jump(self, setlist: SetList, part: int) -> Place | None:
        """Where to go on as part `part` has just begun, None to stay there."""
        loop = self._loop
        if loop is None or part != loop.part:
            return None
        self.round += 1
        return loop.begin(setlist)

    def wish(self, setlist: SetList, part: int) -> Wish | None:
        """What is to be wished for as part `part` begins, None for nothing."""
        loop = self._loop
        if loop is None:
            return None
        here = setlist.parts[part - 1]
        if part == loop.part:
            return Wish(Ask.NEXT) if here.phrases is None else None
        if part != loop.part + 1:
            return None
        if not self._last_round:
            return Wish(Ask.PART, part=loop.part)
        # Nobody is to be told of what would come after it.
        return None if here.phrases is None else Wish(Ask.STAY)

    def is_over(self, part: Part, tick: int) -> bool:
        """Whether the last round of a loop is over before `tick` of `part` plays."""
        loop = self._loop
        if loop is None or part.number != loop.part + 1 or not self._last_round:
            return False
        return tick >= part.pattern.phrase_ticks

    @property
    def told(self) -> str:
        """The round in plain words, "" without a loop."""
        if self._loop is None:
            return ""
        times = self._loop.times
        return f"round {self.round}" + ("" if times is None else f" of {times}")

    @property
    def _last_round(self) -> bool:
        return self._loop is not None and self.round == self._loop.times
