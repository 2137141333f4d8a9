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


def most_alarm_rows(height: int) -> int:
    """How many rows alarms may take in a window so high."""
    return 2 if height < 16 else 3 if height < 40 else 5


def plan(height: int, alarm_rows: int) -> Plan:
    """Share `height` rows. In small windows the countdown and the action win."""
    alarms = min(alarm_rows, most_alarm_rows(height))
    small = height < 16
    keys = 1 if height >= 10 else 0
    quiet = 1 if height < 30 else 2
    action = 2 if height < 40 else 3
    tracks = 0 if small else 1 if height < 30 else 2
    air = 0 if height < 20 else 1
    rest = max(0, height - alarms - keys - quiet - action - tracks - 2 * air)
    countdown = max(min(rest, 4), rest * (70 if small else 62) // 100)
    return Plan(
        alarms=alarms,
        countdown=countdown,
        above_action=air,
        action=action,
        above_agenda=air,
        agenda=rest - countdown,
        tracks=tracks,
        quiet=quiet,
        keys=keys,
    )
