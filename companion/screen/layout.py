"""The views, how many rows each region gets, and how large what must be read from afar is.

Pure; the drawing is elsewhere. No share depends on what there is to say: every region keeps its
place whatever appears.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

# The figures, pass and phrase, and what is left. A window with fewer rows than this is a small one.
LEAST_COUNTDOWN, LARGE_COUNTDOWN, SMALL, LOW = 5, 7, 14, 22


class View(Enum):
    """What the screen shows. The values are the words for it."""

    STAGE = "stage"
    SET = "set list"
    MAP = "pass map"


# A screen 14 inches across is 174 mm high (16:9). Of letters a fifteenth of that high, 20 minutes
# of arc are left at two metres, the least that ISO 9241-303 asks for (from memory).
_FIFTEENTH = 15
# Letters of fewer dots than this are told apart by nobody; there are two dots to a row.
_LEAST_DOTS = 5


@dataclass(frozen=True, slots=True)
class StagePlan:
    """Rows for each region, top to bottom; they add up to the height of the window.

    What is not in order lies over the last rows above the quiet ones.
    """

    countdown: int
    above_then: int
    then: int
    above_action: int
    action: int
    above_agenda: int
    agenda: int
    tracks: int
    quiet: int
    keys: int


@dataclass(frozen=True, slots=True)
class ViewPlan:
    """Rows for each region of any other view; they add up to the height of the window."""

    strip: int
    action: int
    above_view: int
    view: int
    keys: int


def letter_dots(height: int) -> int:
    """How many dots high are letters that are read at two metres; 0 where plain ones are enough."""
    rows = -(-height // _FIFTEENTH)
    return 0 if rows < 2 else max(_LEAST_DOTS, 2 * rows)


def letter_gap(dots: int) -> int:
    """Empty dots between two lines of such letters."""
    return 1 if dots < 8 else 2


def letter_rows(lines: int, dots: int) -> int:
    """Rows that so many lines take, in plain letters if `dots` is 0."""
    return -(-(lines * dots + (lines - 1) * letter_gap(dots)) // 2) if dots else lines


def name_rows(dots: int) -> int:
    """Rows of what comes next: larger than letters of so many dots, 0 for plain ones."""
    return max(3, dots - 1)


def letter_lines(rows: int, dots: int) -> int:
    """How many lines so many rows hold."""
    return (2 * rows + letter_gap(dots)) // (dots + letter_gap(dots)) if dots else rows


def plan_view(height: int) -> ViewPlan:
    """Share `height` rows: a strip of countdown and what to do next, the view has the rest."""
    keys = 1 if height >= 10 else 0
    strip = 2 if height < 20 else 4 if height < 36 else 6 if height < 52 else 8
    action = 1 if height < 20 else 2 if height < 36 else 4
    air = 0 if height < 20 else 1
    return ViewPlan(strip, action, air, max(0, height - keys - strip - action - air), keys)


def most_alarm_rows(height: int) -> int:
    """How many rows alarms may take in a window so high."""
    return 2 if height < 16 else 3 if height < 36 else 7


def plan(width: int, height: int) -> StagePlan:
    """Share `height` rows: what must be read from afar first, then the countdown.

    What comes next is larger than all but the countdown. The agenda has up to a third of what the
    fixed regions leave; the countdown has the rest, but no more than figures as wide as the window
    could use. In the smallest window pass and phrase give way.
    """
    dots, small = letter_dots(height), height < SMALL
    keys = 1 if height >= 10 else 0
    quiet = 0 if small else 1 if height < 28 else 2
    # A low window has one line of large letters, and the time of what comes next in plain ones.
    low = SMALL <= height < LOW
    action = letter_rows(1 if low and dots else 2 if height < 50 else 3, dots)
    then = name_rows(dots) + letter_rows(1, 0 if low else dots) if height >= 10 else 1
    tracks = 0 if height < 31 else 2
    air = 0 if height < 31 else 1
    rest = max(0, height - keys - quiet - action - then - tracks - 3 * air)
    agenda = max(min(rest // 3, 16), rest - max(5, width * 2 // 5))
    # Where letters are large UNSURE stands in them, under the unit.
    least = LARGE_COUNTDOWN if dots else LEAST_COUNTDOWN - small
    if rest - agenda < least:
        agenda = max(0, rest - least)
    return StagePlan(
        countdown=rest - agenda,
        above_then=air,
        then=then,
        above_action=air,
        action=action,
        above_agenda=air,
        agenda=agenda,
        tracks=tracks,
        quiet=quiet,
        keys=keys,
    )
