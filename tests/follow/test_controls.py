"""Pads and pedals: each press is one wish, whatever contacts, cables and patterns do."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.engine.matching import matches
from companion.follow.bindings import Binding, Press, Sends, Taken, refusals
from companion.follow.controls import Asked, Controls
from companion.follow.learner import Learned, Learner
from companion.follow.noted import Kind, noted

MS = 1_000_000
PADS = "shore pads 20:0"
DRUM = "tide drum 24:0"

NEXT = Binding("*pads*", Kind.NOTE, 0, 60, "next")
BACK = Binding("*pads*", Kind.NOTE, 0, 60, "back", press=Press.LONG)
LOW_DRUM = Taken("*drum*", Kind.NOTE, 9, 36, "the low drum's own")


class Hand:
    """A hand on the controls; time passes as the engine's watch sees it, 10 ms at a time."""

    def __init__(self, *bindings: Binding, taken: tuple[Taken, ...] = (LOW_DRUM,)) -> None:
        self.controls = Controls(bindings, matches=matches, taken=taken)
        self.now_ms = 10_000
        self.asked: list[Asked] = []
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

    def _note(self, asked: list[Asked]) -> None:
        self.asked += asked
        self.when += [self.now_ms - 10_000] * len(asked)

    @property
    def wishes(self) -> list[str]:
        return [wish for wish, _ in self.asked]


def test_a_short_press_counts_at_once_when_nothing_else_hangs_on_it() -> None:
    hand = Hand(NEXT).press(3000)
    assert (hand.wishes, hand.when) == (["next"], [0])


def test_a_unit_goes_with_its_wish() -> None:
    assert Hand(Binding(None, Kind.NOTE, None, 60, "align", "bars")).press().asked == [
        ("align", "bars")
    ]


def test_short_and_long_on_one_pad_are_told_apart() -> None:
    assert Hand(NEXT, BACK).press(200).asked == [("next", "")]
    long = Hand(NEXT, BACK).press(2000)
    # At half a second, not at release, so that the performer sees it happen.
    assert (long.wishes, long.when) == (["back"], [500])
    assert Hand(BACK).press(499).asked == []


def test_a_long_press_counts_even_if_nobody_looked_in_between() -> None:
    controls = Controls([NEXT, BACK], matches=matches)
    assert controls.hear(PADS, 0, (0x90, 60, 90)) == []
    assert controls.hear(PADS, 700 * MS, (0x90, 60, 0)) == [("back", "")]
    assert controls.passed(2000 * MS) == []


def test_a_note_of_velocity_zero_is_a_release() -> None:
    # MIDI 1.0, from memory.
    hand = Hand(NEXT, BACK).send(0x90, 60, 90).wait(100).send(0x90, 60, 0).wait(1000)
    assert hand.wishes == ["next"]


@pytest.mark.parametrize("bounces", [1, 2, 5])
def test_a_bouncing_contact_is_one_press(bounces: int) -> None:
    for bindings in ((NEXT,), (NEXT, BACK)):
        hand = Hand(*bindings).send(0x90, 60, 90)
        for _ in range(bounces):
            hand.wait(4).send(0x80, 60, 0).wait(4).send(0x90, 60, 90)
        hand.wait(150)
        for _ in range(bounces):
            hand.send(0x80, 60, 0).wait(4).send(0x90, 60, 90).wait(4)
        hand.send(0x80, 60, 0).wait(1000)
        assert hand.wishes == ["next"]


def test_a_bounce_does_not_cut_a_long_press_short() -> None:
    hand = Hand(NEXT, BACK).send(0x90, 60, 90).wait(5).send(0x80, 60, 0).wait(5)
    hand.send(0x90, 60, 90).wait(800).send(0x80, 60, 0).wait(500)
    assert hand.wishes == ["back"]


def test_a_trigger_that_lets_go_at_once_is_a_short_press() -> None:
    hand = Hand(NEXT, BACK).send(0x90, 60, 90).wait(2).send(0x80, 60, 0).wait(1000)
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
    hand = Hand(NEXT, BACK)
    for held, rest in presses:
        hand.send(0x90, 60, 90).wait(held).send(0x80, 60, 0).wait(max(rest, 130 - held))
    hand.wait(1000)
    assert hand.wishes == ["back" if held >= 500 else "next" for held, _ in presses]


def test_a_controller_presses_once_from_64_up_and_again_only_after_release() -> None:
    hand = Hand(Binding(None, Kind.CONTROLLER, 0, 64, "next"))
    for value in (10, 40, 63, 64, 90, 127, 127, 80, 64):
        hand.send(0xB0, 64, value).wait(100)
    assert hand.wishes == ["next"]
    hand.send(0xB0, 64, 0).wait(100).send(0xB0, 64, 127)
    assert hand.wishes == ["next", "next"]


