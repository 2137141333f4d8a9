"""The arithmetic across a gap: against numpy, against every way a clock may betray it."""

from __future__ import annotations

import random
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.follow.gap import CERTAIN_NS, Far, Line, may_be_certain

SECOND = 1_000_000_000


@dataclass(frozen=True)
class Outcome:
    """What a judge made of a clock, and what was true."""

    certain: bool | None
    said: int
    true: int
    ticks: int


def night(
    rng: random.Random,
    *,
    bpm: float = 120.0,
    jitter_ns: float = 300_000,
    gap_s: float = 3.0,
    tempo: float = 0.0,
    since: float = 0.0,
    phase: float = 0.0,
    known: int = 192,
) -> Outcome:
    """A clock heard for `known` ticks, then not for `gap_s` seconds, then again.

    In the gap its tempo changes by the part `tempo`, when `since` of it (0 to 1) has passed; after
    it the ticks lie `phase` ticks off.
    """
    period_ns = 60e9 / bpm / 24
    heard = np.array([k * period_ns + rng.gauss(0, jitter_ns) for k in range(known)])
    slope, at = np.polyfit(np.arange(known), heard, 1)
    off = heard - (at + slope * np.arange(known))
    line = Line(round(at + slope * (known - 1)), float(slope), known, float(off.std(ddof=2)))
    t_ns, gone = (known - 1) * period_ns, 0
    changes_ns = t_ns + since * gap_s * SECOND
    ends_ns = t_ns + gap_s * SECOND
    far: Far | None = None
    for _ in range(20_000):
        t_ns += period_ns if t_ns < changes_ns else period_ns * (1 + tempo)
        gone += 1
        if t_ns < ends_ns:
            continue
        heard_ns = round(t_ns + phase * period_ns + rng.gauss(0, jitter_ns))
        if far is None:
            if not may_be_certain(line, heard_ns):
                return Outcome(None, Far(line, heard_ns).first, gone, 0)
            far, first = Far(line, heard_ns), gone
        verdict = far.hear(heard_ns)
        if verdict is not None:
            return Outcome(verdict, far.index, gone, gone - first + 1)
    raise AssertionError("no verdict")


@given(
    st.integers(3, 192),
    st.floats(0, 2000),
    st.floats(1e5, 3e6),
)
def test_the_error_of_a_line_is_the_one_of_least_squares(
    ticks: int, ahead: float, jitter_ns: float
) -> None:
    # numpy as the outside reference: x (X'X)^-1 x' for the design matrix of a straight line.
    design = np.vander(np.arange(ticks, dtype=float), 2)
    at = np.array([ticks - 1 + ahead, 1.0])
    variance = at @ np.linalg.inv(design.T @ design) @ at
    period_ns = 20_833_333.0
    line = Line(0, period_ns, ticks, jitter_ns)
    assert line.error(ahead) == pytest.approx(jitter_ns / period_ns * np.sqrt(variance), rel=1e-6)


def test_the_error_of_the_period_is_the_bound_for_white_noise() -> None:
    # Cramer-Rao: variance 12 s^2/(N(N^2 - 1)) (S. Kay, 1993): 96 ticks with 1 ms at 122 beats a
    # minute are 0.022 beats a minute.
    line = Line(0, 60e9 / (122 * 24), 96, 1e6)
    assert 122 * line.period_error() == pytest.approx(0.022, abs=0.002)


@pytest.mark.parametrize("gap_s", [0.3, 1.0, 3.0, 9.5])
@pytest.mark.parametrize("jitter_ns", [0, 200_000, 500_000, 1_000_000])
def test_a_clock_that_goes_on_is_known_again(gap_s: float, jitter_ns: float) -> None:
    rng = random.Random(7)
    sure = 0
    for _ in range(60):
        found = night(rng, bpm=rng.uniform(60, 180), jitter_ns=jitter_ns, gap_s=gap_s)
        assert found.said == found.true
        if found.certain:
            sure += 1
            # Five beats of 24 ticks at most, one for most.
            assert 24 <= found.ticks <= 120
    assert sure >= 50


@pytest.mark.parametrize("seed", range(20))
def test_whatever_the_tempo_does_nothing_wrong_is_certain(seed: int) -> None:
    rng = random.Random(seed)
    for _ in range(100):
        found = night(
            rng,
            bpm=rng.uniform(40, 250),
            jitter_ns=rng.choice([0, 200_000, 1_000_000]),
            gap_s=rng.uniform(0.3, 9.9),
            tempo=rng.choice([-1, 1]) * 10 ** rng.uniform(-4.5, -1.3),
            since=rng.random(),
            known=rng.choice([30, 96, 192]),
        )
        if found.certain:
            assert found.said == found.true


@given(st.floats(0.2, 0.8), st.floats(60, 180), st.integers(0, 10_000))
def test_ticks_that_lie_beside_the_line_are_of_another_start(
    phase: float, bpm: float, seed: int
) -> None:
    rng = random.Random(seed)
    found = night(rng, bpm=bpm, jitter_ns=200_000, gap_s=rng.uniform(0.5, 9), phase=phase)
    assert not found.certain


def test_too_long_or_too_little_known_is_never_certain() -> None:
    line = Line(0, 20_833_333, 192, 200_000)
    assert may_be_certain(line, CERTAIN_NS)
    assert not may_be_certain(line, CERTAIN_NS + 1)
    assert not may_be_certain(line, -1)
    assert not may_be_certain(Line(0, 20_833_333, 20, 0), SECOND)
    # Thirty ticks with a millisecond of jitter say little of where a tick is five seconds later.
    assert may_be_certain(Line(0, 20_833_333, 30, 1e6), 30 * 20_833_333 // 24)
    assert not may_be_certain(Line(0, 20_833_333, 30, 1e6), 5 * SECOND)


def test_a_tick_lost_or_doubled_after_the_gap_only_takes_longer() -> None:
    for lost, twice in ((10, None), (None, 10), (15, 30)):
        line, far = (
            Line(0, 20_833_333, 192, 200_000),
            Far(Line(0, 20_833_333, 192, 200_000), 100 * 20_833_333),
        )
        verdict, heard = None, 0
        for tick in range(100, 200):
            if tick - 100 == lost:
                continue
            for _ in range(2 if tick - 100 == twice else 1):
                verdict = far.hear(tick * 20_833_333)
                heard += 1
                if verdict is not None:
                    break
            if verdict is not None:
                break
        assert line.ticks == 192
        assert verdict is True
        assert far.index == tick
        assert heard > 24
