"""Learning a press beside music: the lesson hears plain messages, and keeps the music out."""

from __future__ import annotations

from companion.cli.bind import Lesson
from companion.follow.presses import RELEASE_NS
from companion.setlist import Address, Kind, Press

MS = 1_000_000
PADS, DRUM = "tide pad:out", "tide drum:tide drum MIDI 1 24:0"
# MIDI 1.0 Detailed Specification 4.2.1, from memory.
CLOCK, START, STOP = 0xF8, 0xFA, 0xFC
# A clock at 125 beats a minute ticks every 20 ms.
TICK_MS = 20


class Room:
    """A drum machine that ticks, plays or not, and somebody who is asked to press a pad."""

    def __init__(self, ticks: bool = True, note_every: int = 0) -> None:
        self.lesson = Lesson()
        self.now_ms = 1_000
        self.learned: Press | None = None
        self.ticks = ticks
        self.note_every = note_every
        self._tick = 0

    def hears(self, port: str, *message: int) -> Room:
        found = self.lesson.hear(port, self.now_ms * MS, message)
        self.learned = self.learned or found
        return self

    def wait(self, ms: int) -> Room:
        for _ in range(0, ms, TICK_MS):
            self.now_ms += TICK_MS
            self._tick += 1
            if self.ticks:
                self.hears(DRUM, CLOCK)
            at = self._tick % self.note_every if self.note_every else -1
            if at in (0, 3):
                self.hears(DRUM, 0x80 if at else 0x90, 36, 100)
            found = self.lesson.passed(self.now_ms * MS)
            self.learned = self.learned or found
        return self

    def hit(self, port: str, note: int) -> Room:
        return self.hears(port, 0x90, note, 90).wait(100).hears(port, 0x80, note, 0)

    @property
    def unclear(self) -> list[str]:
        return self.lesson.unclear(self.now_ms * MS)


def test_before_anybody_is_asked_nothing_is_learned() -> None:
    room = Room().hit(PADS, 60).wait(500)
    assert room.learned is None
    room.lesson.begin()
    room.hit(PADS, 61).wait(500)
    assert room.learned == Press(Address(Kind.NOTE, 61, 0), PADS)


def test_a_pattern_that_was_heard_before_is_left_alone() -> None:
    # A note every two seconds would pass for a press by itself.
    room = Room(note_every=100).wait(500)
    assert room.unclear == [DRUM]
    room.wait(1_700)
    assert room.unclear == []
    room.lesson.begin()
    room.wait(4_500)
    assert room.learned is None
    assert list(room.lesson.left_alone) == [DRUM]
    room.hit(PADS, 60).wait(500)
    assert room.learned == Press(Address(Kind.NOTE, 60, 0), PADS)


def test_a_pattern_that_was_seen_to_start_is_left_alone_until_it_stops() -> None:
    room = Room().wait(100).hears(DRUM, START)
    assert room.unclear == []
    room.lesson.begin()
    room.hit(DRUM, 40).wait(1_000)
    assert room.learned is None
    room.hears(DRUM, STOP).hit(DRUM, 40).wait(500)
    assert room.learned == Press(Address(Kind.NOTE, 40, 0), DRUM)


def test_pads_of_an_instrument_that_only_sends_clock_are_learned() -> None:
    room = Room().wait(2_000)
    assert room.unclear == [DRUM]
    room.lesson.begin()
    room.hit(DRUM, 40).wait(500)
    assert room.learned == Press(Address(Kind.NOTE, 40, 0), DRUM)


def test_an_engine_knows_whether_its_instrument_plays_under_whatever_number() -> None:
    room = Room().wait(100)
    room.lesson.tell("tide drum:tide drum MIDI 1 20:0", True)
    assert room.unclear == []
    room.lesson.begin()
    room.hit(DRUM, 40).wait(1_000)
    assert room.learned is None


def test_notes_of_a_pattern_are_no_press_but_a_pedal_at_the_same_instrument_is() -> None:
    room = Room(note_every=25).wait(1_000)
    room.lesson.begin()
    room.hears(DRUM, 0xB9, 64, 127).wait(200).hears(DRUM, 0xB9, 64, 0).wait(500)
    assert room.learned == Press(Address(Kind.CONTROLLER, 64, 9), DRUM)


def test_a_knob_that_is_turned_meanwhile_is_passed_over() -> None:
    room = Room().wait(400)
    room.lesson.begin()
    for value in range(30, 100, 5):
        room.hears("tide keys:out", 0xB0, 7, value).wait(20)
    room.hit(PADS, 60).wait(500)
    assert room.learned == Press(Address(Kind.NOTE, 60, 0), PADS)


def test_a_switch_that_sends_either_side_needs_two_presses_and_cannot_be_held() -> None:
    room = Room(ticks=False)
    room.lesson.begin()
    room.hears(PADS, 0xB0, 20, 127).wait(RELEASE_NS // MS - 100)
    assert not room.lesson.again
    room.wait(200)
    assert room.lesson.again
    room.hears(PADS, 0xB0, 20, 0).wait(500)
    assert room.learned == Press(Address(Kind.CONTROLLER, 20, 0), PADS, toggle=True)
    assert not room.lesson.lets_go(room.learned)


def test_whether_a_pad_tells_when_it_is_let_go_is_noticed() -> None:
    room = Room(ticks=False)
    room.lesson.begin()
    room.hit(PADS, 60).wait(500)
    assert room.learned is not None
    assert room.lesson.lets_go(room.learned)
    silent = Room(ticks=False)
    silent.lesson.begin()
    for _ in range(2):
        silent.hears(PADS, 0xB0, 20, 127).wait(2_000)
    assert silent.learned == Press(Address(Kind.CONTROLLER, 20, 0), PADS)
    assert not silent.lesson.lets_go(silent.learned)


def test_a_control_that_the_music_uses_is_not_learned_a_second_time() -> None:
    room = Room()
    room.lesson.begin()
    room.hit(PADS, 36).wait(500)
    assert room.learned is not None
    room.lesson.bar(room.learned)
    room.learned = None
    room.hit(PADS, 36).wait(500)
    assert room.learned is None
    room.hit(PADS, 37).wait(500)
    assert room.learned == Press(Address(Kind.NOTE, 37, 0), PADS)


def test_broken_messages_are_passed_over() -> None:
    room = Room()
    room.lesson.begin()
    for message in ((), (0x90,), (0x90, 200, 1), (0xF0, 1, 2), (0xB0, 120, 127), (0xE0, 0, 64)):
        room.hears(PADS, *message).wait(200)
    assert room.wait(1_000).learned is None
