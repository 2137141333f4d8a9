"""Figures that fill the space they are given and are told apart from far away."""

from __future__ import annotations

from string import ascii_letters, digits

from hypothesis import given
from hypothesis import strategies as st

from companion.screen.figures import render_figures, render_sentence

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


@given(st.integers(3, 35))
def test_no_two_figures_look_alike(height: int) -> None:
    pictures = {tuple(render_figures(figure, 240, height)) for figure in digits}
    assert len(pictures) == 10


@given(st.integers(1, 120), st.integers(1, 40))
def test_a_larger_window_never_shows_a_smaller_figure(width: int, height: int) -> None:
    small = render_figures("16", width, height)
    large = render_figures("16", width + 1, height + 1)
    assert len(large) >= len(small)


def test_a_figure_three_rows_high_reads_by_its_shape() -> None:
    # Judged by eye; no outside source.
    assert render_figures("2", 10, 3) == ["▀▀▀█", "▄▄▄█", "█▄▄▄"]
    assert render_figures("9", 10, 3) == ["█▀▀█", "█▄▄█", "▄▄▄█"]


def test_what_has_no_large_form_comes_back_plain() -> None:
    assert render_figures("tide ≈ 3", 40, 9) == ["tide ≈ 3"]
    assert render_figures("tide ≈ 3", 4, 9) == ["tide"]


def test_accents_are_left_out_of_large_letters() -> None:
    assert render_figures("MARÉE", 80, 5) == render_figures("MAREE", 80, 5)


@given(st.integers(20, 240), st.integers(3, 12))
def test_a_large_sentence_keeps_whole_words_or_is_not_drawn(width: int, height: int) -> None:
    lines = render_sentence("In 2 bars: unmute shaker", width, height)
    assert len(lines) <= height
    assert all(len(line) <= width for line in lines)


def test_a_sentence_too_long_for_large_letters_is_left_to_plain_ones() -> None:
    assert render_sentence("change to high water: program 13 goes to drums", 60, 7) == []
