"""Each view as rows for the regions of the screen, top to bottom. Pure; widgets are the app's."""

from __future__ import annotations

from companion.screen import drawing
from companion.screen.canvas import Row, blank
from companion.screen.dial import draw_dial
from companion.screen.layout import most_alarm_rows, plan, plan_view
from companion.screen.mapdrawing import draw_map
from companion.screen.night import Night
from companion.screen.nightdrawing import draw_night
from companion.screen.passmap import PassMap
from companion.screen.reading import Reading
from companion.screen.strip import draw_strip
from companion.screen.wording import Alarm

# Every region of every view, in the order in which they may stand under one another.
REGIONS = (
    "alarms",
    "countdown",
    "strip",
    "above-action",
    "action",
    "above-agenda",
    "agenda",
    "tracks",
    "quiet",
    "view",
)
KEYS = "keys"

Picture = dict[str, list[Row]]


def paint_stage(
    reading: Reading, alarms: tuple[Alarm, ...], width: int, height: int, calm: bool
) -> tuple[Picture, bool]:
    """The stage, and whether the row of keys has a place."""
    alarm_rows = drawing.draw_alarms(alarms, width, most_alarm_rows(height))
    shares = plan(width, height, len(alarm_rows))
    picture = {
        "alarms": alarm_rows[: shares.alarms],
        "countdown": draw_dial(reading, width, shares.countdown, calm),
        "above-action": blank(shares.above_action),
        "action": _filled(drawing.draw_action(reading, width, shares.action), shares.action),
        "above-agenda": blank(shares.above_agenda),
        "agenda": _filled(drawing.draw_agenda(reading, width, shares.agenda), shares.agenda),
        "tracks": _filled(drawing.draw_tracks(reading, width, shares.tracks), shares.tracks),
        "quiet": _filled(drawing.draw_quiet(reading, width, shares.quiet), shares.quiet),
    }
    return picture, shares.keys > 0


def paint_view(
    reading: Reading,
    alarms: tuple[Alarm, ...],
    shown: Night | PassMap,
    scroll: int,
    width: int,
    height: int,
    calm: bool,
) -> tuple[Picture, bool]:
    """The set view or the pattern view under a strip of countdown."""
    alarm_rows = drawing.draw_alarms(alarms, width, most_alarm_rows(height))
    shares = plan_view(height, len(alarm_rows))
    if isinstance(shown, Night):
        rows = draw_night(shown, width, shares.view, scroll)
    else:
        rows = draw_map(shown, width, shares.view, scroll)
    picture = {
        "alarms": alarm_rows[: shares.alarms],
        "strip": draw_strip(reading, width, shares.strip, calm),
        "above-action": blank(shares.above_view),
        "view": _filled(rows, shares.view),
    }
    return picture, shares.keys > 0


def scroll_range(shown: Night | PassMap) -> tuple[int, int]:
    """How far the view may be moved back and on."""
    if isinstance(shown, Night):
        return -shown.here, len(shown.lines) - shown.here
    return 0, max(0, len(shown.lines) - 1)


def _filled(rows: list[Row], height: int) -> list[Row]:
    """`rows` cut or filled up to exactly `height`."""
    return [*rows[:height], *blank(height - len(rows))]
