"""Learning a press: the one control that the performer means, among all else that arrives."""

from __future__ import annotations

import pytest

from companion.follow.portnames import matches
from companion.follow.presses import Controls, Learner
from companion.setlist import Address, Binding, Kind, Press
from companion.wishes import Ask, Wish

MS = 1_000_000
PADS = "shore pads 20:0"
DRUM = "tide drum 24:0"


class Lesson:
    """Someone says "press the pad now", with a drum machine running beside."""

    def __init__(self, playing: str | None = None) -> None:
        self.learner = Learner(playing)
        self.now_ms = 5_000
        self.learned: Press | None = None

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
    assert lesson.wait(400).learned == Press(Address(Kind.NOTE, 48, 2), PADS)
    assert not lesson.learner.again


def test_what_was_learned_works_once_bound() -> None:
    pedal = [(0xB0, 64, 127), (0xB0, 64, 0)]
    pad = [(0x90, 40, 9), (0x90, 40, 0)]
    button: list[tuple[int, ...]] = [(0xC5, 3)]
    for presses in (pedal, pad, button):
        lesson = Lesson()
        for message in presses:
            lesson.send(*message).wait(100)
        lesson.wait(500)
        assert lesson.learned is not None
        controls = Controls([Binding(lesson.learned, Wish(Ask.NEXT))], matches=matches)
        asked = []
        for at, message in enumerate(presses):
            asked += controls.hear(PADS, at * 100 * MS, message)
        assert asked == [Wish(Ask.NEXT)]


@pytest.mark.parametrize(("second", "toggle"), [(0, True), (127, False)])
def test_a_control_without_release_is_learned_from_a_second_press(
    second: int, toggle: bool
) -> None:
    lesson = Lesson().send(0xB0, 20, 127).wait(2500)
    assert not lesson.learner.again
    lesson.wait(1000)
    assert lesson.learner.again
    assert lesson.learned is None
    lesson.send(0xB0, 20, second).wait(400)
    pad = lesson.learned
    assert pad == Press(Address(Kind.CONTROLLER, 20, 0), PADS, toggle=toggle)
    controls = Controls([Binding(pad, Wish(Ask.NEXT))], matches=matches)
    presses = [127, second] * 2
    asked = [controls.hear(PADS, at * 900 * MS, (0xB0, 20, v)) for at, v in enumerate(presses)]
    assert [len(each) for each in asked] == [1] * 4


def test_the_running_pattern_is_not_taken_for_the_pad() -> None:
    lesson = Lesson(playing=DRUM)
    for beat in range(8):
        lesson.send(0x99, 36, 100, port=DRUM).wait(60).send(0x89, 36, 0, port=DRUM).wait(440)
        lesson.send(0xC9, beat, port=DRUM)
    assert lesson.learned is None
    lesson.send(0x90, 60, 90).wait(30).send(0x99, 36, 100, port=DRUM).wait(60)
    lesson.send(0x80, 60, 0).wait(400)
    assert lesson.learned is not None
    assert (lesson.learned.port, lesson.learned.address.number) == (PADS, 60)


def test_notes_that_keep_coming_from_elsewhere_are_no_press() -> None:
    lesson = Lesson()
    for note in (40, 43, 40, 45, 40):
        lesson.send(0x90, note, 90, port="keys").wait(90).send(0x80, note, 0, port="keys").wait(60)
    assert lesson.wait(500).learned is None
    # On another port a pad is learned all the same.
    lesson.send(0x90, 60, 90).wait(90).send(0x80, 60, 0).wait(400)
    assert lesson.learned is not None
    assert lesson.learned.port == PADS


def test_a_pedal_held_for_two_seconds_is_held_and_does_not_latch() -> None:
    lesson = Lesson().send(0xB0, 64, 127).wait(2000).send(0xB0, 64, 0).wait(400)
    assert lesson.learned == Press(Address(Kind.CONTROLLER, 64, 0), PADS)


def test_a_note_held_for_long_is_no_toggle() -> None:
    lesson = Lesson().send(0x90, 60, 90).wait(3000).send(0x80, 60, 0).wait(400)
    assert lesson.learned == Press(Address(Kind.NOTE, 60, 0), PADS)


def test_a_knob_is_no_pad() -> None:
    lesson = Lesson()
    for value in [*range(40, 100), *range(100, 20, -1)]:
        lesson.send(0xB0, 7, value).wait(20)
    assert lesson.wait(1000).learned is None


def test_a_pad_that_sends_a_note_and_a_controller_is_learned_as_the_first() -> None:
    lesson = Lesson().send(0x90, 60, 90).wait(10).send(0xB0, 30, 127).wait(100)
    lesson.send(0x80, 60, 0).send(0xB0, 30, 0).wait(400)
    assert lesson.learned == Press(Address(Kind.NOTE, 60, 0), PADS)


def test_bank_select_before_a_program_is_not_the_control() -> None:
    lesson = Lesson().send(0xB0, 0, 127).wait(3000)
    assert not lesson.learner.again
    lesson.send(0xB0, 32, 0).send(0xC0, 9).wait(400)
    assert lesson.learned == Press(Address(Kind.PROGRAM, 9, 0), PADS)
