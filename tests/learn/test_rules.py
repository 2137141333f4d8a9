"""Rules told from bits, held against scipy, against arithmetic written out, and against odds."""

from __future__ import annotations

from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from scipy.special import betainc, comb
from scipy.stats import beta, betabinom, binomtest

from companion.counting import If
from companion.learn.rules import (
    ALWAYS,
    NEVER,
    PRIORS,
    Chance,
    LearnedRule,
    Sets,
    beta_quantile,
    chance_of,
    log_drawn,
    passes_to_settle,
    plays,
    primitive,
    sets_for,
    weigh,
    written_chance,
)
from companion.setlist.text import parse_rule

LOST, STRAY = 0.02, 1e-4


def bits_of(*rows: str) -> np.ndarray:
    return np.array([[int(bit) for bit in row] for row in rows], dtype=np.float32)


def told(row: str) -> tuple[LearnedRule, float]:
    """The likeliest rule of a step heard so, pass by pass, and its probability."""
    bits = bits_of(row)
    sets = sets_for(np.arange(1, len(row) + 1), PRIORS)
    found = weigh(bits, np.ones_like(bits), sets, LOST, STRAY)
    best = int(found.log[0].argmax())
    return found.rules[best], float(found.posterior[0, best])


def test_what_is_believed_before_sums_to_one() -> None:
    kinds = (
        PRIORS.never + PRIORS.always + PRIORS.cycle + PRIORS.chance + PRIORS.both,
        PRIORS.first + PRIORS.after_first + PRIORS.condition,
    )
    assert sum(kinds) == pytest.approx(1.0)
    assert sum(PRIORS.cycles.values()) == pytest.approx(1.0)
    assert sum(share for _, share in PRIORS.lost) == pytest.approx(1.0)
    assert sum(share for _, share in PRIORS.stray) == pytest.approx(1.0)
    # All passes of the longest cycle were heard: nothing is left out, nothing counted twice.
    sets = Sets(np.arange(1, 129), PRIORS)
    total = np.exp(sets.sure).sum() + np.exp(sets.drawn).sum()
    assert total == pytest.approx(1.0 - PRIORS.condition, abs=1e-9)
    assert len({str(rule) for rule in sets.rules}) == len(sets.rules)


def test_every_rule_reads_in_a_set_list_as_it_was_meant() -> None:
    sets = Sets(np.arange(1, 33), PRIORS)
    passes = np.arange(1, 257)
    for rule in sets.rules:
        if rule.never or rule.n > 20:
            continue
        read = parse_rule(str(rule))
        wanted = [
            all(cycle.holds(number) for cycle in read.cycles)
            and (read.first is None or read.first == (number == 1))
            for number in passes.tolist()
        ]
        assert plays(rule, passes).tolist() == wanted, str(rule)


def test_no_set_of_passes_stands_for_another() -> None:
    assert primitive(4, (1, 2))
    assert not primitive(4, (1, 3))
    assert not primitive(8, (2, 6))
    assert primitive(2, (1,))


def test_a_chance_has_the_beta_binomial_likelihood_of_scipy() -> None:
    for hits, passes in ((0, 1), (3, 10), (17, 32), (256, 256)):
        counts = [np.array([float(x)]) for x in (hits, passes, hits, passes)]
        theirs = betabinom(passes, 1, 1).logpmf(hits) - np.log(comb(passes, hits))
        assert log_drawn(*counts, 1e-15, STRAY)[0] == pytest.approx(theirs, abs=1e-9)
        # With lost notes only rates up to 1 - lost are possible.
        below = np.log(betainc(hits + 1, passes - hits + 1, 1 - LOST) / (1 - LOST))
        assert log_drawn(*counts, LOST, STRAY)[0] == pytest.approx(theirs + below, abs=1e-9)


def test_all_rules_at_once_weigh_what_each_weighs_alone() -> None:
    """The product over all sets against the likelihood written out pass by pass."""
    rng = np.random.default_rng(5)
    passes = np.concatenate((np.arange(1, 13), np.arange(1, 8)))
    heard = (rng.random((3, len(passes))) < 0.4).astype(np.float32)
    valid = (rng.random(heard.shape) < 0.9).astype(np.float32)
    heard *= valid
    sets = Sets(passes, PRIORS)
    found = weigh(heard, valid, sets, LOST, STRAY)
    columns = {str(rule): at for at, rule in enumerate(found.rules)}
    shares = {str(rule): share for rule, share in zip(sets.rules, sets.sure, strict=True)}
    rules = [
        ALWAYS,
        NEVER,
        LearnedRule(first=True),
        LearnedRule(5, (2,)),
        LearnedRule(4, (1, 2)),
        LearnedRule(7, (1, 3, 4)),
    ]
    for row, rule in product(range(3), rules):
        log = shares[str(rule)]
        for bit, known, inside in zip(heard[row], valid[row], plays(rule, passes), strict=True):
            rate = 1 - LOST if inside else STRAY
            if known:
                log += np.log(rate if bit else 1 - rate)
        assert found.log[row, columns[str(rule)]] == pytest.approx(log, abs=1e-3)


@pytest.mark.parametrize(
    ("row", "rule"),
    [
        ("1" * 16, "always"),
        ("1" * 9 + "0" + "1" * 22, "always"),
        ("0001" * 8, "pass 4 of 4"),
        ("1110" * 8, "not pass 4 of 4"),
        ("1010" * 4, "pass 1 of 2"),
        ("11001000" * 4, "pass 1, 2, 5 of 8"),
        ("1" + "0" * 31, "first pass"),
        ("01011" * 6, "not pass 1, 3 of 5"),
    ],
)
def test_plain_cases(row: str, rule: str) -> None:
    found, sure = told(row)
    assert str(found) == rule
    assert sure > 0.5


