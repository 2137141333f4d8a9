"""Patterns whose full repeat does not divide their phrase: often meant, and good to know.

A count in them that looks like a slip is advised on by `advice`; here stand the two numbers of all.
"""

from __future__ import annotations

from dataclasses import replace
from math import lcm

from companion.counting.cycles import repeat_passes
from companion.setlist.faults import quoted
from companion.setlist.model import SetList
from companion.setlist.notices import Advice, amount
from companion.setlist.patternadvice import phrase_in_words
from companion.setlist.places import Places

# So many phrases are never played through.
_FAR = 10_000


def long_cycles(setlist: SetList, places: Places | None = None) -> list[Advice]:
    """One piece of advice for each played pattern no two phrases of which need be alike."""
    found = []
    for name, pattern in {part.pattern.name: part.pattern for part in setlist.parts}.items():
        repeat = repeat_passes(pattern)
        ticks = repeat * pattern.pass_ticks
        if pattern.phrase_ticks % ticks == 0:
            continue
        notice = (
            f"{quoted(name)} repeats after {amount(repeat, 'pass', 'passes')}, "
            f"its phrase is {phrase_in_words(pattern)}"
        )
        phrases = lcm(ticks, pattern.phrase_ticks) // pattern.phrase_ticks
        better = "phrases differ"
        if phrases < _FAR:
            better += f", and come round after {amount(phrases, 'phrase', 'phrases')}"
        advice = Advice(("patterns", name), notice, better)
        if places is not None:
            line, column = places.at(advice.path)
            advice = replace(advice, line=line, column=column)
        found.append(advice)
    return found
