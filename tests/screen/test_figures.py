"""Figures that fill the space they are given and are told apart from far away."""

from __future__ import annotations

from itertools import combinations
from string import ascii_letters, ascii_uppercase, digits

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.screen.canvas import letters_width, render_figures, render_letters

DRAWN = st.text(digits + ascii_letters + ":/.-%?' ", max_size=12)


@given(text=DRAWN, width=st.integers(0, 240), height=st.integers(0, 70))
def test_whatever_is_drawn_stays_inside_the_window(text: str, width: int, height: int) -> None:
    lines = render_figures(text, width, height)
    assert len({len(line) for line in lines}) == 1
    assert len(lines[0]) <= width
    assert len(lines) <= max(1, height)


@given(st.integers(3, 35), st.sampled_from(digits))
def test_a_figure_with_room_beside_it_is_as_high_as_the_space(height: int, figure: str) -> None:
    assert len(render_figures(figure, 240, height)) == height


def ink(character: str, dots: int) -> set[tuple[int, int]]:
    """The dots that are inked, two to a row: (x, y)."""
    return {
        (x, 2 * y + half)
        for y, line in enumerate(render_letters([character], dots))
        for x, block in enumerate(line)
        for half in (0, 1)
        if block in ("█", "▀▄"[half])
    }


def nearest(dots: int) -> dict[str, int]:
    """How many dots the most alike of all pairs of letters and figures differ by."""
    drawn = {each: ink(each, dots) for each in ascii_uppercase + digits}
    apart = {a + b: len(drawn[a] ^ drawn[b]) for a, b in combinations(drawn, 2)}
    least = min(apart.values())
    return {pair: dots for pair, dots in apart.items() if dots == least}


@pytest.mark.parametrize(
    ("dots", "least"), [(5, 2), (6, 2), (8, 3), (10, 7), (12, 10), (16, 15), (24, 42)]
)
def test_no_two_letters_or_figures_are_nearer_than_so_many_dots(dots: int, least: int) -> None:
    # The letter table of docs/seeing.md.
    assert min(nearest(dots).values()) >= least


@pytest.mark.parametrize("dots", [5, 6])
def test_only_a_d_and_a_nought_in_small_letters_are_nearer_than_three_dots(dots: int) -> None:
    assert nearest(dots) == {"D0": 2}


@pytest.mark.parametrize("dots", [5, 6, 8, 12, 20])
@pytest.mark.parametrize("pair", ["G6", "CG", "CO", "C6", "GO", "O0", "S5", "Z2", "B8", "69"])
def test_what_is_easily_mistaken_differs_by_a_sixth_of_its_dots(pair: str, dots: int) -> None:
    one, other = (ink(each, dots) for each in pair)
    assert len(one ^ other) * 6 >= len(one | other)


@pytest.mark.parametrize("dots", [5, 6, 8, 10])
def test_letters_are_as_high_as_they_say_and_as_wide(dots: int) -> None:
    (line,) = {len(row) for row in render_letters(["UNMUTE GULL"], dots)}
    assert line == letters_width("UNMUTE GULL", dots)
    assert len({y for each in "UNMUTEGL" for _, y in ink(each, dots)}) == dots


@given(st.integers(1, 120), st.integers(1, 40))
def test_a_larger_window_never_shows_a_smaller_figure(width: int, height: int) -> None:
    small = render_figures("16", width, height)
    large = render_figures("16", width + 1, height + 1)
    assert len(large) >= len(small)


def test_a_figure_three_rows_high_reads_by_its_shape() -> None:
    # Judged by eye; no outside source.
    assert render_letters(["6"], 5) == [" ▄▀", "█▀█", "▀▀▀"]
    assert render_letters(["G"], 5) == ["▄▀▀▀", "█ ▀█", " ▀▀▀"]


def test_a_figure_in_doubt_is_hollow() -> None:
    sure, unsure = render_figures("7", 40, 8), render_figures("7", 40, 8, doubt=True)
    assert [len(row) for row in sure] == [len(row) for row in unsure]
    assert sum(row.count("█") for row in sure) > 20
    assert not any("█" in row for row in unsure)


def test_what_has_no_large_form_comes_back_plain() -> None:
    assert render_figures("tide ≈ 3", 40, 9) == ["tide ≈ 3"]
    assert render_figures("tide ≈ 3", 4, 9) == ["tide"]


def test_accents_are_left_out_of_large_letters() -> None:
    assert render_figures("MARÉE", 80, 5) == render_figures("MAREE", 80, 5)
