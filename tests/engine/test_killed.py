"""The engine is killed in the middle of a set and started again: it goes on where the music is."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from companion.follow.conductor import RESTARTED
from companion.setlist import SetList
from tests.builders import SetBuilder, bar_pattern
from tests.engine.killing import Moment, Night
from tests.nightly import one_in

SECOND = 1_000_000_000
PARTS = 24


def long_set(recount: bool = True) -> SetList:
    """Parts of two bars, each with a program of its own, sent a beat ahead."""
    builder = SetBuilder().instrument("drums", recount=recount)
    for number in range(PARTS):
        builder.part(bar_pattern(f"pattern {number}"), program=number)
    return builder.build()


@pytest.mark.parametrize("seed", one_in(4, range(100)))
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
    night.go_on(killed_ns)
    assert night.engine is not None
    assert night.engine.sure
    assert night.engine.where == night.judge.where
    night.kill()
    took_ns = night.judge.took_ns
    night.go_on(back_ns)
    engine = night.start_again(back_ns)
    assert engine.resumed
    for heard, _ in enumerate(night.play(back_ns + 9 * SECOND), 1):
        # The right part, pass and step from the first clock on.
        assert engine.where == night.judge.where
        if heard == (72 if back_ns - killed_ns < 5 * SECOND else 120):
            # Sure within three beats, within five where it was away for long; but where a change
            # had left less than a second before: whether it did is known then.
            assert engine.sure or 0 < killed_ns - took_ns < SECOND
    # Whatever happened: never twice, never out of order.
    assert night.judge.taken == list(range(1, len(night.judge.taken) + 1))


def killed_at(moment: Moment, folder: Path, seed: int, back_ns: int) -> Night:
    """A night whose engine is killed at its first change, and started again so much later."""
    night = Night(long_set(), folder, random.Random(seed))
    night.begin()
    assert night.engine is not None
    night.engine.dies = moment
    # The first change leaves a beat before the end of two bars: at tick 192 - 24.
    for t_ns in night.play(night.begin_ns + 169.5 * night.period_ns):
        killed_ns = t_ns
    assert night.engine is None
    night.go_on(killed_ns + back_ns)
    night.start_again(killed_ns + back_ns)
    return night


@pytest.mark.parametrize("back_ms", [50, 200, 300, 700, 1500, 4000])
@pytest.mark.parametrize("moment", Moment)
def test_killed_as_a_change_is_handed_out(moment: Moment, back_ms: int, tmp_path: Path) -> None:
    night = killed_at(moment, tmp_path, back_ms, back_ms * 1_000_000)
    engine = night.engine
    assert engine is not None
    left = moment is Moment.LEFT
    assert night.judge.taken == [1] * left
    for _ in night.play(night.now_ns + 8 * SECOND):
        if engine.sure:
            assert engine.where == night.judge.where
        elif moment is not Moment.BEFORE_KEPT and engine.doubt != RESTARTED:
            assert "drums may be on" in engine.doubt or "clock" in engine.doubt
    # Never twice, and nothing is sent on a guess.
    assert night.judge.taken == list(range(1, len(night.judge.taken) + 1))
    if moment is Moment.BEFORE_KEPT:
        assert engine.sure
        return
    assert not engine.sure
    assert len(night.judge.taken) == left
    # The page says both; a person says which.
    engine.follower.wish("part 2" if left else "part 1", night.now_ns)


@pytest.mark.parametrize("ticks", range(-20, 20, 2))
def test_killed_about_when_a_change_is_due(ticks: int, tmp_path: Path) -> None:
    night = Night(long_set(), tmp_path, random.Random(ticks))
    night.begin()
    killed_ns = night.begin_ns + (1 + 168 + ticks) * night.period_ns + 2_000_000
    night.go_on(killed_ns)
    night.kill()
    assert night.judge.taken == [1] * (ticks >= 0)
    back_ns = killed_ns + night.rng.uniform(0.2, 3) * SECOND
    night.go_on(back_ns)
    engine = night.start_again(back_ns)
    for _ in night.play(back_ns + 6 * SECOND):
        assert engine.where == night.judge.where
    # The page is kept five times a second: it knows what left, and what did not.
    assert engine.sure or -10 < ticks < 12, engine.doubt
    assert night.judge.taken == list(range(1, len(night.judge.taken) + 1))


def test_a_gap_too_long_to_be_sure_of_is_bridged_by_an_estimate(tmp_path: Path) -> None:
    night = Night(long_set(), tmp_path, random.Random(3))
    night.begin()
    killed_ns = night.begin_ns + 9 * SECOND
    night.go_on(killed_ns)
    night.kill()
    night.go_on(killed_ns + 40 * SECOND)
    engine = night.start_again(killed_ns + 40 * SECOND)
    for _ in night.play(killed_ns + 60 * SECOND):
        # An estimate: over forty seconds it may be a tick off.
        part, tick = night.judge.where
        assert engine.where in ((part, tick - 1), (part, tick), (part, tick + 1))
        assert not engine.sure
    assert engine.doubt == RESTARTED
    sent = len(night.judge.taken)
    engine.follower.wish("confirm", night.now_ns)
    night.go_on(killed_ns + 70 * SECOND)
    assert len(night.judge.taken) > sent


def test_an_instrument_that_counts_on_is_counted_on(tmp_path: Path) -> None:
    night = Night(long_set(recount=False), tmp_path, random.Random(4))
    night.begin()
    night.go_on(night.begin_ns + 13 * SECOND)
    assert night.engine is not None
    before = night.engine.follower.conductor.standing()
    night.kill()
    night.go_on(night.begin_ns + 14.5 * SECOND)
    engine = night.start_again(night.begin_ns + 14.5 * SECOND)
    night.go_on(night.begin_ns + 15.5 * SECOND)
    after = engine.follower.conductor.standing()
    assert after.carried_passes == before.carried_passes == 6
    assert after.carried_phrases == before.carried_phrases == 3
    assert after.sure


def test_killed_again_and_again(tmp_path: Path) -> None:
    night = Night(long_set(), tmp_path, random.Random(5), jitter_ns=200_000)
    night.begin()
    at_ns: float = night.begin_ns + 6.5 * SECOND
    night.go_on(at_ns)
    for _ in range(6):
        night.kill()
        night.go_on(at_ns + 1 * SECOND)
        engine = night.start_again(at_ns + 1 * SECOND)
        # Time to judge, and to write it down.
        at_ns += 4 * SECOND
        for _ in night.play(at_ns):
            assert engine.where == night.judge.where
    assert night.judge.taken == sorted(set(night.judge.taken))


def test_killed_again_before_it_could_judge_it_knows_no_less(tmp_path: Path) -> None:
    night = Night(long_set(), tmp_path, random.Random(6))
    night.begin()
    at_ns = night.begin_ns + 9 * SECOND
    night.go_on(at_ns)
    for _ in range(3):
        night.kill()
        at_ns += SECOND
        night.go_on(at_ns)
        engine = night.start_again(at_ns)
        at_ns += SECOND // 3
        for _ in night.play(at_ns):
            assert engine.where == night.judge.where
    for _ in night.play(at_ns + 4 * SECOND):
        assert engine.where == night.judge.where
    assert engine.sure
