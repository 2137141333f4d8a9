"""How the window is shared: nothing lost, the countdown first."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from companion.screen.layout import most_alarm_rows, plan

WIDTHS, HEIGHTS, ALARMS = st.integers(40, 240), st.integers(12, 70), st.integers(0, 9)


@given(WIDTHS, HEIGHTS, ALARMS)
def test_the_regions_fill_the_window_exactly(width: int, height: int, alarms: int) -> None:
    shares = plan(width, height, alarms).heights()
    assert sum(shares.values()) == height
    assert min(shares.values()) >= 0
    assert shares["alarms"] == min(alarms, most_alarm_rows(height))


@given(WIDTHS, HEIGHTS, ALARMS)
def test_the_countdown_always_has_figures_and_the_action_its_lines(
    width: int, height: int, alarms: int
) -> None:
    shares = plan(width, height, alarms)
    # Three rows of figure, one for pass and phrase, one for what is left.
    assert shares.countdown >= 5
    assert shares.action >= 2
    assert shares.quiet >= 1


@given(WIDTHS, HEIGHTS)
def test_with_all_in_order_the_countdown_is_the_largest_region(width: int, height: int) -> None:
    shares = plan(width, height, 0)
    if width >= height:
        assert shares.countdown == max(shares.heights().values())


@given(WIDTHS, st.integers(0, 12))
def test_a_window_too_small_is_still_shared_out(width: int, height: int) -> None:
    assert min(plan(width, height, 2).heights().values()) >= 0
