"""Patterns whose full repeat does not divide their phrase: often meant, and good to know.

A count in them that looks like a slip is advised on by `advice`; here stand the numbers of all.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import lcm

from companion.counting.cycles import repeat_passes
from companion.setlist.faults import printable, quoted
from companion.setlist.model import SetList
from companion.setlist.notices import Advice, amount, grouped
from companion.setlist.patternadvice import phrase_in_words

# So many phrases are never played through.
_FAR = 10_000
# As wide as the lines of a set list may well be.
_WIDTH = 100


@dataclass(frozen=True, slots=True)
class LongCycle:
    """A pattern no two phrases of which need be alike.

    It repeats after `repeat` passes and its phrase, here in words, comes round after `phrases`.
    """

    pattern: str
    repeat: int
    phrase: str
    phrases: int

    def advice(self) -> Advice:
        """It as a piece of advice of its own, its position not yet known."""
        notice = (
            f"{quoted(self.pattern)} repeats after {amount(self.repeat, 'pass', 'passes')}, "
            f"its phrase is {self.phrase}"
        )
        better = "phrases differ"
        if self.phrases < _FAR:
            better += f", and come round after {amount(self.phrases, 'phrase', 'phrases')}"
        return Advice(("patterns", self.pattern), notice, better)

    def numbers(self, short: bool) -> str:
        """Its name, passes and phrases; `short` leaves out what they count, if there are both."""
        name, passes = quoted(self.pattern), amount(self.repeat, "pass", "passes")
        if self.phrases >= _FAR:
            return f"{name} {passes}"
        if short:
            return f"{name} {grouped(self.repeat)} and {grouped(self.phrases)}"
        return f"{name} {passes} and {amount(self.phrases, 'phrase', 'phrases')}"


def find_long_cycles(setlist: SetList) -> list[LongCycle]:
    """One for each such pattern that is played, in the order in which they are."""
    found = []
    for name, pattern in {part.pattern.name: part.pattern for part in setlist.parts}.items():
        repeat = repeat_passes(pattern)
        ticks = repeat * pattern.pass_ticks
        if pattern.phrase_ticks % ticks:
            phrases = lcm(ticks, pattern.phrase_ticks) // pattern.phrase_ticks
            found.append(LongCycle(name, repeat, phrase_in_words(pattern), phrases))
    return found


def folded(cycles: Iterable[LongCycle]) -> list[str]:
    """All of them in few lines: those with phrases alike together, what is counted said once."""
    alike: dict[str, list[LongCycle]] = {}
    for cycle in cycles:
        alike.setdefault(cycle.phrase, []).append(cycle)
    lines = []
    for phrase, several in alike.items():
        # Those without a number of phrases stand last, where what they count is said anyhow.
        several.sort(key=lambda cycle: cycle.phrases >= _FAR)
        line = f"phrase of {phrase}: {several[0].numbers(short=False)}"
        for cycle in several[1:]:
            item = cycle.numbers(short=True)
            if len(line) + len(item) + 3 > _WIDTH:
                lines.append(printable(f"{line},"))
                line = f"  {item}"
            else:
                line += f", {item}"
        lines.append(printable(line))
    return lines
