"""Wishes while it plays: stay, now, to any part, undo. Each takes effect where it says, once."""

from __future__ import annotations

from typing import ClassVar

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from companion.engine.snapshot import Agenda, ItemKind
from companion.follow.follower import Follower
from companion.setlist import ProgramChange, SetList, Span, Unit
from tests.builders import Rehearsal, SetBuilder, bar_pattern, three_parts

# A bar of 4/4 is 96 clocks, a beat 24 (MIDI 1.0, from memory); phrases here are two bars.
BAR, BEAT, PHRASE = 96, 24, 192
LONG = 3 * PHRASE


def tide_set(**instrument: object) -> SetList:
    """Four parts of three, one, two and open phrases; programs 1 to 4 on the wire."""
    return (
        SetBuilder()
        .instrument("drums", **instrument)
        .part(bar_pattern("slack water"), program=1, phrases=3)
        .part(bar_pattern("ebb line"), program=2)
        .part(bar_pattern("spring tide"), program=3, phrases=2)
        .part(bar_pattern("neap"), program=4, phrases=None)
        .build()
    )


class Steered(Rehearsal):
    """A rehearsal in which wishes are told as they are written."""

    def tell(self, text: str) -> Steered:
        self.sent += [(self.clocks, send) for send in self.follower.wish(text, self.now_ns)]
        return self

    @property
    def notice(self) -> str:
        return self.conductor.standing().notice

    @property
    def end(self) -> int | None:
        return self.conductor.standing().end


def playing(ticks: int, **instrument: object) -> Steered:
    """The tide set, `ticks` clocks after its start."""
    on_stage = Steered(tide_set(**instrument))
    on_stage.start().clock(ticks)
    return on_stage


def test_a_part_that_is_to_stay_goes_on_until_it_is_released() -> None:
    on_stage = playing(100).tell("stay")
    assert on_stage.notice == "staying in this part, phrase by phrase"
    on_stage.clock(LONG + 3 * PHRASE)
    assert on_stage.sent == []
    assert on_stage.where == (1, LONG + 3 * PHRASE + 99)
    on_stage.tell("stay")
    assert on_stage.end == LONG + 4 * PHRASE
    assert on_stage.notice == "the part goes on to its end, at the end of this phrase"
    on_stage.clock(PHRASE)
    assert on_stage.programs == [2]
    assert on_stage.where == (2, 99)


def test_next_releases_a_part_that_stays() -> None:
    on_stage = playing(100).tell("stay")
    on_stage.clock(LONG)
    on_stage.tell("next").clock(PHRASE)
    assert on_stage.programs == [2]
    assert on_stage.where == (2, 99)


def test_staying_is_too_late_once_the_change_is_out() -> None:
    on_stage = playing(LONG - BEAT + 1).tell("stay")
    assert on_stage.notice == "too late: the program change is out"
    on_stage.clock(BEAT)
    assert on_stage.where == (2, 0)


def test_released_within_the_lead_the_part_lasts_a_phrase_more() -> None:
    on_stage = playing(100).tell("stay")
    on_stage.clock(LONG - BEAT + 10 - 100)
    on_stage.tell("stay")
    assert on_stage.end == LONG + PHRASE
    on_stage.clock(PHRASE + BEAT)
    assert [at for at, _ in on_stage.sent] == [LONG + PHRASE - BEAT]
    assert on_stage.where == (2, 9)


def test_stay_withdraws_a_wish_to_go_on_and_the_other_way_round() -> None:
    on_stage = playing(10).tell("next").tell("stay")
    on_stage.clock(PHRASE)
    assert on_stage.where == (1, PHRASE + 9)
    on_stage.tell("part 3").clock(PHRASE)
    assert on_stage.programs == [3]
    assert on_stage.where == (3, 9)


def test_now_tells_an_instrument_that_waits_for_its_pass_to_end_at_once() -> None:
    on_stage = playing(11).tell("now")
    assert on_stage.notice == "going to part 2 at the end of this pass"
    assert [(at, send.ticks_left) for at, send in on_stage.sent] == [(11, BAR - 10)]
    on_stage.clock(BAR)
    assert on_stage.programs == [2]
    assert on_stage.where == (2, 10)


