"""How the window is shared: nothing lost, and what must be read from afar is large enough."""

from __future__ import annotations

from dataclasses import astuple

from hypothesis import given
from hypothesis import strategies as st

from companion.screen.layout import (
    SMALL,
    letter_dots,
    letter_lines,
    letter_rows,
    name_rows,
    plan,
    plan_view,
)

WIDTHS, HEIGHTS = st.integers(40, 240), st.integers(12, 70)


@given(WIDTHS, HEIGHTS)
def test_the_regions_fill_the_window_exactly(width: int, height: int) -> None:
    shares = astuple(plan(width, height))
    assert sum(shares) == height
    assert min(shares) >= 0
    view = plan_view(height)
    assert view.strip + view.action + view.above_view + view.view + view.keys == height


@given(WIDTHS, HEIGHTS)
def test_the_countdown_always_has_figures_and_the_action_its_lines(width: int, height: int) -> None:
    shares = plan(width, height)
    # Three rows of figure, one for what is left; one for pass and phrase but in a small window,
    # which has the pass beside what comes next, and no quiet line.
    small = height < SMALL
    assert shares.countdown >= 5 - small
    assert shares.action >= 2
    assert shares.then >= 4
    assert 2 * (shares.then - letter_rows(1, letter_dots(height))) > letter_dots(height) or (
        shares.then == name_rows(letter_dots(height)) + 1
    )
    assert shares.quiet >= 1 - small


@given(WIDTHS, st.integers(24, 70))
def test_what_to_do_next_has_two_lines_and_what_comes_next_larger_letters(
    width: int, height: int
) -> None:
    shares, dots = plan(width, height), letter_dots(height)
    assert letter_lines(shares.action, dots) >= 2
    assert shares.then == name_rows(dots) + letter_rows(1, dots)
    assert 2 * name_rows(dots) - 1 > dots


@given(WIDTHS, st.integers(0, 12))
def test_a_window_too_small_is_still_shared_out(width: int, height: int) -> None:
    assert min(astuple(plan(width, height))) >= 0
