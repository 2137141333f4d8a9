"""What a press asks for, and which message it is, from text such as `align bar` or `note 60`."""

from __future__ import annotations

import re

from companion.setlist.controls import Ask, Wanted
from companion.setlist.faults import BadText, listed, nearest, quoted
from companion.setlist.text import MOST, count, folded, whole

UNITS = ("bar", "pass", "phrase")
_NUDGES = {
    "forward": Ask.NUDGE_FORWARD,
    "forwards": Ask.NUDGE_FORWARD,
    "back": Ask.NUDGE_BACK,
    "backward": Ask.NUDGE_BACK,
    "backwards": Ask.NUDGE_BACK,
}
_PLAIN = {ask.value: ask for ask in Ask if ask not in (Ask.PART, Ask.NUDGE_FORWARD, Ask.NUDGE_BACK)}
_FORMS = (
    *_PLAIN,
    "next pass",
    *(f"align {unit}" for unit in UNITS),
    *(f"nudge {way} a {unit}" for way in ("forward", "back") for unit in UNITS[1:]),
)
_ALL = ", ".join(quoted(form) for form in _PLAIN)


def wish(text: str) -> Wanted:
    """The wish that `text` says. Raises BadText."""
    said = folded(text)
    if said in _PLAIN:
        return Wanted(_PLAIN[said])
    if said in ("next pass", "next phrase"):
        return Wanted(Ask.NEXT, "pass" if said == "next pass" else "")
    if match := re.fullmatch(r"align (?:(?:a|the|to) )*(bar|pass|phrase)", said):
        return Wanted(Ask.ALIGN, match[1])
    if match := re.fullmatch(r"nudge ([a-z]+) (?:(?:a|one|1) )?(pass|phrase)", said):
        ask = _NUDGES.get(match[1])
        if ask is not None:
            return Wanted(ask, match[2])
    if match := re.fullmatch(r"part ?([0-9]+)", said):
        number = count(match[1])
        if number is not None and 1 <= number <= MOST:
            return Wanted(Ask.PART, part=number)
        raise BadText(f"{quoted(text)} is no part", "write `part` and its number, from 1")
    raise BadText(f"{quoted(text)} is no wish", _right(said))


def _right(said: str) -> str:
    if said == "part":
        return "write `part` and its number, such as `part 3`"
    if match := re.fullmatch(r"nudge(?: ([a-z]+))?", said):
        way = match[1] if match[1] in _NUDGES else "forward"
        return f"say by how much: `nudge {way} a pass` or `nudge {way} a phrase`"
    near = nearest(said, _FORMS)
    if near:
        return f"did you mean {quoted(near)}?"
    return f"write {_ALL}, `nudge forward a pass` or `part 3`"


def message(text: str, kinds: tuple[str, ...]) -> dict[str, str]:
    """The key and value that `note 60`, `controller 20` or `program 5` stands for. Raises BadText.

    `kinds` are the keys there may be.
    """
    match = re.fullmatch(r"([a-z]+) ?([0-9]+)", folded(text))
    if match is None or match[1] not in kinds:
        right = f"write it like {listed(f'{kind} 60' for kind in kinds)}"
        raise BadText(f"{quoted(text)} names no message that will do here", right)
    return {match[1]: match[2]}


def controller(text: str) -> int:
    """The number of a controller that may steer. Raises BadText."""
    number = whole(text, 0, 127)
    # MIDI 1.0, from memory: 0 and 32 select a bank, 120 to 127 are orders to the whole channel.
    if number in (0, 32):
        right = "bank changes use it; take another, from 1 to 119"
        raise BadText(f"controller {number} cannot be used here", right)
    if number >= 120:
        right = "it silences or resets a whole channel; take another, from 1 to 119"
        raise BadText(f"controller {number} cannot be used here", right)
    return number