def test_now_too_near_to_the_end_of_the_pass_means_the_next_one() -> None:
    # Told now, the instrument might take it at this end or at the next: nobody could say.
    on_stage = playing(BAR - BEAT + 1).tell("now")
    assert on_stage.notice == "going to part 2 at the end of this phrase"
    assert on_stage.sent == []
    on_stage.clock(BAR + BEAT)
    assert [at for at, _ in on_stage.sent] == [2 * BAR - BEAT]
    assert on_stage.where == (2, 0)


def test_now_changes_an_instrument_that_takes_it_at_once_with_the_next_clock() -> None:
    on_stage = playing(50, at_once=True, lead=Span(1, Unit.STEPS)).tell("now")
    assert on_stage.notice == "going to part 2 now"
    assert on_stage.programs == [2]
    on_stage.clock()
    assert on_stage.where == (2, 0)
    on_stage.clock(PHRASE)
    assert on_stage.programs == [2, 3]


@pytest.mark.parametrize("at_once", [False, True])
def test_now_sends_nothing_while_disarmed_and_the_part_changes_by_hand(at_once: bool) -> None:
    on_stage = playing(50, at_once=at_once).tell("disarm").tell("now")
    # Less than a beat to the lead would be too little time for a hand: one more pass.
    on_stage.clock(2 * BAR)
    assert on_stage.sent == []
    assert on_stage.where[0] == 2


@pytest.mark.parametrize("at_once", [False, True])
def test_now_sends_nothing_while_the_count_is_unsure(at_once: bool) -> None:
    on_stage = playing(50, at_once=at_once)
    on_stage.conductor.suspect("the cable was pulled")
    on_stage.tell("now").clock(2 * BAR)
    assert on_stage.sent == []
    standing = on_stage.conductor.standing()
    assert standing.part.number == 1
    # Confirmed, it is made up for where the phrase ends.
    assert standing.end == 2 * PHRASE
    on_stage.tell("confirm").clock(PHRASE)
    assert on_stage.programs == [2]
    assert on_stage.where == (2, 49)


def test_a_port_that_fails_now_holds_the_part_to_the_end_of_its_phrase() -> None:
    on_stage = playing(50).tell("now")
    on_stage.fail(on_stage.sent[0][1])
    on_stage.clock(BAR)
    standing = on_stage.conductor.standing()
    assert (standing.part.number, standing.tick, standing.end) == (1, 145, PHRASE)
    assert "was not sent" in standing.notice


def test_any_part_can_be_gone_to_and_the_plan_goes_on_from_there() -> None:
    on_stage = playing(10).tell("part 3")
    assert on_stage.notice == "going to part 3 at the end of this phrase"
    coming = Agenda(tide_set()).coming(on_stage.conductor.standing())
    assert [(i.tick, i.part.number) for i in coming if i.kind is ItemKind.CHANGE] == [(PHRASE, 3)]
    on_stage.clock(PHRASE)
    assert on_stage.where == (3, 9)
    on_stage.clock(2 * PHRASE)
    assert on_stage.where == (4, 9)
    on_stage.tell("part 1").clock(PHRASE)
    assert on_stage.where == (1, 9)
    on_stage.clock(LONG)
    assert on_stage.where == (2, 9)
    assert on_stage.programs == [3, 4, 1, 2]


def test_a_part_asked_for_is_gone_to_where_the_plan_would_have_gone_on() -> None:
    on_stage = playing(2 * PHRASE + 10).tell("part 4")
    assert on_stage.end == LONG
    on_stage.clock(PHRASE)
    assert on_stage.programs == [4]
    assert on_stage.where == (4, 9)


def test_of_two_parts_asked_for_the_later_stands() -> None:
    on_stage = playing(10).tell("part 3").tell("part 4")
    on_stage.clock(PHRASE)
    assert on_stage.programs == [4]
    assert on_stage.where == (4, 9)


def test_asking_for_the_part_that_runs_withdraws_the_wish_to_leave_it() -> None:
    on_stage = playing(10).tell("part 3").tell("part 1")
    on_stage.clock(PHRASE)
    assert on_stage.where == (1, PHRASE + 9)
    assert on_stage.sent == []


def test_there_is_no_part_beyond_the_last() -> None:
    on_stage = playing(10).tell("part 9")
    assert on_stage.notice == "there is no part 9"
    assert on_stage.end == LONG


