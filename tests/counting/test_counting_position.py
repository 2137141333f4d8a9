"""Where a tick lies, against somebody who counts along, tick by tick."""

from __future__ import annotations

from itertools import product

import pytest

from companion.counting import Meter, Pattern, position


@pytest.mark.parametrize(
    ("length", "meter", "phrase_ticks"),
    # A phrase of two bars, one of passes that are no whole bars, one that no pass or bar fits.
    [(16, Meter(), 192), (14, Meter(3, 4), 252), (12, Meter(7, 8), 250)],
)
def test_each_tick_lies_where_counting_along_puts_it(
    length: int, meter: Meter, phrase_ticks: int
) -> None:
    pattern = Pattern("tide", length=length, meter=meter, phrase_ticks=phrase_ticks)
    beat_ticks = 96 // meter.unit
    passes, phrases, bars, first = 1, 1, 1, 1
    in_pass = in_phrase = in_bar = 0
    for tick in range(1200):
        for carried_passes, carried_phrases in product((0, 5), (0, 2)):
            found = position(pattern, tick, carried_passes, carried_phrases)
            assert found.pass_number == passes + carried_passes
            assert found.step == in_pass // 6 + 1
            assert (found.bar, found.beat) == (bars, in_bar // beat_ticks + 1)
            assert found.phrase == phrases + carried_phrases
            assert found.phrase_pass == passes - first + 1
            assert found.phrase_ticks_left == phrase_ticks - in_phrase
        in_pass, in_phrase, in_bar = in_pass + 1, in_phrase + 1, in_bar + 1
        if in_pass == length * 6:
            in_pass, passes = 0, passes + 1
        if in_bar == meter.beats * beat_ticks:
            in_bar, bars = 0, bars + 1
        if in_phrase == phrase_ticks:
            # A pass that goes on over the boundary is the first of the phrase.
            in_phrase, phrases, first = 0, phrases + 1, passes
