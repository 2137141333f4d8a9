"""The standing sentences of the screen: alarms with what to do next, and the quiet facts.

Pure. What comes and when is reading's.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from companion.link.messages import Snapshot
from companion.screen.reckon import Spot


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something not in order: a head word, and a sentence that says what to do next.

    `short` is for windows with no room for `text`. `urgent` is False for what is so by choice;
    `large` has its head in large letters all the same, where there is room.
    """

    head: str
    text: str
    short: str = ""
    urgent: bool = True
    large: bool = False


@dataclass(frozen=True, slots=True)
class Fact:
    """A fact of the quiet line; rank 1 is kept longest. No `short` one: left out when cramped."""

    rank: int
    long: str
    short: str = ""


_GONE = Alarm(
    "NO ENGINE",
    "The engine does not answer, so nothing will be sent. This screen keeps trying; if it stays "
    "so, start the engine again in another window.",
    "it does not answer; this screen keeps trying",
)
_LOST = Alarm(
    "CLOCK LOST",
    "The count runs on by itself and nothing will be sent. Check the clock's cable and that the "
    "instrument still plays.",
    "check the cable; nothing will be sent",
)
# How an unsure count becomes sure, long and short: by a key of this screen, or by another's.
_PRESS = (
    "Nothing will be sent. If the count is right press c; if not, press 1 on the one.",
    "press c if the count is right; if not, 1 on the one",
)
_WATCHED = (
    "Nothing will be sent until the performer says that the count is right.",
    "nothing will be sent until the count is right",
)
# What there is instead, and the like: left out of a trouble where there is no room for it.
_BRACKETED = re.compile(r" \([^()]*\)")
_OFF = "automatic changes are off; s turns them on"


def alarms(snapshot: Snapshot, condition: str, *, look_only: bool = False) -> tuple[Alarm, ...]:
    """All that is not in order, worst first; with `look_only` no key is named."""
    if condition == "gone":
        return (_GONE,)
    found: list[Alarm] = []
    if condition == "lost":
        found.append(_LOST)
    elif doubtful(snapshot, condition):
        doubt = _sentence(snapshot.doubt or "the count may be wrong")
        said, short = _WATCHED if look_only else _PRESS
        found.append(Alarm("UNSURE", f"{doubt} {said}", short))
    found += [_trouble(trouble) for trouble in snapshot.troubles]
    if not snapshot.sending and not found and not snapshot.demo:
        off = "automatic changes are off" if look_only else _OFF
        note = _sentence(snapshot.sending_note or off)
        if "by hand" not in note:
            note += " Change by hand."
        found.append(Alarm("NOT SENDING", note, "change by hand", urgent=False))
    return tuple(found)


def doubtful(snapshot: Snapshot, condition: str) -> bool:
    """Whether a count is shown that may be wrong. With no count shown there is none to doubt."""
    return condition == "lost" or (not snapshot.sure and condition in ("running", "stopped"))


def quiet_facts(snapshot: Snapshot, at: Spot, condition: str) -> tuple[Fact, ...]:
    """The quiet line's facts in the order shown."""
    song, part = snapshot.song_number, snapshot.part
    facts = [
        Fact(8, snapshot.set_name),
        Fact(
            3,
            f"{snapshot.song} (song {song} of {snapshot.songs})" if snapshot.song else "",
            f"{snapshot.song} {song}/{snapshot.songs}" if snapshot.song else "",
        ),
        Fact(
            4,
            f"part {part} of {snapshot.parts}: {snapshot.pattern}",
            f"part {part}/{snapshot.parts}",
        ),
        Fact(7, f"pass {at.pass_number}, bar {at.bar}, beat {at.beat}", f"pass {at.pass_number}"),
        _tempo(snapshot),
        _clock(snapshot, condition),
        _both(2, "staying" if snapshot.staying else ""),
        _both(1, _sending(snapshot, condition)),
        _both(1, _trust(snapshot) if condition in ("running", "stopped", "lost") else ""),
    ]
    return tuple(fact for fact in facts if fact.long)


def _sending(snapshot: Snapshot, condition: str) -> str:
    if snapshot.sending and condition != "gone":
        return "sending once sure" if doubtful(snapshot, condition) else "sending"
    return "demonstration: nothing is sent" if snapshot.demo else "not sending"


def _trust(snapshot: Snapshot) -> str:
    return "sure" if snapshot.sure else "unsure"


def _both(rank: int, text: str) -> Fact:
    return Fact(rank, text, text)


def _tempo(snapshot: Snapshot) -> Fact:
    if snapshot.tempo <= 0:
        return _both(5, "no tempo")
    return Fact(5, f"tempo {snapshot.tempo:.1f}", f"{snapshot.tempo:.1f} bpm")


def _clock(snapshot: Snapshot, condition: str) -> Fact:
    if not snapshot.clock_port:
        return _both(6, "no clock")
    state = "lost" if condition == "lost" else f"{snapshot.jitter_ms:.1f} ms jitter"
    ticks = "tick" if snapshot.clocks_lost == 1 else "ticks"
    lost = f", {snapshot.clocks_lost} {ticks} lost" if snapshot.clocks_lost else ""
    short = "clock lost" if condition == "lost" else f"clock {snapshot.clock_port}"
    return Fact(6, f"clock {snapshot.clock_port}, {state}{lost}", short)


def _trouble(text: str) -> Alarm:
    said = _sentence(text)
    return Alarm("TROUBLE", said, _BRACKETED.sub("", said))


def _sentence(text: str) -> str:
    text = text.strip()
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."
