"""Presses and wishes on their way to the conductor: what counts, what is a message of our own."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace

from companion.engine.engine import Engine, Options
from companion.follow.conductor import NOTHING
from companion.follow.follower import Follower, NextChange
from companion.setlist import Address, Binding, Kind, Press, SetList
from companion.wishes import Ask, Wish
from tests.builders import PORT, TICK_NS, SetBuilder, bar_pattern

PAD = "tide pad"
NOTE_ON, NOTE_OFF, PROGRAM = 0x90, 0x80, 0xC0
MS = 1_000_000


def with_pad() -> SetList:
    """Drums on channel 10; a pad asks for next, stay when held, a fill, and part 3 by program."""
    plain = (
        SetBuilder()
        .instrument("drums", channel=9, port="*drum*")
        .part(bar_pattern("slack water"), program=1, phrases=2)
        .part(bar_pattern("ebb line"), program=2)
        .part(bar_pattern("spring tide"), program=3, phrases=None)
        .build()
    )
    pad = "*pad*"
    return replace(
        plain,
        controls=(
            Binding(Press(Address(Kind.NOTE, 60), pad), Wish(Ask.NEXT)),
            Binding(Press(Address(Kind.NOTE, 60), pad, long=True), Wish(Ask.STAY)),
            Binding(Press(Address(Kind.NOTE, 61), pad), Wish(Ask.FILL)),
            Binding(Press(Address(Kind.PROGRAM, 2), pad), Wish(Ask.PART, part=3)),
        ),
    )


class Rig:
    """An engine without ports, into whose ears we play."""

    def __init__(self) -> None:
        self.engine = Engine(with_pad(), Options(send=False), None)
        self.now_ns = 1_000_000_000
        self.engine.hear(PORT, self.now_ns, (0xFA,))
        self.clock(10)

    def clock(self, ticks: int) -> None:
        for _ in range(ticks):
            self.now_ns += TICK_NS
            self.engine.hear(PORT, self.now_ns, (0xF8,))

    def pad(self, *message: int, after_ms: int = 100) -> Rig:
        """The instrument plays on, and then the pad is touched."""
        self.clock(after_ms * MS // TICK_NS)
        self.engine.press(PAD, self.now_ns, message)
        return self


def test_a_short_press_asks_for_the_next_part() -> None:
    rig = Rig().pad(NOTE_ON, 60, 90).pad(NOTE_OFF, 60, 0)
    found = rig.engine.snapshot()
    assert (found.change_ticks, found.change_part) == (192 - 9 - 2 * 4, 2)
    assert found.notice == "going to part 2 at the end of this phrase"
    assert not found.troubles


def test_a_long_press_has_a_wish_of_its_own() -> None:
    found = Rig().pad(NOTE_ON, 60, 90).pad(NOTE_OFF, 60, 0, after_ms=700).engine.snapshot()
    assert found.change_ticks is None
    assert found.part_ticks_left is None
    assert found.notice == "staying in this part, phrase by phrase"


def test_the_music_is_no_press() -> None:
    rig = Rig()
    rig.engine.hear(PORT, rig.now_ns, (NOTE_ON | 9, 60, 90))
    assert rig.engine.snapshot().notice == ""


def test_a_fill_is_held_and_ends_when_the_pad_is_unplugged() -> None:
    rig = Rig().pad(NOTE_ON, 61, 90)
    assert rig.engine._follower.fill
    rig.engine._port_gone(PAD)
    assert not rig.engine._follower.fill


def test_a_program_change_of_ours_that_comes_back_is_no_press() -> None:
    follower = Follower(with_pad())
    now_ns = 1_000_000_000
    follower.hear(PORT, now_ns, (0xFA,))
    press = (PROGRAM | 9, 2)
    # Somebody's own goes to part 3.
    copied = deepcopy(follower)
    copied.press(PAD, now_ns + 10 * MS, press)
    assert copied.status().next_change == NextChange(192, 3)
    sent = NOTHING
    while not sent:
        now_ns += TICK_NS
        sent = follower.hear(PORT, now_ns, (0xF8,))
    # A box passes on to the pad's port what the drums get.
    assert [each.messages for each in sent] == [(bytes(press),)]
    before = follower.status()
    follower.press(PAD, now_ns + 10 * MS, press)
    assert follower.status() == before
