"""Play rules from text. What a rule means for a step is counting's."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from companion.counting.rules import Cycle, If, Rule
from companion.setlist.faults import BadText, listed, nearest, quoted
from companion.setlist.text import count, folded

LONGEST_CYCLE = 128
# A rule is a handful of terms; thousands would only slow every count down.
MOST_TERMS = 32

_IF = re.compile(r"if (.+) (played|silent)", re.IGNORECASE)


class UnknownTrack(BadText):
    """A rule names a track that is not among those known."""


@dataclass(slots=True)
class _Terms:
    cycles: list[Cycle] = field(default_factory=list)
    chances: list[Fraction] = field(default_factory=list)
    first: set[bool] = field(default_factory=set)
    fill: set[bool] = field(default_factory=set)
    conditions: list[If] = field(default_factory=list)


def parse_rule(text: str, tracks: Sequence[str] = (), suggest: bool = True) -> Rule:
    """The rule that `text` says; `if` terms may name any of `tracks`. Raises BadText.

    Without `suggest` no time is spent on what a faulty term was probably meant to be.
    """
    terms = _Terms()
    pieces = _pieces(text, tracks)
    if len(pieces) > MOST_TERMS:
        raise BadText(f"this rule has {len(pieces)} terms", f"use at most {MOST_TERMS}")
    if comma := re.search(r"([0-9]+),([0-9]+) ?%", text):
        right = f"write it with a point: `{comma[1][:9]}.{comma[2][:9]}%`"
        raise BadText(f"{quoted(comma[0])} reads as two terms", right, comma.start())
    for term, offset in pieces:
        try:
            _read(term, terms, tracks, suggest)
        except BadText as bad:
            raise type(bad)(bad.wrong, bad.right, offset) from None
    impossible = (
        len(terms.first) > 1
        or len(terms.fill) > 1
        or any(If(c.track, not c.played) in terms.conditions for c in terms.conditions)
    )
    return Rule(
        cycles=tuple(dict.fromkeys(terms.cycles)),
        chances=tuple(terms.chances),
        first=terms.first.pop() if len(terms.first) == 1 else None,
        fill=terms.fill.pop() if len(terms.fill) == 1 else None,
        conditions=tuple(dict.fromkeys(terms.conditions)),
        impossible=impossible,
    )


def _pieces(text: str, tracks: Sequence[str]) -> list[tuple[str, int]]:
    """The terms of `text`, each with its offset. A comma in a track's name ends no term."""
    pieces: list[tuple[str, int]] = []
    offset = 0
    for piece in text.split(","):
        at = offset + len(piece) - len(piece.lstrip())
        term = " ".join(piece.split())
        if pieces and _names_track(f"{pieces[-1][0]}, {term}", tracks):
            pieces[-1] = (f"{pieces[-1][0]}, {term}", pieces[-1][1])
        else:
            pieces.append((term, at))
        offset += len(piece) + 1
    return pieces


def _names_track(term: str, tracks: Sequence[str]) -> bool:
    match = _IF.fullmatch(term)
    return match is not None and folded(match[1]) in {folded(track) for track in tracks}


def _read(term: str, terms: _Terms, tracks: Sequence[str], suggest: bool) -> None:
    said = term.casefold()
    if said == "always":
        return
    if match := re.fullmatch(r"(not )?pass ?([0-9]+) of ([0-9]+)", said):
        terms.cycles.append(_cycle(term, match[2], match[3], bool(match[1])))
    elif match := re.fullmatch(r"chance ?([0-9]+(?:\.[0-9]+)?) ?%", said):
        terms.chances.append(_percent(term, match[1]))
    elif match := re.fullmatch(r"chance ?([0-9]+) in ([0-9]+)", said):
        terms.chances.append(_odds(term, match[1], match[2]))
    elif said in ("first pass", "after first pass"):
        terms.first.add(said == "first pass")
    elif said in ("fill", "no fill"):
        terms.fill.add(said == "fill")
    elif match := _IF.fullmatch(term):
        terms.conditions.append(
            If(_track(match[1], tracks, suggest), match[2].casefold() == "played")
        )
    else:
        raise BadText(
            f"{quoted(term)} is no play rule" if term else "a term of this rule is empty",
            _right(said, tracks if suggest else None),
        )


def _cycle(term: str, k: str, n: str, negated: bool) -> Cycle:
    first, length = count(k), count(n)
    if length is None or not 1 <= length <= LONGEST_CYCLE:
        right = f"a rule can count to {LONGEST_CYCLE} passes, from 1"
        raise BadText(f"{quoted(term)} cannot be counted", right)
    if first is None or not 1 <= first <= length:
        raise BadText(
            f"{quoted(term)} names a pass that never comes",
            f"the first number is from 1 to {length}",
        )
    return Cycle(first, length, negated)


