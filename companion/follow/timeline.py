"""The timeline: which parts ran since the last start, where each began, what count it carried.

Places a song position, counted from the last start, in one of those parts. Knows no transport, no
wish and no program change.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from companion.setlist.model import Part, SetList


@dataclass(frozen=True, slots=True)
class Stretch:
    """One part since the last start: the tick it began at, and what it carried over.

    `part_index` is the part's number less one; `start` counts from the last start.
    """

    start: int
    part_index: int
    carried_passes: int = 0
    carried_phrases: int = 0


class Timeline:
    """The stretches since the last start, the running one last."""

    def __init__(self, setlist: SetList) -> None:
        self._setlist = setlist
        self.restart(0)

    def restart(self, part_index: int) -> None:
        """Begin anew with a part at tick 0, its count included."""
        self._stretches = [Stretch(0, part_index)]
        self.part = self._setlist.parts[part_index]

    @property
    def running(self) -> Stretch:
        """The stretch of the running part."""
        return self._stretches[-1]

    @property
    def following(self) -> Part | None:
        """The part after the running one, None after the last."""
        number = self.part.number
        return self._setlist.parts[number] if number < len(self._setlist.parts) else None

    def extend(self, end: int) -> None:
        """Let the part that follows begin, the running one ending at its tick `end`."""
        stretch, pattern = self.running, self.part.pattern
        index = stretch.part_index + 1
        passes = phrases = 0
        self.part = self._setlist.parts[index]
        name = self.part.instrument
        if name is not None and not self._setlist.instruments[name].recount:
            passes = stretch.carried_passes + end // pattern.pass_ticks
            phrases = stretch.carried_phrases + -(-end // pattern.phrase_ticks)
        self._stretches.append(Stretch(stretch.start + end, index, passes, phrases))

    def rebase(self, start: int) -> None:
        """The running part began `start` ticks after the last start; of others nothing is known."""
        self._stretches = [replace(self.running, start=start)]

    def step_back(self) -> int:
        """Go back to the part before; returns the tick of it at which the next had begun."""
        ended = self._stretches.pop()
        self.part = self._setlist.parts[self.running.part_index]
        return ended.start - self.running.start

    def rewind(self, position: int) -> int:
        """Go back to the stretch that `position`, in ticks from the last start, lies in.

        Returns the position in ticks from the start of that stretch; it may lie past its end.
        """
        while len(self._stretches) > 1 and self.running.start > position:
            self._stretches.pop()
        self.part = self._setlist.parts[self.running.part_index]
        return position - self.running.start
