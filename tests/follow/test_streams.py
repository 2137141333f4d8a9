"""The generator keeps its own law, and the ideal filter is honest about what it hears of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binomtest, kstest

from tests.bench.ideal import know
from tests.follow.streams import MS, ORDINARY, ROWS, stream


@pytest.mark.parametrize("row", ROWS)
def test_nothing_comes_before_it_was_sent_nor_before_what_was_sent_ahead_of_it(row: str) -> None:
    made = stream(ROWS[row], 1, 20_000)
    assert made.tick[0] == 0
    assert (np.diff(made.t_ns) >= 0).all()
    assert np.isin(np.diff(made.tick), range(6)).all()
    assert (made.t_ns + 1 >= made.sent_ns[made.tick]).all()


def test_each_fault_is_as_frequent_as_its_law_says() -> None:
    laws = replace(ORDINARY, held=1 / 60, lost=1 / 200, doubled=1 / 400)
    sent = 200_000
    made = stream(laws, 1, sent)
    heard = len(np.unique(made.tick))
    # One in a thousand seeds would fail each (scipy).
    assert binomtest(sent - heard, sent, laws.lost).pvalue > 1e-3
    assert binomtest(len(made.tick) - heard, heard, laws.doubled).pvalue > 1e-3
    late = (made.t_ns - made.sent_ns[made.tick]) / MS
    # At 120 a minute a hold-up of up to 40 ms presses the next tick, or two: these come behind it.
    behind = np.diff(made.t_ns, prepend=-MS) < 2 * MS
    assert binomtest(int(((late > 5) & ~behind).sum()), heard, laws.held).pvalue > 1e-3


def test_ordinary_delays_are_half_normal() -> None:
    made = stream(replace(ORDINARY, jitter_ms=3.0), 2, 5000)
    late = (made.t_ns - made.sent_ns[made.tick]) / MS
    assert kstest(late, "halfnorm", (0, 3.0)).pvalue > 1e-3


@pytest.mark.nightly
def test_the_ideal_is_wrong_as_often_as_it_says_and_never_by_more_than_one_where_sure() -> None:
    found, own = 0, 0.0
    for row in ("held 1/60, lost 1/200", "held, lost, doubled, 300"):
        for seed in (1, 2):
            made = stream(ROWS[row], seed, 6000)
            known = know(made)
            off = np.abs(known.tick - made.tick)
            assert not (off[known.sure] > 1).any()
            found += int((off > 0).sum())
            own += float((known.by_one + known.by_more).sum())
    # Four deviations of a Poisson count.
    assert abs(found - own) < 4 * own**0.5


@pytest.mark.nightly
def test_twice_as_fine_the_ideal_calls_the_same_ticks_sure() -> None:
    made = stream(ROWS["no turns, 300"], 3, 3000)
    once, twice = know(made), know(made, fine=2)
    assert abs(once.sure.mean() - twice.sure.mean()) < 0.001
    assert (once.tick == twice.tick).all()
