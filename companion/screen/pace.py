"""How often anything on the screen may change: decided here, and nowhere else.

WCAG 2.2 allows three flashes in any second (2.3.1), and no more whatever their size (2.3.2). The
count changes at stops that lie a third of a second apart, at any meter and tempo; what is judged
(unsure, a trouble, a notice) stands for a second; and each region of the screen, which has one
place and keeps it, is drawn anew six times in a second at most, which is three flashes, whatever
else may come. Pure but for the memory of Steady, Raised and Regions.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Mapping
from typing import Generic, TypeVar

K = TypeVar("K")
T = TypeVar("T")

SECOND_NS = 1_000_000_000
# Stops of the count are this far apart, so figures and colours change three times a second at most.
REST_S = 1 / 3
# A flash is two opposing changes (WCAG 2.2, definition of general flash).
MOST_CHANGES = 6
# A tempo that is measured wanders; one that stays as near as this keeps its stops.
_SAME_TEMPO = 0.02


def rest_ticks(tempo: float) -> int:
    """The fewest ticks (24 to the quarter note) that last REST_S at `tempo` beats a minute."""
    exact = REST_S * 24 * tempo / 60
    return max(1, -int(-(exact - 1e-9) // 1))


def stop(left: int, top: int | None, units: tuple[int, ...], rest: int) -> tuple[int, int]:
    """What the count shows with `left` ticks to go: the ticks of its latest stop, and their unit.

    Stops lie `rest` ticks apart or more. They are whole numbers of units, counted from the end,
    the largest unit (the first) as far as it goes, each smaller one in the last stretch of the one
    before. `top` is where the count begins, None for anywhere; it is a stop itself.
    """
    shown, unit = top, units[0]
    for each in units:
        group = -(-rest // each) * each
        at = -(-left // group) * group
        if shown is not None:
            highest = (shown - rest) // group * group
            if highest < group:
                continue
            if at > highest:
                # Two stops may have become one: it is counted as the nearer of them.
                return min(shown, highest + group), each
        if at > group:
            return at, each
        shown, unit = group, each
    return (left, unit) if shown is None else (shown, unit)


class Steady:
    """A tempo that does not follow what is measured for as long as that is nearly the same."""

    def __init__(self) -> None:
        self._tempo = 0.0

    def rest(self, tempo: float) -> int:
        """The rest between two stops, in ticks."""
        if abs(tempo - self._tempo) > _SAME_TEMPO * self._tempo:
            self._tempo = tempo
        return rest_ticks(self._tempo)


class Raised(Generic[K, T]):
    """What is said for as long as it holds, and for a second at least. Times are nanoseconds."""

    def __init__(self) -> None:
        self._said: dict[K, tuple[int, T]] = {}

    def standing(self, holding: Mapping[K, T], now_ns: int) -> dict[K, T]:
        """What holds now, and what was raised less than a second ago; each in its newest words."""
        for key, said in list(self._said.items()):
            if key not in holding and not 0 <= now_ns - said[0] < SECOND_NS:
                del self._said[key]
        for key, value in holding.items():
            self._said[key] = (self._said.get(key, (now_ns,))[0], value)
        return {key: value for key, (_, value) in self._said.items()}


class DoubtShown:
    """Whether a doubt is shown: it has outlasted a beat, and then it stands for a second."""

    def __init__(self) -> None:
        self._began: int | None = None
        self._raised: int | None = None
        self._heard = False

    def shown(self, doubted: bool, beat_ns: int, now_ns: int) -> bool:
        """Whether it is shown at `now_ns`, `doubted` being what is so now.

        A beat shorter than REST_S counts as that long. One that was there from the beginning is
        shown at once.
        """
        first, self._heard = not self._heard, True
        if not doubted:
            self._began = None
            if self._raised is not None and not 0 <= now_ns - self._raised < SECOND_NS:
                self._raised = None
        else:
            if self._began is None:
                self._began = now_ns
            lasted = now_ns - self._began
            if self._raised is None and (first or lasted >= max(beat_ns, REST_S * SECOND_NS)):
                self._raised = now_ns
        return self._raised is not None


class Regions(Generic[T]):
    """Lets a region change up to MOST_CHANGES times in any second; what comes sooner waits."""

    def __init__(self) -> None:
        self._shown: dict[str, tuple[Hashable, T]] = {}
        # The regions that something newer waits for.
        self.waiting: set[str] = set()
        self._changed: dict[str, deque[int]] = {}

    def let(self, region: str, place: Hashable, value: T, now_ns: int) -> T:
        """What the region shows at `now_ns`: `value`, or still what it showed.

        In another `place` (of another size, say) all is drawn at once.
        """
        before = self._shown.get(region)
        self.waiting.discard(region)
        if before is not None and before[0] == place:
            if before[1] == value:
                return before[1]
            changed = self._changed[region]
            if len(changed) == MOST_CHANGES and 0 <= now_ns - changed[0] < SECOND_NS:
                self.waiting.add(region)
                return before[1]
            changed.append(now_ns)
        else:
            self._changed.setdefault(region, deque(maxlen=MOST_CHANGES)).append(now_ns)
        self._shown[region] = (place, value)
        return value