def test_a_pedal_that_toggles_asks_with_every_press() -> None:
    hand = Hand(Binding(None, Kind.CONTROLLER, 0, 64, "next", sends=Sends.TOGGLE))
    for value in (127, 0, 127, 0):
        hand.send(0xB0, 64, value).wait(300)
    assert hand.wishes == ["next"] * 4
    # A device that repeats its state presses nothing; neither does a bounce.
    hand.send(0xB0, 64, 0).wait(300).send(0xB0, 64, 127).wait(5).send(0xB0, 64, 0).wait(300)
    assert hand.wishes == ["next"] * 5


def test_a_pad_that_only_ever_sends_127_asks_with_every_press() -> None:
    hand = Hand(Binding(None, Kind.CONTROLLER, 0, 20, "next", sends=Sends.PRESS))
    for pause in (300, 5, 300):
        hand.send(0xB0, 20, 127).wait(pause)
    assert hand.wishes == ["next", "next"]


def test_a_program_button_asks_with_every_program() -> None:
    hand = Hand(Binding(None, Kind.PROGRAM, 2, 7, "next"))
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
    assert noted((0xB0, 123, 127)) is None
    assert noted((0xB0, 119, 127)) is not None


def test_the_same_device_on_two_ports_is_one_press() -> None:
    hand = Hand(Binding(None, Kind.NOTE, None, 60, "next"))
    for port in (PADS, "shore pads copy 21:0"):
        hand.send(0x90, 60, 90, port=port).wait(3)
    for port in (PADS, "shore pads copy 21:0"):
        hand.send(0x80, 60, 0, port=port).wait(3)
    hand.wait(300)
    assert hand.wishes == ["next"]


def test_the_binding_that_names_its_port_wins() -> None:
    hand = Hand(Binding(None, Kind.NOTE, None, 60, "stop"), NEXT)
    assert hand.press().wishes == ["next"]
    assert hand.press(port="far keys 9:0").wishes == ["next", "stop"]


def test_a_pad_that_is_unplugged_while_held_asks_for_nothing() -> None:
    hand = Hand(NEXT, BACK).send(0x90, 60, 90).wait(100)
    hand.controls.port_gone(PADS)
    hand.wait(1000)
    assert hand.asked == []
    assert hand.press().wishes == ["next"]


def test_a_note_of_the_music_is_refused_with_its_reason() -> None:
    drum = Binding(None, Kind.NOTE, None, 36, "next")
    named = Binding("tide drum", Kind.NOTE, 9, 36, "next")
    apart = Binding("*pads*", Kind.NOTE, 9, 36, "next")
    refused = refusals([drum, named, apart, NEXT], [LOW_DRUM], matches)
    assert [r.binding for r in refused] == [drum, named]
    assert refused[0].reason == "note 36 on channel 10 is the low drum's own"
    hand = Hand(drum, named)
    assert hand.send(0x99, 36, 100, port=DRUM).asked == []


def test_a_port_that_turns_out_to_be_the_instruments_own_is_refused_on_sight() -> None:
    # Neither glob fits the other, but one port's name fits both.
    pads = Binding("*tide*", Kind.NOTE, 9, 36, "next")
    hand = Hand(pads)
    assert hand.controls.refused == []
    assert hand.send(0x99, 36, 100, port=DRUM).wait(300).asked == []
    assert hand.controls.refused[0].binding == pads
    assert "the low drum's own, on tide drum 24:0" in hand.controls.refused[0].reason
    assert hand.send(0x99, 36, 100, port="tide pads 4:0").wishes == ["next"]


def test_the_instruments_programs_are_not_for_binding() -> None:
    announces = Taken("*drum*", Kind.PROGRAM, 9, None, "its announcement of a pattern")
    for number in (0, 127):
        binding = Binding(None, Kind.PROGRAM, None, number, "next")
        assert len(refusals([binding], [announces], matches)) == 1
    assert not refusals([Binding(None, Kind.PROGRAM, 3, 5, "next")], [announces], matches)


def test_bindings_that_contradict_each_other_are_refused() -> None:
    toggle = Binding("*pads*", Kind.NOTE, 0, 60, "back", press=Press.LONG, sends=Sends.TOGGLE)
    program = Binding(None, Kind.PROGRAM, 0, 1, "back", press=Press.LONG)
    again = Binding("*pads*", Kind.NOTE, 0, 60, "stop")
    refused = {r.binding.wish: r.reason for r in refusals([NEXT, again], [], matches)}
    assert refused == {"stop": "the same short press already asks for next"}
    for silent in (toggle, program):
        assert "sends no release" in refusals([silent], [], matches)[0].reason
    short = Binding("*pads*", Kind.NOTE, 0, 60, "next", sends=Sends.TOGGLE)
    assert refusals([short, BACK], [], matches)[0].reason == (
        "its short press is said to send toggle"
    )
    # Twice the very same: the first is obeyed.
    assert Hand(NEXT, NEXT).press().wishes == ["next"]
    assert Hand(*[Binding(None, Kind.NOTE, 9, 36, "next")] * 2).send(
        0x99, 36, 100
    ).asked == []


