"""What a rewrite could lose unnoticed: demands that no other rehearsal makes."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.engine.engine import NOTICE_NS, Reporter
from companion.follow import Follower
from companion.follow.transport import State
from companion.setlist import SetList
from companion.wishes import Ask, Wish
from tests.builders import PORT, TICK_NS, Rehearsal, SetBuilder, bar_pattern, three_parts

# Two bars of 4/4 at 24 clocks a quarter note; a beat before that the change leaves.
PHRASE, BEAT = 192, 24


def test_a_second_start_after_a_stop_between_change_and_boundary_leaves_the_part_in_doubt() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(PHRASE - BEAT + 12)
    assert on_stage.programs == [2]
    on_stage.stop().clock(4).start().clock(30)
    assert not on_stage.follower.status().sure
    on_stage.stop().clock(4).start().clock(30)
    seen = on_stage.follower.status()
    assert not seen.sure
    assert seen.doubt_kind == "part"
    # A person's word ends it, and then a start is a start.
    on_stage.follower.wish("confirm", on_stage.now_ns)
    on_stage.stop().clock(4).start().clock(30)
    assert on_stage.follower.status().sure


def test_another_port_that_starts_while_the_set_is_stopped_is_followed_and_not_trusted() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(60).stop().silence(1_500_000_000)
    on_stage.hear(0xFA, port="other drum")
    on_stage.clock(60, port="other drum")
    seen = on_stage.follower.status()
    assert on_stage.follower.port == "other drum"
    assert (seen.state, seen.sure) == ("running", False)
    assert "another port" in seen.doubt
    assert on_stage.programs == []


def test_clocks_alone_do_not_take_a_stopped_set_over() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(60).stop().silence(1_500_000_000)
    on_stage.clock(60, port="other drum")
    assert on_stage.follower.port == PORT
    assert on_stage.follower.status().state == "stopped"


def test_a_boundary_heeds_that_its_part_ends_early() -> None:
    """Asked to go at the end of a pass, the next part begins there, and its change left for it."""
    on_stage = Rehearsal(three_parts()).start().clock(40)
    on_stage.follower.wish("next pass", on_stage.now_ns)
    on_stage.clock(56)
    # The pass of 96 ticks ends with the 97th clock, the first being tick 0.
    assert [tick for tick, _ in on_stage.sent] == [96 - BEAT]
    assert on_stage.where == (1, 95)
    on_stage.clock()
    assert on_stage.where == (2, 0)
    # The part after it ends where its own plan says, counted from there.
    on_stage.clock(PHRASE)
    assert on_stage.where == (3, 0)
    assert on_stage.programs == [2, 3]


@pytest.mark.parametrize(("early", "passes", "phrases"), [(False, 2, 1), (True, 1, 1)])
def test_an_instrument_that_does_not_count_anew_carries_passes_and_begun_phrases_on(
    early: bool, passes: int, phrases: int
) -> None:
    on_stage = Rehearsal(three_parts(recount=False)).start().clock(40)
    if early:
        on_stage.follower.wish("next pass", on_stage.now_ns)
    on_stage.clock(PHRASE + 1 - 40 if not early else 96 + 1 - 40)
    seen = on_stage.follower.standing()
    assert (seen.part.number, seen.tick) == (2, 0)
    assert (seen.carried_passes, seen.carried_phrases) == (passes, phrases)
    on_stage.clock(PHRASE)
    seen = on_stage.follower.standing()
    assert (seen.carried_passes, seen.carried_phrases) == (passes + 2, phrases + 1)


@pytest.mark.parametrize("lost", [1, 2, 5])
def test_lost_ticks_are_put_back_into_the_tempo(lost: int) -> None:
    """A gap of some ticks is no slower tempo: 60 s / (120 x 24) is a tick."""
    on_stage = Rehearsal(three_parts()).start().clock(100)
    on_stage.clock(1, every_ns=(lost + 1) * TICK_NS)
    on_stage.clock(6)
    assert on_stage.follower.status().tempo == pytest.approx(120, abs=0.05)
    assert on_stage.follower.standing().tick == 99 + lost + 1 + 6


def open_set() -> SetList:
    return SetBuilder().part(bar_pattern(), program=1, phrases=None).build()


def test_a_notice_ends(tmp_path: Path) -> None:
    from companion.engine.engine import Faults, Options
    from companion.engine.portkeeper import Keeper

    follower = Follower(open_set())
    keeper = Keeper(
        open_set(),
        None,
        None,
        in_glob=None,
        out_glob=None,
        sends=True,
        beside=lambda: None,
        gone=lambda _: None,
    )
    reporter = Reporter(Options(), follower, keeper, Faults(), None, None, None)
    follower.hear(PORT, 10**9, bytes((0xFA,)))
    assert follower.conductor.state is State.RUNNING
    follower.grant(Wish(Ask.NEXT), 10**9)
    said = follower.standing().notice
    assert said
    shown = [
        reporter.status(follower.standing(), 10**9 + after).notice
        for after in (0, NOTICE_NS - 1, NOTICE_NS, 2 * NOTICE_NS)
    ]
    assert shown == [said, said, "", ""]
