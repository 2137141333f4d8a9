"""What every drummer of machines knows: common practice, no source."""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction

from companion.counting import (
    ALWAYS,
    STEP_TICKS,
    Meter,
    Pattern,
    Step,
    Track,
    step_events,
)
from tests.counting.counting_patterns import by_chance, long_run_rate, next_step, on_pass, one_track


def test_sixteen_sixteenths_are_a_bar_and_sixty_four_are_four() -> None:
    assert Pattern("slack water", 16, STEP_TICKS["1/16"]).pass_ticks == Meter(4, 4).bar_ticks
    assert Pattern("slack water", 64, STEP_TICKS["1/16"]).pass_ticks == 4 * Meter(4, 4).bar_ticks


def test_the_fourth_of_four_sounds_once_at_the_end_of_each_four_bars() -> None:
    drum = Track("low drum", 16, 6, (Step(16, on_pass(4, 4)),))
    events = step_events(Pattern("slack water", tracks=(drum,)), 0, 16 * 96)
    assert [event.tick for event in events] == [4 * 96 * bars - 6 for bars in (1, 2, 3, 4)]
    assert [event.pass_number for event in events] == [4, 8, 12, 16]


def test_the_first_of_five_sounds_on_passes_1_6_11_and_16() -> None:
    events = step_events(one_track(on_pass(1, 5)), 0, 20 * 96)
    assert [event.pass_number for event in events] == [1, 6, 11, 16]


def test_the_first_and_the_second_of_two_take_turns() -> None:
    events = step_events(one_track(on_pass(1, 2), on_pass(2, 2)), 0, 8 * 96, every_step=True)
    assert [event.step for event in events] == [1, 2] * 4


def test_seventy_five_percent_is_three_times_in_four() -> None:
    pattern = one_track(by_chance(75))
    assert long_run_rate(pattern, "low drum", 1) == Fraction(3, 4)
    events = step_events(pattern, 0, 96, every_step=True)
    assert [(event.chance, event.rare) for event in events] == [(0.75, False)]


def test_a_step_without_a_rule_sounds_on_every_pass() -> None:
    found = next_step(one_track(ALWAYS), "low drum", 1, 1)
    assert found is not None
    assert (found.tick, found.pass_number, found.chance) == (96, 2, 1.0)


def test_the_engine_gets_by_without_numpy() -> None:
    """What an engine imports of this room stays small."""
    names = "forecast, questions, chances, grid, pattern"
    program = f"import sys; from companion.counting import {names}; print('numpy' in sys.modules)"
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert ran.stdout.strip() == "False"
