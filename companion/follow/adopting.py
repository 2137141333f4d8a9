"""Another version of the set list takes the place of the one that runs. Pure.

Which part of the new one is which of the old, and what becomes of count and wishes. When that may
happen is the engine's.
"""

from __future__ import annotations

from dataclasses import replace

from companion.follow.changes import Changes
from companion.follow.conductor import Conductor
from companion.follow.timeline import Stretch
from companion.setlist.model import SetList


def counterparts(old: SetList, new: SetList) -> list[int | None]:
    """For each part of `old`, by index, the index in `new` of the part that it has become.

    A part is known by its song's title (the second of two songs with one title by being the
    second) and its place in the song. None where the new set has no such part.
    """
    found: list[int | None] = [None] * len(old.parts)
    songs: dict[tuple[str, int], range] = {}
    for title, nth, numbers in _songs(new):
        songs[title, nth] = numbers
    for title, nth, numbers in _songs(old):
        now = songs.get((title, nth), range(0))
        for before, after in zip(numbers, now, strict=False):
            found[before - 1] = after - 1
    return found


def fits(conductor: Conductor, setlist: SetList) -> bool:
    """Whether the running part of `conductor` is in the new set, too."""
    return counterparts(conductor.setlist, setlist)[conductor.part.number - 1] is not None


def adopt(conductor: Conductor, setlist: SetList) -> None:
    """Let `conductor` go on by the new set list, in the same part at the same tick.

    What a wish asked for stays asked for where the new set has it. A running part that is not in
    the new set becomes the nearest by number: only for when nothing runs, see `fits`. What has left
    for the coming boundary would be forgotten: call it when nothing has.
    """
    course = conductor._course
    timeline = course.timeline
    becomes = counterparts(conductor.setlist, setlist)
    wishes = course.wishes()
    stretches: list[Stretch] = []
    for stretch in timeline._stretches:
        index = becomes[stretch.part_index]
        if index is None:
            # Positions from before it lie in parts that are no more.
            stretches = []
            continue
        same = index == stretch.part_index
        stretches.append(stretch if same else replace(stretch, part_index=index))
    if becomes[timeline.running.part_index] is None:
        nearest = min(timeline.running.part_index, len(setlist.parts) - 1)
        stretches = [replace(timeline.running, part_index=nearest)]
    target = None if wishes.target is None else becomes[wishes.target]
    if wishes.target is not None and target is None:
        # Where it was to go is gone, and the wish with it.
        wishes = replace(wishes, asked=False, end=None)
    conductor.setlist = setlist
    timeline._setlist = setlist
    timeline._stretches = stretches
    timeline.part = setlist.parts[timeline.running.part_index]
    period_ns = course.changes.period_ns
    course.changes = Changes(setlist.instruments)
    course.changes.period_ns = period_ns
    if wishes.asked or wishes.staying:
        course.rewish(replace(wishes, target=target))
    else:
        course.unask()
    conductor.count += 1


def _songs(setlist: SetList) -> list[tuple[str, int, range]]:
    """Title, how many of that title came before, and the numbers of the parts."""
    seen: dict[str, int] = {}
    found = []
    for song in setlist.songs:
        nth = seen.get(song.title, 0)
        seen[song.title] = nth + 1
        found.append((song.title, nth, song.parts))
    return found
