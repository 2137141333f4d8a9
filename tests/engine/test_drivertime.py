"""Driver time on the host's clock: the driver's intervals, wherever the host was busy."""

from __future__ import annotations

import random
from itertools import pairwise

from companion.engine.drivertime import WINDOW, DriverTime

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
