"""The pass map: a one-bar pattern seen as the phrase it makes."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

import pytest

from companion.counting import Cycle, Pattern, Rule, Step, Track, build_grid
from companion.sheet import PictureError, draw, save

PATTERN = Pattern(
    "slack water",
    phrase_ticks=768,
    tracks=(
        Track(
            "low drum",
            16,
            6,
            (Step(1), Step(5), Step(16, Rule(cycles=(Cycle(4, 4),)))),
        ),
        # Twelve steps against sixteen: its pass starts drift through the bar.
        Track("shaker", 12, 6, (Step(1, Rule(cycles=(Cycle(1, 5),))),)),
        Track("hat", 16, 6, (Step(3, Rule(chances=(Fraction(1, 2),))),)),
    ),
)


def test_cells_are_the_chance_that_a_step_sounds_during_a_pass() -> None:
    grid = build_grid(PATTERN, 8)
    rows = {(row.track, row.numbers): row for row in grid.rows}
    assert rows["low drum", (1, 5)].chances == (1.0,) * 8
    # On the fourth of every four passes (common practice, no source).
    assert rows["low drum", (16,)].chances == (0, 0, 0, 1, 0, 0, 0, 1)
    assert rows["low drum", (16,)].rare
    # Passes 1, 6, 11 of 72 clocks begin at 0, 360, 720: during passes 1, 4 and 8 of 96.
    assert rows["shaker", (1,)].chances == (1, 0, 0, 1, 0, 0, 0, 1)
    assert rows["hat", (3,)].chances == (0.5,) * 8
    assert not rows["hat", (3,)].rare
    assert grid.hits == (3.5, 2.5, 2.5, 4.5, 2.5, 2.5, 2.5, 4.5)


def test_phrases_are_ruled_and_rare_steps_marked_in_black_and_white() -> None:
    lines = draw(build_grid(PATTERN, 16)).splitlines()
    by_label = {tuple(line[:22].split()): line[22:] for line in lines[:6]}
    assert by_label["pass",].split() == ["1", "9"]
    assert by_label["16*",] == "│···█···█│···█···█"
    assert by_label["low", "drum", "1", "5"] == "│████████│████████"
    assert by_label["hat", "3"] == "│▒▒▒▒▒▒▒▒│▒▒▒▒▒▒▒▒"


@pytest.mark.parametrize("width", [40, 80, 132, 200])
@pytest.mark.parametrize("passes", [1, 7, 8, 64, 300])
def test_it_fits_the_terminal_and_shows_every_pass(width: int, passes: int) -> None:
    lines = draw(build_grid(PATTERN, passes), width).splitlines()
    assert max(map(len, lines)) <= width
    cells = "".join(line[22:] for line in lines if line.startswith("hat "))
    assert len(cells.replace("│", "")) == passes


def test_long_names_and_many_steps_keep_to_their_column() -> None:
    track = Track("a shell on a very long string", 64, 6, tuple(Step(n) for n in range(1, 65)))
    lines = draw(build_grid(Pattern("neap", length=64, tracks=(track,)), 8), 60).splitlines()
    assert max(map(len, lines)) <= 60
    assert lines[1][22] == "│"


def test_a_picture_is_a_picture(tmp_path: Path) -> None:
    grid = build_grid(PATTERN, 16)
    save(grid, "Slack water", tmp_path / "map.svg")
    assert ElementTree.parse(tmp_path / "map.svg").getroot().tag.endswith("svg")
    save(grid, "Slack water", tmp_path / "map.png")
    head = (tmp_path / "map.png").read_bytes()[:24]
    assert head[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", head[16:24])
    assert width > height > 200


@pytest.mark.parametrize("name", ["map.gif", "map", "no-such-folder/map.svg"])
def test_a_picture_that_cannot_be_written_says_why(tmp_path: Path, name: str) -> None:
    with pytest.raises(PictureError, match=r"\.svg|cannot be written"):
        save(build_grid(PATTERN, 4), "Slack water", tmp_path / name)


def test_a_stretch_from_the_middle_is_the_same_stretch_of_the_whole() -> None:
    whole, stretch = build_grid(PATTERN, 32), build_grid(PATTERN, 8, first=11)
    assert [row.chances for row in stretch.rows] == [row.chances[11:19] for row in whole.rows]
    assert stretch.hits == whole.hits[11:19]
    # A phrase of eight passes begins with the seventeenth pass, which is number 16 from 0.
    assert stretch.boundaries == {16}


def test_with_no_room_for_all_rows_rare_steps_stay_and_steady_ones_go_first() -> None:
    kept = build_grid(PATTERN, 4, most_rows=3)
    assert [(row.track, row.numbers) for row in kept.rows] == [
        ("low drum", (16,)),
        ("shaker", (1,)),
        ("hat", (3,)),
    ]
    assert kept.left_out == 1
    rare = build_grid(PATTERN, 4, most_rows=2)
    assert [row.rare for row in rare.rows] == [True, True]


def test_a_step_that_needs_a_fill_is_told_from_one_that_never_plays() -> None:
    track = Track("tide bell", 16, 6, (Step(1, Rule(fill=True)), Step(2, Rule(fill=False))))
    rows = build_grid(Pattern("neap", tracks=(track,)), 2).rows
    assert [(row.chances, row.fill_only) for row in rows] == [((0, 0), True), ((1, 1), False)]
