"""Some hours of simulated nights, and proof that the judge would notice.

A thousand hours: python -m tests.bench.bench_nights --hours 1000
"""

from __future__ import annotations

import pytest

from companion.follow import belief
from companion.follow.count import Count
from companion.follow.follower import Follower
from tests.nights.judge import NOT_COUNTED, Tally
from tests.nights.night import Fate, play_night, play_set
from tests.nights.table import table

SEEDS = range(1, 5)
# The nights in which something has to be noticed, and how many seconds they last.
TOLD = {"32.0": 240, "33.0": 160, "53.1": 100}


@pytest.fixture(scope="module")
def nights() -> Tally:
    """Four short nights."""
    whole = Tally()
    for seed in SEEDS:
        whole.add(play_night(seed, 0.6))
    return whole


def test_an_early_night_is_clean() -> None:
    tally = play_night(1, 0.2)
    assert not tally.wrong, table(tally)
    assert tally.sure_ticks / tally.ticks > 0.85


@pytest.mark.nightly
@pytest.mark.timeout(3600)
def test_no_count_was_wrong_and_sure_and_no_change_late_twice_or_unasked(nights: Tally) -> None:
    assert not nights.wrong, table(nights)
    # Sure leaves a thousandth for a count that is off by one.
    assert nights.by_one <= nights.sure_ticks / 1000


@pytest.mark.nightly
@pytest.mark.timeout(3600)
def test_always_unsure_would_not_do(nights: Tally) -> None:
    others = sum(n for (night, d), n in nights.unsure.items() if d in NOT_COUNTED)
    assert nights.sure_ticks / (nights.ticks - others) > 0.85
    assert nights.nights["mixed"] + nights.nights["rough"] > 0
    # Of the boundaries of the box, those that it was told of; the others were made by hand, or
    # by performers who began again.
    assert nights.made + nights.by_hand > nights.boundaries / 2


@pytest.mark.nightly
@pytest.mark.timeout(3600)
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


@pytest.mark.nightly
@pytest.mark.parametrize("night", TOLD)
def test_seeing_there_is_nothing_to_notice(night: str) -> None:
    tally = Tally()
    play_set(Fate(night, TOLD[night]), tally)
    assert not tally.wrong, table(tally)


@pytest.mark.parametrize(
    ("night", "seconds"),
    [
        # Held up for half a second, and the tempo drifts before it and behind it.
        ("317.2", 20),
        ("590.3", 34),
        # The first ticks ever come in a bunch.
        ("241.0", 15),
        # An instrument that changes at once is told by a tick that was held up, the next one sent.
        ("414.0", 100),
        # Both ports refuse their message.
        ("233.1", 15),
    ],
)
def test_a_night_that_was_off_for_long_once_is_right(night: str, seconds: float) -> None:
    tally = Tally()
    play_set(Fate(night, seconds), tally)
    assert not tally.wrong, table(tally)
    assert tally.by_one <= tally.sure_ticks / 1000


@pytest.mark.nightly
@pytest.mark.parametrize(
    "fate",
    [
        # A tempo leaps at the very tick that is held up.
        Fate("60002.0", 826),
        Fate("60039.2", 1397, notes=True),
        Fate("60038.3", 254),
        # Two clocks: on a line that is never calm; and a person's word amid them.
        Fate("60004.0", 1464, deaf=True),
        Fate("60025.4", 1160, deaf=True),
        Fate("61073.3", 1075),
        Fate("64147.1", 1060, deaf=True),
        # A change by hand that was due while the clock was lost, which a person waited out.
        Fate("64114.2", 940, deaf=True),
        # A part entered in a silence, which a hand is to change.
        Fate("60005.1", 723),
        # A jump where nobody knows when the part began.
        Fate("60005.4", 553),
        # The tempo is turned while the engine is away, and the first tick it hears is held up.
        Fate("64007.0", 1386),
        # The tempo jumps, and the engine is killed with the next tick.
        Fate("60014.0", 1306),
        # Most of a silence's ticks are lost, and the rest comes in a bunch.
        Fate("60023.0", 815),
        # By ear: a count that is a few ticks short at the song's beginning, a tempo that is another
        # after a silence, and notes behind ticks that were held up.
        Fate("61005.4", 148, notes=True),
        Fate("61044.0", 1487, notes=True),
        Fate("61056.3", 321, notes=True),
    ],
    ids=lambda fate: fate.seed,
)
def test_a_set_that_was_wrong_and_sure_is_right_or_unsure(fate: Fate) -> None:
    tally = Tally()
    play_set(fate, tally)
    assert not tally.wrong, table(tally)


@pytest.mark.parametrize(
    ("blind", "night", "charge"),
    [
        ("a count that is always sure", "32.0", "wrong and sure"),
        ("a line that no doubt reaches", "33.0", "wrong and sure"),
        # Sending is switched off while a change waits for its time between two ticks.
        ("a send that is always kept", "53.1", "sent while disarmed"),
    ],
)
def test_the_judge_notices(
    blind: str, night: str, charge: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The night is no use if nothing could fail it: three ways to be wrong are found out."""
    found = Tally()
    if blind == "a count that is always sure":
        monkeypatch.setattr(Count, "sure", property(lambda self: True))
    elif blind == "a line that no doubt reaches":
        monkeypatch.setattr(belief, "WEIGHTS", belief.WEIGHTS._replace(line=2.0))
    else:
        monkeypatch.setattr(Follower, "keeps", lambda self, send: True)
    play_set(Fate(night, TOLD[night]), found)
    assert found.wrong[charge] > 0, table(found)
