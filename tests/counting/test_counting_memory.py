"""What `if` remembers, near the start and 10**40 passes away."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.counting import (
    Cycle,
    If,
    OutOfReach,
    Pattern,
    Rule,
    Step,
    Track,
    compile_pattern,
)
from companion.counting.chances import DrawMemory, long_run
from tests.counting.counting_patterns import (
    by_chance,
    chance_at,
    long_run_rate,
    on_pass,
    one_track,
    patterns,
    rehearsals,
)
from tests.counting.counting_player import carried_along

FAR = 10**40


@given(patterns(tracks=4, length=3, ifs=3), st.sampled_from((0, 0, 3)), st.data())
@rehearsals(150)
def test_a_late_pass_asked_for_first_thing(
    pattern: Pattern, carried: int, data: st.DataObject
) -> None:
    """The jump over many rounds lands where playing every step arrives."""
    chances, _ = carried_along(pattern, 2000, carried)
    if not chances:
        return
    compiled = compile_pattern(pattern)
    for moment in data.draw(st.lists(st.sampled_from(sorted(chances, key=lambda m: m.tick)))):
        memory = DrawMemory(compiled, carried * pattern.pass_ticks)
        step = compiled.step(pattern.tracks[moment.track].name, moment.step)
        assert abs(memory.chance(step, moment.pass_number) - chances[moment]) < 1e-12


@given(patterns(tracks=3, length=4, ifs=3), st.booleans())
@rehearsals(150)
def test_standing_chances_hold_once_they_say_so(pattern: Pattern, fill: bool) -> None:
    compiled = compile_pattern(pattern)
    chances, _ = carried_along(pattern, 1000, 0, fill)
    for step in compiled.steps:
        known = long_run(compiled, step, fill)
        if known is None or not step.rule.conditional:
            continue
        assert all(0 < weight <= 1 for _, weight in known.weights)
        settled = -((step.offset - known.settled) // step.pass_ticks) + 1
        passes = range(settled, (1000 - step.offset) // step.pass_ticks)
        played = {
            moment.pass_number: chance
            for moment, chance in chances.items()
            if (moment.track, moment.step) == (step.track, step.step.number)
        }
        for at in passes:
            assert abs(float(known.chance(at)) - played.get(at, 0.0)) < 1e-12
        if len(passes):
            may = [at for at in passes if played.get(at, 0.0) > 1e-13]
            assert not may or known.at_or_after(settled) == may[0]


def test_a_step_that_plays_when_it_was_silent_before_alternates() -> None:
    pattern = one_track(Rule(conditions=(If(None, False),)))
    assert [chance_at(pattern, "low drum", 1, at) for at in (1, 2, 3, 4)] == [1, 0, 1, 0]
    assert chance_at(pattern, "low drum", 1, FAR) == 0.0
    assert chance_at(pattern, "low drum", 1, FAR + 1) == 1.0
    assert long_run_rate(pattern, "low drum", 1) == 0.5


def test_a_chance_that_looks_back_settles() -> None:
    # x = c (1 - x) has the solution c / (1 + c).
    for percent in (10, 50, 99):
        pattern = one_track(by_chance(percent, If(None, False)))
        c = percent / 100
        assert chance_at(pattern, "low drum", 1, 2) == pytest.approx(c * (1 - c), abs=1e-15)
        assert chance_at(pattern, "low drum", 1, FAR) == pytest.approx(c / (1 + c), abs=1e-15)
        assert float(long_run_rate(pattern, "low drum", 1)) == pytest.approx(c / (1 + c), abs=1e-12)


def test_two_looks_at_one_draw_are_not_two_draws() -> None:
    """The bell wants the drum to have played, and the horn both: they never contradict."""
    pattern = Pattern(
        "slack water",
        tracks=(
            Track("low drum", 16, 6, (Step(1, by_chance(50)),)),
            Track("buoy bell", 16, 6, (Step(3, Rule(conditions=(If("low drum", True),))),)),
            Track(
                "foghorn",
                16,
                6,
                (
                    Step(5, Rule(conditions=(If("low drum", True), If("buoy bell", True)))),
                    Step(9, Rule(conditions=(If("low drum", True), If("buoy bell", False)))),
                ),
            ),
        ),
    )
    for at in (1, 7, FAR):
        assert chance_at(pattern, "foghorn", 5, at) == 0.5
        assert chance_at(pattern, "foghorn", 9, at) == 0.0
    assert long_run_rate(pattern, "foghorn", 5) == Fraction(1, 2)
    assert long_run_rate(pattern, "foghorn", 9) == 0


def test_a_memory_that_needs_four_passes_to_come_round() -> None:
    """The bell remembers the buoy, the drum the bell, the buoy the opposite of the drum."""
    pattern = Pattern(
        "slack water",
        tracks=(
            Track("low drum", 16, 6, (Step(5, Rule(conditions=(If("shaker", True),))),)),
            Track("shaker", 16, 6, (Step(9, Rule(conditions=(If("buoy bell", False),))),)),
            Track("buoy bell", 16, 6, (Step(1, Rule(conditions=(If("low drum", True),))),)),
        ),
    )
    bells = [chance_at(pattern, "buoy bell", 1, at) for at in range(1, 9)]
    assert bells == [0, 0, 1, 1, 0, 0, 1, 1]
    assert [chance_at(pattern, "buoy bell", 1, 4 * FAR + at) for at in range(1, 9)] == bells


def test_a_memory_under_large_cycles_far_away() -> None:
    rules = [
        Rule((Cycle(1, n, negated=True),), (), None, None, (If(None, False),)) for n in (127, 113)
    ]
    pattern = one_track(*rules)
    # Both are silent now and then, each after its own cycle, and both start to alternate anew.
    near = [chance_at(pattern, "low drum", 2, at) for at in range(1, 500)]
    around = 127 * 113
    assert [chance_at(pattern, "low drum", 2, around * FAR + at) for at in range(200, 500)] == (
        near[199:]
    )


def test_a_question_beyond_reach_says_so() -> None:
    """Seven tracks of lengths without a common measure, all looking at each other in a ring."""
    lengths = (64, 63, 61, 59, 53, 47, 43)
    names = [f"tide {length}" for length in lengths]
    tracks = tuple(
        Track(name, length, 6, (Step(1, Rule(conditions=(If(names[at - 1], False),))),))
        for at, (name, length) in enumerate(zip(names, lengths, strict=True))
    )
    pattern = Pattern("slack water", tracks=tracks)
    assert chance_at(pattern, names[0], 1, 1000) in (0.0, 1.0)
    with pytest.raises(OutOfReach):
        chance_at(pattern, names[0], 1, FAR)


def test_a_first_pass_far_from_the_first_count() -> None:
    pattern = one_track(Rule(first=True), Rule(first=False), Rule(conditions=(If(None, True),)))
    assert chance_at(pattern, "low drum", 1, FAR + 1, carried_passes=FAR) == 1.0
    assert chance_at(pattern, "low drum", 2, FAR + 1, carried_passes=FAR) == 0.0
    assert chance_at(pattern, "low drum", 3, FAR + 2, carried_passes=FAR) == 1.0
    assert chance_at(pattern, "low drum", 3, FAR, carried_passes=FAR) == 0.0
    assert long_run_rate(pattern, "low drum", 1) == 0
    assert long_run_rate(pattern, "low drum", 2) == 1


def test_rates_are_exact_where_nothing_is_endless() -> None:
    pattern = one_track(
        on_pass(1, 4),
        Rule((Cycle(2, 6),), conditions=(If(None, True),)),
        Rule((Cycle(3, 128),), (Fraction(1, 7),), conditions=(If(None, False),)),
        by_chance(30, If(None, False)),
    )
    assert long_run_rate(pattern, "low drum", 1) == Fraction(1, 4)
    # Passes 1, 5, 9 ... are odd and passes 2, 8, 14 ... are even.
    assert long_run_rate(pattern, "low drum", 2) == 0
    assert long_run_rate(pattern, "low drum", 3) == Fraction(1, 128 * 7)
    assert long_run_rate(pattern, "low drum", 4) == Fraction(3, 10) * (1 - Fraction(1, 896))
