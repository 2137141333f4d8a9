"""The pass map at a moment: steps down, passes across, where the present pass and phrases are.

Pure: worked out from the engine's map and the snapshot. How it looks is in mapdrawing.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.link.messages import Snapshot, TrackView
from companion.link.overview import PatternMap
from companion.screen.reckon import Spot
from companion.screen.tracks import is_muted, is_unplanned


@dataclass(frozen=True, slots=True)
class StepLine:
    """One line of the map: a step, or all steps of a track that always play.

    `what` is the performer's own name for the step, if any; `remark` says why it may stay silent,
    or that it sounds against the plan. `quiet` says that its track is muted as the instrument has
    it, by plan while nobody knows; `unplanned` that this is not as planned. `sizes` has 0 (never)
    to 4 (always) for each pass.
    """

    track: str
    what: str
    numbers: tuple[int, ...]
    remark: str
    rare: bool
    quiet: bool
    unplanned: bool
    sizes: tuple[int, ...]

    @property
    def steady(self) -> bool:
        """Whether it is the same on every pass, and no rarity."""
        return not self.rare and min(self.sizes, default=0) == 4


@dataclass(frozen=True, slots=True)
class PassMap:
    """The map; passes are counted from 0, the first one shown.

    `here` is the present pass. `phrases` are (pass, number) of the phrases that begin; `ragged`
    that they begin inside passes. `end` is the pass with which the next part begins, None while
    that is open or out of sight; `then` is its name. `numbers` are the passes' numbers as a
    musician counts them. `note` says why there is nothing to see.
    """

    lines: tuple[StepLine, ...]
    passes: int
    here: int
    phrases: tuple[tuple[int, int], ...]
    ragged: bool
    end: int | None
    then: str
    numbers: tuple[int, ...]
    left_out: int
    note: str


class MapReader:
    """Reads maps; keeps what does not change from one moment to the next."""

    def __init__(self) -> None:
        self._of: PatternMap | None = None
        self._tracks: tuple[TrackView, ...] = ()
        self._lines: tuple[StepLine, ...] = ()

    def read(self, pattern_map: PatternMap | None, snapshot: Snapshot, at: Spot) -> PassMap:
        """The map as of the count standing at `at`."""
        if pattern_map is not None and (
            pattern_map is not self._of or snapshot.tracks != self._tracks
        ):
            self._of, self._tracks = pattern_map, snapshot.tracks
            self._lines = _lines(pattern_map, snapshot)
        return _read(pattern_map, self._lines, snapshot, at)


def _read(
    pattern_map: PatternMap | None, lines: tuple[StepLine, ...], snapshot: Snapshot, at: Spot
) -> PassMap:
    if pattern_map is None or pattern_map.part != snapshot.part:
        # It comes with the next message; nothing is claimed until then.
        return _nothing("")
    if not pattern_map.rows:
        return _nothing(pattern_map.note or "this pattern has no steps written down")
    ticks, phrase = max(1, pattern_map.pass_ticks), max(1, pattern_map.phrase_ticks)
    first, passes = pattern_map.first, pattern_map.passes
    # On a boundary that only the reckoning has reached, the old pass is still the last one told.
    inside = at.tick - 1 if at.left == 0 and at.tick > snapshot.tick else at.tick
    begin, stop = first * ticks, (first + passes) * ticks
    starts = range(-(-begin // phrase) * phrase, stop, phrase)
    return PassMap(
        lines=lines,
        passes=passes,
        here=inside // ticks - first,
        phrases=tuple(
            (tick // ticks - first, tick // phrase + 1 + pattern_map.phrases_before)
            for tick in starts
        ),
        ragged=phrase % ticks != 0,
        end=_end(snapshot, ticks, first, passes),
        then=snapshot.next_part,
        numbers=tuple(_number(first + n, ticks, phrase) for n in range(passes)),
        left_out=pattern_map.left_out,
        note="",
    )


def _nothing(note: str) -> PassMap:
    return PassMap((), 0, 0, (), False, None, "", (), 0, note)


def _end(snapshot: Snapshot, ticks: int, first: int, passes: int) -> int | None:
    if snapshot.part_ticks_left is None:
        return None
    end = -(-(snapshot.tick + snapshot.part_ticks_left) // ticks) - first
    return end if 0 < end < passes else None


def _number(index: int, ticks: int, phrase: int) -> int:
    """The pass's number in its phrase, or in the part where phrases begin inside passes."""
    if phrase % ticks:
        return index + 1
    return index % (phrase // ticks) + 1


def _lines(pattern_map: PatternMap, snapshot: Snapshot) -> tuple[StepLine, ...]:
    muted = {track.name for track in snapshot.tracks if is_muted(track)}
    unplanned = {track.name for track in snapshot.tracks if is_unplanned(track)}
    lines = []
    for row in pattern_map.rows:
        silent, amiss = row.track in muted, row.track in unplanned
        what = row.what if row.what != row.track else ""
        plain = "in a fill" if row.fill_only else "sounds" if amiss else ""
        remark = "muted" if silent else plain
        sizes = (_size(row.levels[n : n + 1]) for n in range(pattern_map.passes))
        lines.append(
            StepLine(row.track, what, row.steps, remark, row.rare, silent, amiss, tuple(sizes))
        )
    return tuple(lines)


def _size(level: str) -> int:
    """0 never, 1 up to a quarter, 2 up to a half, 3 more, 4 always; see link.overview.level."""
    if not ("1" <= level <= "9"):
        return 0
    return 4 if level == "9" else 1 if level <= "2" else 2 if level <= "4" else 3
