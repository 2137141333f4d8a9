"""The tempo tracker against outside line fits and the figures of theory."""

from __future__ import annotations

import numpy as np
import pytest

from companion.follow.tempo import WINDOW, TempoTracker


def test_a_jitterless_clock_is_read_exactly() -> None:
    tracker = TempoTracker()
    for tick in range(400):
        tracker.hear(10**15 + tick * 20_833_333)
    assert tracker.period_ns == 20_833_333
    assert tracker.bpm == pytest.approx(120.0, abs=1e-5)
    assert tracker.when(96) == 10**15 + (399 + 96) * 20_833_333


def test_the_line_is_the_one_numpy_fits() -> None:
    rng = np.random.default_rng(1)
    times = [int(k * 20.5e6 + e) for k, e in enumerate(rng.normal(0, 1e6, 300))]
    tracker = TempoTracker()
    for t in times:
        tracker.hear(t)
    slope, _ = np.polyfit(np.arange(WINDOW), times[-WINDOW:], 1)
    assert tracker.period_ns == pytest.approx(slope, abs=1)
