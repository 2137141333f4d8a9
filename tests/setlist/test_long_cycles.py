"""Patterns that repeat in another number than their phrase: both numbers are told."""

from __future__ import annotations

import pytest

from companion.setlist.longcycles import long_cycles
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
    return [advice.text for advice in long_cycles(read_text(text, "tidewater.yaml"))]


def test_rules_of_two_three_four_and_five_do_not_fit_an_eight_bar_phrase() -> None:
    # Together they repeat after 60 passes (common practice, no source; 60 = lcm(2, 3, 4, 5)).
    rules = [f"pass 1 of {n}" for n in (2, 3, 4, 5)]
    assert told("8 bars", *rules) == [
        "`slack water` repeats after 60 passes, its phrase is 8 passes; "
        "phrases differ, and come round after 15 phrases"
    ]


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
