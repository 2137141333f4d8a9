"""Advice about whole patterns, and that the shipped sets get no more of it than is worth reading."""
# ruff: noqa: E501 (tables, one case a line)

from __future__ import annotations

from math import lcm

import pytest

from companion.setlist.advice import advise, amount, on_pass
from companion.setlist.reading import read_with_places
from tests.builders import SHIPPED
from tests.setlist.sheets import edited
from tests.setlist.test_advice import advice_on

# A phrase is 8 passes of a bar; `half` goes round twice in a pass, `drift` is three beats long.
FLOW = """\
set: Tidewater
patterns:
  flow:
    tracks:
      bell: {steps: {3: pass 1 of 2}}
      half: {length: 8, steps: {1: always}}
      drift: {length: 12, steps: {1: always}}
songs:
  - song: Flow
    parts:
      - {pattern: flow, phrases: 3}
"""

ON_FLOW = [
    ("pass 1 of 2", "pass 1 of 3", "5:22: `flow` repeats after 3 passes and its phrase is 8 passes, so phrases differ and come round after 3 phrases: `pass 1 of 3` does not fit; count in 2 or 4 passes if they should be alike"),
    ("pass 1 of 2", "'not pass 1 of 3, pass 1 of 2, chance 50%'", "5:22: `flow` repeats after 6 passes and its phrase is 8 passes, so phrases differ and come round after 3 phrases: `not pass 1 of 3, pass 1 of 2` does not fit"),
    ("{3: pass 1 of 2}", "{1: pass 1 of 3, 2: pass 1 of 5}", "5:22: `flow` repeats after 15 passes and its phrase is 8 passes, so phrases differ and come round after 15 phrases: `pass 1 of 3` and 1 more rule do not fit"),
    ("pass 1 of 2", "pass 1 of 12", "5:22: `flow` repeats after 12 passes and its phrase is 8 passes, so phrases differ and come round after 3 phrases: `pass 1 of 12` does not fit; count in 8 passes"),
    # On every phrase, on every second phrase, or on a track that goes round twice in a pass.
    ("pass 1 of 2", "pass 1 of 8", None),
    ("pass 1 of 2", "pass 9 of 16", None),
    ("1: always}}\n      drift", "1: pass 1 of 16}}\n      drift", None),
    ("1: always}}\n      drift", "1: pass 1 of 6}}\n      drift", "6:33: `flow` repeats after 6 passes and its phrase is 8 passes, so phrases differ and come round after 3 phrases: `pass 1 of 6` does not fit; count in 4 or 8 passes"),
    # What its own length makes drift is meant to.
    ("1: always}}\nsongs", "1: pass 1 of 5}}\nsongs", None),
    # A part of one phrase has no other to compare it with; an open one may have.
    ("pass 1 of 2}}", "pass 1 of 3}}", None, ("phrases: 3", "phrases: 1")),
    ("pass 1 of 2}}", "pass 1 of 3}}", "5:22: `flow` repeats after 3", (", phrases: 3", "")),
    # A phrase that is no whole number of passes.
    ("1: always}}\n      drift", "1: pass 1 of 3}}\n      drift", "8:33: `flow` repeats after 6 passes and its phrase is 5 bars, so phrases differ and come round after 12 phrases", ("    tracks", "    length: 32\n    phrase: 5 bars\n    tracks")),
    # What never comes up anyway is told as that, and not as this.
    ("pass 1 of 2", "pass 29 of 30", "5:22: this step does not come up"),
]  # fmt: skip


@pytest.mark.parametrize("case", ON_FLOW, ids=lambda case: case[1][:40])
def test_each_piece_of_advice(case: tuple[str, str, str | None, tuple[str, str]]) -> None:
    old, new, said, *more = case
    found = advice_on(edited(FLOW, (old, new), *more))
    assert len(found) == (said is not None), found
    if said is not None:
        assert found[0].startswith(said)


def two(first: str, second: str, more: str = "") -> list[str]:
    return advice_on(
        "set: Tidewater\npatterns:\n"
        f"  ebb: {first}\n"
        f"  flow: {second}\n"
        f"  neap: {more or '{}'}\n"
        "songs: [{song: Tide, parts: [{pattern: ebb}, {pattern: flow}, {pattern: neap}]}]\n"
    )


BELL = "{tracks: {bell: {steps: {3: pass 1 of 4}}}}"


