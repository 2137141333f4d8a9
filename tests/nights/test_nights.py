"""Some hours of simulated nights, and proof that the judge would notice.

A thousand hours: python -m tests.bench.bench_nights --hours 1000
"""

from __future__ import annotations

import pytest

from companion.follow.conductor import Conductor
from companion.follow.gate import Finding, Gate
from tests.nights.judge import Tally
from tests.nights.night import play_night
from tests.nights.table import table

SEEDS = range(1, 5)


@pytest.fixture(scope="module")
def nights() -> Tally:
    """Four short nights."""
    whole = Tally()
    for seed in SEEDS:
        whole.add(play_night(seed, 0.6))
    return whole


def test_no_count_was_wrong_and_sure_and_no_change_late_twice_or_unsure(nights: Tally) -> None:
    assert not nights.wrong, table(nights)


def test_always_unsure_would_not_do(nights: Tally) -> None:
    ordinary = nights.nights_sure["ordinary"] / nights.nights["ordinary"]
    assert ordinary > 0.85
    assert nights.nights_sure["rough"] > nights.nights["rough"] / 3
    # Of the boundaries of the box, those that it was told of; the others were made by hand, or
    # by performers who began again.
    assert nights.made + nights.by_hand > nights.boundaries * 2 / 3


def test_single_faults_clear_within_about_a_beat(nights: Tally) -> None:
    # A beat at 60 is a second, and the slowest tempo is 40.
    for fault in ("tick lost", "tick doubled"):
        times = sorted(nights.cleared[fault])
        assert len(times) > 10
        assert times[len(times) // 2] < 0.5
        assert times[len(times) * 9 // 10] < 1.5


def test_a_night_can_be_replayed_from_its_seed() -> None:
    told: list[str] = []
    again: list[str] = []
    play_night(7, 0.1, told.append)
    play_night(7, 0.1, again.append)
    assert told == again
    assert told


@pytest.mark.parametrize("blind", ["a gate that takes every tick", "a doubt that is not shown"])
def test_the_judge_notices(blind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The night is no use if nothing could fail it: two ways to be wrong are found out."""
    if blind == "a gate that takes every tick":
        monkeypatch.setattr(Gate, "hear", lambda self, t_ns: (1, Finding.NOTHING))
    else:
        monkeypatch.setattr(Conductor, "sure", property(lambda self: True))
    assert play_night(3, 0.25).wrong["wrong and sure"] > 0
