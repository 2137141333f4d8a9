"""Taking up where another follower stood: stopped, silent, started meanwhile, elsewhere."""

from __future__ import annotations

import json
from typing import Any

import pytest

from companion.follow.conductor import RESTARTED, dump, load
from companion.follow.follower import Follower
from companion.follow.transport import State
from companion.setlist import SetList
from tests.builders import TICK_NS, Rehearsal, SetBuilder, ask, bar_pattern, three_parts

SECOND = 1_000_000_000


class Again(Rehearsal):
    """A rehearsal that goes on from a place, taken up at `now_ns`."""

    def __init__(self, setlist: SetList, kept: dict[str, Any], now_ns: int) -> None:
        super().__init__(setlist)
        kept = json.loads(json.dumps(kept))
        self.follower = Follower.resume(setlist, kept, now_ns)
        self.conductor = self.follower.conductor
        self.now_ns = now_ns

    @property
    def doubt(self) -> str:
        return self.conductor.standing().doubt


def left(before: Rehearsal, later_ns: int = 1_000_000) -> dict[str, Any]:
    return before.follower.checkpoint(before.now_ns + later_ns)


def after_ticks(before: Rehearsal, ticks: int) -> Again:
    """Another engine, whose first tick will be the one that many after the latest."""
    now_ns = before.now_ns + (ticks - 1) * TICK_NS
    return Again(before.conductor.setlist, left(before), now_ns)


def test_the_first_tick_is_in_the_right_place_and_a_beat_later_it_is_sure() -> None:
    on_stage = after_ticks(Rehearsal(three_parts()).start().clock(101), 50)
    assert on_stage.conductor.state is State.LOST
    assert on_stage.clock().where == (1, 150)
    assert not on_stage.conductor.sure
    assert on_stage.clock(24).where == (1, 174)
    assert on_stage.conductor.sure


def test_a_change_that_was_out_is_not_sent_again_and_its_boundary_is_crossed() -> None:
    on_stage = after_ticks(Rehearsal(three_parts()).start().clock(180), 60)
    assert on_stage.clock().where == (2, 239 - 192)
    on_stage.clock(50)
    assert on_stage.conductor.sure
    assert on_stage.sent == []
    assert on_stage.clock(192 - 50).programs == [3]


def test_a_change_that_fell_due_in_the_gap_was_not_sent_so_the_part_goes_on() -> None:
    before = Rehearsal(three_parts()).start().clock(101)
    on_stage = after_ticks(before, 120)
    # Two bars are 192 ticks; the instrument was not told, and plays on for another two.
    assert on_stage.clock().where == (1, 220)
    on_stage.clock(30)
    assert on_stage.conductor.sure
    assert "not sent" in on_stage.conductor.standing().notice
    on_stage.clock(384 - 250)
    assert on_stage.programs == [2]
    assert on_stage.where == (2, 0)


def test_a_change_that_comes_due_after_the_gap_leaves_in_time() -> None:
    on_stage = after_ticks(Rehearsal(three_parts()).start().clock(101), 20)
    on_stage.clock(60)
    # A beat of 24 ticks before the end at 192: the count was sure by then.
    assert [at + 120 for at, _ in on_stage.sent] == [168]


def test_parts_changed_by_hand_are_gone_through_as_planned() -> None:
    before = Rehearsal(three_parts()).start().clock(101)
    ask(before.conductor, "disarm")
    on_stage = after_ticks(before, 220)
    assert on_stage.clock().where == (2, 320 - 192)
    assert not on_stage.conductor.standing().armed
    assert on_stage.clock(30).sent == []


def test_what_the_performer_asked_for_is_kept() -> None:
    open_part = (
        SetBuilder()
        .part(bar_pattern(), program=1, phrases=None)
        .part(bar_pattern("ebb line"), program=2)
        .build()
    )
    before = Rehearsal(open_part).start().clock(500)
    ask(before.conductor, "next")
    assert before.conductor.standing().end == 576
    on_stage = after_ticks(before, 10).clock(30)
    standing = on_stage.conductor.standing()
    assert (standing.end, standing.asked) == (576, True)
    ask(on_stage.conductor, "undo")
    assert on_stage.conductor.standing().end is None


def test_what_was_doubted_before_is_doubted_after() -> None:
    before = Rehearsal(three_parts()).clock(5).go_on().clock(200)
    doubt = before.conductor.standing().doubt
    on_stage = after_ticks(before, 20).clock(60)
    assert on_stage.doubt == doubt
    assert not on_stage.conductor.sure


def test_a_clock_that_was_lost_when_the_engine_ended_is_found_by_the_next() -> None:
    before = Rehearsal(three_parts()).start().clock(101).silence(10 * TICK_NS)
    assert before.conductor.state is State.LOST
    on_stage = Again(three_parts(), left(before), before.now_ns + 9 * TICK_NS)
    assert on_stage.clock().where == (1, 100 + 20)
    assert on_stage.clock(24).conductor.sure


def test_a_start_says_more_than_any_arithmetic() -> None:
    on_stage = after_ticks(Rehearsal(three_parts()).start().clock(250), 40)
    on_stage.start().clock()
    assert on_stage.where == (2, 0)
    assert on_stage.conductor.sure


