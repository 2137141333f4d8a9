"""Driver time on the host's clock: the driver's intervals, wherever the host was busy."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest

from companion.engine.ports import WINDOW, DriverTime
from tests.builders import PORT, Rehearsal, three_parts

STEP_NS = 20_833_333


def stamps(lags_ns: list[int], drift: float = 0.0) -> list[int]:
    """Stamps of a steady clock whose n-th message is seen `lags_ns[n]` late."""
    clock = DriverTime()
    out = []
    for number, lag in enumerate(lags_ns):
        true_ns = number * STEP_NS
        delta_s = 0.0 if number == 0 else STEP_NS / 1e9 * (1 + drift)
        out.append(clock.stamp(delta_s, 5_000_000_000 + true_ns + lag))
    return out


def test_a_late_interpreter_does_not_move_the_stamps() -> None:
    rng = random.Random(1)
    lags = [0] + [rng.choice([0, 50_000, 5_000_000]) for _ in range(400)]
    got = stamps(lags)
    intervals = [b - a for a, b in pairwise(got)]
    assert max(abs(i - STEP_NS) for i in intervals) <= 1


def test_a_first_message_seen_late_is_put_right_by_the_next() -> None:
    got = stamps([7_000_000] + [0] * 10)
    assert got[1] == 5_000_000_000 + STEP_NS


def test_never_in_the_future() -> None:
    rng = random.Random(2)
    lags = [rng.randrange(0, 3_000_000) for _ in range(300)]
    for number, stamp in enumerate(stamps(lags)):
        assert stamp <= 5_000_000_000 + number * STEP_NS + lags[number]


def test_drift_between_the_clocks_does_not_add_up() -> None:
    # A driver clock 100 ppm slow, over an hour of clock at 120 beats a minute.
    got = stamps([0] * 172_800, drift=-1e-4)
    true_ns = 5_000_000_000 + (len(got) - 1) * STEP_NS
    assert true_ns - got[-1] <= WINDOW * STEP_NS * 2e-4


def test_a_driver_whose_clock_stands_still_is_not_believed() -> None:
    clock, seen = DriverTime(), 5_000_000_000
    got = [clock.stamp(0.0, seen)]
    for _ in range(200):
        seen += STEP_NS
        got.append(clock.stamp(0.0, seen))
        assert got[-1] <= seen
    assert [b - a for a, b in pairwise(got)] == [STEP_NS] * 200
    # It may be mended, and stop again: then two in a row show it.
    for delta_s in (STEP_NS / 1e9, STEP_NS / 1e9, 0.0, 0.0, 0.0):
        seen += STEP_NS
        got.append(clock.stamp(delta_s, seen))
    assert got[-1] == seen
    assert got[-5:-3] == [seen - 4 * STEP_NS, seen - 3 * STEP_NS]


def test_many_that_came_at_once_are_seen_one_after_the_other() -> None:
    # A chord and a clock in one packet: no time lies between them, however slow the interpreter is.
    clock, seen = DriverTime(), 5_000_000_000
    clock.stamp(0.0, seen - STEP_NS)
    first = clock.stamp(STEP_NS / 1e9, seen)
    assert clock.stamp(0.0, seen + 20_000_000) == first
    assert [clock.stamp(0.0, seen + 20_000_000 + n * 400_000) for n in range(1, 9)] == [first] * 8


@pytest.mark.parametrize("stops_at", [0, 1, 30, 96])
def test_a_clock_whose_times_stand_still_is_followed(stops_at: int) -> None:
    rehearsal, clock = Rehearsal(three_parts()), DriverTime()
    hear, seen = rehearsal.follower.hear, 1_000_000_000
    hear(PORT, clock.stamp(0.0, seen), (0xFA,))
    unsure = 0
    for tick in range(180):
        seen += STEP_NS
        for wait in range(2):
            rehearsal.follower.passed(seen - wait * 10_000_000)
        hear(PORT, clock.stamp(STEP_NS / 1e9 if tick < stops_at else 0.0, seen), (0xF8,))
        off = abs(rehearsal.where[1] - tick)
        # The first that is stamped so comes a tick too early: it is taken for a double.
        at_first = stops_at in (tick, tick - 1)
        # As the second tick of all, before any tempo is known, it leaves the count in doubt by one.
        assert off <= (at_first or (stops_at == 1 and not rehearsal.conductor.sure))
        unsure += not rehearsal.conductor.sure
    assert unsure < 6 or stops_at == 1


def test_an_interval_the_driver_lost_mends_itself() -> None:
    clock = DriverTime()
    now = 0
    clock.stamp(0.0, now)
    now += 2_000_000_000
    # The driver says one step went by; in truth two seconds did.
    clock.stamp(STEP_NS / 1e9, now)
    for _ in range(2 * WINDOW):
        now += STEP_NS
        last = clock.stamp(STEP_NS / 1e9, now)
    assert now - last <= 1_000


def test_an_interval_the_driver_lost_mends_within_four_clocks() -> None:
    # Two messages that the driver kept to itself, each with half a tick, as whole sysex was.
    clock, now = DriverTime(), 0
    clock.stamp(0.0, now)
    for number in range(1, 100):
        now += STEP_NS
        lost = number in (5, 60)
        stamp = clock.stamp(STEP_NS / 2e9 if lost else STEP_NS / 1e9, now)
        mending = any(lost <= number < lost + 4 for lost in (5, 60))
        assert now - stamp <= (STEP_NS if mending else 1_000)


def test_what_was_joined_from_several_is_known_to_have_lost_time_at_once() -> None:
    clock, now = DriverTime(), 0
    clock.stamp(0.0, now)
    now += 5 * STEP_NS
    assert clock.stamp(0.001, now, joined=True) == now
    assert clock.stamp(STEP_NS / 1e9, now + STEP_NS) == now + STEP_NS


@pytest.mark.parametrize("seed", range(5))
def test_what_is_only_seen_late_lost_no_time(seed: int) -> None:
    # Held up for up to 80 ms now and then: what came meanwhile is seen all at once.
    rng = random.Random(seed)
    lags = [0] * 2000
    for at in range(10, 1990, 30):
        held_ns = rng.randrange(80_000_000)
        for behind in range(5):
            lags[at + behind] = max(0, held_ns - behind * STEP_NS + behind * 50_000)
    got = stamps(lags)
    assert max(abs(b - a - STEP_NS) for a, b in pairwise(got)) <= 1


def test_what_is_late_alike_to_a_millisecond_shows_that_time_was_lost() -> None:
    def third(apart_ns: int) -> tuple[int, int]:
        """The time told of the third message that is late, and when it was seen."""
        driver, at = DriverTime(), 10**9
        for number in range(20):
            driver.stamp(0.02, at + number * 20_000_000)
        seen = 0
        for number, late_ns in enumerate((12_000_000, *2 * [12_000_000 + apart_ns]), 20):
            seen = at + number * 20_000_000 + late_ns
            told = driver.stamp(0.02, seen)
        return told, seen

    told, seen = third(1_000_000)
    assert told == seen
    told, seen = third(1_000_001)
    assert told < seen
