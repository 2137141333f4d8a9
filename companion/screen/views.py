"""The views of the screen, by name. What they show and how is elsewhere."""

from __future__ import annotations

from enum import Enum


class View(Enum):
    """What the screen shows. The values are the words for it."""

    STAGE = "stage"
    SET = "set list"
    MAP = "pass map"
