"""What of the count can be trusted, and in plain words why not. No counting here."""

from __future__ import annotations

from enum import Enum

JOINED = "joined in the middle: no start was heard"
CLOCK_LOST = "the clock is lost"
CLOCK_WAS_LOST = "the clock was lost and came back"
CLOCK_ODD = "a clock tick may be missing or doubled"
CLOCK_BROKE = "the clock broke off, and the count may be off"
MOVED = "the instrument moved its position while playing"
ELSEWHERE = "the instrument jumped to another part"
NOWHERE = "the instrument moved its position, and its own start is not known"
STOPPED_BEFORE_CHANGE = "the instrument stopped between a program change and its boundary"
WHICH_PART = "the instrument may play another part"
SLEPT = "the computer slept, and the count may be off"
OTHER_PORT = "the clock comes from another port than before"

# Doubts that the clock itself may clear within a beat: what falls due meanwhile waits a little.
PASSING = (CLOCK_ODD, CLOCK_WAS_LOST)
_OF_THE_CLOCK = (*PASSING, CLOCK_LOST, CLOCK_BROKE)


class Beat(Enum):
    """Whether each tick is in its place within the beat, whatever the bar and the part are."""

    KNOWN = "known"
    ASKED = "being inquired into"
    LOST = "lost"


class Trust:
    """Whether the count is sure; `doubt` says why not, "" if it is.

    `part_known` says whether the instrument certainly plays the part that is counted, and
    `song_known` whether a song position of the instrument can be told in ticks of that part.
    """

    __slots__ = ("beat", "doubt", "part_known", "song_known", "sure")

    def __init__(self) -> None:
        self.song_known = True
        self.clear()

    @property
    def passing(self) -> bool:
        """Whether the doubt is one that the clock itself may clear."""
        return self.doubt in PASSING

    def clear(self) -> None:
        """The count is right."""
        self.sure, self.doubt, self.part_known = True, "", True
        self.beat = Beat.KNOWN

    def lose(self, why: str) -> None:
        """The count may be wrong."""
        self.sure, self.doubt = False, why

    def lose_for_good(self) -> None:
        """What the clock is doing will not become clear any more."""
        self.beat = Beat.LOST
        if self.doubt in _OF_THE_CLOCK:
            self.doubt = CLOCK_BROKE
            self.song_known = False

    def clock_in_question(self) -> None:
        """The clock is being inquired into."""
        if self.beat is Beat.KNOWN:
            self.beat = Beat.ASKED

    def clock_answered(self) -> None:
        """The clock has turned out to be in order, or was put in order."""
        if self.beat is Beat.ASKED:
            self.beat = Beat.KNOWN
        if self.passing:
            self.clear()
