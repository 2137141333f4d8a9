"""Matching port names with the globs of the set list and the command line. No driver needed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from fnmatch import fnmatchcase

# ALSA appends its client and port numbers, and bridges to JACK put the client's in brackets; these
# change when a cable is plugged in again.
_NUMBERS = re.compile(r"\s+\d+:\d+$|\s*\[\d+\]")
# Bridges from ALSA to JACK stand before the device, and JACK numbers clients of one name.
_BRIDGES = ("a2j", "midi-bridge")
_TWIN = re.compile(r"(-\d+|\s*\((capture|playback)\))$")
# Windows puts the place in its list after a name.
_PLACE = re.compile(r" \d+$")
# What tells the second of two ports of one name; see `told_apart`.
_SECOND = re.compile(r" #\d+$")
# Spaces that do not stand alone between words.
_BLANKS = re.compile(r"^ +| +$| {2,}")


def told_apart(names: Sequence[str]) -> list[str]:
    """The names of all ports, each once: of those that are alike the second is `NAME #2`.

    Some systems list two instruments of one make under one name.
    """
    told: list[str] = []
    for name in names:
        number, one = 1, name
        while one in told:
            number += 1
            one = f"{name} #{number}"
        told.append(one)
    return told


def plain_name(name: str) -> str:
    """A port's name without the numbers that the system may give anew at any time."""
    return _NUMBERS.sub("", name)


def matches(glob: str, name: str) -> bool:
    """Whether a port's name matches `glob`, case aside; a plain word matches anywhere in it."""
    pattern = glob.lower()
    if not any(mark in pattern for mark in "*?["):
        pattern = f"*{pattern}*"
    plain = plain_name(name)
    candidates = (name.lower(), plain.lower(), _SECOND.sub("", plain).lower())
    return any(fnmatchcase(candidate, pattern) for candidate in candidates)


def lasting_glob(name: str, numbered: bool = False) -> str:
    """A glob for the port `name` that still matches it when the system numbers its ports anew.

    It matches no other port that is there beside, unless that one differs in such numbers only.
    `numbered` is for a system that puts a number after every name.
    """
    plain = plain_name(name)
    if numbered:
        return _literal(_PLACE.sub("", plain)) + " *"
    client, colon, port = plain.partition(":")
    # A star somewhere keeps the glob from matching in the middle of longer names.
    return (
        f"{_literal(_TWIN.sub('', client))}*:{_literal(port)}" if colon else f"*{_literal(plain)}"
    )


def _literal(text: str) -> str:
    """A glob for `text` itself; what would not come back from a file as it is is left open."""
    text = "".join(c if c.isprintable() and c != "\ufffd" else "?" for c in text)
    text = _BLANKS.sub(lambda blanks: "?" * len(blanks[0]), text)
    return re.sub(r"[*\[]", r"[\g<0>]", text)


def choose_output(
    names: Sequence[str], glob: str | None, override: str | None, beside: str | None
) -> str | None:
    """The one port that an instrument's messages go to, None if there is none.

    `glob` is the set list's, `override` the command line's and the stronger of the two, `beside`
    the input port whose clock is followed: where nothing else decides, the output of the same
    device. Never more than one, or a message would be sent twice.
    """
    allowed = [n for n in names if override is None or matches(override, n)]
    named = [n for n in allowed if glob is not None and matches(glob, n)]
    if not named and (glob is None or override is not None):
        named = allowed
    if not named:
        return None
    if beside is not None:
        for name in named:
            if device(name) == device(beside):
                return name
    return named[0]


def device(name: str) -> str:
    """The name of the device that a port belongs to, in small letters."""
    first, _, rest = plain_name(name).lower().partition(":")
    if first in _BRIDGES:
        first = rest.partition(":")[0]
    return _TWIN.sub("", first)
