"""Running sums, lines, parabolas and departures, against numpy on the same ticks."""

from __future__ import annotations

import numpy as np
import pytest

from companion.follow.departures import (
    BEND,
    BEND_CURVED,
    NEAR,
    PRESSING,
    SHRINK,
    STRETCHES,
    WINDOW,
    Kind,
    climb,
    depart,
    glance,
    longest,
    look,
    pressing,
    weigh,
)
from companion.follow.lines import Line, Sums, along, parabola, scatter, width
from tests.follow.clocks import Times

PERIOD = 20_491_803.0
NOISE = 1e12
KINDS = list(Kind)


def heard(times: Times, before: int = 0) -> Sums:
    """Sums over these times that come after `before` others."""
    sums = Sums()
    sums.n = before
    for t in times:
        sums.put(int(t))
    return sums


def clock(count: int, seed: int = 1, curve: float = 0.0) -> Times:
    rng = np.random.default_rng(seed)
    x = np.arange(count)
    times: Times = np.floor(x * PERIOD + curve * x * x + rng.normal(0, 1e6, count))
    return times


def shape(kind: Kind, count: int, ticks: int) -> Times:
    """A departure of size 1 over the latest ticks."""
    place = np.maximum(0, np.arange(count) - (count - ticks) + 1.0)
    return place ** int(kind) * (place > 0)


@pytest.mark.parametrize("before", [0, 100, 10**9])
@pytest.mark.parametrize("count", [2, 6, 7, 24, 192])
@pytest.mark.parametrize("curved", [False, True])
def test_lines_and_parabolas_are_numpys(before: int, count: int, curved: bool) -> None:
    times = clock(300, curve=-1500.0)
    line = heard(times, before).line(count, curved)
    x = np.arange(1 - count, 1)
    degree = 2 if curved and count >= 6 else 1
    outside = np.polynomial.Polynomial.fit(x, times[-count:], degree).convert().coef
    assert line[0] == pytest.approx(outside[0], abs=5)
    assert line[1] == pytest.approx(outside[1], abs=1)
    assert line[2] == pytest.approx(outside[2] if degree == 2 else 0.0, abs=0.05)


@pytest.mark.parametrize("count", [3, 12, 192])
@pytest.mark.parametrize("curved", [False, True])
def test_the_residual_is_numpys(count: int, curved: bool) -> None:
    times = clock(250, curve=-1500.0)
    sums = heard(times)
    x = np.arange(1 - count, 1)
    degree = 2 if curved and count >= 6 else 1
    fit = np.polynomial.Polynomial.fit(x, times[-count:], degree)
    outside = ((times[-count:] - fit(x)) ** 2).sum()
    assert sums.residual(count, sums.line(count, curved)[2]) == pytest.approx(outside, rel=1e-6)


def test_replaced_times_leave_no_trace() -> None:
    times = clock(80)
    sums = heard(np.concatenate([times[:70], times[70:] + 9e6]))
    sums.replace([int(t) for t in times[70:]])
    assert sums.line(60) == heard(times).line(60)
    assert sums.latest(80) == [int(t) for t in times]


def test_along_a_curve_the_tempo_stops_moving_after_a_bar() -> None:
    line: Line = (1000.0, 50.0, 0.25)
    assert along(line, 0) == 1000.0
    assert along(line, 10) == 1000.0 + 500.0 + 25.0
    # A bar of 4/4 is 96 ticks; from there with the period reached.
    assert along(line, 97) - along(line, 96) == 50.0 + 2 * 0.25 * 96
    assert along(line, 1000) - along(line, 999) == 50.0 + 2 * 0.25 * 96


def test_the_sum_of_squares_of_a_parabola_is_numpys() -> None:
    for count in (6, 24, 192):
        x = np.arange(count, dtype=float)
        rest = x * x - np.polynomial.Polynomial.fit(x, x * x, 1)(x)
        assert parabola(count) == pytest.approx((rest**2).sum(), rel=1e-9)


def test_width_and_scatter_are_numpys() -> None:
    times = clock(100, curve=-1500.0)
    sums = heard(times)
    x = np.arange(100)
    for degree in (1, 2):
        rest = times - np.polynomial.Polynomial.fit(x, times, degree)(x)
        line = sums.line(100, degree == 2)
        assert width(sums, 100, line) == pytest.approx(np.ptp(rest), rel=1e-4)
        if degree == 1:
            assert scatter([int(t) for t in times]) == pytest.approx((rest**2).sum() / 98, rel=1e-6)


# -- departures ----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("curved", [False, True])
@pytest.mark.parametrize(("count", "ticks"), [(12, 5), (50, 24), (96, 5), (96, 48), (96, 85)])
def test_a_departure_is_worth_what_it_takes_off_the_sum_of_squares(
    kind: Kind, curved: bool, count: int, ticks: int
) -> None:
    times = clock(220, seed=3)
    times[-ticks:] += 2e5 * shape(kind, ticks, ticks)
    sums = heard(times)
    found = depart(sums, count, sums.line(count, curved), NOISE, kind, ticks)

    # Outside: least squares with one more column.
    x = np.arange(1 - count, 1, dtype=float)
    y = times[-count:] - times[-1]
    plain = np.vander(x / count, 3 if curved else 2)
    more = np.column_stack([plain, shape(kind, count, ticks)])
    before = ((y - plain @ np.linalg.lstsq(plain, y, rcond=None)[0]) ** 2).sum()
    factors = np.linalg.lstsq(more, y, rcond=None)[0]
    after = ((y - more @ factors) ** 2).sum()
    assert found.chi2 == pytest.approx((before - after) / NOISE, rel=1e-3, abs=1e-3)
    assert found.size == pytest.approx(factors[-1], rel=1e-3, abs=1)

    # With it, the line ends where and as steep as the outside fit does.
    at, period, _ = sums.line(count, curved)
    end = more[-1] @ factors
    steep = factors[-2 - 1] / count + factors[-1] * [0, 1, 2 * ticks][kind]
    assert at + found.at - (times[-1] + end) == pytest.approx(0.0, abs=50)
    assert period + found.period == pytest.approx(steep, abs=20)


