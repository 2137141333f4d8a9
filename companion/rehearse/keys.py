"""Which note each track sounds on: the one it names, or one of the General MIDI drum map.

General MIDI System Level 1 (MIDI Manufacturers Association, 1991; from memory): drums on channel
10, notes 35 to 81. What a track is to sound like is guessed from its name, which is the
performer's own; one that says nothing gets a drum that no other track of the set has.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from companion.setlist import Layer, NoteKey, Part, SetList

# Channel 10 as on the wire.
DRUMS = 9


class Key(NamedTuple):
    """What a note sounds on: channel (0-15) and note number (0-127)."""

    channel: int
    note: int


CLICK_ONE, CLICK_BEAT = Key(DRUMS, 76), Key(DRUMS, 77)
CLICKS = frozenset((CLICK_ONE, CLICK_BEAT))

# Words of a name and the notes that fit, the best first; the first line that fits a name counts.
_BY_WORDS: tuple[tuple[str, tuple[int, ...]], ...] = (
    (r"kick|bass|low drum|deep|sub|boom", (36, 35)),
    (r"rim|stick|side|click", (37,)),
    (r"clap|snap", (39,)),
    (r"snare|mid drum|middle drum", (38, 40)),
    (r"open", (46,)),
    (r"pedal|foot", (44,)),
    (r"hat|hiss|tick", (42, 44, 46)),
    (r"tom|high drum|drum", (45, 47, 48, 50, 43, 41)),
    (r"ride", (51, 59)),
    (r"crash|cymbal|splash|swell|wash", (49, 57, 55, 52)),
    (r"shak|maraca|sand", (70, 69)),
    (r"tamb|jingle", (54,)),
    (r"cow|bell", (56, 53)),
    (r"triangle|ting", (81, 80)),
    (r"block|wood|knock", (75,)),
    (r"conga|bongo|hand", (63, 64, 62, 61, 60)),
    (r"scrap|guiro", (73, 74)),
    (r"whistle", (71, 72)),
)
# For a name that says nothing: short sounds first, none that lasts.
_REST = (75, 67, 68, 63, 64, 61, 60, 65, 66, 69, 54, 56, 53, 37, 39, 45, 47, 48, 50, 43, 41, 70, 42)
_ALL = tuple(note for note in range(35, 82) if note not in (CLICK_ONE.note, CLICK_BEAT.note))


class Keys:
    """The keys of one set, by what plays and by track."""

    def __init__(self, setlist: SetList) -> None:
        self._setlist = setlist
        written = {n.number for n in setlist.notes.values() if n.channel in (None, DRUMS)}
        self._guessed = _guess(setlist, written)

    def of(self, what: Part | Layer) -> dict[str, Key]:
        """The key of each track of a part or a layer, by the track's name."""
        notes = self._setlist.notes_of(what)
        return {each.name: self._key(each.name, notes) for each in what.pattern.tracks}

    @property
    def all(self) -> frozenset[Key]:
        """Every key on which a track of the set may sound."""
        found: set[Key] = set()
        for what in self._setlist.all_that_plays():
            found.update(self.of(what).values())
        return frozenset(found)

    def _key(self, track: str, notes: dict[str, NoteKey]) -> Key:
        note = notes.get(track)
        if note is None:
            return Key(DRUMS, self._guessed[track])
        return Key(DRUMS if note.channel is None else note.channel, note.number)


def _guess(setlist: SetList, taken: set[int]) -> dict[str, int]:
    """A note of the drum map for each name of a track that nowhere is without one of its own."""
    found: dict[str, int] = {}
    used = set(taken)
    for what in setlist.all_that_plays():
        for track in what.pattern.tracks:
            if track.name in found or (what.pattern.name, track.name) in setlist.notes:
                continue
            note = _fitting(track.name, used)
            used.add(note)
            found[track.name] = note
    return found


def _fitting(name: str, used: set[int]) -> int:
    words = name.casefold()
    fitting = next((notes for pattern, notes in _BY_WORDS if re.search(pattern, words)), ())
    for note in (*fitting, *_REST, *_ALL):
        if note not in used:
            return note
    # More names than drums: some share one.
    return (fitting or _ALL)[0]
