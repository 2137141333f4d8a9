"""Mutes that are sent: on the tick of their cue, where the set asks for it, and never unsure."""

from __future__ import annotations

import pytest

from companion.follow.mutesends import MuteOrder, MuteSending, not_sent
from companion.setlist import Action, Cue, MuteControl, SetList, Span, Unit, When, WhenKind
from tests.builders import PORT, TICK_NS, Rehearsal, SetBuilder, ask, bar_pattern

# A bar of 4/4 is 96 clocks (MIDI 1.0, from memory); phrases are two bars.
BAR, PHRASE = 96, 192
START, END = When(WhenKind.START), When(WhenKind.END)
SECOND_BAR = When(WhenKind.NTH, Span(2, Unit.BARS))
BY_HAND = "not sent, do it by hand:"
SHAKER = MuteControl("shaker", 9, 21)


def mutes(*sends: MuteControl) -> SetList:
    """Shaker and bell are muted at the start, the shaker comes in bar 2, and leaves at the end."""
    return (
        SetBuilder()
        .instrument("drums", mute_sends=sends)
        .part(
            bar_pattern("slack water"),
            program=1,
            phrases=2,
            cues=[
                Cue(START, Action.MUTE, ("shaker", "bell")),
                Cue(SECOND_BAR, Action.UNMUTE, ("shaker",)),
                Cue(END, Action.MUTE, ("shaker",)),
            ],
        )
        .part(
            bar_pattern("ebb line"),
            program=2,
            phrases=None,
            cues=[Cue(START, Action.UNMUTE, ("shaker",))],
        )
        .build()
    )


class Muted(Rehearsal):
    """A rehearsal that keeps the mutes that go out: clock, track, controller, value."""

    def __init__(self, setlist: SetList, *, sends: bool = True) -> None:
        super().__init__(setlist, sends=sends)
        self.sending = MuteSending(setlist)
        self.told: list[tuple[int, str, int, int]] = []
        # What the performer is asked to do by hand, and at which clock.
        self.asked: list[tuple[int, str]] = []

    def hear(self, *message: int, port: str = PORT) -> None:
        super().hear(*message, port=port)
        due = self.sending.ticked(self.conductor)
        for each in due.now:
            self.told.append((self.clocks, each.send.track, each.send.controller, each.value))
        if due.missed:
            self.asked.append((self.clocks, not_sent(due.missed)))


def test_each_mute_leaves_on_the_tick_of_its_cue_once() -> None:
    on_stage = Muted(mutes(SHAKER))
    on_stage.start().clock(2 * PHRASE + 50)
    assert on_stage.told == [
        (0, "shaker", 21, 127),
        (BAR, "shaker", 21, 0),
        (2 * PHRASE, "shaker", 21, 127),
        (2 * PHRASE, "shaker", 21, 0),
    ]


def test_the_values_are_those_of_the_set() -> None:
    bell = MuteControl("bell", 10, 22, muted=0, sounding=100)
    on_stage = Muted(mutes(SHAKER, bell))
    on_stage.start().clock(5)
    assert on_stage.told == [(0, "shaker", 21, 127), (0, "bell", 22, 0)]


def test_without_being_asked_nothing_is_sent() -> None:
    on_stage = Muted(mutes())
    on_stage.start().clock(3 * PHRASE)
    assert on_stage.told == []


@pytest.mark.parametrize("why", ["not sending", "disarmed", "unsure"])
def test_nothing_leaves_while_program_changes_would_not(why: str) -> None:
    on_stage = Muted(mutes(SHAKER), sends=why != "not sending")
    if why == "disarmed":
        ask(on_stage.conductor, "disarm")
    on_stage.start()
    if why == "unsure":
        on_stage.conductor.suspect("the cable was pulled")
    on_stage.clock(BAR + 50)
    assert on_stage.told == []
    # Who switched sending off knows it; a count in doubt nobody chose.
    asked = [(0, f"{BY_HAND} mute shaker"), (BAR, f"{BY_HAND} unmute shaker")]
    assert on_stage.asked == (asked if why == "unsure" else [])


def test_armed_or_sure_again_later_no_mute_comes_late() -> None:
    on_stage = Muted(mutes(SHAKER))
    ask(on_stage.conductor, "disarm")
    on_stage.start().clock(50)
    ask(on_stage.conductor, "arm")
    on_stage.clock(BAR)
    assert on_stage.told == [(BAR, "shaker", 21, 0)]


def test_a_cue_that_a_jump_passes_over_is_not_made_up_for() -> None:
    on_stage = Muted(mutes(SHAKER))
    on_stage.start().clock(50)
    ask(on_stage.conductor, "nudge forward a pass")
    on_stage.clock(20)
    assert on_stage.told == [(0, "shaker", 21, 127)]
    assert on_stage.asked == [(50, f"{BY_HAND} unmute shaker")]


def test_a_jump_back_asks_for_nothing() -> None:
    on_stage = Muted(mutes(SHAKER))
    on_stage.start().clock(BAR + 50)
    ask(on_stage.conductor, "nudge back a pass")
    on_stage.clock(20)
    assert on_stage.told == [(0, "shaker", 21, 127), (BAR, "shaker", 21, 0)]
    assert on_stage.asked == []


