"""Pads and pedals: each press is one wish, whatever contacts, cables and patterns do."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.counting import Pattern, Track
from companion.follow.portnames import matches
from companion.follow.presses import Controls, Reserved, parse, refusals, reserved_by
from companion.setlist import Address, Binding, Kind, MuteTold, NoteKey, Press, Tells
from companion.wishes import Ask, Wish
from tests.builders import SetBuilder

MS = 1_000_000
PADS = "shore pads 20:0"
DRUM = "tide drum 24:0"


def bind(
    ask: Ask,
    kind: Kind = Kind.NOTE,
    number: int = 60,
    channel: int | None = None,
    port: str | None = None,
    **more: bool,
) -> Binding:
    """A press and what it asks for."""
    return Binding(Press(Address(kind, number, channel), port, **more), Wish(ask))


NEXT = bind(Ask.NEXT, channel=0, port="*pads*")
STAY = bind(Ask.STAY, channel=0, port="*pads*", long=True)
FILL = bind(Ask.FILL, channel=0, port="*pads*")
NEXT_BELOW = bind(Ask.NEXT, number=50)
LOW_DRUM = Reserved("*drum*", Address(Kind.NOTE, 36, 9), 9, "is what low drum plays")


def take_over(before: Controls, *bindings: Binding) -> Controls:
    """Controls that take the place of others, as when a set list is saved while it plays."""
    made = Controls(bindings, matches=matches, reserved=(LOW_DRUM,))
    made.take_over(before)
    return made


class Hand:
    """A hand on the controls; time passes as the engine's watch sees it, 10 ms at a time."""

    def __init__(self, *bindings: Binding, taken: tuple[Reserved, ...] = (LOW_DRUM,)) -> None:
        self.controls = Controls(bindings, matches=matches, reserved=taken)
        self.now_ms = 10_000
        self.asked: list[Wish] = []
        self.when: list[int] = []

    def send(self, *message: int, port: str = PADS) -> Hand:
        self._note(self.controls.hear(port, self.now_ms * MS, message))
        return self

    def wait(self, ms: int) -> Hand:
        for _ in range(ms // 10):
            self.now_ms += 10
            self._note(self.controls.passed(self.now_ms * MS))
        self.now_ms += ms % 10
        return self

    def press(self, ms: int = 100, note: int = 60, port: str = PADS) -> Hand:
        self.send(0x90, note, 100, port=port).wait(ms)
        return self.send(0x80, note, 0, port=port).wait(200)

    def _note(self, asked: list[Wish]) -> None:
        self.asked += asked
        self.when += [self.now_ms - 10_000] * len(asked)

    @property
    def wishes(self) -> list[str]:
        return [str(each) + ("" if each.on else " off") for each in self.asked]


def test_a_short_press_counts_at_once_when_nothing_else_hangs_on_it() -> None:
    hand = Hand(NEXT).press(3000)
    assert (hand.wishes, hand.when) == (["next"], [0])


def test_a_unit_goes_with_its_wish() -> None:
    press = Press(Address(Kind.NOTE, 60))
    for wanted in (Wish(Ask.ALIGN, "bar"), Wish(Ask.PART, part=3)):
        assert Hand(Binding(press, wanted)).press().asked == [wanted]


def test_short_and_long_on_one_pad_are_told_apart() -> None:
    assert Hand(NEXT, STAY).press(200).wishes == ["next"]
    long = Hand(NEXT, STAY).press(2000)
    # At half a second, not at release, so that the performer sees it happen.
    assert (long.wishes, long.when) == (["stay"], [500])
    assert Hand(STAY).press(499).asked == []


def test_a_long_press_counts_even_if_nobody_looked_in_between() -> None:
    controls = Controls([NEXT, STAY], matches=matches)
    assert controls.hear(PADS, 0, (0x90, 60, 90)) == []
    assert controls.hear(PADS, 700 * MS, (0x90, 60, 0)) == [Wish(Ask.STAY)]
    assert controls.passed(2000 * MS) == []


def test_a_note_of_velocity_zero_is_a_release() -> None:
    # MIDI 1.0, from memory.
    hand = Hand(NEXT, STAY).send(0x90, 60, 90).wait(100).send(0x90, 60, 0).wait(1000)
    assert hand.wishes == ["next"]


@pytest.mark.parametrize("bounces", [1, 2, 5])
def test_a_bouncing_contact_is_one_press(bounces: int) -> None:
    for bindings in ((NEXT,), (NEXT, STAY)):
        hand = Hand(*bindings).send(0x90, 60, 90)
        for _ in range(bounces):
            hand.wait(4).send(0x80, 60, 0).wait(4).send(0x90, 60, 90)
        hand.wait(150)
        for _ in range(bounces):
            hand.send(0x80, 60, 0).wait(4).send(0x90, 60, 90).wait(4)
        hand.send(0x80, 60, 0).wait(1000)
        assert hand.wishes == ["next"]


def test_a_bounce_does_not_cut_a_long_press_short() -> None:
    hand = Hand(NEXT, STAY).send(0x90, 60, 90).wait(5).send(0x80, 60, 0).wait(5)
    hand.send(0x90, 60, 90).wait(800).send(0x80, 60, 0).wait(500)
    assert hand.wishes == ["stay"]


def test_a_trigger_that_lets_go_at_once_is_a_short_press() -> None:
    hand = Hand(NEXT, STAY).send(0x90, 60, 90).wait(2).send(0x80, 60, 0).wait(1000)
    assert hand.wishes == ["next"]


def test_two_presses_a_tenth_of_a_second_apart_are_two() -> None:
    hand = Hand(NEXT)
    for _ in range(2):
        hand.send(0x90, 60, 90).wait(40).send(0x80, 60, 0).wait(70)
    assert hand.wishes == ["next", "next"]


def test_a_release_that_was_lost_costs_no_later_press() -> None:
    hand = Hand(NEXT).send(0x90, 60, 90).wait(5000).send(0x90, 60, 90).wait(100)
    assert hand.wishes == ["next", "next"]


@given(st.lists(st.tuples(st.integers(1, 900), st.integers(61, 900)), max_size=12))
def test_every_deliberate_press_is_one_wish(presses: list[tuple[int, int]]) -> None:
    hand = Hand(NEXT, STAY)
    for held, rest in presses:
        hand.send(0x90, 60, 90).wait(held).send(0x80, 60, 0).wait(max(rest, 130 - held))
    hand.wait(1000)
    assert hand.wishes == ["stay" if held >= 500 else "next" for held, _ in presses]


def test_a_controller_presses_once_from_64_up_and_again_only_after_release() -> None:
    hand = Hand(bind(Ask.NEXT, Kind.CONTROLLER, 64))
    for value in (10, 40, 63, 64, 90, 127, 126, 80, 64):
        hand.send(0xB0, 64, value).wait(100)
    assert hand.wishes == ["next"]
    hand.send(0xB0, 64, 0).wait(100).send(0xB0, 64, 127)
    assert hand.wishes == ["next", "next"]


def test_a_pedal_that_toggles_asks_with_every_press() -> None:
    hand = Hand(bind(Ask.NEXT, Kind.CONTROLLER, 64, toggle=True))
    for value in (127, 0, 127, 0):
        hand.send(0xB0, 64, value).wait(300)
    assert hand.wishes == ["next"] * 4
    # A device that repeats its state presses nothing; neither does a bounce.
    hand.send(0xB0, 64, 0).wait(300).send(0xB0, 64, 127).wait(5).send(0xB0, 64, 0).wait(300)
    assert hand.wishes == ["next"] * 5


def test_a_pad_that_only_ever_sends_127_asks_with_every_press() -> None:
    hand = Hand(bind(Ask.NEXT, Kind.CONTROLLER, 20))
    for pause in (300, 5, 300):
        hand.send(0xB0, 20, 127).wait(pause)
    assert hand.wishes == ["next", "next"]


def test_a_program_button_asks_with_every_program() -> None:
    hand = Hand(bind(Ask.NEXT, Kind.PROGRAM, 7, 2))
    hand.send(0xC2, 7).wait(300).send(0xC2, 7).wait(300).send(0xC2, 8).send(0xC1, 7)
    assert hand.wishes == ["next", "next"]


def test_only_the_bound_control_asks() -> None:
    hand = Hand(NEXT)
    for message in (
        (0x91, 60, 90),
        (0x90, 61, 90),
        (0xB0, 60, 127),
        (0xC0, 60),
        (0xA0, 60, 127),
        (0xD0, 60),
        (0xE0, 60, 60),
        (0xF8,),
        (0xFE,),
        (0xF2, 60, 60),
        (0xF0, 60, 60, 0xF7),
        (0x90, 60),
        (0x90, 200, 90),
        (),
    ):
        hand.send(*message).wait(200)
    hand.send(0x90, 60, 90, port="far keys 9:0")
    assert hand.asked == []


def test_all_notes_off_and_its_like_are_no_controllers() -> None:
    # MIDI 1.0, from memory: controllers 120 to 127 are channel mode messages.
    assert parse((0xB0, 123, 127)) is None
    assert parse((0xB0, 119, 127)) is not None


def test_the_same_device_on_two_ports_is_one_press() -> None:
    hand = Hand(bind(Ask.NEXT))
    for port in (PADS, "shore pads copy 21:0"):
        hand.send(0x90, 60, 90, port=port).wait(3)
    for port in (PADS, "shore pads copy 21:0"):
        hand.send(0x80, 60, 0, port=port).wait(3)
    hand.wait(300)
    assert hand.wishes == ["next"]


def test_the_binding_that_names_its_port_wins() -> None:
    hand = Hand(bind(Ask.STAY), NEXT)
    assert hand.press().wishes == ["next"]
    assert hand.press(port="far keys 9:0").wishes == ["next", "stay"]
    named, channel = bind(Ask.NEXT, port="*pads*"), bind(Ask.STAY, channel=0)
    assert Hand(channel, named).press().wishes == ["next"]
    assert Hand(bind(Ask.STAY), channel, bind(Ask.ARM)).press().wishes == ["stay"]


def test_a_pad_that_is_unplugged_while_held_asks_for_nothing() -> None:
    hand = Hand(NEXT, STAY).send(0x90, 60, 90).wait(100)
    hand.controls.port_gone(PADS)
    hand.wait(1000)
    assert hand.asked == []
    assert hand.press().wishes == ["next"]


def test_a_fill_lasts_while_its_pad_is_held() -> None:
    hand = Hand(FILL).send(0x90, 60, 90).wait(1000)
    assert hand.wishes == ["fill"]
    hand.send(0x80, 60, 0)
    assert (hand.wishes, hand.when) == (["fill", "fill off"], [0, 1000])
    # A bounce neither ends it nor begins it twice.
    hand = Hand(FILL).send(0x90, 60, 90).wait(5).send(0x80, 60, 0).wait(5).send(0x90, 60, 90)
    hand.wait(500).send(0x80, 60, 0).wait(5).send(0x90, 60, 90).wait(5).send(0x80, 60, 0)
    assert hand.wait(500).wishes == ["fill", "fill off"]


def test_a_toggle_that_was_unplugged_may_begin_on_either_side() -> None:
    for first in (127, 0):
        hand = Hand(bind(Ask.NEXT, Kind.CONTROLLER, 64, toggle=True)).send(0xB0, 64, 127)
        assert hand.wait(1000).controls.port_gone(PADS) == []
        assert hand.send(0xB0, 64, first).wishes == ["next", "next"]


def test_a_fill_on_a_toggle_lasts_to_the_next_press() -> None:
    hand = Hand(bind(Ask.FILL, Kind.CONTROLLER, 64, toggle=True)).send(0xB0, 64, 127).wait(2000)
    assert hand.wishes == ["fill"]
    assert hand.send(0xB0, 64, 0).wishes == ["fill", "fill off"]


def test_a_fill_on_a_toggle_struck_twice_ends_as_its_device_says() -> None:
    toggle = bind(Ask.FILL, Kind.CONTROLLER, 64, toggle=True)
    hand = Hand(toggle).send(0xB0, 64, 127).wait(40).send(0xB0, 64, 0)
    assert hand.wishes == ["fill"]
    # Nothing takes it back within the time of a bounce, so it was meant: the light is off.
    assert hand.wait(200).wishes == ["fill", "fill off"]
    assert hand.when == [0, 60]
    assert hand.send(0xB0, 64, 127).wishes == ["fill", "fill off", "fill"]
    # A bounce is taken back, and neither ends a fill nor begins one.
    for value in (0, 127, 0, 127):
        hand.wait(10).send(0xB0, 64, value)
    assert hand.wait(300).wishes == ["fill", "fill off", "fill"]


@given(st.lists(st.tuples(st.sampled_from([0, 127]), st.integers(0, 150)), min_size=1))
def test_whatever_a_toggle_does_its_fill_ends_up_as_its_device_says(
    turns: list[tuple[int, int]],
) -> None:
    hand = Hand(bind(Ask.FILL, Kind.CONTROLLER, 64, toggle=True))
    for value, ms in turns:
        hand.send(0xB0, 64, value).wait(ms)
    hand.wait(100)
    assert hand.asked[-1].on == (turns[-1][0] == 127)


def test_a_fill_on_a_toggle_ends_when_it_is_unplugged_and_its_next_press_counts() -> None:
    hand = Hand(bind(Ask.FILL, Kind.CONTROLLER, 64, toggle=True)).send(0xB0, 64, 127).wait(1000)
    assert hand.controls.port_gone(PADS) == [Wish(Ask.FILL, on=False)]
    assert hand.controls.port_gone(PADS) == []
    assert hand.send(0xB0, 64, 127).wishes == ["fill", "fill"]


def test_a_fill_ends_when_its_pad_is_unplugged() -> None:
    hand = Hand(FILL).send(0x90, 60, 90).wait(100)
    assert hand.controls.port_gone("far keys 9:0") == []
    assert hand.controls.port_gone(PADS) == [Wish(Ask.FILL, on=False)]
    assert hand.controls.port_gone(PADS) == []


def test_of_two_pads_that_hold_a_fill_the_latter_to_be_let_go_ends_it() -> None:
    hand = Hand(FILL, bind(Ask.FILL, number=61)).send(0x90, 60, 90).wait(200).send(0x90, 61, 90)
    hand.wait(200).send(0x80, 60, 0).wait(200)
    assert hand.controls.fill
    hand.send(0x80, 61, 0).wait(200)
    assert not hand.controls.fill


def test_what_is_held_goes_on_being_held_where_other_controls_take_over() -> None:
    hand = Hand(FILL, NEXT_BELOW).send(0x90, 60, 90).send(0x90, 50, 90).wait(20)
    hand.controls = take_over(hand.controls, FILL, NEXT_BELOW, bind(Ask.STAY, number=70))
    assert hand.controls.fill
    # The other pad was bouncing just then.
    hand.send(0x90, 50, 90).wait(200).send(0x80, 60, 0).wait(200)
    assert hand.wishes == ["fill", "next", "fill off"]
    assert not hand.controls.fill


@pytest.mark.parametrize("after", [[], [NEXT], [bind(Ask.FILL), FILL]])
def test_a_fill_ends_where_its_pad_is_another_one_from_now_on(after: list[Binding]) -> None:
    # Of the last two the one that names its port is obeyed.
    hand = Hand(bind(Ask.FILL)).send(0x90, 60, 90).wait(200)
    hand.controls = take_over(hand.controls, *after)
    assert not hand.controls.fill
    # Let go, it is no press.
    assert hand.send(0x80, 60, 0).wait(200).wishes == ["fill"]


def test_a_toggle_that_repeats_its_state_asks_for_nothing_though_other_controls_took_over() -> None:
    toggle = bind(Ask.NEXT, Kind.CONTROLLER, 64, toggle=True)
    hand = Hand(toggle).send(0xB0, 64, 127).wait(500)
    hand.controls = take_over(hand.controls, toggle)
    assert hand.send(0xB0, 64, 127).wait(500).wishes == ["next"]
    assert hand.send(0xB0, 64, 0).wait(500).wishes == ["next", "next"]


def test_a_note_of_the_music_is_refused_with_its_reason() -> None:
    drum = bind(Ask.NEXT, number=36)
    named = bind(Ask.NEXT, number=36, channel=9, port="tide drum")
    apart = bind(Ask.NEXT, number=36, channel=9, port="*pads*")
    refused = refusals([drum, named, apart, NEXT], [LOW_DRUM], matches)
    assert [r.binding for r in refused] == [drum, named]
    assert refused[0].reason == "note 36 is what low drum plays"
    hand = Hand(drum, named)
    assert hand.send(0x99, 36, 100, port=DRUM).asked == []
    assert hand.controls.refused == refused
    assert Hand(apart).send(0x99, 36, 100).wishes == ["next"]


def test_a_port_that_turns_out_to_be_the_instruments_own_is_refused_on_sight() -> None:
    # Neither glob fits the other, but one port's name fits both.
    pads = bind(Ask.NEXT, number=36, channel=9, port="*tide*")
    hand = Hand(pads)
    assert hand.controls.refused == []
    assert hand.send(0x99, 36, 100, port=DRUM).wait(300).asked == []
    assert [r.binding for r in hand.controls.refused] == [pads]
    reason = "note 36 on channel 10 is what low drum plays, on tide drum 24:0"
    assert hand.controls.refused[0].reason == reason
    assert hand.send(0x99, 36, 100, port="tide pads 4:0").wishes == ["next"]


def test_all_that_the_instruments_of_a_set_send_is_taken() -> None:
    pattern = Pattern("slack water", tracks=(Track("low drum", 16, 6),))
    tells = Tells(
        fill=Address(Kind.CONTROLLER, 80, 9),
        mutes=(MuteTold("low drum", Address(Kind.NOTE, 20, 9)),),
    )
    setlist = SetBuilder().instrument(port="*drum*", channel=9, tells=tells).part(pattern).build()
    setlist.notes["slack water", "low drum"] = NoteKey(None, 36)
    taken = reserved_by(setlist)
    refused = [
        bind(Ask.NEXT, Kind.NOTE, 36),
        bind(Ask.NEXT, Kind.NOTE, 20, 9),
        bind(Ask.NEXT, Kind.CONTROLLER, 80),
        bind(Ask.NEXT, Kind.PROGRAM, 0),
        bind(Ask.NEXT, Kind.PROGRAM, 127, 9, "*drum*"),
    ]
    fine = [
        bind(Ask.NEXT, Kind.NOTE, 36, 3),
        bind(Ask.NEXT, Kind.NOTE, 36, port="*pads*"),
        bind(Ask.NEXT, Kind.CONTROLLER, 36),
        bind(Ask.NEXT, Kind.PROGRAM, 0, 3),
    ]
    assert [r.binding for r in refusals([*refused, *fine], taken, matches)] == refused
    assert {r.reason for r in refusals(refused, taken, matches)} == {
        "note 36 is what low drum plays",
        "note 20 on channel 10 is how drums tells of a mute",
        "controller 80 is how drums tells of a fill",
        "program 0 is how drums tells its pattern",
        "program 127 on channel 10 is how drums tells its pattern",
    }
