"""The short text forms of a set list: spans, times of cues, meters, numbers, names.

Each function takes text as written and returns a value, or raises BadText. Play rules have a file
of their own (`ruletext`).
"""

from __future__ import annotations

import re
import unicodedata
from fractions import Fraction

from companion.counting.ticks import STEP_TICKS, Meter
from companion.setlist.faults import BadText, listed, nearest, quoted
from companion.setlist.model import Span, Unit, When, WhenKind

LONGEST_NAME = 100
LONGEST_TEXT = 500
MOST = 9999
MOST_MS = 60_000
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
    write = f"write a whole number of {', '.join(allowed)} or {last}"
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


def at(text: str) -> When:
    """When a cue with `at` is due. Raises BadText."""
    said = folded(text)
    if said == "start":
        return When(WhenKind.START)
    if said == "end":
        return When(WhenKind.END)
    if match := re.fullmatch(r"(pass|phrase|bar) ?([0-9]+)", said):
        n = count(match[2])
        if n is not None and 1 <= n <= MOST:
            return When(WhenKind.NTH, Span(n, _UNITS[match[1]]))
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
    near = nearest(said, forms)
    if near:
        return f"did you mean {quoted(near)}?"
    return "write `start`, `end`, `pass 5`, `phrase 2`, `bar 9` or `last 2 bars`"


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
