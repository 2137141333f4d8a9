"""What screens get seldom: the plan of the set, and the pass map around the present pass.

Both are worked out on the link's thread, and only when they changed: the plan once, the map once a
phrase. What changes all the time is in view.
"""

from __future__ import annotations

from companion.counting.grid import Row, build_grid
from companion.counting.memory import OutOfReach
from companion.follow.conductor import Standing
from companion.link.messages import BadMessage
from companion.link.overview import (
    MapRow,
    PatternMap,
    Plan,
    PlanPart,
    PlanSong,
    encode_map,
    encode_plan,
    level,
)
from companion.setlist.model import Part, SetList

# More than a screen shows; together they are worked out in about two milliseconds.
MOST_ROWS = 128
MOST_PASSES = 64
# No screen shows more phrases than this side by side, nor fewer passes than that.
MOST_PHRASES, LEAST_PASSES = 8, 16
# The map moves on a phrase at a time, or so many passes where a phrase has more.
MOST_BLOCK = MOST_PASSES // 2
# Parts of a set that go out in one plan; of a longer set those around the running one do.
MOST_PARTS = 256
# Longer names would push others out, and no screen has room for them.
MOST_NAME = 80


class Overviews:
    """Keeps plan and map of one set up to date. Used by one thread."""

    def __init__(self, setlist: SetList) -> None:
        self._setlist = setlist
        self._plan: Plan | None = None
        self._map: PatternMap | None = None
        self._map_key: tuple[int, int, int] | None = None

    def at(self, standing: Standing) -> tuple[Plan, PatternMap]:
        """Plan and map as of `standing`; the very same objects while nothing changed."""
        return self.plan(standing.part.number), self.map(standing)

    def plan(self, number: int) -> Plan:
        """The plan of the set, of a very long one the part around part `number`."""
        plan = self._plan
        if plan is None or not self._in_sight(plan, number):
            plan = self._plan = self._fitting_plan(number)
        return plan

    def map(self, standing: Standing) -> PatternMap:
        """The map of the running pattern from the phrase before the present one on."""
        pattern = standing.part.pattern
        phrase_passes = max(1, pattern.phrase_ticks // pattern.pass_ticks)
        if phrase_passes <= MOST_BLOCK:
            phrase = standing.tick // pattern.phrase_ticks
            first = max(0, phrase - 1) * pattern.phrase_ticks // pattern.pass_ticks
        else:
            block = standing.tick // pattern.pass_ticks // MOST_BLOCK
            first = max(0, block - 1) * MOST_BLOCK
        key = (standing.part.number, first, standing.carried_passes)
        if self._map is None or key != self._map_key:
            self._map = self._fitting_map(standing, first)
            self._map_key = key
        return self._map

    def _in_sight(self, plan: Plan, number: int) -> bool:
        """Whether the plan holds part `number` and, unless the set ends, some that follow it."""
        last = plan.parts[-1].number
        ahead = last if last == len(self._setlist.parts) else last - len(plan.parts) // 4
        return plan.parts[0].number <= number <= ahead

    def _fitting_plan(self, number: int) -> Plan:
        count = MOST_PARTS
        while True:
            plan = self._plan_of(number, count)
            try:
                encode_plan(plan)
            except BadMessage:
                # Very long names: fewer parts, but always the running one.
                count //= 2
                continue
            return plan

    def _plan_of(self, number: int, count: int) -> Plan:
        songs, parts = self._setlist.songs, self._setlist.parts
        # A quarter of them behind, as far as the set has so many on either side.
        first = max(0, min(number - 1 - count // 4, len(parts) - count))
        kept = parts[first : first + count]
        return Plan(
            set_name=self._setlist.name[:MOST_NAME],
            first_song=kept[0].song + 1,
            songs=tuple(
                PlanSong(song.title[:MOST_NAME], song.tempo or 0.0)
                for song in songs[kept[0].song : kept[-1].song + 1]
            ),
            parts=tuple(self._part(part) for part in kept),
            seconds_before=sum(self._seconds(part) for part in parts[:first]),
            seconds_after=sum(self._seconds(part) for part in parts[first + count :]),
        )

    def _part(self, part: Part) -> PlanPart:
        own = next((c for c in part.changes if c.instrument == part.instrument), None)
        return PlanPart(
            number=part.number,
            song=part.song + 1,
            pattern=part.pattern.name[:MOST_NAME],
            phrases=part.phrases,
            phrase_ticks=part.pattern.phrase_ticks,
            bar_ticks=part.pattern.meter.bar_ticks,
            seconds=round(self._seconds(part), 3),
            instrument=(part.instrument or "")[:MOST_NAME],
            program=None
            if own is None
            else self._setlist.instruments[own.instrument].shown(own.program),
        )

    def _seconds(self, part: Part) -> float:
        tempo = self._setlist.songs[part.song].tempo
        if not tempo:
            return 0.0
        return (part.phrases or 1) * part.pattern.phrase_ticks * 60 / (24 * tempo)

    def _fitting_map(self, standing: Standing, first: int) -> PatternMap:
        rows = MOST_ROWS
        while True:
            found = self._map_of(standing, first, rows)
            try:
                encode_map(found)
            except BadMessage:
                rows //= 2
                continue
            return found

    def _map_of(self, standing: Standing, first: int, most_rows: int) -> PatternMap:
        part = standing.part
        pattern = part.pattern
        phrase_passes = -(-pattern.phrase_ticks // pattern.pass_ticks)
        passes = min(MOST_PASSES, max(LEAST_PASSES, MOST_PHRASES * phrase_passes))
        rows: tuple[Row, ...] = ()
        left_out, note = 0, ""
        try:
            grid = build_grid(
                pattern,
                passes,
                first=first,
                most_rows=most_rows,
                carried_passes=standing.carried_passes,
                rare=self._setlist.rare,
            )
            rows, left_out = grid.rows, grid.left_out
        except OutOfReach as error:
            note = str(error)
        return PatternMap(
            part=part.number,
            pattern=pattern.name[:MOST_NAME],
            first=first,
            passes=passes,
            pass_ticks=pattern.pass_ticks,
            phrase_ticks=pattern.phrase_ticks,
            phrases_before=standing.carried_phrases,
            rows=tuple(_row(row) for row in rows),
            left_out=left_out,
            note=note,
        )


def _row(row: Row) -> MapRow:
    return MapRow(
        track=row.track[:MOST_NAME],
        steps=row.numbers,
        what=row.what[:MOST_NAME],
        rare=row.rare,
        fill_only=row.fill_only,
        levels="".join(map(level, row.chances)),
    )