def test_a_jump_back_onto_a_cue_asks_for_nothing() -> None:
    on_stage = Muted(mutes(SHAKER))
    on_stage.start().clock(2 * BAR)
    ask(on_stage.conductor, "nudge back a pass")
    on_stage.clock(20)
    assert on_stage.told == [(0, "shaker", 21, 127), (BAR, "shaker", 21, 0)]
    assert on_stage.asked == []


def test_a_jump_onto_the_end_of_a_part_sends_nothing_for_it() -> None:
    # Patterns without a program are changed by hand, and the part ends as planned.
    on_stage = Muted(
        SetBuilder()
        .instrument("drums", mute_sends=(SHAKER,))
        .part(bar_pattern("slack water"), phrases=2, cues=[Cue(END, Action.MUTE, ("shaker",))])
        .part(bar_pattern("ebb line"), phrases=None)
        .build()
    )
    on_stage.start().clock(2 * PHRASE - BAR)
    ask(on_stage.conductor, "nudge forward a pass")
    on_stage.clock(1)
    assert on_stage.where == (2, 0)
    assert on_stage.told == []
    assert [what for _, what in on_stage.asked] == [f"{BY_HAND} mute shaker"]


@pytest.mark.parametrize("before", [6, 7, 9, 12])
def test_what_ticks_lost_over_the_end_of_a_part_pass_over_is_asked_for(before: int) -> None:
    last_step = Cue(When(WhenKind.LAST, Span(1, Unit.STEPS)), Action.MUTE, ("bell",))
    first_steps = Cue(When(WhenKind.NTH, Span(2, Unit.STEPS)), Action.UNMUTE, ("bell",))
    on_stage = Muted(
        SetBuilder()
        .instrument("drums", mute_sends=(MuteControl("bell", 9, 22),))
        .part(bar_pattern("slack water"), program=1, phrases=1, cues=[last_step])
        .part(bar_pattern("ebb line"), program=2, phrases=None, cues=[first_steps])
        .build()
    )
    # From so many ticks before the boundary to six after it: a sixteenth is six ticks (MIDI 1.0).
    on_stage.start().clock(PHRASE - before)
    on_stage.now_ns += (before + 7) * TICK_NS
    on_stage.clock(48)
    assert on_stage.where == (2, 54)
    assert on_stage.conductor.sure
    assert on_stage.told == []
    asked = [what.removeprefix(BY_HAND).strip() for _, what in on_stage.asked]
    assert ", ".join(asked) == "mute bell, unmute bell"


@pytest.mark.parametrize("lost", [1, 2, 3])
def test_ticks_lost_about_a_boundary_leave_no_cue_of_either_part_out(lost: int) -> None:
    on_stage = Muted(mutes(SHAKER))
    on_stage.start().clock(2 * PHRASE - 1)
    on_stage.now_ns += lost * TICK_NS
    on_stage.clock(24)
    assert on_stage.conductor.sure
    assert [at for at, *_ in on_stage.told] == [0, BAR]
    assert [what for _, what in on_stage.asked] == [f"{BY_HAND} mute shaker, unmute shaker"]


def test_a_part_that_starts_now_begins_anew_and_ends_nothing() -> None:
    on_stage = Muted(mutes(SHAKER))
    on_stage.start().clock(50)
    ask(on_stage.conductor, "align")
    on_stage.clock(20)
    assert on_stage.told == [(0, "shaker", 21, 127)]
    assert on_stage.asked == []


def test_of_what_was_to_be_one_after_the_other_the_latest_stands_last() -> None:
    unmute, mute = (MuteOrder("drums", SHAKER, muted, "shaker") for muted in (False, True))
    assert not_sent([unmute, mute, unmute]) == f"{BY_HAND} mute shaker, unmute shaker"


@pytest.mark.parametrize("lost", [BAR, 2 * PHRASE])
def test_a_mute_whose_tick_is_lost_is_asked_for_by_hand(lost: int) -> None:
    on_stage = Muted(mutes(SHAKER))
    on_stage.start().clock(lost)
    on_stage.now_ns += TICK_NS
    on_stage.clock(12)
    assert on_stage.conductor.sure
    assert all(at < lost for at, *_ in on_stage.told)
    assert len(on_stage.asked) == 1
    assert on_stage.asked[0][0] <= lost + 1
    what = "unmute shaker" if lost == BAR else "mute shaker, unmute shaker"
    assert on_stage.asked[0][1] == f"{BY_HAND} {what}"


def test_stopped_and_started_the_part_mutes_again() -> None:
    on_stage = Muted(mutes(SHAKER))
    on_stage.start().clock(50).stop()
    on_stage.start().clock(50)
    assert [at for at, *_ in on_stage.told] == [0, 50]


def test_a_clock_of_somebody_else_counts_for_nothing() -> None:
    on_stage = Muted(mutes(SHAKER))
    on_stage.start().clock(1)
    on_stage.hear(0xF8, port="tide pad")
    assert len(on_stage.told) == 1
