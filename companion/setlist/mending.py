"""Going on after broken YAML: a line's value is set aside, so that the rest is checked too."""

from __future__ import annotations

import re
from dataclasses import replace

from companion.setlist.faults import Fault
from companion.setlist.nodes import Lines, inset
from companion.setlist.tree import SET_ASIDE, Parsed, parse_tree

# Each mended line costs another parse, so this holds for as many lines, and for files so long.
MOST_LINES = 20
LONGEST_CHARACTERS = 200_000

# `key: value` or `- value`, where what breaks is the value.
_KEY = re.compile(r"( *(?:- +)*[^\s:#\[\]{}\"'&*!|>%@`,?-][^:#\[\]{}\"'\t]*: +)\S.*")
_SAYS = re.compile(r"(?<=[\r\n]) *[^\s#][^\r\n]*")
_ENTRY = re.compile(r"( *(?:- +)+)[\[{\"'*&@`%!].*")


def parse_mended(text: str) -> Parsed:
    """The tree of YAML `text`; the result's muted lines are those whose values were set aside.

    The faults of the result say what was broken on those lines.
    """
    parsed = parse_tree(text)
    faults: list[Fault] = []
    lines: set[int] = set()
    while parsed.broken is not None and len(text) <= LONGEST_CHARACTERS:
        mended = _without_value(text, parsed.broken)
        if mended is None or parsed.broken in lines or len(lines) >= MOST_LINES:
            break
        faults += [fault for fault in parsed.faults if fault.line == parsed.broken]
        lines.add(parsed.broken)
        text = mended
        parsed = parse_tree(text)
    faults += [fault for fault in parsed.faults if fault.line not in lines]
    return replace(parsed, faults=tuple(faults), muted=parsed.muted | lines)


def _without_value(text: str, line: int) -> str | None:
    """`text` without the value on `line`, or None if that value may go on below."""
    start, end = Lines(text).bounds(line)
    said = text[start:end]
    bare = re.sub(r"\"(?:[^\"\\]|\\.)*\"|'[^']*'", "", said)
    open_ended = any(bare.count(a) != bare.count(b) for a, b in ("[]", "{}"))
    if open_ended and inset(_next_line(text, end)) > inset(said):
        return None
    match = _KEY.fullmatch(said) or _ENTRY.fullmatch(said)
    if match is None:
        return None
    return text[:start] + match[1] + SET_ASIDE + text[end:]


def _next_line(text: str, end: int) -> str:
    """The next line below `end` that says something, "" if there is none."""
    match = _SAYS.search(text, end)
    return "" if match is None else match[0]
