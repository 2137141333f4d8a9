"""Wishes: what a key, a pad, a command or another screen asks of the conductor, as one type.

What can be said, in which words, and how that travels over the link: as those very words. Whether a
wish may be done now, and why not, is decided in one place, `follow/conductor.py`, and comes to the
screens as `WhyNot`. Nothing is done here, and no room is known.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import Enum

from companion.printable import quoted

# No set has more parts than a number up to this.
MOST_PART = 9999


class Ask(Enum):
    """What is asked for. The values are the words that begin a wish."""

    NEXT = "next"
    NOW = "now"
    PART = "part"
    PREVIOUS = "previous"
    NEXT_SONG = "next song"
    PREVIOUS_SONG = "previous song"
    SONG_AGAIN = "song again"
    PROGRAMS = "send programs"
    STAY = "stay"
    UNDO = "undo"
    ARM = "arm"
    DISARM = "disarm"
    ALIGN = "align"
    NUDGE_FORWARD = "nudge forward"
    NUDGE_BACK = "nudge back"
    CONFIRM = "confirm"
    # Said for the take: the cue that is due is done; remember this moment.
    DONE = "done"
    MARK = "mark"
    # For as long as a key is held; nobody can ask for it over the link.
    FILL = "fill"
    # What starts and pauses a rehearsal; on stage the instrument's own buttons do that.
    START = "start"
    PAUSE = "pause"
    # The end of the engine; nobody can bind a pad to it.
    STOP = "stop"


NUDGES = (Ask.NUDGE_FORWARD, Ask.NUDGE_BACK)
# What a person says of the count.
OF_THE_COUNT = frozenset((Ask.ALIGN, Ask.CONFIRM, *NUDGES))


class NoWish(ValueError):
    """Words that ask for nothing: what is `wrong`, and what would be `right`."""

    def __init__(self, wrong: str, right: str) -> None:
        super().__init__(wrong, right)
        self.wrong = wrong
        self.right = right


@dataclass(frozen=True, slots=True)
class Wish:
    """One wish.

    NEXT goes to the next part at the coming boundary of a phrase, or with `unit` "pass" of a pass;
    PART to the one whose number from 1 is `part` (None stands for any that does not run); PREVIOUS
    to the one before, NEXT_SONG and PREVIOUS_SONG to the first of that song, SONG_AGAIN to the
    first of this one; NOW as soon as the instrument can change. PROGRAMS sends each instrument what
    the part wants and nobody has told it, while it plays those beside the part's own only. STAY
    holds the part past its planned end, and once more lets it end. UNDO withdraws the latest wish,
    or the change that was asked for. ALIGN says that the one of a `unit` ("bar", "pass", "phrase",
    "" for the part) is now, the nudges that the count is a `unit` ("pass", "phrase") behind or
    ahead, CONFIRM that it is right. DONE says that the cue that is due is done, MARK that this
    moment is to be remembered. ARM and DISARM turn automatic sending on and off. START and PAUSE
    are for a rehearsal. FILL holds a fill; `on` is False only where that is let go.

    `pressed` says that a key or a pad asked, where a finger may slip: one that moves a sure count
    is to be pressed twice.
    """

    ask: Ask
    unit: str = ""
    part: int | None = None
    on: bool = True
    pressed: bool = field(default=False, compare=False)

    @classmethod
    def of(cls, words: str) -> Wish:
        """The wish that `words` say. Raises NoWish: a wish with one unknown word is none at all."""
        said = " ".join(words.split()).casefold()
        found = _BY_WORDS.get(_plain(said))
        if found is not None:
            return found
        if match := re.fullmatch(r"part ?([0-9]{1,9})", said):
            number = int(match[1])
            if 1 <= number <= MOST_PART:
                return cls(Ask.PART, part=number)
            raise NoWish(f"{quoted(words)} is no part", "write `part` and its number, from 1")
        raise NoWish(f"{quoted(words)} is no wish", _right(said))

    def __str__(self) -> str:
        if self.ask in NUDGES:
            return f"{self.ask.value} a {self.unit}"
        more = self.unit if self.part is None else str(self.part)
        return f"{self.ask.value} {more}".rstrip()


# All there are, but for the numbers of parts.
WISHES = (
    Wish(Ask.NEXT),
    Wish(Ask.NEXT, "pass"),
    Wish(Ask.NOW),
    Wish(Ask.PREVIOUS),
    Wish(Ask.NEXT_SONG),
    Wish(Ask.PREVIOUS_SONG),
    Wish(Ask.SONG_AGAIN),
    Wish(Ask.PROGRAMS),
    Wish(Ask.STAY),
    Wish(Ask.UNDO),
    *(Wish(Ask.ALIGN, unit) for unit in ("", "bar", "pass", "phrase")),
    *(Wish(ask, unit) for ask in NUDGES for unit in ("pass", "phrase")),
    Wish(Ask.ARM),
    Wish(Ask.DISARM),
    Wish(Ask.CONFIRM),
    Wish(Ask.DONE),
    Wish(Ask.MARK),
    Wish(Ask.FILL),
    Wish(Ask.START),
    Wish(Ask.PAUSE),
    Wish(Ask.STOP),
)
_BY_WORDS = {str(wish): wish for wish in WISHES}
_ALSO = {"next phrase": "next", "next part": "next", "previous part": "previous"}


@dataclass(frozen=True, slots=True)
class WhyNot:
    """That a wish, here in its words, would do nothing now, and why: a kind, and a sentence.

    `kind` is `last` (there is no part after this one, or no song), `first` (none before), `no part`
    (of that number), `lost` (the clock), `out` (the change has left), `idle` (nothing runs), `open`
    (the part has no end to stay past), `nothing` (to undo), `happened` (too late to undo), `told`
    (no program is missing), `clockless`, `uncounted`, `young` (the part, for a count so far back),
    `sure` (it is already), `silent` (nothing can be sent), `undue` (no cue is), `unrecorded`,
    `playing` (it does already) or `instrument` (that is the instrument's own affair).
    """

    wish: str
    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class Later:
    """That a wish, here in its words, would miss the coming boundary: its lead is past.

    It would take effect in `ticks`.
    """

    wish: str
    ticks: int


def _plain(said: str) -> str:
    """`said` as it stands in the table: without the little words, and each word in one form."""
    if said in _ALSO:
        return _ALSO[said]
    if match := re.fullmatch(r"align (?:(?:a|the|to) )*(bar|pass|phrase)", said):
        return f"align {match[1]}"
    if match := re.fullmatch(r"nudge (forward|back)(?:s|ward|wards)? (?:(?:a|one|1) )?(\w+)", said):
        return f"nudge {match[1]} a {match[2]}"
    return said


def _right(said: str) -> str:
    """What might have been meant."""
    if said == "part":
        return "write `part` and its number, such as `part 3`"
    if match := re.fullmatch(r"nudge(?: (back)?.*)?", said):
        way = match[1] or "forward"
        return f"say by how much: `nudge {way} a pass` or `nudge {way} a phrase`"
    # A long text is like nothing here, and comparing takes time that grows with its square.
    words = [each for each in _BY_WORDS if each != Ask.STOP.value]
    near = get_close_matches(said[:200], words, n=1)
    if near:
        return f"did you mean {quoted(near[0])}?"
    plain = ", ".join(quoted(each) for each in words if " " not in each)
    return f"write {plain}, `nudge forward a pass` or `part 3`"
