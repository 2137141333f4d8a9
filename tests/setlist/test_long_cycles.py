"""Patterns that repeat in another number than their phrase: both numbers are told."""

from __future__ import annotations

import pytest

from companion.setlist.advice import LongCycle, find_long_cycles, in_few_lines
from companion.setlist.reading import read_text

TEXT = """\
set: Tidewater
patterns:
  slack water:
    phrase: {phrase}
    tracks:
      bell: {{steps: {{1: {rules}}}}}
songs:
  - song: Slack water
    parts: [{{pattern: slack water}}]
"""


def told(phrase: str, *rules: str) -> list[str]:
    steps = ", ".join(f"{n}: {rule}" for n, rule in enumerate(rules, start=1))
    text = TEXT.replace("1: {rules}", steps).format(phrase=phrase)
    cycles = find_long_cycles(read_text(text, "tidewater.yaml"))
    return [cycle.advice().text for cycle in cycles]


def test_rules_of_two_three_four_and_five_do_not_fit_an_eight_bar_phrase() -> None:
    # Together they repeat after 60 passes (common practice, no source; 60 = lcm(2, 3, 4, 5)).
    rules = [f"pass 1 of {n}" for n in (2, 3, 4, 5)]
    assert told("8 bars", *rules) == [
        "`slack water` repeats after 60 passes, its phrase is 8 passes: "
        "phrases differ, and come round after 15 phrases; leave it if that is meant; if phrases "
        "should be alike, let its rules count in numbers that divide the phrase"
    ]


def test_a_phrase_as_long_as_a_short_cycle_is_advised() -> None:
    (said,) = told("8 bars", "pass 1 of 3")
    assert said.endswith("if phrases should be alike, write `phrase: 3 passes`")


@pytest.mark.parametrize(
    ("phrase", "rule", "silent"),
    [
        ("8 bars", "pass 4 of 4", True),
        ("8 bars", "pass 8 of 8", True),
        ("8 bars", "chance 50%", True),
        ("8 bars", "pass 2 of 16", False),
        ("4 passes", "pass 1 of 8", False),
        ("6 passes", "pass 1 of 4", False),
    ],
)
def test_only_what_does_not_divide_the_phrase_is_told(phrase: str, rule: str, silent: bool) -> None:
    assert (told(phrase, rule) == []) is silent


def test_many_are_told_in_few_lines_with_all_their_numbers() -> None:
    cycles = [
        LongCycle("slack water", 60, "8 passes", 15),
        LongCycle("deep", 10**55, "8 passes", 10**55),
        LongCycle("neap", 252, "2 passes", 126),
        LongCycle("ebb line", 24, "8 passes", 3),
    ]
    assert in_few_lines(cycles) == [
        "phrase of 8 passes: `slack water` 60 passes and 15 phrases, `ebb line` 24 and 3,",
        "  `deep` about 10^55 passes (a number of 56 digits)",
        "phrase of 2 passes: `neap` 252 passes and 126 phrases",
    ]
    assert in_few_lines([]) == []


def test_however_many_there_are_no_line_is_long_and_none_is_left_out() -> None:
    names = [f"tide {number}" for number in range(200)]
    lines = in_few_lines(LongCycle(name, 1236, "8 passes", 309) for name in names)
    assert max(map(len, lines)) <= 100
    assert len(lines) < 70
    assert all(f"`{name}` 1 236" in " ".join(lines) for name in names)
