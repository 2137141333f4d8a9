"""Whatever arrives, in whatever order and at whatever times: no fault, and a place in the set."""

from __future__ import annotations

from random import Random

import pytest

from companion.follow.follower import Follower
from companion.setlist.model import Unit
from tests.nights.sets import random_kind, random_set

MESSAGES = ((0xFA,), (0xFB,), (0xFC,), (0xFF,), (0xFE,), (0xF2, 1), (), (0x90, 36, 100), (0xF1, 3))


def some_ticks_on(rng: Random, period_ns: int) -> int:
    """How long after the latest tick the next arrives: mostly as it should, and then not."""
    off = rng.choice((1.0, 1.0, 1.0, 1.0, 1.0, 0.0, rng.uniform(0, 2), rng.uniform(0, 40)))
    # A driver's times may even go back a little.
    return -period_ns // 4 if rng.random() < 0.01 else round(period_ns * off)


def wish(follower: Follower, rng: Random) -> None:
    """One wish or another."""
    conductor = follower.conductor
    match rng.randrange(12):
        case 0:
            for send in conductor.go_next():
                conductor.report(send, rng.random() < 0.7)
        case 1:
            conductor.take_back()
        case 2 | 3:
            conductor.arm(rng.random() < 0.7)
        case 4:
            conductor.align(rng.choice((None, Unit.BARS, Unit.PASSES, Unit.PHRASES)))
        case 5:
            conductor.confirm()
        case 6 | 7:
            conductor.nudge(rng.choice((Unit.PASSES, Unit.PHRASES)), rng.choice((-1, 1, 3)))
        case 8:
            follower.port_gone(rng.choice(("a", "b")))
        case 9:
            conductor.go_to(rng.randint(1, len(conductor.setlist.parts)), rng.choice(GOING))
        case 10:
            conductor.go_now()
        case _:
            conductor.stay()


GOING = (Unit.PASSES, Unit.PHRASES)


@pytest.mark.parametrize("seed", range(80))
def test_the_follower_keeps_its_place(seed: int) -> None:
    rng = Random(seed)
    follower = Follower(random_set(rng, random_kind(rng)), sends=rng.random() < 0.9)
    now_ns = rng.choice((0, 10**9, 10**15))
    # From no tempo at all to one tick a second.
    period_ns = rng.choice((1, 10**6, 8_000_000, 20_000_000, 60_000_000, 10**9))
    for _ in range(rng.randint(50, 800)):
        what = rng.random()
        port = rng.choice(("a", "a", "a", "b"))
        if what < 0.75:
            now_ns += some_ticks_on(rng, period_ns)
            follower.hear(port, now_ns, (0xF8,))
        elif what < 0.85:
            position = (0xF2, rng.randrange(128), rng.randrange(3))
            follower.hear(port, now_ns, rng.choice((*MESSAGES, position)))
        elif what < 0.9:
            now_ns += round(rng.expovariate(1) * 10 ** rng.randint(6, 11))
            follower.passed(now_ns)
        else:
            wish(follower, rng)
        standing = follower.conductor.standing()
        assert standing.tick >= 0
        assert standing.end is None or follower.conductor.tick < standing.end
        assert standing.sure is not bool(standing.doubt)
