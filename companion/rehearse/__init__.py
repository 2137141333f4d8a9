"""Rehearsing, pure: a virtual instrument that plays a set, the click, and where a rehearsal goes.

No port, clock, file or thread: whoever has those calls for each tick and sends what comes of it.
What is planned and shown is `follow`'s; this room plays what it is told, as an instrument would.
"""

from companion.rehearse.course import Course, Loop, Place
from companion.rehearse.instrument import Strike, VirtualInstrument
from companion.rehearse.keys import CLICKS, Key, Keys
from companion.rehearse.sounding import Sounding, click

__all__ = [
    "CLICKS",
    "Course",
    "Key",
    "Keys",
    "Loop",
    "Place",
    "Sounding",
    "Strike",
    "VirtualInstrument",
    "click",
]