class Lesson:
    """Someone says "press the pad now", with a drum machine running beside."""

    def __init__(self, playing: str | None = None) -> None:
        self.learner = Learner(playing)
        self.now_ms = 5_000
        self.learned: Learned | None = None

    def send(self, *message: int, port: str = PADS) -> Lesson:
        self.learned = self.learned or self.learner.hear(port, self.now_ms * MS, message)
        return self

    def wait(self, ms: int) -> Lesson:
        for _ in range(0, ms, 10):
            self.now_ms += 10
            self.learned = self.learned or self.learner.passed(self.now_ms * MS)
        return self


def test_a_pad_is_learned_from_one_press_and_release() -> None:
    lesson = Lesson().send(0xF8).send(0xFE).send(0x92, 48, 80).wait(120).send(0xF8)
    lesson.send(0xD2, 40).send(0x82, 48, 0)
    assert lesson.learned is None
    pad = lesson.wait(400).learned
    assert pad == Learned(PADS, Kind.NOTE, 2, 48, Sends.BOTH)
    assert pad.bind("next") == Binding(PADS, Kind.NOTE, 2, 48, "next")
    assert not lesson.learner.again


def test_what_was_learned_works_once_bound() -> None:
    for presses in ([(0xB0, 64, 127), (0xB0, 64, 0)], [(0x90, 40, 9), (0x90, 40, 0)], [(0xC5, 3)]):
        lesson = Lesson()
        for message in presses:
            lesson.send(*message).wait(100)
        lesson.wait(500)
        assert lesson.learned is not None
        hand = Hand(lesson.learned.bind("next"))
        for message in presses:
            hand.send(*message).wait(100)
        assert hand.wishes == ["next"]


@pytest.mark.parametrize(("second", "sends"), [(0, Sends.TOGGLE), (127, Sends.PRESS)])
def test_a_control_without_release_is_learned_from_a_second_press(
    second: int, sends: Sends
) -> None:
    lesson = Lesson().send(0xB0, 20, 127).wait(1000)
    assert not lesson.learner.again
    lesson.wait(1000)
    assert lesson.learner.again
    assert lesson.learned is None
    lesson.send(0xB0, 20, second).wait(400)
    assert lesson.learned == Learned(PADS, Kind.CONTROLLER, 0, 20, sends)


def test_the_running_pattern_is_not_taken_for_the_pad() -> None:
    lesson = Lesson(playing=DRUM)
    for beat in range(8):
        lesson.send(0x99, 36, 100, port=DRUM).wait(60).send(0x89, 36, 0, port=DRUM).wait(440)
        lesson.send(0xC9, beat, port=DRUM)
    assert lesson.learned is None
    lesson.send(0x90, 60, 90).wait(30).send(0x99, 36, 100, port=DRUM).wait(60)
    lesson.send(0x80, 60, 0).wait(400)
    assert lesson.learned is not None
    assert (lesson.learned.port, lesson.learned.number) == (PADS, 60)


def test_notes_that_keep_coming_from_elsewhere_are_no_press() -> None:
    lesson = Lesson()
    for note in (40, 43, 40, 45) * 4:
        lesson.send(0x90, note, 90, port="keys").wait(90).send(0x80, note, 0, port="keys").wait(60)
    assert lesson.learned is None
    # On another port a pad is learned all the same.
    lesson.send(0x90, 60, 90).wait(90).send(0x80, 60, 0).wait(400)
    assert lesson.learned is not None
    assert lesson.learned.port == PADS


def test_a_knob_is_no_pad() -> None:
    lesson = Lesson()
    for value in [*range(40, 100), *range(100, 20, -1)]:
        lesson.send(0xB0, 7, value).wait(20)
    assert lesson.wait(1000).learned is None


def test_a_pad_that_sends_a_note_and_a_controller_is_learned_as_the_first() -> None:
    lesson = Lesson().send(0x90, 60, 90).send(0xB0, 30, 127).wait(100)
    lesson.send(0x80, 60, 0).send(0xB0, 30, 0).wait(400)
    assert lesson.learned == Learned(PADS, Kind.NOTE, 0, 60, Sends.BOTH)


def test_bank_select_before_a_program_is_not_the_control() -> None:
    lesson = Lesson().send(0xB0, 0, 127).send(0xB0, 32, 0).send(0xC0, 9).wait(400)
    assert lesson.learned == Learned(PADS, Kind.PROGRAM, 0, 9, Sends.PRESS)
