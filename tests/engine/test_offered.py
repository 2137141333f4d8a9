"""What the screen offers is what the engine does: the same rules, asked twice."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from random import Random

import pytest

from companion.engine.snapshot import EngineStatus, Viewer
from companion.follow.conductor import Standing
from companion.follow.follower import Follower
from companion.link.messages import Snapshot, decode_snapshot, encode_snapshot
from companion.screen.keys import KEYS, refusal
from companion.wishes import Ask, Wish
from tests.nightly import one_in
from tests.nights.sets import random_kind, random_set

ASKING = [key for key in KEYS if key.asks is not None]
SETS, LOOKS = 60, 100
PERIOD_NS = 20_833_333
MESSAGES = (
    *((0xFA,), (0xFA,), (0xFB,), (0xFC,), (0xFF,), (0xF2, 4, 0), (0xF2, 0, 2)),
    *((0xC0, 1), (0xC9, 2), (0xC0, 3)),
)


def live_a_little(follower: Follower, rng: Random, now_ns: int) -> int:
    """Ticks, and now and then anything else that may happen; the time after it."""
    for _ in range(rng.choice((1, 5, 30, 120))):
        now_ns += PERIOD_NS
        follower.hear("a", now_ns, (0xF8,))
    match rng.randrange(9):
        case 0:
            now_ns += rng.choice((PERIOD_NS * 3, 10**9, 10**10, 10**11))
        case 1 | 2:
            follower.hear("a", now_ns, rng.choice(MESSAGES))
        case 3:
            follower.slept()
        case 4 | 5 | 6:
            follower.grant(any_wish(follower, rng), now_ns)
        case 7:
            follower.wish("confirm", now_ns)
    follower.passed(now_ns)
    return now_ns


def any_wish(follower: Follower, rng: Random) -> Wish:
    wish = rng.choice(ASKING).asks
    assert wish is not None
    if wish.ask is Ask.PART:
        return replace(wish, part=rng.randint(1, len(follower.setlist.parts)))
    return wish


def published(viewer: Viewer, follower: Follower, now_ns: int) -> Snapshot:
    """What a screen has of it, over the link and back."""
    standing = follower.standing()
    around = EngineStatus(
        now_ns, now_ns, 120.0, 0.0, "a", 0, False, standing.notice, (), "",
        wish=standing.undoable, refused=follower.refused(),
    )  # fmt: skip
    return decode_snapshot(encode_snapshot(viewer.snapshot(standing, around)))


def words(follower: Follower) -> int:
    """How many words of a person on the count can be undone, one after another."""
    count, beside = 0, follower.conductor._beside
    while beside is not None:
        count, beside = count + 1, beside.conductor._beside
    return count


def seen(follower: Follower) -> Standing:
    """Where things stand, but for what was said last."""
    return replace(follower.standing(), notice="", count=0)


@pytest.mark.parametrize("seed", one_in(4, range(SETS)))
def test_a_key_is_offered_if_and_only_if_the_engine_does_what_it_asks(seed: int) -> None:
    # 60 sets with 100 looks each: 6,000 pairs of state and key, a quarter of them by day.
    rng = Random(f"offered {seed}")
    setlist = random_set(rng, random_kind(rng))
    viewer = Viewer(setlist)
    follower = Follower(setlist, sends=rng.random() < 0.8, can_send=rng.random() < 0.9)
    now_ns = 10**12
    for _ in range(LOOKS):
        now_ns = live_a_little(follower, rng, now_ns)
        snapshot = published(viewer, follower, now_ns)
        key = rng.choice(ASKING).at(snapshot)
        wish = key.asks
        assert wish is not None
        offered = refusal(key, snapshot, connected=True) == ""
        if wish.ask is Ask.PART and rng.random() < 0.5:
            # Of those to choose from, the one that plays is no other one.
            wish = replace(wish, part=rng.randint(1, len(setlist.parts)))
            offered = snapshot.why_not(wish) is None
        elif wish.ask is Ask.PART:
            others = [n for n in range(1, len(setlist.parts) + 1) if n != snapshot.part]
            wish = replace(wish, part=rng.choice(others or [0]))
            offered = offered and bool(others)
        asked = deepcopy(follower, {id(setlist): setlist})
        before = seen(asked)
        asked.grant(wish, now_ns)
        conductor, after = asked.conductor, seen(asked)
        accepted = conductor.notice_kind == ""
        assert offered == accepted, (str(wish), conductor.notice)
        if not accepted:
            assert after == before, (str(wish), conductor.notice)
            why = snapshot.why_not(wish)
            assert why is None or why.words == conductor.notice
        elif wish.ask in (Ask.STAY, Ask.UNDO, Ask.NUDGE_FORWARD, Ask.NUDGE_BACK):
            # Of two like words on the count one may be undone, and the other still be there.
            fewer = words(asked) < words(follower)
            assert after != before or fewer, (str(wish), conductor.notice)
        elif wish.ask is Ask.CONFIRM:
            assert (before.sure, after.sure) == (False, True)