def test_one_lost_note_does_not_make_a_rule() -> None:
    assert told("1" * 20 + "0" + "1" * 11)[0] == ALWAYS
    found, sure = told("0001" * 5 + "0000" + "0001" * 2)
    assert str(found) == "pass 4 of 4"
    assert 0.3 < sure < 0.99


def test_what_cannot_be_told_yet_is_said_to_be_unsure() -> None:
    assert told("0001")[1] < 0.5
    assert told("0001" * 2)[1] < 0.95
    assert told("0001" * 8)[1] > 0.97


@pytest.mark.parametrize(("hits", "passes"), [(0, 1), (1, 1), (3, 9), (40, 64), (255, 256)])
def test_intervals_are_those_of_scipy(hits: int, passes: int) -> None:
    for share in (0.025, 0.5, 0.975):
        theirs = beta(hits + 1, passes - hits + 1).ppf(share)
        assert beta_quantile(share, hits, passes) == pytest.approx(theirs, abs=1e-9)


def test_intervals_cover_what_they_promise() -> None:
    """Chances drawn alike, 2 % of notes lost; exact: summed over all outcomes, not sampled.

    Ours has to cover 95 percent over all chances. Clopper and Pearson's (scipy), which promises
    that for each chance by itself, covers more and is wider.
    """
    passes = 32
    chances = np.linspace(0.0025, 0.9975, 200)
    ways = comb(passes, np.arange(passes + 1))
    covered = {"ours": 0.0, "theirs": 0.0}
    for hits in range(passes + 1):
        mine = chance_of(hits, passes, LOST)
        low, high = binomtest(hits, passes).proportion_ci(0.95, "exact")
        rate = chances * (1 - LOST)
        weight = ways[hits] * rate**hits * (1 - rate) ** (passes - hits) / len(chances)
        covered["ours"] += float(weight[(mine.low <= chances) & (chances <= mine.high)].sum())
        covered["theirs"] += float(weight[(low <= rate) & (rate <= high)].sum())
    assert covered["ours"] == pytest.approx(0.95, abs=0.002)
    assert covered["theirs"] > covered["ours"]


def test_a_round_chance_is_written_where_it_fits() -> None:
    assert written_chance(13, 32, 0.0) == Fraction(2, 5)
    assert written_chance(11, 33, 0.0) == Fraction(1, 3)
    assert written_chance(930, 1000, 0.0) == Fraction(93, 100)
    assert isinstance(chance_of(3, 9, 1e-9), Chance)


def test_more_passes_settle_a_doubt_as_foretold() -> None:
    """The forecast of how many more are needed, against going on listening."""
    row = "0001" * 3
    bits = bits_of(row)
    sets = sets_for(np.arange(1, 13), PRIORS)
    found = weigh(bits, np.ones_like(bits), sets, LOST, STRAY)
    order = np.argsort(-found.log[0])[:10]
    rules = [found.rules[at] for at in order]
    coming = np.arange(13, 200)
    likely = np.array(
        [np.where(plays(rule, coming), 0.5 if rule.chance else 1 - LOST, STRAY) for rule in rules]
    )
    more = passes_to_settle(rules, found.log[0, order], likely)
    assert more is not None
    needed = next(n for n in range(4, 200, 4) if told("0001" * (n // 4))[1] >= 0.95)
    assert abs(12 + more - needed) <= 8


def test_calibration_of_what_is_said_to_be_sure() -> None:
    """From the least sure tenth to the surest: as many right as was said, within 99 percent.

    Steps are drawn from the table of priors and heard for a few passes, when most is doubtful.
    """
    rng = np.random.default_rng(20)
    whole = sets_for(np.arange(1, 129), PRIORS)
    rules = whole.rules + whole.drawn_rules
    shares = np.exp(np.concatenate((whole.sure, whole.drawn)))
    shares[0] = 0.0
    said: list[float] = []
    right: list[bool] = []
    for passes in np.tile(np.arange(2, 17), 16):
        numbers = np.arange(1, passes + 1)
        sets = sets_for(numbers, PRIORS)
        chosen = rng.choice(len(rules), size=200, p=shares / shares.sum())
        bits = np.array([plays(rules[at], numbers) for at in chosen])
        drawn = np.array([rules[at].chance for at in chosen])
        bits &= ~drawn[:, None] | (rng.random(bits.shape) < rng.random(len(bits))[:, None])
        bits &= rng.random(bits.shape) > LOST
        heard = bits.any(1)
        rows = bits[heard].astype(np.float32)
        found = weigh(rows, np.ones_like(rows), sets, LOST, 1e-9)
        posterior = found.posterior
        for row, best in enumerate(posterior.argmax(1)):
            said.append(float(posterior[row, best]))
            right.append(found.rules[best] == rules[chosen[heard][row]])
    order = np.argsort(said, kind="stable")
    for tenth in np.array_split(order, 10):
        assert len(tenth) >= 200
        expected, found_right = np.array(said)[tenth].mean(), np.array(right)[tenth]
        test = binomtest(int(found_right.sum()), len(tenth), float(expected))
        assert test.pvalue > 0.01, (expected, found_right.mean())


def test_terms_are_written_in_the_order_of_the_format() -> None:
    rule = LearnedRule(
        4, (1, 3, 4), chance=True, percent=Fraction(1, 3), condition=If("snap", False)
    )
    assert str(rule) == "not pass 2 of 4, if snap silent, chance 1 in 3"
    assert parse_rule(str(rule), ["snap"]).chance == Fraction(1, 3)
