"""What is wrong in a set-list file, where, and what would be right. Values only, no reading."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from companion.printable import printable, quoted

__all__ = ["BadText", "Fault", "SetListError", "listed", "nearest", "quoted"]

# Faults of one file that are told; nobody reads more, and a file that is no set list has millions.
MOST_FAULTS = 100


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One fault. `line` and `column` count from 1; `right` says what would be right."""

    line: int
    column: int
    wrong: str
    right: str

    def render(self, file: str | Path) -> str:
        """The fault as one line, `FILE:LINE:COLUMN: what is wrong; what would be right`."""
        return f"{printable(str(file))}:{self}"

    def __str__(self) -> str:
        words = f"{self.wrong}; {self.right}" if self.right else self.wrong
        return f"{self.line}:{self.column}: {printable(words)}"


class SetListError(Exception):
    """A set list that cannot be used: the file's `path` and its first `faults` by position.

    `more` is how many there are besides.
    """

    def __init__(self, path: Path, faults: Iterable[Fault], more: int = 0) -> None:
        self.path = path
        found = sorted(set(faults))
        self.faults = tuple(found[:MOST_FAULTS])
        self.more = more + len(found) - len(self.faults)
        super().__init__(path, self.faults, self.more)

    @property
    def lines(self) -> list[str]:
        """A line for each fault, and one for those that are not told."""
        found = [fault.render(self.path) for fault in self.faults]
        if self.more:
            found.append(f"{printable(str(self.path))}: and {self.more} more faults")
        return found

    def __str__(self) -> str:
        return "\n".join(self.lines)


class BadText(ValueError):
    """A piece of text that cannot be read; `offset` is where in the text, in characters."""

    def __init__(self, wrong: str, right: str, offset: int = 0) -> None:
        super().__init__(wrong, right, offset)
        self.wrong = wrong
        self.right = right
        self.offset = offset


def nearest(text: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """The known text most like `text`, capitals aside, or None if none is like it."""
    by_fold = {name.casefold(): name for name in reversed(list(known))}
    # A long text is like nothing here, and comparing takes time that grows with its square.
    found = get_close_matches(text.casefold()[:200], by_fold, n=1, cutoff=cutoff)
    return by_fold[found[0]] if found else None


def listed(names: Iterable[str], most: int = 8) -> str:
    """Names for a message: `a`, `b` or `c`; no more than `most` of them."""
    shown = [quoted(name) for name in names]
    if len(shown) > most:
        shown = [*shown[:most], "..."]
        return ", ".join(shown)
    return shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + " or " + shown[-1]