def _percent(term: str, number: str) -> Fraction:
    if len(number) > 12 or Fraction(number) > 100:
        raise BadText(f"{quoted(term)} is no chance", "write 0% to 100%")
    return Fraction(number) / 100


def _odds(term: str, hits: str, of: str) -> Fraction:
    a, b = count(hits), count(of)
    if a is None or b is None or b == 0 or a > b:
        raise BadText(f"{quoted(term)} is no chance", "write it like `chance 1 in 3`")
    return Fraction(a, b)


def _track(written: str, tracks: Sequence[str], suggest: bool) -> str | None:
    if written.casefold() == "last":
        return None
    if written in tracks:
        return written
    for track in tracks:
        if folded(track) == folded(written):
            return track
    near = nearest(written, tracks) if suggest else None
    if near:
        right = f"did you mean {quoted(near)}?"
    elif tracks:
        right = f"write `last` or {listed(tracks)}"
    else:
        right = "write `last`"
    raise UnknownTrack(f"no track of this pattern is called {quoted(written)}", right)


def _right(said: str, tracks: Sequence[str] | None) -> str:
    """What the writer of a term that cannot be read probably meant."""
    if not said:
        return "write a term on each side of a comma, or `always`"
    if joined := _joined(said):
        return f"put commas between the terms: {quoted(joined)}"
    for shape, form in _CODES:
        if (match := re.fullmatch(shape, said)) and _readable(match.expand(form)):
            return f"write {quoted(match.expand(form))}"
    if tracks is not None:
        near = nearest(said, [*filter(_readable, _like(said)), *_conditions(tracks)])
        if near:
            return f"did you mean {quoted(near)}?"
    return "write `always`, `pass 1 of 4`, `chance 50%`, `first pass`, `fill` or `if last played`"


def _joined(said: str) -> str:
    """Terms that stand without commas between them with commas, "" if they are not several."""
    terms = [match[0] for match in _TERM.finditer(said)]
    between = _TERM.sub(" ", said).split()
    if not 1 < len(terms) <= MOST_TERMS or set(between) - {"and"}:
        return ""
    return ", ".join(terms) if all(map(_readable, terms)) else ""


_TERM = re.compile(
    r"\b(?:(?:not )?pass ?[0-9]{1,3} of [0-9]{1,3}|chance ?[0-9]{1,6} in [0-9]{1,6}"
    r"|chance ?[0-9]{1,3}(?:\.[0-9]{1,6})? ?%|(?:after )?first pass|(?:no )?fill"
    r"|if last (?:played|silent))(?!\w)"
)
# What people write for a term, and the term.
_CODES = (
    (r"([0-9]{1,3}) ?[:/] ?([0-9]{1,3})", r"pass \1 of \2"),
    (r"([0-9]{1,3}) of ([0-9]{1,3})", r"pass \1 of \2"),
    (r"not ([0-9]{1,3}) ?(?:[:/]|of) ?([0-9]{1,3})", r"not pass \1 of \2"),
    (r"pass ([0-9]{1,3}) ?[:/] ?([0-9]{1,3})", r"pass \1 of \2"),
    (r"every ([0-9]{1,3})(?:st|nd|rd|th)?(?: pass| passes)?", r"pass \1 of \1"),
    (r"([0-9]{1,3})(?:st|nd|rd|th) pass", r"pass \1 of \1"),
    (r"(?:chance )?([0-9]{1,3}(?:\.[0-9]{1,6})?)(?: ?%| percent)?", r"chance \1%"),
    (r"([0-9]{1,6}) in ([0-9]{1,6})", r"chance \1 in \2"),
    (r"pass ([0-9]{1,3})", r"pass \1 of 4"),
    (r"pass ([0-9]{1,3})", r"pass \1 of 16"),
    (r"first", "first pass"),
    (r"not first(?: pass)?", "after first pass"),
    (r"not fill", "no fill"),
)


def _readable(term: str) -> bool:
    """Whether a term may be suggested: `pass 5 of 4` would only earn the next fault."""
    try:
        _read(term, _Terms(), (), suggest=False)
    except BadText:
        return False
    return True


def _like(said: str) -> list[str]:
    """Terms with the numbers of `said` in them, to compare it with."""
    numbers = re.findall(r"[0-9]{1,3}", said)
    a, b = ([*numbers, "4"] if numbers else ["1", "4"])[:2]
    forms = ["always", "first pass", "after first pass", "fill", "no fill"]
    forms += ["if last played", "if last silent"]
    forms += [f"pass {a} of {b}", f"not pass {a} of {b}", f"chance {a}%", f"chance {a} in {b}"]
    return forms


def _conditions(tracks: Sequence[str]) -> list[str]:
    return [f"if {track} {did}" for track in tracks[:50] for did in ("played", "silent")]
