"""Advice: what is allowed but probably not meant. A good set gets none."""
# ruff: noqa: E501 (tables, one case a line)

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from companion.setlist.advice import advise
from companion.setlist.reading import read_with_places
from tests.setlist.sheets import TIDEWATER, TIDEWATER_FILE, TWO_SONGS, edited, two_songs


def advice(tmp_path: Path, text: str) -> list[str]:
    file = tmp_path / "tide.yaml"
    file.write_text(text, encoding="utf-8")
    return [item.render("tide.yaml") for item in advise(*read_with_places(file))]


def advice_on(text: str) -> list[str]:
    """The advice on a set list, as `LINE:COLUMN: what it is; what would be better`."""
    with TemporaryDirectory() as folder:
        return [line.removeprefix("tide.yaml:") for line in advice(Path(folder), text)]


def test_the_example_of_the_manual_needs_no_advice() -> None:
    assert advise(*read_with_places(TIDEWATER_FILE)) == []
    assert advise(two_songs()) == []


ON_TIDEWATER = [
    ("instruments:", "instruments:\n  bell:", "3:3: `bell` plays in no part"),
    ("patterns:", "patterns:\n  ebb: {}", "15:3: no part plays `ebb`"),
    ("at: pass 5", "at: pass 17", "42:13: this cue never comes: the part ends after 2 phrases"),
    ("every: phrase", "every: 3 phrases", "44:13: this cue never comes"),
    ("at: last 1 bar", "at: bar 16", None),
    ("fill: 1 bar", "fill: 2 bars", "43:13: a fill of 2 bars from here goes on past the part's end"),
    ("pass 1 of 5", "if low drum played", None),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), ON_TIDEWATER, ids=lambda text: str(text)[:40])
def test_each_piece_of_advice(tmp_path: Path, old: str, new: str, said: str | None) -> None:
    found = advice(tmp_path, edited(TIDEWATER, (old, new)))
    if said is None:
        assert found == []
    else:
        assert len(found) == 1, found
        assert found[0].startswith(f"tide.yaml:{said}")


def test_a_term_on_a_track_that_is_always_silent(tmp_path: Path) -> None:
    text = edited(
        TWO_SONGS,
        (
            "{steps: {1: always}}",
            "{steps: {1: always}}\n      bell: {steps: {1: if low drum silent}}",
        ),
    )
    assert advice(tmp_path, text) == [
        "tide.yaml:14:22: `low drum` has no step with a rule of its own, so it always counts as "
        "silent; look at another track, or leave the term out"
    ]


def test_a_change_at_once_is_not_wanted_beats_ahead(tmp_path: Path) -> None:
    at_once = "takes_effect: at once"
    early = edited(TWO_SONGS, (at_once, at_once + ", send_before: 1 beat"))
    assert advice(tmp_path, early) == [
        "tide.yaml:8:55: `sampler` changes at once, and so 1 beat too early; "
        "leave `send_before` out, or give it in ms"
    ]
    assert advice(tmp_path, edited(TWO_SONGS, (at_once, at_once + ", send_before: 5 ms"))) == []


def test_a_part_with_an_open_end_and_phrases_that_are_not_whole_passes(tmp_path: Path) -> None:
    text = edited(
        TWO_SONGS, ("phrase: 2 bars", "phrase: 5 beats"), ("program: 1, phrases: 2", "program: 1")
    )
    assert advice(tmp_path, text) == [
        "tide.yaml:24:9: a phrase of `slack water` may end inside a pass, but `drums` changes only "
        "at the end of one; give the pattern a phrase of `1 pass` or `2 passes`"
    ]
