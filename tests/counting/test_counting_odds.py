"""Chances in a stretch of ticks and hits per pass, against plain playing."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from companion.counting import (
    ALWAYS,
    If,
    Pattern,
    Rule,
    Step,
    Track,
    chance_of_any,
    chance_within_phrase,
    phrase_shape,
    repeats_after,
    step_events,
)
from companion.counting.chances import expected_hits
from tests.counting.counting_patterns import by_chance, on_pass, one_track, patterns, rehearsals
from tests.counting.counting_player import Moment, carried_along, performances

FAR = 10**40


def all_steps(pattern: Pattern) -> list[tuple[int, int]]:
    return [(at, step.number) for at, track in enumerate(pattern.tracks) for step in track.steps]


@given(
    patterns(tracks=3, length=4, ifs=3),
    st.sampled_from((0, 0, 2)),
    st.integers(0, 60),
    st.integers(0, 60),
    st.data(),
)
@rehearsals(300)
def test_the_chance_that_one_of_several_sounds(
    pattern: Pattern, carried: int, begin: int, ticks: int, data: st.DataObject
) -> None:
    every = all_steps(pattern)
    chosen = set(data.draw(st.lists(st.sampled_from(every), max_size=4))) if every else set()

    def flag(moment: Moment) -> int:
        return (moment.track, moment.step) in chosen and begin <= moment.tick < begin + ticks

    _, ends = carried_along(pattern, begin + ticks, carried, watched=flag)
    ours = chance_of_any(
        pattern,
        [(pattern.tracks[track].name, number) for track, number in chosen],
        begin,
        begin + ticks,
        carried_passes=carried,
    )
    assert abs(ours - ends.get(1, 0.0)) < 1e-12


@given(patterns(tracks=2, length=2, ifs=3))
@rehearsals(100)
def test_the_chance_of_any_by_trying_every_draw(pattern: Pattern) -> None:
    heard = sum(weight for weight, sounded in performances(pattern, 14) if sounded)
    steps = [(pattern.tracks[track].name, number) for track, number in all_steps(pattern)]
    assert abs(chance_of_any(pattern, steps, 0, 14) - float(heard)) < 1e-12


def test_independent_draws_follow_the_binomial() -> None:
    # scipy.stats.binom: at least one hit in n draws of chance p.
    pattern = one_track(by_chance(20), on_pass(1, 2, chance=Fraction(1, 10)))
    both = [("low drum", 1), ("low drum", 2)]
    silent = binom.pmf(0, 8, 0.2) * binom.pmf(0, 4, 0.1)
    assert chance_of_any(pattern, both, 0, 768) == pytest.approx(1 - silent, abs=1e-14)
    far = FAR * 768
    assert chance_of_any(pattern, both, far, far + 768) == pytest.approx(1 - silent, abs=1e-14)
    assert chance_within_phrase(pattern, both, FAR).chance == pytest.approx(1 - silent, abs=1e-14)


def test_a_step_that_copies_a_draw_adds_nothing() -> None:
    pattern = one_track(by_chance(50), Rule(conditions=(If(None, True),)))
    both = [("low drum", 1), ("low drum", 2)]
    assert chance_of_any(pattern, both, 0, 96) == 0.5
    assert chance_of_any(pattern, both, 0, 192) == 0.75
    opposite = one_track(by_chance(50), Rule(conditions=(If(None, False),)))
    assert chance_of_any(opposite, both, 0, 96) == 1.0


@given(patterns(tracks=3, length=5), st.sampled_from((0, 0, 3)), st.booleans())
@rehearsals(150)
def test_the_hits_of_each_pass_add_up(pattern: Pattern, carried: int, fill: bool) -> None:
    passes = 12
    until = passes * pattern.pass_ticks
    chances, _ = carried_along(pattern, until, carried, fill)
    hits = expected_hits(pattern, 1, passes, carried_passes=carried, fill=fill)
    played = [0.0] * passes
    for moment, chance in chances.items():
        played[moment.tick // pattern.pass_ticks] += chance
    assert hits == pytest.approx(played, abs=1e-12)


def test_the_fullest_and_the_emptiest_pass() -> None:
    pattern = one_track(ALWAYS, on_pass(4, 4), on_pass(8, 8), by_chance(50))
    shape = phrase_shape(pattern, 2)
    assert (shape.fullest.pass_number, shape.fullest.tick, shape.fullest.hits) == (16, 1440, 3.5)
    assert (shape.emptiest.pass_number, shape.emptiest.hits) == (9, 1.5)
    assert [each.hits for each in shape.passes] == [1.5, 1.5, 1.5, 2.5, 1.5, 1.5, 1.5, 3.5]
    far = phrase_shape(pattern, FAR)
    assert far.fullest.pass_number == 8 * FAR
    # One that goes on counting from 3: the fourth of four is the first of the part.
    carried = phrase_shape(pattern, 1, carried_passes=3)
    assert [each.pass_number for each in carried.passes if each.hits > 2] == [4, 8]
    # A pass of four bars in phrases of two: each has one pass begin in it, or lies in one.
    long = Pattern("slack water", 64, 6, phrase_ticks=192, tracks=pattern.tracks)
    assert phrase_shape(long, 1).fullest.pass_number == 1
    assert phrase_shape(long, 2).fullest.pass_number == 1
    assert phrase_shape(long, 3).fullest.pass_number == 2


def test_when_all_comes_back_in_phrases() -> None:
    # Common practice, no source: rules of 2, 3, 4 and 5 come together again after 60 passes, so
    # not within any phrase of eight bars.
    pattern = one_track(on_pass(1, 2), on_pass(1, 3), on_pass(1, 4), on_pass(1, 5))
    repeat = repeats_after(pattern)
    assert (repeat.passes, repeat.ticks, repeat.phrases) == (60, 5760, None)
    assert repeats_after(one_track(on_pass(3, 16))).phrases == 2


def test_a_million_performances() -> None:
    """Every step and pass within four standard errors of what a million performances do."""
    pattern = Pattern(
        "slack water",
        tracks=(
            Track(
                "low drum",
                16,
                6,
                (
                    Step(1, by_chance(75)),
                    Step(5, by_chance(40, If(None, False))),
                    Step(9, on_pass(2, 3, chance=Fraction(1, 2))),
                    Step(13, Rule(conditions=(If(None, True), If("shaker", False)))),
                ),
            ),
            Track(
                "shaker",
                12,
                6,
                (
                    Step(1, by_chance(30, If("low drum", True))),
                    Step(7, Rule(conditions=(If(None, False), If("low drum", True)))),
                ),
            ),
            Track(
                "buoy bell",
                16,
                6,
                (
                    Step(2, Rule(conditions=(If("low drum", True), If("shaker", True)))),
                    Step(10, by_chance(90, If(None, True), If("shaker", False))),
                ),
            ),
        ),
    )
    dice = np.random.default_rng(1)
    many = 1_000_000
    played = {track.name: np.zeros(many, dtype=bool) for track in pattern.tracks}
    bell = np.zeros(many, dtype=bool)
    order = []
    for index, track in enumerate(pattern.tracks):
        for step in track.steps:
            for at in range(1, 384 // track.pass_ticks + 2):
                tick = (at - 1) * track.pass_ticks + (step.number - 1) * track.step_ticks
                if tick < 384:
                    order.append((tick, index, step, at))
    order.sort(key=lambda each: each[:2])
    counts = {}
    for tick, index, step, at in order:
        track = pattern.tracks[index]
        outcome = np.full(many, all(cycle.holds(at) for cycle in step.rule.cycles))
        for term in step.rule.conditions:
            outcome &= played[term.track or track.name] == term.played
        if step.rule.chances:
            outcome &= dice.random(many) < float(step.rule.chance)
        played[track.name] = outcome
        counts[tick, track.name, step.number] = int(outcome.sum())
        if track.name == "buoy bell":
            bell |= outcome
    chances = {
        (event.tick, event.track, event.step): event.chance
        for event in step_events(pattern, 0, 384, every_step=True)
    }
    assert len(counts) == 35
    for key, count in counts.items():
        chance = chances.get(key, 0.0)
        assert abs(count - many * chance) <= 4 * binom.std(many, chance), key
    any_bell = chance_of_any(pattern, [("buoy bell", 2), ("buoy bell", 10)], 0, 384)
    assert abs(int(bell.sum()) - many * any_bell) <= 4 * binom.std(many, any_bell)
