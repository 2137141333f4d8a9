"""What `check` says of finding places by ear, held against joins with the tests' own instrument."""

from __future__ import annotations

import random
from dataclasses import replace

from companion.counting import Pattern
from companion.follow.outlook import outlook
from tests.follow.joining import Cable, join
from tests.follow.test_ears import EBB, SLACK, a_night, on, track

CLEAN = Cable(lost=0.0, jitter_ms=1.0)


def plain() -> Pattern:
    return Pattern(
        "neap", phrase_ticks=768, tracks=(track("low drum", 1, 5, 9), track("snap", 5, 14))
    )


def binary(name: str) -> Pattern:
    """Two tracks say which of eight passes it is, in three steps each."""
    digits = {16: on(2, 2), 15: on(3, 4), 14: on(4, 4), 12: on(5, 8), 11: on(7, 8), 10: on(8, 8)}
    tracks = (track("low drum", 1, 5, rules=digits), track("snap", 3, 9, rules=digits))
    return Pattern(name, phrase_ticks=768, tracks=tracks)


def test_a_pattern_without_rare_steps_is_said_not_to_be_found() -> None:
    first, _ = outlook(a_night(plain(), EBB))
    assert first.found == 0.0
    assert first.alike is not None
    assert first.notice.startswith("part 1, neap, is not found by ear: nothing tells pass ")
    assert "one rare step on another track" in first.better


def test_parts_alike_are_named_together() -> None:
    first, other = outlook(a_night(SLACK, EBB, SLACK))
    assert first.notice == "parts 1 and 3 play the same: which of them it is cannot be heard"
    assert other.part.number == 2


def test_a_set_without_notes_is_not_spoken_of() -> None:
    setlist = a_night(SLACK, EBB)
    object.__setattr__(setlist, "notes", {})
    assert outlook(setlist) == []


def test_of_an_instrument_that_changes_at_once_it_is_said_that_it_waits_for_a_word() -> None:
    setlist = a_night(binary("slack water"), plain())
    drums = replace(setlist.instruments["drums"], at_once=True)
    first, _ = outlook(replace(setlist, instruments={"drums": drums}))
    assert first.notice.endswith("its instrument changes at once, so it waits for c")


def test_what_is_found_is_found_about_as_soon_as_it_says() -> None:
    setlist = a_night(binary("slack water"), plain())
    said = outlook(setlist)[0]
    assert said.found > 0.3
    part, took = setlist.parts[0], []
    for n in range(16):
        outcome = join(setlist, part, 24 * n, random.Random(n), cable=CLEAN)
        assert not outcome.wrong
        if outcome.sure_after is not None:
            took.append(outcome.sure_after / 96)
    assert len(took) >= 8
    assert 0.4 < sum(took) / len(took) / said.bars < 2.5
