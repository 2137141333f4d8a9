"""The engine is killed in the middle of a set and started again: it goes on where the music is."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from companion.follow.resume import MAYBE_SENT, RESTARTED
from companion.setlist.model import SetList
from tests.builders import SetBuilder, bar_pattern
from tests.engine.killing import Night

SECOND = 1_000_000_000
PARTS = 24


def long_set(recount: bool = True) -> SetList:
    """Parts of two bars, each with a program of its own, sent a beat ahead."""
    builder = SetBuilder().instrument("drums", recount=recount)
    for number in range(PARTS):
        builder.part(bar_pattern(f"pattern {number}"), program=number)
    return builder.build()


@pytest.mark.parametrize("seed", range(100))
def test_a_hundred_kills(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    night = Night(
        long_set(),
        tmp_path,
        rng,
        bpm=rng.uniform(70, 180),
        jitter_ns=rng.choice([0, 300_000, 800_000]),
    )
    night.begin()
    killed_ns = night.begin_ns + rng.uniform(6, 20) * SECOND
    back_ns = killed_ns + rng.uniform(0.4, 6) * SECOND
    for _ in night.play(killed_ns):
        pass
    assert night.engine is not None
    assert night.engine.sure
    assert night.engine.where == night.judge.where
    night.kill(killed_ns)
    for _ in night.play(back_ns):
        pass
    engine = night.start_again(back_ns)
    assert engine.resumed
    for heard, _ in enumerate(night.play(back_ns + 9 * SECOND), 1):
        doubt = engine.follower.conductor.standing().doubt
        if doubt != MAYBE_SENT:
            # The right part, pass and step from the first clock on.
            assert engine.where == night.judge.where
        if heard == 60:
            # Sure within two and a half beats, unless a change may or may not have left.
            assert engine.sure or doubt == MAYBE_SENT
    # Whatever happened: never twice, never out of order.
    assert night.judge.taken == list(range(1, len(night.judge.taken) + 1))


@pytest.mark.parametrize("seen", [False, True])
@pytest.mark.parametrize("ticks", range(-20, 20, 2))
def test_killed_about_when_a_change_is_due(ticks: int, seen: bool, tmp_path: Path) -> None:
    for seed in range(2):
        folder = tmp_path / str(seed)
        folder.mkdir()
        night = Night(long_set(), folder, random.Random(seed))
        night.begin()
        # The first change leaves a beat before the end of two bars: at tick 192 - 24.
        killed_ns = night.begin_ns + (1 + 168 + ticks) * night.period_ns
        for _ in night.play(killed_ns):
            pass
        night.kill(killed_ns)
        sent = list(night.judge.taken)
        assert sent == [1] * (ticks >= 0)
        back_ns = killed_ns + night.rng.uniform(0.2, 3) * SECOND
        for _ in night.play(back_ns):
            pass
        engine = night.start_again(back_ns, killed_ns + 2_000_000 if seen else None)
        for _ in night.play(back_ns + 6 * SECOND):
            if engine.sure:
                assert engine.where == night.judge.where
        assert night.judge.taken == list(range(1, len(night.judge.taken) + 1))
        if engine.where != night.judge.where:
            assert engine.follower.conductor.standing().doubt == MAYBE_SENT
        if seen and (ticks < -2 or ticks > 4):
            # Who saw when it died, knows what it did not live to do.
            assert engine.sure


def test_killed_between_a_change_and_its_note(tmp_path: Path) -> None:
    night = Night(long_set(), tmp_path, random.Random(1))
    night.slowest_ns = 1_000_001
    night.begin()
    for _ in night.play(night.begin_ns + 169.0 * night.period_ns):
        pass
    assert night.judge.taken == [1]
    # The change left with this very tick, and nothing was written since.
    night.kill()
    back_ns = night.begin_ns + 200 * night.period_ns
    for _ in night.play(back_ns):
        pass
    engine = night.start_again(back_ns)
    for _ in night.play(back_ns + 9 * SECOND):
        assert not engine.sure
        assert engine.follower.conductor.standing().doubt == MAYBE_SENT
    assert night.judge.taken == [1]


def test_most_kills_leave_no_doubt(tmp_path: Path) -> None:
    sure = 0
    for seed in range(25):
        folder = tmp_path / str(seed)
        folder.mkdir()
        rng = random.Random(seed)
        night = Night(long_set(), folder, rng)
        night.begin()
        killed_ns = night.begin_ns + rng.uniform(6, 20) * SECOND
        for _ in night.play(killed_ns):
            pass
        night.kill()
        for _ in night.play(killed_ns + 2 * SECOND):
            pass
        engine = night.start_again(killed_ns + 2 * SECOND)
        for _ in night.play(killed_ns + 4 * SECOND):
            pass
        sure += engine.sure
    # In a part of four seconds a change is due within 0.4 s of the last note taken.
    assert 25 * 0.7 < sure < 25


def test_a_gap_too_long_to_be_sure_of_is_bridged_by_an_estimate(tmp_path: Path) -> None:
    night = Night(long_set(), tmp_path, random.Random(3))
    night.begin()
    killed_ns = night.begin_ns + 9 * SECOND
    for _ in night.play(killed_ns):
        pass
    night.kill()
    for _ in night.play(killed_ns + 40 * SECOND):
        pass
    engine = night.start_again(killed_ns + 40 * SECOND)
    for _ in night.play(killed_ns + 60 * SECOND):
        assert engine.where == night.judge.where
        assert not engine.sure
    assert engine.follower.conductor.standing().doubt == RESTARTED
    sent = len(night.judge.taken)
    engine.follower.conductor.confirm()
    for _ in night.play(killed_ns + 70 * SECOND):
        assert engine.where == night.judge.where
    assert len(night.judge.taken) > sent


def test_an_instrument_that_counts_on_is_counted_on(tmp_path: Path) -> None:
    night = Night(long_set(recount=False), tmp_path, random.Random(4))
    night.begin()
    for _ in night.play(night.begin_ns + 13 * SECOND):
        pass
    assert night.engine is not None
    before = night.engine.follower.conductor.standing()
    night.kill()
    for _ in night.play(night.begin_ns + 14.5 * SECOND):
        pass
    engine = night.start_again(night.begin_ns + 14.5 * SECOND)
    for _ in night.play(night.begin_ns + 15.5 * SECOND):
        pass
    after = engine.follower.conductor.standing()
    assert after.carried_passes == before.carried_passes == 6
    assert after.carried_phrases == before.carried_phrases == 3
    assert after.sure


def test_killed_again_and_again(tmp_path: Path) -> None:
    night = Night(long_set(), tmp_path, random.Random(5), jitter_ns=200_000)
    night.begin()
    at_ns: float = night.begin_ns + 6.5 * SECOND
    for _ in night.play(at_ns):
        pass
    for _ in range(6):
        night.kill()
        for _ in night.play(at_ns + 1 * SECOND):
            pass
        engine = night.start_again(at_ns + 1 * SECOND)
        # Time to judge, and to write it down.
        at_ns += 4 * SECOND
        for _ in night.play(at_ns):
            assert engine.where == night.judge.where
    assert night.judge.taken == sorted(set(night.judge.taken))


def test_killed_before_it_could_judge_it_stays_unsure(tmp_path: Path) -> None:
    night = Night(long_set(), tmp_path, random.Random(6))
    night.begin()
    at_ns = night.begin_ns + 9 * SECOND
    for _ in night.play(at_ns):
        pass
    night.kill()
    for _ in night.play(at_ns + SECOND):
        pass
    night.start_again(at_ns + SECOND)
    for _ in night.play(at_ns + 1.3 * SECOND):
        pass
    night.kill()
    for _ in night.play(at_ns + 2.3 * SECOND):
        pass
    engine = night.start_again(at_ns + 2.3 * SECOND)
    for _ in night.play(at_ns + 6 * SECOND):
        assert engine.where == night.judge.where
        assert not engine.sure