def test_next_pass_does_not_wait_for_the_phrase() -> None:
    on_stage = playing(10)
    on_stage.tell("next pass")
    assert on_stage.notice == "going to part 2 at the end of this pass"
    on_stage.clock(BAR)
    assert [at for at, _ in on_stage.sent] == [BAR - BEAT]
    assert on_stage.where == (2, 9)


def test_while_nothing_runs_the_part_for_the_next_start_is_chosen() -> None:
    on_stage = playing(10)
    on_stage.stop()
    on_stage.tell("part 3")
    assert on_stage.notice == "part 3 comes with the next start"
    on_stage.tell("part 3")
    assert on_stage.programs == [3]
    on_stage.start().clock(5)
    assert on_stage.where == (3, 4)
    assert on_stage.conductor.sure
    on_stage.tell("stay").stop()
    on_stage.tell("stay")
    assert on_stage.notice == "nothing runs: there is nothing to stay in"


def test_undo_comes_back_to_what_was_wished_before() -> None:
    on_stage = playing(10).tell("stay").tell("part 3").tell("undo")
    assert on_stage.notice == "undone: part 3"
    on_stage.clock(2 * LONG)
    assert on_stage.where[0] == 1
    on_stage.tell("undo")
    assert on_stage.notice == "there is no wish to undo"


def test_undone_after_the_planned_end_a_stay_ends_with_its_phrase() -> None:
    on_stage = playing(10).tell("stay")
    on_stage.clock(LONG)
    on_stage.tell("undo")
    assert on_stage.end == LONG + PHRASE
    on_stage.clock(PHRASE)
    assert on_stage.where == (2, 9)


def test_what_has_gone_out_or_happened_is_not_undone() -> None:
    on_stage = playing(10).tell("now").tell("undo")
    assert on_stage.notice == "too late to undo: the program change is out"
    on_stage.clock(BAR)
    on_stage.tell("undo")
    assert on_stage.notice == "too late to undo: it has happened"


def test_where_no_latest_wish_is_known_undo_takes_back_the_change_that_was_asked_for() -> None:
    # Arming has no way back, and neither has a restart; the change can be withdrawn all the same.
    on_stage = playing(10).tell("part 4").tell("disarm")
    assert on_stage.conductor.undoable == "part 4"
    on_stage.tell("undo")
    assert on_stage.notice == "undone: part 4"
    assert (on_stage.end, on_stage.conductor.standing().asked) == (LONG, False)
    on_stage.tell("undo")
    assert on_stage.notice == "there is no wish to undo"


def test_undo_goes_back_wish_by_wish() -> None:
    on_stage = playing(10).tell("next").tell("next pass").tell("undo")
    assert on_stage.end == PHRASE
    on_stage.tell("undo")
    assert (on_stage.notice, on_stage.end) == ("undone: next", LONG)


def again_from(on_stage: Steered) -> Follower:
    kept = on_stage.follower.checkpoint(on_stage.now_ns)
    return Follower.resume(tide_set(), kept, on_stage.now_ns)


def test_wishes_outlive_the_engine() -> None:
    on_stage = playing(10).tell("part 3")
    again = again_from(on_stage)
    standing = again.conductor.standing()
    assert standing.following is not None
    assert (standing.following.number, standing.end) == (3, PHRASE)
    on_stage.tell("stay")
    again = again_from(on_stage)
    assert again.conductor.standing().staying


def test_a_change_on_the_boundary_that_fails_leads_to_the_same_part_later() -> None:
    setlist = three_parts(Span(0, Unit.STEPS), at_once=True)
    on_stage = Steered(setlist)
    on_stage.start().clock(10)
    on_stage.tell("part 3").clock(PHRASE - 9)
    on_stage.fail(on_stage.sent[0][1])
    on_stage.clock(PHRASE)
    assert on_stage.sent[-1][1].change == ProgramChange("drums", 3)
    assert on_stage.where[0] == 3


