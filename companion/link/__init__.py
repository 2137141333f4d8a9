"""What engine and screens say to each other, and how it gets there: JSON lines over loopback.

It knows no music. What is said is in `messages`, frozen values that the engine fills in and screens
draw. An engine holds an `EngineLock` (`endpoint`) and runs a `Server`; a screen runs a `Client`,
and a command that only asks uses `ask`, which needs no event loop. `folders` is where both find
what they keep, and where to turn while nothing can be written there. Whatever goes wrong is a
`LinkError`. What opens sockets is imported from its own file.
"""

from companion.link.messages import (
    BadMessage,
    Coming,
    LinkError,
    MapRow,
    PatternMap,
    PlanPart,
    PlanSong,
    SetPlan,
    Snapshot,
    TrackView,
    Trouble,
    level,
)

__all__ = [
    "BadMessage",
    "Coming",
    "LinkError",
    "MapRow",
    "PatternMap",
    "PlanPart",
    "PlanSong",
    "SetPlan",
    "Snapshot",
    "TrackView",
    "Trouble",
    "level",
]
