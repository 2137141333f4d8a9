"""A whole view as rows, top to bottom. Pure but for memory; how each region looks is elsewhere."""

from __future__ import annotations

from collections.abc import Callable

from companion.screen import drawing
from companion.screen.canvas import Row, blank
from companion.screen.dial import draw_dial
from companion.screen.layout import ViewPlan, most_alarm_rows, plan, plan_view
from companion.screen.mapdrawing import draw_map
from companion.screen.night import Night
from companion.screen.nightdrawing import draw_night
from companion.screen.passmap import PassMap
from companion.screen.reading import Reading
from companion.screen.strip import draw_strip
from companion.screen.wording import Alarm


class Painter:
    """Paints views; keeps what has not changed since the last time, which is nearly all of it."""

    def __init__(self, calm: bool) -> None:
        self._calm = calm
        self._kept: dict[str, tuple[object, list[Row]]] = {}

    def stage(
        self, reading: Reading, alarms: tuple[Alarm, ...], width: int, height: int
    ) -> tuple[list[Row], bool]:
        """The stage, and whether the row of keys has a place under it."""
        alarm_rows = self._alarms(alarms, width, height)
        shares = plan(width, height, len(alarm_rows), tracks_matter=bool(reading.unplanned))
        regions = [
            alarm_rows,
            draw_dial(reading, width, shares.countdown, self._calm),
            blank(shares.above_action),
            self._region(
                "action",
                shares.action,
                (reading.action, reading.boundary, width),
                lambda: drawing.draw_action(reading, width, shares.action),
            ),
            blank(shares.above_agenda),
            self._region(
                "agenda",
                shares.agenda,
                (reading.agenda, reading.condition, width),
                lambda: drawing.draw_agenda(reading, width, shares.agenda),
            ),
            self._region(
                "tracks",
                shares.tracks,
                (reading.sounding, reading.muted, reading.unplanned, width),
                lambda: drawing.draw_tracks(reading, width, shares.tracks),
            ),
            self._region(
                "quiet",
                shares.quiet,
                (reading.quiet, width),
                lambda: drawing.draw_quiet(reading, width, shares.quiet),
            ),
        ]
        return [row for region in regions for row in region], shares.keys > 0

    def over(
        self, reading: Reading, alarms: tuple[Alarm, ...], width: int, height: int
    ) -> list[Row]:
        """What stands over every view but the stage: what is not in order, and the countdown."""
        return self._over(reading, alarms, width, height)[0]

    def view(
        self,
        reading: Reading,
        alarms: tuple[Alarm, ...],
        shown: Night | PassMap,
        scroll: int,
        width: int,
        height: int,
    ) -> tuple[list[Row], bool]:
        """The set list or the pass map under a strip of countdown; as `stage`."""
        over, shares = self._over(reading, alarms, width, height)

        def drawn() -> list[Row]:
            if isinstance(shown, Night):
                return draw_night(shown, width, shares.view, scroll)
            return draw_map(shown, width, shares.view, scroll)

        rows = [
            *over,
            *self._region("view", shares.view, (shown, scroll, width), drawn),
        ]
        return rows, shares.keys > 0

    def _over(
        self, reading: Reading, alarms: tuple[Alarm, ...], width: int, height: int
    ) -> tuple[list[Row], ViewPlan]:
        alarm_rows = self._alarms(alarms, width, height)
        shares = plan_view(height, len(alarm_rows))
        strip = draw_strip(reading, width, shares.strip, self._calm)
        return [*alarm_rows, *strip, *blank(shares.above_view)], shares

    def _alarms(self, alarms: tuple[Alarm, ...], width: int, height: int) -> list[Row]:
        most = most_alarm_rows(height)
        key = (alarms, width, most)
        return self._again("alarms", key, lambda: drawing.draw_alarms(alarms, width, most)[:most])

    def _region(
        self, name: str, height: int, key: object, draw: Callable[[], list[Row]]
    ) -> list[Row]:
        """A region of exactly `height` rows."""

        def filled() -> list[Row]:
            rows = draw()
            return [*rows[:height], *blank(height - len(rows))]

        return self._again(name, (key, height), filled)

    def _again(self, name: str, key: object, draw: Callable[[], list[Row]]) -> list[Row]:
        kept = self._kept.get(name)
        if kept is not None and kept[0] == key:
            return kept[1]
        rows = draw()
        self._kept[name] = (key, rows)
        return rows


def scroll_range(shown: Night | PassMap) -> tuple[int, int]:
    """How far the view may be moved back and on."""
    if isinstance(shown, Night):
        return -shown.here, len(shown.lines) - shown.here
    return 0, max(0, len(shown.lines) - 1)
