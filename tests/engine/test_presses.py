"""Presses and wishes on their way to the conductor: what counts, what is a message of our own."""

from __future__ import annotations

from dataclasses import replace

import pytest

from companion.engine.engine import Engine, Options
from companion.engine.presses import Presses
from companion.engine.wishing import as_wish, wanted
from companion.link.messages import WISHES, Wish
from companion.setlist.controls import Address, Ask, Binding, Kind, Press, Wanted
from companion.setlist.model import ProgramChange, SetList
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
            Binding(Press(Address(Kind.NOTE, 60), pad), Wanted(Ask.NEXT)),
            Binding(Press(Address(Kind.NOTE, 60), pad, long=True), Wanted(Ask.STAY)),
            Binding(Press(Address(Kind.NOTE, 61), pad), Wanted(Ask.FILL)),
            Binding(Press(Address(Kind.PROGRAM, 2), pad), Wanted(Ask.PART, part=3)),
        ),
    )


class Rig:
    """An engine without ports, into whose ears we play."""

    def __init__(self) -> None:
        self.engine = Engine(with_pad(), Options(send=False), None)
        self.now_ns = 1_000_000_000
        self.engine.hear(PORT, self.now_ns, (0xFA,))
        for _ in range(10):
            self.now_ns += TICK_NS
            self.engine.hear(PORT, self.now_ns, (0xF8,))

    def pad(self, *message: int, after_ms: int = 100) -> Rig:
        self.now_ns += after_ms * MS
        self.engine.press(PAD, self.now_ns, message)
        return self


def test_a_short_press_asks_for_the_next_part() -> None:
    rig = Rig().pad(NOTE_ON, 60, 90).pad(NOTE_OFF, 60, 0)
    found = rig.engine.snapshot()
    assert (found.change_ticks, found.change_part) == (192 - 9, 2)
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
    assert rig.engine._set.fill
    rig.engine._port_gone(PAD)
    assert not rig.engine._set.fill


def test_a_program_change_of_ours_that_comes_back_is_no_press() -> None:
    presses = Presses(with_pad())
    asked = [each.wanted for each in presses.hear(PAD, 1000 * MS, (PROGRAM | 9, 2))]
    assert asked == [Wanted(Ask.PART, part=3)]
    presses.sent(ProgramChange("drums", 2), 2000 * MS)
    assert presses.hear(PAD, 2010 * MS, (PROGRAM | 9, 2)) == []


@pytest.mark.parametrize("name", [name for name in WISHES if name != "stop"])
def test_every_wish_of_the_link_is_one_that_can_be_granted(name: str) -> None:
    asked = wanted(Wish(name, "3" if name == "part" else ""))
    assert asked is not None
    assert as_wish(asked) == Wish(name, "3" if name == "part" else "")


@pytest.mark.parametrize("unit", ["", "x", "-1", "3.5", "9" * 5000, "³"])
def test_a_part_that_is_no_number_is_no_wish(unit: str) -> None:
    assert wanted(Wish("part", unit)) is None


def test_a_fill_cannot_be_asked_for_in_passing() -> None:
    assert as_wish(Wanted(Ask.FILL)) is None
    assert wanted(Wish("fill")) is None