@pytest.mark.parametrize("curved", [False, True])
@pytest.mark.parametrize("count", [12, 60, 96])
def test_a_glance_finds_the_best_of_all_stretches(curved: bool, count: int) -> None:
    sums = heard(clock(220, seed=9, curve=900.0))
    line = sums.line(count, curved)
    stretches = [m for m in STRETCHES if m <= longest(count, curved)]
    for kind, (merit, ticks) in zip(Kind, glance(sums, count, line, NOISE), strict=True):
        one_by_one = {m: depart(sums, count, line, NOISE, kind, m).merit for m in stretches}
        assert merit == pytest.approx(max(one_by_one.values()), rel=1e-6)
        assert merit == pytest.approx(one_by_one[ticks], rel=1e-6)


@pytest.mark.parametrize("ticks", [9, 20, 30, 55, 80])
def test_a_bend_is_climbed_to_from_the_nearest_stretch(ticks: int) -> None:
    times = np.asarray(np.arange(200) * PERIOD, float)
    times[-ticks:] += 3e5 * shape(Kind.BEND, ticks, ticks)
    sums = heard(times)
    line = sums.line(WINDOW)
    start = glance(sums, WINDOW, line, 1e10)[Kind.BEND][1]
    assert climb(sums, WINDOW, line, 1e10, Kind.BEND, start).ticks == pytest.approx(ticks, abs=1)


@pytest.mark.parametrize("curved", [False, True])
def test_a_bend_presses_as_soon_as_one_of_its_stretches_is_likely(curved: bool) -> None:
    need = BEND_CURVED if curved else BEND
    seen = set()
    for size in np.linspace(0, 1.5e5, 60):
        times = clock(192, seed=4, curve=900.0 if curved else 0.0)
        times[-30:] += size * shape(Kind.BEND, 30, 30)
        sums = heard(times)
        line = sums.line(WINDOW, curved)
        merits = [depart(sums, WINDOW, line, NOISE, Kind.BEND, m).merit for m in PRESSING]
        likely = max(merits) > need - NEAR
        assert pressing(sums, WINDOW, line, NOISE) == likely
        seen.add(likely)
    assert seen == {False, True}


def test_where_a_doubtful_bend_began_is_left_open() -> None:
    times = clock(192, seed=2)
    times[-30:] += 7e4 * shape(Kind.BEND, 30, 30)
    sums = heard(times)
    line = sums.line(WINDOW)
    found = look(sums, WINDOW, line, NOISE)
    bends = {d.ticks: d for d in found if d.kind is Kind.BEND}
    assert sorted(bends) == list(STRETCHES)
    # The tempo read lies among those of the likeliest places.
    mixed, certain = weigh(line, found)
    assert certain is None
    best = sorted(bends.values(), key=lambda d: -d.merit)[:3]
    assert min(0.0, *(d.period for d in best)) < mixed[1] - line[1]
    assert mixed[1] - line[1] < max(d.period for d in best)


def test_a_steady_line_gives_nothing_to_weigh() -> None:
    sums = heard(clock(192, seed=2))
    assert look(sums, WINDOW, sums.line(WINDOW), NOISE) == []


@pytest.mark.parametrize("kind", KINDS)
def test_a_clear_departure_is_certain_and_of_its_own_kind(kind: Kind) -> None:
    times = clock(192, seed=2)
    times[-60:] += [3e7, 1e6, 3e4][kind] * shape(kind, 60, 60)
    sums = heard(times)
    line = sums.line(WINDOW)
    mixed, certain = weigh(line, look(sums, WINDOW, line, NOISE))
    assert certain is not None
    assert certain.kind is kind
    assert certain.ticks == pytest.approx(60, abs=1)
    # All of it is added to the line but what a doubtful one would lose of its size.
    whole = certain.chi2 / (certain.chi2 + SHRINK)
    assert mixed[1] == pytest.approx(line[1] + whole * certain.period, abs=1)


def test_a_doubtful_bend_is_added_in_part() -> None:
    shares = []
    for size in (0, 7e3, 9.5e3, 1e4, 1.05e4, 1e5):
        times = np.asarray(np.arange(192) * PERIOD, float)
        times[-60:] += size * shape(Kind.BEND, 60, 60)
        sums = heard(times)
        line = sums.line(WINDOW)
        found = look(sums, WINDOW, line, 1e11)
        mixed, _ = weigh(line, found) if found else (line, None)
        # The share of the way from the plain line to the new tempo.
        whole = PERIOD + size - line[1]
        shares.append((mixed[1] - line[1]) / whole if size else 0.0)
    assert shares[0] == 0.0
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1.0, abs=0.05)
    assert 0.1 < shares[3] < 0.9
