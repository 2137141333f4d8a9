"""Whatever arrives, in whatever order and at whatever times: no fault, and a place in the set."""

from __future__ import annotations

import json
from random import Random

import pytest

from companion.follow.follower import Follower
from tests.nightly import one_in
from tests.nights.sets import random_kind, random_set

MESSAGES = (
    *((0xFA,), (0xFB,), (0xFC,), (0xFF,), (0xFE,), (0xF2, 1), (), (0x90, 36, 100), (0xF1, 3)),
    *((0xC0, 1), (0xC0, 2), (0xC1, 3)),
)


def some_ticks_on(rng: Random, period_ns: int) -> int:
    """How long after the latest tick the next arrives: mostly as it should, and then not."""
    off = rng.choice((1.0, 1.0, 1.0, 1.0, 1.0, 0.0, rng.uniform(0, 2), rng.uniform(0, 40)))
    # A driver's times may even go back a little.
    return -period_ns // 4 if rng.random() < 0.01 else round(period_ns * off)


def wish(follower: Follower, rng: Random, now_ns: int) -> None:
    """One wish or another, a port that goes, a send that fails, an engine that is killed."""
    parts = len(follower.conductor.setlist.parts)
    words = rng.choice((*WISHES, f"part {rng.randint(1, parts)}"))
    match rng.randrange(12):
        case 0:
            follower.port_gone(rng.choice(("a", "b")), now_ns)
        case 1:
            follower.slept()
        case _:
            for send in follower.wish(words, now_ns):
                if rng.random() < 0.3:
                    follower.failed(send, now_ns)


WISHES = (
    *("next", "next pass", "now", "stay", "undo", "undo", "arm", "disarm", "arm", "confirm"),
    *("align", "align bar", "align pass", "align phrase"),
    *("nudge forward a pass", "nudge back a phrase"),
)


@pytest.mark.parametrize("seed", one_in(16, range(80)))
def test_the_follower_keeps_its_place(seed: int) -> None:
    rng = Random(seed)
    setlist = random_set(rng, random_kind(rng))
    programs = [c.program for part in setlist.parts for c in part.changes] or [0]
    follower = Follower(setlist, sends=rng.random() < 0.9)
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
            program = (0xC0, rng.choice(programs))
            follower.hear(port, now_ns, rng.choice((*MESSAGES, position, program)))
        elif what < 0.9:
            now_ns += round(rng.expovariate(1) * 10 ** rng.randint(6, 11))
            follower.passed(now_ns)
        else:
            wish(follower, rng, now_ns)
            if rng.random() < 0.1:
                kept = json.loads(json.dumps(follower.checkpoint(now_ns)))
                now_ns += round(rng.expovariate(1) * 10 ** rng.randint(6, 11))
                follower = Follower.resume(setlist, kept, now_ns)
        standing = follower.conductor.standing()
        assert standing.tick >= 0
        assert standing.end is None or follower.conductor.tick < standing.end
        assert standing.sure is not bool(standing.doubt)
        assert standing.doubt == "" or standing.help
        assert len(follower.conductor.situation.worlds) <= 25