def test_a_start_after_a_change_that_may_be_out_is_a_question() -> None:
    # Kept as the change was handed out: whether it left before the engine died, nobody knows.
    before = Rehearsal(three_parts()).start().clock(169)
    assert before.programs == [2]
    on_stage = after_ticks(before, 40)
    on_stage.start().clock(5)
    assert on_stage.doubt == "drums may be on slack water or ebb line"
    assert on_stage.sent == []
    # With the next tick it was out for certain, and a stop is what leaves the doubt.
    on_stage = after_ticks(before.clock(1), 40).clock(50)
    assert on_stage.conductor.sure
    assert on_stage.where == (2, 169 + 90 - 1 - 192)


def test_a_change_not_handed_out_yet_as_it_was_kept_has_not_left() -> None:
    on_stage = after_ticks(Rehearsal(three_parts()).start().clock(166), 40)
    on_stage.start().clock(5)
    assert on_stage.where == (1, 4)
    assert on_stage.conductor.sure


def test_stopped_with_its_clock_running_it_stays_stopped() -> None:
    before = Rehearsal(three_parts()).start().clock(101).stop().clock(20)
    on_stage = after_ticks(before, 100).clock(30)
    assert on_stage.conductor.state is State.STOPPED
    assert on_stage.go_on().clock().where == (1, 101)
    assert on_stage.conductor.sure


def test_stopped_and_silent_a_clock_without_a_start_is_not_believed() -> None:
    before = Rehearsal(three_parts()).start().clock(101).stop()
    place = left(before, 2 * SECOND)
    on_stage = Again(three_parts(), place, before.now_ns + 4 * SECOND)
    assert on_stage.where == (1, 100)
    on_stage.clock(30)
    assert on_stage.conductor.state is State.READY
    assert not on_stage.conductor.sure
    assert on_stage.start().clock().where == (1, 0)


def test_stopped_and_silent_a_continue_goes_on_from_there() -> None:
    before = Rehearsal(three_parts()).start().clock(101).stop()
    place = left(before, 2 * SECOND)
    on_stage = Again(three_parts(), place, before.now_ns + 4 * SECOND).go_on().clock()
    assert on_stage.where == (1, 101)


def test_another_clock_has_to_wait_for_the_one_that_was_followed() -> None:
    on_stage = after_ticks(Rehearsal(three_parts()).start().clock(101), 10)
    on_stage.hear(0xF8, port="tide sampler")
    assert on_stage.conductor.state is State.LOST
    assert on_stage.clock(25).where == (1, 134)
    assert on_stage.conductor.sure


def test_another_clock_alone_is_followed_in_the_end_and_doubted() -> None:
    on_stage = after_ticks(Rehearsal(three_parts()).start().clock(51), 20)
    on_stage.clock(150, port="tide sampler")
    assert on_stage.follower.port == "tide sampler"
    assert not on_stage.conductor.sure


def test_a_clock_lost_again_right_after_is_counted_through() -> None:
    on_stage = after_ticks(Rehearsal(three_parts()).start().clock(50), 20).clock(10)
    on_stage.silence(20 * TICK_NS)
    on_stage.clock(60)
    assert on_stage.where == (1, 49 + 20 + 10 + 20 - 1 + 60)


def test_the_performer_may_say_that_it_is_right() -> None:
    on_stage = after_ticks(Rehearsal(three_parts()).start().clock(101), 40).clock(5)
    ask(on_stage.conductor, "confirm")
    assert on_stage.clock(60).conductor.sure


def test_ticks_lost_right_after_are_put_right_and_then_it_is_sure() -> None:
    on_stage = after_ticks(Rehearsal(three_parts()).start().clock(61), 30).clock(8)
    on_stage.now_ns += TICK_NS
    on_stage.clock(60)
    assert on_stage.where == (1, 60 + 30 + 8 + 60)
    assert on_stage.conductor.sure


def test_a_clock_of_hours_ago_is_not_even_an_estimate() -> None:
    before = Rehearsal(three_parts()).start().clock(101)
    on_stage = Again(three_parts(), left(before), before.now_ns + 5000 * SECOND).clock(30)
    assert on_stage.doubt == RESTARTED
    assert on_stage.where == (1, 130)


def broken(kept: dict[str, Any], path: str, value: object) -> dict[str, Any]:
    """`kept` with something else at a path such as `situation.plan.part`."""
    kept = json.loads(json.dumps(kept))
    *above, last = path.split(".")
    inner: Any = kept
    for name in above:
        inner = inner[int(name) if name.isdigit() else name]
    inner[last] = value
    return kept


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("situation.plan.part", 2),
        ("situation.plan.part", "1"),
        ("situation.plan.pending", []),
        ("situation.plan.wishes", None),
        ("situation.stretches", []),
        ("situation.stretches", [{"start": 0, "part_index": 9}]),
        ("situation.worlds", []),
        ("situation.worlds", [[{"part": 9}, 1.0], [{"part": 0}, 1e-8]]),
        ("situation.transport", "asleep"),
        ("situation", None),
    ],
)
def test_a_place_that_is_not_in_the_set_is_refused(path: str, value: object) -> None:
    kept = left(Rehearsal(three_parts()).start().clock(30))
    Follower.resume(three_parts(), json.loads(json.dumps(kept)), 0)
    with pytest.raises(ValueError, match=r"no such|not the same|not a place|not a valid"):
        Follower.resume(three_parts(), broken(kept, path, value), 0)


def test_what_is_kept_comes_back_as_it_was() -> None:
    before = Rehearsal(three_parts()).start().clock(180)
    held = before.conductor.situation
    assert load(three_parts(), json.loads(json.dumps(dump(held)))) == held