def test_a_copy_that_was_never_changed() -> None:
    assert two(BELL, "{length: 16, tracks: {bell: {steps: {03: PASS 1 of 4}}}}") == [
        "4:3: `flow` is `ebb` once more under another name; write what differs, or play the one "
        "pattern in both parts"
    ]
    assert two(BELL, BELL, BELL)[0].startswith(
        "4:3: `flow` is `ebb` once more under another name, and so is 1 more; write what differs"
    )


@pytest.mark.parametrize(
    "other",
    [
        BELL.replace("1 of 4", "2 of 4"),
        BELL.replace("3:", "4:"),
        BELL.replace("bell", "gull"),
        BELL.replace("{tracks", "{step: 1/32, tracks"),
        BELL.replace("{tracks", "{phrase: 4 bars, tracks"),
        BELL.replace("{steps", "{length: 12, steps"),
    ],
)
def test_patterns_that_differ_in_anything_are_no_copies(other: str) -> None:
    assert two(BELL, other) == []


def test_patterns_with_no_steps_written_are_no_copies() -> None:
    assert two("{}", "{}") == []
    assert two("{tracks: {bell: {}}}", "{tracks: {bell: {}}}") == []


def test_what_is_wrong_with_a_pattern_is_not_told_again_of_its_copy() -> None:
    dead = BELL.replace("pass 1 of 4", "chance 0%")
    assert [line.split(":")[0] for line in two(dead, dead)] == ["3", "4"]


def test_two_tracks_with_one_note() -> None:
    tracks = (
        "{tracks: {bell: {note: 36}, gull: {note: 36}, shell: {note: {number: 36, channel: 3}}}}"
    )
    assert two(tracks, "{}") == [
        "3:43: note 36 is that of `bell` too, so what is heard of the two cannot be told apart; let "
        "the instrument send another note, or leave this one out"
    ]


def test_a_repeat_of_56_digits_is_told_by_its_length() -> None:
    """lcm(1..128) has 56 digits (computed here by Python's own lcm).

    Of 128 counts, 1, 2 and 4 divide the phrase of 8 passes and 16 are multiples of it: 109 are left.
    """
    assert len(str(lcm(*range(1, 129)))) == 56
    steps = ", ".join(f"{n}: pass {n} of {n}" for n in range(1, 129))
    text = (
        f"set: Tidewater\npatterns:\n  deep: {{length: 128, phrase: 8 passes, tracks: {{bell: {{steps: {{{steps}}}}}}}}}\n"
        "songs: [{song: Deep, parts: [{pattern: deep}]}]\n"
    )
    assert advice_on(text) == [
        "3:97: `deep` repeats after about 10^55 passes (a number of 56 digits) and its phrase is 8 "
        "passes, so phrases differ: `pass 3 of 3` and 108 more rules do not fit; count in 2 or 4 "
        "passes if they should be alike"
    ]


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (0, "0 passes"),
        (1, "1 pass"),
        (999, "999 passes"),
        (12345, "12 345 passes"),
        (10**12 - 1, "999 999 999 999 passes"),
        (10**12, "about 10^12 passes (a number of 13 digits)"),
        (10**55, "about 10^55 passes (a number of 56 digits)"),
        (10**56 - 1, "about 10^55 passes (a number of 56 digits)"),
        (10**5000, "about 10^5000 passes (a number of 5001 digits)"),
    ],
    ids=lambda value: value[:20] if isinstance(value, str) else "",
)
def test_numbers_that_people_can_read(number: int, said: str) -> None:
    assert amount(number, "pass", "passes") == said


def test_when_a_pass_is() -> None:
    assert on_pass(1) == "on pass 1"
    assert on_pass(12345) == "on pass 12 345"
    assert on_pass(10**12) == "after about 10^12 passes (a number of 13 digits)"


def test_the_shipped_sets_get_little_advice_and_all_of_one_kind() -> None:
    """Their odd counts are meant: rules in threes and sixes that shift against the phrase."""
    told = {
        file.name: [item.notice for item in advise(*read_with_places(file))] for file in SHIPPED
    }
    assert len(told) == 4
    assert not told["tidewater-first-steps.yaml"]
    assert sum(map(len, told.values())) <= 3
    for notice in (notice for notices in told.values() for notice in notices):
        assert "so phrases differ and come round after 3 phrases" in notice
