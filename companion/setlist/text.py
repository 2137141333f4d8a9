"""The short text forms of a set list: spans, times of cues, meters, names, play rules, presses.

Each function takes text as written and returns a value, or raises BadText. What a rule means for a
step is counting's; the words of a wish are in `companion.wishes`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from companion.counting import STEP_TICKS, Cycle, If, Meter, Rule
from companion.setlist.faults import BadText, listed, nearest, quoted
from companion.setlist.model import Span, Unit, When, WhenKind
from companion.wishes import Ask, NoWish, Wish

LONGEST_NAME = 100
LONGEST_TEXT = 500
MOST = 9999
MOST_MS = 60_000
# Steps of the longest track.
LONGEST_TRACK = 1024
DAY_MINUTES = 24 * 60
METER_UNITS = (1, 2, 4, 8, 16, 32)
MOST_BEATS = 64

_UNITS = {
    "step": Unit.STEPS,
    "beat": Unit.BEATS,
    "bar": Unit.BARS,
    "pass": Unit.PASSES,
    "phrase": Unit.PHRASES,
    "ms": Unit.MILLISECONDS,
}
_PLURALS = {
    "steps": "step",
    "beats": "beat",
    "bars": "bar",
    "passes": "pass",
    "phrases": "phrase",
    "millisecond": "ms",
    "milliseconds": "ms",
}
_TRUE, _FALSE = ("true", "yes", "on"), ("false", "no", "off")
# Characters that turn the direction of what follows them on a screen.
_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")

HOLD_UNITS = (Unit.STEPS, Unit.BEATS, Unit.BARS, Unit.PASSES, Unit.PHRASES)
PHRASE_UNITS = (Unit.STEPS, Unit.BEATS, Unit.BARS, Unit.PASSES)
LEAD_UNITS = (Unit.STEPS, Unit.BEATS, Unit.BARS, Unit.PASSES, Unit.MILLISECONDS)
EVERY_UNITS = (Unit.BARS, Unit.PASSES, Unit.PHRASES)


def folded(text: str) -> str:
    """`text` with single spaces and small letters, as names and words are compared."""
    return " ".join(text.split()).casefold()


def count(text: str) -> int | None:
    """A whole number in ASCII digits, or None if `text` is none or has more than 9 digits."""
    return int(text) if re.fullmatch(r"[0-9]{1,9}", text) else None


def whole(text: str, low: int, high: int) -> int:
    """A whole number from `low` to `high`. Raises BadText."""
    number = count(text.strip().removeprefix("+"))
    if number is None or not low <= number <= high:
        two = f"write {low} or {high}"
        right = two if high - low == 1 else f"write a whole number from {low} to {high}"
        raise BadText(f"{quoted(text)} will not do here", right)
    return number


def decimal(text: str, low: int, high: int) -> float:
    """A number from `low` to `high`, with or without decimals. Raises BadText."""
    if re.fullmatch(r"[0-9]{1,6}(\.[0-9]{0,9})?", text.strip()):
        number = float(text)
        if low <= number <= high:
            return number
    raise BadText(f"{quoted(text)} will not do here", f"write a number from {low} to {high}")


def truth(text: str) -> bool:
    """True or False from `true` or `false` (or yes, no, on, off). Raises BadText."""
    word = folded(text)
    if word in _TRUE or word in _FALSE:
        return word in _TRUE
    raise BadText(f"{quoted(text)} is neither true nor false", "write true or false")


def choice(text: str, *words: str) -> str:
    """The one of `words` that `text` is, capitals and spaces aside. Raises BadText."""
    if folded(text) in words:
        return folded(text)
    near = nearest(re.sub(r"[_-]", " ", text), words)
    right = f"did you mean {quoted(near)}?" if near else f"write {listed(words)}"
    raise BadText(f"{quoted(text)} will not do here", right)


def name(text: str) -> str:
    """The name of something in the set, as written. Raises BadText."""
    return _clean(text, "name", LONGEST_NAME)


def words(text: str) -> str:
    """Free text for a screen, on one line with single spaces. Raises BadText."""
    return _clean(" ".join(text.split()), "text", LONGEST_TEXT)


def _clean(text: str, kind: str, longest: int) -> str:
    if not text.strip():
        raise BadText(f"this {kind} is empty", "write something")
    if text != text.strip():
        raise BadText(f"this {kind} begins or ends with a space", f"write {quoted(text.strip())}")
    if len(text) > longest:
        raise BadText(f"this {kind} has {len(text)} characters", f"use at most {longest}")
    for at, character in enumerate(text):
        if unicodedata.category(character) in ("Cc", "Zl", "Zp") or character in _TURNING:
            spelled = f"U+{ord(character):04X}"
            raise BadText(f"this {kind} holds the control character {spelled}", "leave it out", at)
    return text


def span(text: str, units: tuple[Unit, ...], least: int = 1) -> Span:
    """A span such as `2 bars`, in one of `units`, its count at least `least`. Raises BadText."""
    said = folded(text)
    match = re.fullmatch(r"([0-9]+)? ?([a-z]+)?", said)
    number, word = (match[1], match[2]) if match else (None, None)
    unit = _unit(word) if word else None
    most = MOST_MS if unit is Unit.MILLISECONDS else MOST
    n = count(number) if number else None
    if n is not None and unit in units and least <= n <= most:
        return Span(n, unit)
    *allowed, last = (str(Span(2, u)).split()[1] for u in units)
    write = f"write a whole number of {' or '.join(filter(None, (', '.join(allowed), last)))}"
    if number and unit in units:
        raise BadText(f"{quoted(text)} will not do here", f"{write}, from {least} to {most}")
    if n is not None and unit is not None:
        raise BadText(f"{quoted(text)} cannot be used here", write)
    if n is not None and word:
        near = nearest(word, [u.value for u in units])
        if near:
            hint = quoted(str(Span(n, _UNITS[near])))
            raise BadText(f"{quoted(text)} is no length", f"did you mean {hint}?")
    if n is not None:
        hint = " or ".join(quoted(str(Span(n, u))) for u in units if u in EVERY_UNITS)
        raise BadText(f"{quoted(text)} does not say of what", f"write {hint}" if hint else write)
    if unit in units:
        raise BadText(f"{quoted(text)} does not say how many", f"write `1 {unit.value}`")
    raise BadText(f"{quoted(text)} is no length", f"{write}, such as `{Span(2, units[-1])}`")


def _unit(word: str) -> Unit | None:
    return _UNITS.get(_PLURALS.get(word, word))


# What may be counted inside a unit in which a cue says when.
_INSIDE = {"bar": ("beat",), "pass": ("step",), "phrase": ()}


def at(text: str) -> When:
    """When a cue with `at` is due. Raises BadText."""
    said = folded(text)
    if said == "start":
        return When(WhenKind.START)
    if said == "end":
        return When(WhenKind.END)
    if match := re.fullmatch(r"(pass|phrase|bar) ?([0-9]+)(?:,? ([a-z]+) ?([0-9]+))?", said):
        n, m = count(match[2]), count(match[4] or "1")
        if match[3] is not None and match[3] not in _INSIDE[match[1]]:
            right = f"write `bar {n} beat {m}` or `pass {n} step {m}`"
            raise BadText(f"{quoted(text)} is no time in a part", right)
        if n is not None and m is not None and 1 <= n <= MOST and 1 <= m <= MOST:
            inside = None if match[3] is None else Span(m, _UNITS[match[3]])
            return When(WhenKind.NTH, Span(n, _UNITS[match[1]]), inside=inside)
        raise BadText(f"{quoted(text)} will not do here", f"count from 1 to {MOST}")
    if match := re.fullmatch(r"last(?: ([0-9]+))? ?([a-z]+)", said):
        unit = _unit(match[2])
        n = count(match[1] or "1")
        if unit in HOLD_UNITS and n is not None and 1 <= n <= MOST:
            return When(WhenKind.LAST, Span(n, unit))
    raise BadText(f"{quoted(text)} is no time in a part", _near_time(said))


def _near_time(said: str) -> str:
    match = re.search(r"[0-9]{1,4}", said)
    n = match[0] if match else "1"
    many = "bar" if n == "1" else "bars"
    forms = ["start", "end", f"pass {n}", f"phrase {n}", f"bar {n}", f"last {n} {many}"]
    forms += [f"last {n} {'pass' if n == '1' else 'passes'}"]
    forms += [f"bar {n} beat {n}", f"pass {n} step {n}"]
    near = nearest(said, forms)
    if near:
        return f"did you mean {quoted(near)}?"
    return "write `start`, `end`, `pass 5`, `phrase 2`, `bar 9 beat 3` or `last 2 bars`"


def every(text: str) -> Span:
    """How often a cue with `every` is due. Raises BadText."""
    said = folded(text)
    unit = _unit(said)
    if unit in EVERY_UNITS and said in _UNITS:
        return Span(1, unit)
    return span(text, EVERY_UNITS)


def from_pass(text: str) -> int:
    """The pass number in `pass K`. Raises BadText."""
    match = re.fullmatch(r"pass ?([0-9]+)", folded(text))
    n = count(match[1]) if match else None
    if n is None or not 1 <= n <= MOST:
        bare = count(text.strip())
        right = f"write `pass {bare}`" if bare else "write `pass` and its number, such as `pass 5`"
        raise BadText(f"{quoted(text)} is no pass", right)
    return n


def step_numbers(key: str, length: int | None = None) -> tuple[int, ...]:
    """The steps that a key names, in the order written: `5`, `1, 5, 9`, `1-4`. Raises BadText.

    With a `length` they must be steps of a track that long.
    """
    among = "" if length is None else f", from 1 to {length}"
    right = f"write a step's number{among}, several as in `1, 5, 9`, or a run as in `1-4`"
    found: dict[int, None] = {}
    for piece in key.split(","):
        match = re.fullmatch(r"\s*([0-9]{1,9})(?:\s*-\s*([0-9]{1,9}))?\s*", piece)
        first = int(match[1]) if match else 0
        last = int(match[2] or match[1]) if match else 0
        if not 1 <= first <= last:
            raise BadText(f"{quoted(key)} is no step", right)
        if last > LONGEST_TRACK:
            # No track is so long, whatever its own length is.
            raise BadText(f"there is no step {last}", f"write 1 to {length or LONGEST_TRACK}")
        for number in range(first, last + 1):
            if number in found:
                raise BadText(f"{quoted(key)} names step {number} twice", "name it once")
            found[number] = None
    return tuple(found)


def phrases(text: str) -> int:
    """The number in `4 phrases`. Raises BadText."""
    return span(text, (Unit.PHRASES,)).count


def time_of_day(text: str) -> int:
    """Minutes since midnight of a time such as `23:30`. Raises BadText.

    A bare number counts the minutes: YAML 1.1 makes 1410 of a bare 23:30 (sexagesimal integers).
    """
    said = text.strip()
    if match := re.fullmatch(r"([0-9]{1,2}):([0-9]{2})", said):
        hours, minutes = int(match[1]), int(match[2])
        if hours * 60 + minutes <= DAY_MINUTES and minutes < 60:
            return (hours * 60 + minutes) % DAY_MINUTES
    elif (number := count(said)) is not None and 60 <= number < DAY_MINUTES:
        return number
    right = "write hours and minutes, such as `23:30`"
    match = re.fullmatch(r"([0-9]{1,2})[.h]?([0-9]{2})(?: ?h)?", said)
    if match and int(match[1]) < 24 and int(match[2]) < 60:
        right = f"write `{match[1]}:{match[2]}`"
    raise BadText(f"{quoted(text)} is no time of day", right)


def step_ticks(text: str) -> int:
    """Ticks of a step written as a note value. Raises BadText."""
    known = text.replace(" ", "").upper()
    if known in STEP_TICKS:
        return STEP_TICKS[known]
    raise BadText(f"{quoted(text)} is no step", f"write {listed(STEP_TICKS)}")


def meter(text: str) -> Meter:
    """A meter such as `7/8`. Raises BadText."""
    match = re.fullmatch(r"\s*([0-9]{1,3})\s*/\s*([0-9]{1,3})\s*", text)
    if match and 1 <= int(match[1]) <= MOST_BEATS and int(match[2]) in METER_UNITS:
        return Meter(int(match[1]), int(match[2]))
    right = f"write 1 to {MOST_BEATS}, a slash, and 1, 2, 4, 8, 16 or 32, such as 7/8"
    raise BadText(f"{quoted(text)} is no meter", right)


def rate(text: str) -> Fraction:
    """A share above 0 up to 1: `1 in 3`, `30%`, `1/3` or `0.3`. Raises BadText."""
    said = folded(text)
    value = None
    if match := re.fullmatch(r"([0-9]{1,9})(?: in | ?/ ?)([0-9]{1,9})", said):
        value = Fraction(int(match[1]), int(match[2])) if int(match[2]) else None
    elif match := re.fullmatch(r"([0-9]{1,3}(?:\.[0-9]{1,9})?) ?(%?)", said):
        value = Fraction(match[1]) / (100 if match[2] else 1)
    if value is None or not 0 < value <= 1:
        raise BadText(
            f"{quoted(text)} is no share of the passes", "write it like `1 in 3` or `30%`"
        )
    return value


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
    for term, offset in pieces:
        if term.count(",") >= MOST_TERMS and _PASSES_SO_FAR.match(term):
            wrong = f"this term names {term.count(',') + 1} passes"
            raise BadText(
                wrong, f"name at most {MOST_TERMS}, or those on which it is silent", offset
            )
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


# `pass` and numbers, and no `of` yet; and what goes on with them after a comma.
_PASSES_SO_FAR = re.compile(r"(?:not )?pass ?[0-9]+(?:, [0-9]+)*", re.IGNORECASE)
_MORE_PASSES = re.compile(r"[0-9]+(?: of [0-9]+)?", re.IGNORECASE)


def _pieces(text: str, tracks: Sequence[str]) -> list[tuple[str, int]]:
    """The terms of `text`, each with its offset.

    A comma in a track's name ends no term, nor does one before a number that belongs to `pass`.
    """
    pieces: list[tuple[str, int]] = []
    offset = 0
    for piece in text.split(","):
        at = offset + len(piece) - len(piece.lstrip())
        term = " ".join(piece.split())
        before = pieces[-1][0] if pieces else ""
        more = _PASSES_SO_FAR.fullmatch(before) and _MORE_PASSES.fullmatch(term)
        if pieces and (more or _names_track(f"{before}, {term}", tracks)):
            pieces[-1] = (f"{before}, {term}", pieces[-1][1])
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
    if match := re.fullmatch(r"(not )?pass ?([0-9]+(?:, [0-9]+)*) of ([0-9]+)", said):
        terms.cycles.append(_cycle(term, match[2].split(", "), match[3], bool(match[1])))
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
            _right_term(said, tracks if suggest else None),
        )


def _cycle(term: str, passes: Sequence[str], n: str, negated: bool) -> Cycle:
    length = count(n)
    if length is None or not 1 <= length <= LONGEST_CYCLE:
        right = f"a rule can count to {LONGEST_CYCLE} passes, from 1"
        raise BadText(f"{quoted(term)} cannot be counted", right)
    named: list[int] = []
    for each in passes:
        number = count(each)
        if number is None or not 1 <= number <= length:
            which = "the first number is" if len(passes) == 1 else "the numbers before `of` are"
            raise BadText(
                f"{quoted(term)} names a pass that never comes", f"{which} from 1 to {length}"
            )
        if number in named:
            raise BadText(f"{quoted(term)} names pass {number} twice", "name it once")
        named.append(number)
    return Cycle(named[0], length, negated, tuple(named[1:]))


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


def _right_term(said: str, tracks: Sequence[str] | None) -> str:
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
    r"\b(?:(?:not )?pass ?[0-9]{1,3}(?:, [0-9]{1,3})* of [0-9]{1,3}"
    r"|chance ?[0-9]{1,6} in [0-9]{1,6}"
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


def wish(text: str) -> Wish:
    """The wish that `text` says. Raises BadText, also for the end of the engine."""
    try:
        found = Wish.of(text)
    except NoWish as error:
        raise BadText(error.wrong, error.right) from error
    if found.ask is Ask.STOP:
        raise BadText(f"{quoted(text)} is no wish", "`companion stop` ends the engine")
    return found


def message(text: str, kinds: tuple[str, ...]) -> dict[str, str]:
    """The key and value that `note 60`, `controller 20` or `program 5` stands for. Raises BadText.

    `kinds` are the keys there may be.
    """
    match = re.fullmatch(r"([a-z]+) ?([0-9]+)", folded(text))
    if match is None or match[1] not in kinds:
        right = f"write it like {listed(f'{kind} 60' for kind in kinds)}"
        raise BadText(f"{quoted(text)} names no message that will do here", right)
    return {match[1]: match[2]}


def program(text: str) -> int:
    """The number of a program, as a display counts them. Raises BadText.

    Which numbers an instrument has is known where the instrument is.
    """
    if re.fullmatch(r"[0-9]{1,4}", text.strip()):
        return int(text)
    raise BadText(
        f"{quoted(text)} is no program number",
        "write its number, such as 5; where the display shows letters, choose the pattern on the "
        "instrument while `companion play` runs, and the screen says its number",
    )


def controller(text: str) -> int:
    """The number of a controller that may steer. Raises BadText."""
    number = whole(text, 0, 127)
    # MIDI 1.0 Detailed Specification 4.2.1, Control Change and Channel Mode Messages, from memory:
    # 0 and 32 select a bank, 120 to 127 are orders to the whole channel.
    if number in (0, 32):
        right = "bank changes use it; take another, from 1 to 119"
        raise BadText(f"controller {number} cannot be used here", right)
    if number >= 120:
        right = "it silences or resets a whole channel; take another, from 1 to 119"
        raise BadText(f"controller {number} cannot be used here", right)
    return number
