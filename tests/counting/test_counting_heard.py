"""Steps weighed pass by pass: as in bulk, and as scipy has it."""

from __future__ import annotations

import random
from math import exp, log, log1p

import numpy as np
import pytest
from scipy import integrate, special, stats

from companion.counting.heard import Drawn, Rates, heard_chance
from companion.learn.rules import LearnedRule, log_drawn, log_sure, plays

RATES = [Rates(), Rates(0.02, 1e-5), Rates(0.08, 0.008)]


def some_passes(seed: int, length: int = 300) -> list[bool]:
    rng = random.Random(seed)
    chance = rng.choice([0.0, 0.02, 0.3, 0.5, 0.97, 1.0])
    return [rng.random() < chance for _ in range(length)]


@pytest.mark.parametrize("rates", RATES)
@pytest.mark.parametrize("seed", range(8))
def test_a_rule_weighed_pass_by_pass_is_the_one_in_bulk(seed: int, rates: Rates) -> None:
    rng = random.Random(seed)
    n = rng.randint(2, 8)
    rule = LearnedRule(n, tuple(sorted(rng.sample(range(1, n + 1), rng.randint(1, n - 1)))))
    heard = some_passes(seed)
    inside = plays(rule, np.arange(1, len(heard) + 1))
    total = 0.0
    for count, (played, hit) in enumerate(zip(inside, heard, strict=True), 1):
        chance = heard_chance(float(played), rates)
        total += log(chance) if hit else log1p(-chance)
        bits, mask = np.array(heard[:count]), inside[:count]
        numbers = (float(each) for each in ((bits & mask).sum(), mask.sum(), bits.sum(), count))
        counts = (np.array([each]) for each in numbers)
        assert total == pytest.approx(float(log_sure(*counts, rates.lost, rates.stray)[0]))


@pytest.mark.parametrize("rates", RATES)
@pytest.mark.parametrize("seed", range(8))
def test_an_unknown_chance_weighed_pass_by_pass_is_the_one_in_bulk(seed: int, rates: Rates) -> None:
    drawn = Drawn(rates)
    for count, hit in enumerate(some_passes(seed), 1):
        drawn.take(hit)
        hits, most = np.array([float(drawn.heard)]), np.array([float(count)])
        bulk = log_drawn(hits, most, hits, most, rates.lost, rates.stray)
        assert drawn.log == pytest.approx(float(bulk[0]))


@pytest.mark.parametrize(("heard", "silent"), [(0, 0), (3, 1), (1, 30), (40, 0), (25, 25)])
def test_what_comes_next_is_the_mean_of_a_truncated_beta(heard: int, silent: int) -> None:
    rates = Rates(lost=0.05)
    drawn = Drawn(rates)
    for hit in [True] * heard + [False] * silent:
        drawn.take(hit)
    beta = stats.beta(heard + 1, silent + 1)
    mean, _ = integrate.quad(lambda r: r * beta.pdf(r), 0, 1 - rates.lost, epsabs=1e-13)
    assert drawn.next_heard == pytest.approx(mean / beta.cdf(1 - rates.lost), rel=1e-9)


def test_with_nothing_lost_it_is_laplace_and_the_beta_binomial() -> None:
    drawn = Drawn(Rates(lost=1e-12))
    for hit in [True, True, False, True]:
        drawn.take(hit)
    assert drawn.next_heard == pytest.approx(4 / 6)
    # 3 of 4, in one of the four orders.
    assert exp(drawn.log) == pytest.approx(stats.betabinom(4, 1, 1).pmf(3) / 4)


def test_a_night_of_passes_loses_no_digits() -> None:
    drawn = Drawn()
    for count in range(100_000):
        drawn.take(count % 4 == 0)
    a, b = drawn.heard + 1, drawn.silent + 1
    assert drawn.next_heard == pytest.approx(a / (a + b), rel=1e-9)
    whole = stats.beta(a, b).logcdf(0.999) - log(0.999)
    assert drawn.log == pytest.approx(whole + float(special.betaln(a, b)), rel=1e-9)


@pytest.mark.parametrize("lost", [1e-3, 0.5, 0.75])
@pytest.mark.parametrize("passes", [1, 30, 3000])
def test_what_was_always_heard_stays_below_what_is_lost(lost: float, passes: int) -> None:
    drawn = Drawn(Rates(lost=lost))
    for _ in range(passes):
        drawn.take(True)
    # The integrals of r^(n + 1) and of r^n up to x, by hand.
    assert drawn.next_heard == pytest.approx((1 - lost) * (passes + 1) / (passes + 2), rel=1e-12)


def test_a_step_that_hardly_plays_is_heard_like_a_stray_note() -> None:
    rates = Rates(stray=1e-4)
    assert heard_chance(0.0, rates) == heard_chance(1e-6, rates) == 1e-4
