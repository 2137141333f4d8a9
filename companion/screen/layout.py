"""How many rows each region of the stage screen gets. Pure; the drawing is elsewhere."""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True)
class Plan:
    """Rows for each region, top to bottom; they add up to the height of the window."""

    alarms: int
    countdown: int
    above_action: int
    action: int
    above_agenda: int
    agenda: int
    tracks: int
    quiet: int
    keys: int

    def heights(self) -> dict[str, int]:
        """Rows by the name of the region."""
        return {field.name.replace("_", "-"): getattr(self, field.name) for field in fields(self)}


@dataclass(frozen=True, slots=True)
class ViewPlan:
    """Rows for each region of any other view; they add up to the height of the window."""

    alarms: int
    strip: int
    above_view: int
    view: int
    keys: int


def plan_view(height: int, alarm_rows: int) -> ViewPlan:
    """Share `height` rows: a strip of countdown that is still clear, the view has the rest."""
    alarms = min(alarm_rows, most_alarm_rows(height))
    keys = 1 if height >= 10 else 0
    strip = 2 if height < 20 else 4 if height < 36 else 6 if height < 52 else 8
    air = 0 if height < 20 else 1
    return ViewPlan(alarms, strip, air, max(0, height - alarms - keys - strip - air), keys)


def most_alarm_rows(height: int) -> int:
    """How many rows alarms may take in a window so high."""
    return 2 if height < 16 else 3 if height < 36 else 7


def plan(width: int, height: int, alarm_rows: int, *, tracks_matter: bool = False) -> Plan:
    """Share `height` rows. The countdown comes first, in small windows the action next to it.

    With `tracks_matter` even the smallest window has a row for them.

    The agenda has up to a third of what the fixed regions leave; the countdown has the rest, but
    no more than figures as wide as the window could use.
    """
    alarms = min(alarm_rows, most_alarm_rows(height))
    keys = 1 if height >= 10 else 0
    quiet = 1 if height < 28 else 2
    # Seven rows hold two lines of large letters.
    action = 2 if height < 32 else 7 if height < 52 else 9
    tracks = int(tracks_matter and height >= 12) if height < 16 else 1 if height < 28 else 2
    air = 0 if height < 20 else 1
    rest = max(0, height - alarms - keys - quiet - action - tracks - 2 * air)
    agenda = max(min(rest // 3, 16), rest - max(5, width * 2 // 5))
    if rest - agenda < 5:
        agenda = max(0, rest - 5)
    return Plan(
        alarms=alarms,
        countdown=rest - agenda,
        above_action=air,
        action=action,
        above_agenda=air,
        agenda=agenda,
        tracks=tracks,
        quiet=quiet,
        keys=keys,
    )
