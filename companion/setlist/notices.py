"""A piece of advice as a value, and numbers in it. What to advise is in the files that find it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path as FilePath

from companion.setlist.faults import Fault, printable
from companion.setlist.places import Path, Places

# A longer number says less than how long it is.
MOST_DIGITS = 12


@dataclass(frozen=True, slots=True)
class Advice:
    """One piece of advice: what is noticed, what would be better, and where in the file.

    `path` leads there, as in ("songs", 0, "parts", 1); `line` and `column` count from 1.
    """

    path: Path
    notice: str
    better: str
    line: int = 1
    column: int = 1

    @property
    def text(self) -> str:
        """The advice in one sentence, fit for a screen."""
        return printable(f"{self.notice}; {self.better}")

    def render(self, file: str | FilePath) -> str:
        """The advice as one line, `FILE:LINE:COLUMN: what it is; what would be better`."""
        return Fault(self.line, self.column, self.notice, self.better).render(file)


def placed(advice: Iterable[Advice], places: Places) -> list[Advice]:
    """The same advice, each with the line and column that its path leads to."""
    found = ((each, *places.at(each.path)) for each in advice)
    return [replace(each, line=line, column=column) for each, line, column in found]


def amount(number: int, one: str, many: str) -> str:
    """A number of things for people: `1 pass`, `12 345 passes`, or about how many if very many."""
    if number < 10**MOST_DIGITS:
        return f"{grouped(number)} {one if number == 1 else many}"
    digits = _digits(number)
    return f"about 10^{digits - 1} {many} (a number of {digits} digits)"


def on_pass(number: int) -> str:
    """When pass `number` is, for people: `on pass 12`, or after how many if those are very many."""
    if number < 10**MOST_DIGITS:
        return f"on pass {grouped(number)}"
    return f"after {amount(number, 'pass', 'passes')}"


def grouped(number: int) -> str:
    """A whole number with its digits in groups of three."""
    return f"{number:,}".replace(",", " ")


def _digits(number: int) -> int:
    # Writing a number out takes time that grows with the square of its length; two powers do not.
    digits = (number.bit_length() - 1) * 30103 // 100_000
    while 10**digits <= number:
        digits += 1
    return digits