class Walk(RuleBasedStateMachine):
    """Any wishes at any ticks, against a reckoning in a few lines and an instrument of its own.

    The instrument takes the latest program it was told when its pass of 96 clocks ends.
    """

    PLANNED: ClassVar = {1: 3 * PHRASE, 2: PHRASE, 3: 2 * PHRASE, 4: None}

    def __init__(self) -> None:
        super().__init__()
        # So many ticks as the clock needs to be known.
        self.stage = playing(5)
        self.heard = 0
        # The instrument: the program that plays, the one it holds, clocks into its pass.
        self.plays, self.into = 1, 4
        self.holds: int | None = None
        # The reckoning: part, tick, where it goes and when, and whether that is out.
        self.part, self.tick, self.out = 1, 4, False
        self.goal: tuple[str, int | None, int] = ("plan", None, PHRASE)
        self.end: int | None = LONG
        self.before: tuple[tuple[str, int | None, int], int | None] | None = None
        self.messages = 0

    # The reckoning.

    def next_end(self, unit: int) -> int:
        return next(e for e in range(unit, 1 << 20, unit) if e - BEAT > self.tick)

    def planned(self) -> int | None:
        end = self.PLANNED[self.part]
        if end is not None and end - BEAT <= self.tick:
            return self.next_end(PHRASE)
        return end

    def set(self, goal: tuple[str, int | None, int], end: int | None) -> None:
        if (self.goal, self.end) != (goal, end):
            self.before = self.goal, self.end
        self.goal, self.end = goal, end

    def go(self, to: int, unit: int) -> None:
        if self.out:
            return
        end = self.next_end(unit)
        planned = self.planned()
        if to == self.part + 1 and planned == end and self.goal != ("go", to, unit):
            self.set(("plan", None, unit), end)
        else:
            self.set(("go", to, unit), end)

    def goes_to(self) -> int:
        return self.part + 1 if self.goal[1] is None else self.goal[1]

    def hear(self) -> None:
        for _, send in self.stage.sent[self.heard :]:
            assert not self.out, "told twice"
            assert send.change.program == self.goes_to()
            self.holds, self.out = send.change.program, True
        self.heard = len(self.stage.sent)

    # What happens.

    @rule(ticks=st.integers(1, 130))
    def clocks(self, ticks: int) -> None:
        for _ in range(ticks):
            self.stage.clock()
            self.into += 1
            if self.into == BAR:
                self.into = 0
                if self.holds is not None:
                    self.plays, self.holds = self.holds, None
            self.tick += 1
            self.hear()
            due = self.end is not None and self.tick >= self.end - BEAT
            assert self.out or not due, "not told in time"
            if self.tick == self.end:
                self.part, self.tick, self.out = self.goes_to(), 0, False
                self.goal, self.end = ("plan", None, PHRASE), self.PLANNED[self.part]
                self.before = None
            assert self.stage.where == (self.part, self.tick)
            assert self.plays == self.part

    @rule(unit=st.sampled_from(["", "pass"]))
    def next(self, unit: str) -> None:
        self.stage.tell(f"next {unit}")
        if self.part < 4:
            self.go(self.part + 1, BAR if unit else PHRASE)

    @rule(number=st.integers(1, 4))
    def to(self, number: int) -> None:
        self.stage.tell(f"part {number}")
        if number != self.part:
            self.go(number, PHRASE)
        elif not self.out and self.goal[0] == "go":
            self.set(("plan", None, PHRASE), self.planned())

    @rule()
    def now(self) -> None:
        self.stage.tell("now")
        to = self.goes_to()
        if self.out or to > 4:
            return
        end = self.next_end(BAR)
        self.set(("go", to, BAR), end)
        if end - 1 < self.tick // BAR * BAR + BAR:
            assert len(self.stage.sent) == self.heard + 1, "not told at once"
        self.hear()

    @rule()
    def stay(self) -> None:
        self.stage.tell("stay")
        if self.out:
            return
        if self.goal[0] == "stay" or self.part == 4:
            self.set(("plan", None, PHRASE), self.planned())
        else:
            self.set(("stay", None, PHRASE), None)

    @rule()
    def undo(self) -> None:
        self.stage.tell("undo")
        if self.out:
            return
        if self.before is None:
            if self.goal[0] == "go":
                self.goal, self.end = ("plan", None, PHRASE), self.planned()
            return
        self.goal, self.end = self.before
        self.before = None
        if self.end is not None and self.end - BEAT <= self.tick:
            self.end = self.next_end(self.goal[2])

    @invariant()
    def agrees(self) -> None:
        self.hear()
        standing = self.stage.conductor.standing()
        assert standing.sure
        assert standing.end == self.end
        assert (standing.part.number, standing.tick) == (self.part, self.tick)
        assert standing.asked == (self.goal[0] == "go")
        assert standing.staying == (self.goal[0] == "stay")


TestWalk = Walk.TestCase
TestWalk.settings = settings(max_examples=100, stateful_step_count=50, deadline=None)
