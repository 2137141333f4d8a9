"""A whole view as rows, top to bottom. Pure but for memory; how each region looks is elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import replace

from companion.screen import stage
from companion.screen.canvas import Row, blank, parted
from companion.screen.extrapolation import Stage
from companion.screen.layout import (
    ViewPlan,
    letter_dots,
    most_alarm_rows,
    plan,
    plan_view,
)
from companion.screen.night import Night, draw_night
from companion.screen.pace import Regions
from companion.screen.passmap import PassMap, draw_map
from companion.screen.reading import Reading
from companion.screen.sentences import Alarm
from companion.screen.stage import draw_dial, draw_strip, pulse_column

Rows = tuple[Row, ...]


class Painter:
    """Paints views, each region in its place and no more often than pace allows.

    Keeps what has not changed since the last time, which is nearly all of it. Times are the
    reading's, in nanoseconds.
    """

    def __init__(self, calm: bool) -> None:
        self._calm = calm
        self._drawn: dict[str, tuple[Hashable, Rows]] = {}
        self._regions: Regions[Rows] = Regions()
        self._looks: Regions[tuple[str, bool, bool, Stage]] = Regions()
        # The line of what is left, as it was last.
        self._line: Row = ()
        # The rows that bands may lie over, each by itself, and the pulse.
        self._lower: Regions[Row] = Regions()

    @property
    def waits(self) -> bool:
        """Whether something newer is still to be drawn, though nothing else changes."""
        return any(each.waiting for each in (self._regions, self._looks, self._lower))

    def stage(
        self, reading: Reading, alarms: tuple[Alarm, ...], width: int, height: int, now_ns: int
    ) -> tuple[list[Row], bool]:
        """The stage, and whether the row of keys has a place under it."""
        shares, dots = plan(width, height), letter_dots(height)

        def region(name: str, rows: int, key: Hashable, draw: Callable[[], list[Row]]) -> Rows:
            return self._region(name, (width, rows), key, draw, now_ns)

        facts = stage.facts_of_a_small_window(reading, height)
        # What is to be done first takes the place of countdown, name and action: in their regions,
        # so that whatever comes and goes they change no more often.
        upper = [shares.countdown, shares.above_then, shares.then]
        upper += [shares.above_action, shares.action]
        order: list[Row] = []
        if reading.order:
            key = (sum(upper), width, reading.order, reading.condition, reading.action)
            order = list(
                self._again("order", key, lambda: stage.draw_order(reading, width, sum(upper)))
            )

        def instead(nth: int, draw: Callable[[], list[Row]]) -> Callable[[], list[Row]]:
            """The rows of the nth upper region: those of the order where there is one."""
            at = sum(upper[:nth])
            return (lambda: order[at : at + upper[nth]]) if order else draw

        dial = instead(
            0,
            lambda: draw_dial(
                self._looking(reading, width, now_ns), width, shares.countdown, self._calm, dots
            ),
        )
        asked = reading.order, reading.condition
        below = [
            *region("air below", upper[3], asked, instead(3, list)),
            *region(
                "action",
                shares.action,
                (asked, reading.action, reading.boundary),
                instead(4, lambda: stage.draw_action(reading, width, shares.action, dots)),
            ),
            *blank(shares.above_agenda),
            *region(
                "agenda",
                shares.agenda,
                (reading.agenda, reading.condition),
                lambda: stage.draw_agenda(reading, width, shares.agenda),
            ),
            *region(
                "tracks",
                shares.tracks,
                (reading.sounding, reading.muted, reading.unplanned),
                lambda: stage.draw_tracks(reading, width, shares.tracks),
            ),
        ]
        if reading.unplanned and not shares.tracks:
            below = stage.lie_over(below, stage.draw_tracks(reading, width, 1))
        rows = [
            *self._dial(dial(), width, now_ns, bool(order)),
            *region("air above", upper[1], asked, instead(1, list)),
            *region(
                "then",
                shares.then,
                (asked, reading.action, reading.then, facts),
                instead(2, lambda: stage.draw_then(reading.then, width, shares.then, dots, facts)),
            ),
            *self._under_bands(below, alarms, width, height, now_ns),
            *region(
                "quiet",
                shares.quiet,
                reading.quiet,
                lambda: stage.draw_quiet(reading, width, shares.quiet),
            ),
        ]
        return rows, shares.keys > 0

    def over(self, reading: Reading, width: int, height: int, now_ns: int) -> list[Row]:
        """What stands over every view but the stage: the countdown, and what to do next."""
        return self._over(reading, width, height, now_ns)[0]

    def view(
        self,
        reading: Reading,
        alarms: tuple[Alarm, ...],
        shown: Night | PassMap,
        scroll: int,
        width: int,
        height: int,
        now_ns: int,
    ) -> tuple[list[Row], bool]:
        """The set list or the pass map under a strip of countdown; as `stage`."""
        over, shares = self._over(reading, width, height, now_ns)

        def drawn() -> list[Row]:
            if isinstance(shown, Night):
                return draw_night(shown, width, shares.view, scroll)
            return draw_map(shown, width, shares.view, scroll)

        place = (width, shares.view)
        # What the performer moves is moved at once.
        moved = (type(shown), scroll)
        view = self._region("view", (*place, *moved), (shown, scroll), drawn, now_ns, shares.view)
        return [*over, *self._under_bands(list(view), alarms, width, height, now_ns)], (
            shares.keys > 0
        )

    def _over(
        self, reading: Reading, width: int, height: int, now_ns: int
    ) -> tuple[list[Row], ViewPlan]:
        shares, dots = plan_view(height), letter_dots(height)
        looking = self._looking(reading, width, now_ns)
        strip = self._dial(draw_strip(looking, width, shares.strip, self._calm), width, now_ns)
        action = self._region(
            "strip action",
            (width, shares.action),
            (reading.action, reading.boundary),
            lambda: stage.draw_action(
                reading, width, shares.action, dots if 2 * shares.action >= dots else 0, whole=True
            ),
            now_ns,
        )
        return [*strip, *action, *blank(shares.above_view)], shares

    def _looking(self, reading: Reading, width: int, now_ns: int) -> Reading:
        """The reading with all that gives the countdown its colours at the pace of a region."""
        look = reading.condition, reading.doubt, reading.loud, reading.stage
        condition, doubt, loud, stage = self._looks.let("look", width, look, now_ns)
        return replace(reading, condition=condition, doubt=doubt, loud=loud, stage=stage)

    def _dial(self, rows: list[Row], width: int, now_ns: int, order: bool = False) -> list[Row]:
        """The countdown; the line under it gets shorter a column at a time, beside its pulse.

        With `order` the rows are something else, in its place.
        """
        if not rows:
            return rows
        place = (width, len(rows))
        figure = self._regions.let("dial", place, tuple(rows[:-1]), now_ns)
        line, pulse = parted(rows[-1], pulse_column(width))
        # Only what comes in place of the line may come and go.
        kept = self._lower.let("line", place, line if order else (), now_ns)
        if not order:
            self._line = line
        line = kept or self._line
        return [*figure, (*line, *self._lower.let("pulse", place, pulse, now_ns))]

    def _under_bands(
        self, rows: list[Row], alarms: tuple[Alarm, ...], width: int, height: int, now_ns: int
    ) -> list[Row]:
        """`rows`, the last of them under what is not in order."""
        most = min(most_alarm_rows(height), len(rows))

        def drawn() -> list[Row]:
            return stage.draw_alarms(alarms, width, most)[:most] if most else []

        lower = stage.lie_over(rows, list(self._again("bands", (alarms, width, most), drawn)))
        return [
            self._lower.let(f"row {row}", (width, len(lower)), inks, now_ns)
            for row, inks in enumerate(lower)
        ]

    def _region(
        self,
        name: str,
        place: tuple[object, ...],
        key: Hashable,
        draw: Callable[[], list[Row]],
        now_ns: int,
        height: int | None = None,
    ) -> Rows:
        """A region of exactly `height` rows, or as many as `place` says last."""
        high = place[-1] if height is None else height
        assert isinstance(high, int)

        def filled() -> list[Row]:
            rows = draw()
            return [*rows[:high], *blank(high - len(rows))]

        return self._regions.let(name, place, self._again(name, (place, key), filled), now_ns)

    def _again(self, name: str, key: Hashable, draw: Callable[[], list[Row]]) -> Rows:
        kept = self._drawn.get(name)
        if kept is not None and kept[0] == key:
            return kept[1]
        rows = tuple(draw())
        self._drawn[name] = (key, rows)
        return rows


def scroll_range(shown: Night | PassMap) -> tuple[int, int]:
    """How far the view may be moved back and on."""
    if isinstance(shown, Night):
        return -shown.here, len(shown.lines) - shown.here
    return 0, max(0, len(shown.lines) - 1)
