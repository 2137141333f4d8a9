"""Program changes that come in: announcements are followed, echoes and strangers are not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.follow.announced import (
    Announced,
    Announcements,
    Echoes,
    nearest_part,
)
from companion.follow.belief import boundary_after
from companion.follow.portnames import matches
from companion.midi import program_change
from companion.setlist import Instrument, ProgramChange, SetList
from tests.builders import SetBuilder, bar_pattern

DRUM = "tide drum 24:0"
SECOND = 1_000_000_000


def evening(at_once: bool = False) -> SetList:
    """Five parts of two bars on the drums, programs 1, 2, 3, 2 and 9, with a sampler beside."""
    book = SetBuilder().instrument("drums", port="*drum*", channel=9, at_once=at_once)
    book.instrument("sampler", port="*sampler*", channel=2)
    for program in (1, 2, 3, 2):
        book.part(bar_pattern(), program=program)
    book.part(bar_pattern(), program=9, also=(ProgramChange("sampler", 40),), phrases=None)
    return book.build()


def announce(program: int, bank: int | None = None) -> Announced:
    return Announced("drums", 9, program, bank)


# -- reading what arrives ------------------------------------------------------------------------


def test_a_program_on_the_instruments_port_and_channel_is_its_announcement() -> None:
    ears = Announcements(evening().instruments, matches)
    # MIDI 1.0, from memory: C9 is a program change on channel 10.
    assert ears.hear(DRUM, (0xC9, 12)) == announce(12)
    assert ears.hear(DRUM, (0xC8, 12)) is None
    assert ears.hear("far keys 9:0", (0xC9, 12)) is None
    for other in ((0xF8,), (0x99, 12, 100), (0xB9, 12, 100), (0xC9,), (0xC9, 200), ()):
        assert ears.hear(DRUM, other) is None


@given(st.integers(0, 16383), st.integers(0, 127))
def test_the_bank_before_it_belongs_to_it_and_stays(bank: int, program: int) -> None:
    ears = Announcements(evening().instruments, matches)
    heard = [ears.hear(DRUM, m) for m in program_change(9, program, bank)]
    assert heard == [None, None, announce(program, bank)]
    # Another channel's bank, and another port's, is not ours.
    for port, channel in ((DRUM, 3), ("tide drum twin 25:0", 9)):
        for message in program_change(channel, 0, 16383 - bank):
            ears.hear(port, message)
    assert ears.hear(DRUM, (0xC9, 5)) == announce(5, bank)
    ears.port_gone(DRUM)
    assert ears.hear(DRUM, (0xC9, 5)) == announce(5)


def test_a_high_bank_alone_is_a_bank() -> None:
    ears = Announcements(evening().instruments, matches)
    ears.hear(DRUM, (0xB9, 0, 3))
    assert ears.hear(DRUM, (0xC9, 5)) == announce(5, 3 << 7)


def test_the_instrument_that_names_its_port_is_meant() -> None:
    two = {"any": Instrument("any", channel=9), "drums": Instrument("drums", "*drum*", 9)}
    ears = Announcements(two, matches)
    assert ears.hear(DRUM, (0xC9, 1)) == announce(1)
    assert ears.hear("keys", (0xC9, 1)) == Announced("any", 9, 1)


# -- what it means -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tick", "starts"), [(-1, 96), (0, 96), (1, 96), (95, 96), (96, 192), (130, 192)]
)
def test_another_pattern_starts_at_the_end_of_the_running_one(tick: int, starts: int) -> None:
    setlist = evening()
    assert boundary_after(setlist, setlist.parts[0], "drums", tick) == starts


@pytest.mark.parametrize(("tick", "starts"), [(-1, 0), (0, 1), (130, 131)])
def test_an_instrument_that_changes_at_once_starts_it_with_its_next_tick(
    tick: int, starts: int
) -> None:
    setlist = evening(at_once=True)
    assert boundary_after(setlist, setlist.parts[0], "drums", tick) == starts


def test_the_nearest_part_that_follows_is_meant_or_else_the_nearest_before() -> None:
    setlist = evening()
    assert [nearest_part(setlist, n, announce(2)) for n in (1, 2, 3, 4, 5)] == [2, 4, 4, 2, 4]
    assert nearest_part(setlist, 5, announce(1)) == 1
    assert nearest_part(setlist, 1, announce(77)) is None


def test_banks_count_only_where_both_name_one() -> None:
    book = SetBuilder().instrument("drums", channel=9, bank=5)
    book.part(bar_pattern(), program=1)
    setlist = book.build()
    changes = (ProgramChange("drums", 7, 5),)
    parts = [*setlist.parts, *book.part(bar_pattern(), also=changes).parts[1:]]
    setlist = SetList("Tidewater", setlist.songs, tuple(parts), setlist.instruments)
    for bank, found in ((5, 2), (None, 2), (6, None)):
        assert nearest_part(setlist, 1, announce(7, bank)) == found
    # Part 1 names no bank: any will do.
    assert nearest_part(setlist, 2, announce(1, 6)) == 1


# -- echoes --------------------------------------------------------------------------------------


def test_our_own_change_that_comes_back_is_not_obeyed() -> None:
    echoes = Echoes()
    echoes.sent(ProgramChange("drums", 3), 9, 10 * SECOND)
    assert echoes.is_echo(announce(3), 10 * SECOND + 1)
    assert echoes.is_echo(announce(3), 12 * SECOND)
    # Through another port it may look like another instrument's on that channel.
    assert echoes.is_echo(Announced("other", 9, 3), 11 * SECOND)


def test_what_is_not_ours_is_no_echo() -> None:
    echoes = Echoes()
    echoes.sent(ProgramChange("drums", 3), 9, 10 * SECOND)
    assert not echoes.is_echo(announce(4), 10 * SECOND)
    assert not echoes.is_echo(Announced("sampler", 2, 3), 10 * SECOND)
    assert not echoes.is_echo(announce(3), 12 * SECOND + 1)
    assert not Echoes().is_echo(announce(3), 0)


def test_a_slow_pattern_keeps_the_echo_until_its_boundary() -> None:
    # Four bars at 60 beats a minute: 16 s from the change to its boundary.
    echoes = Echoes()
    echoes.sent(ProgramChange("drums", 3), 9, 10 * SECOND, 26 * SECOND)
    assert echoes.is_echo(announce(3), 26 * SECOND)
    assert not echoes.is_echo(announce(3), 26 * SECOND + 1)
    # Sent again, the later of the two counts.
    echoes.sent(ProgramChange("drums", 3), 9, 20 * SECOND)
    assert echoes.is_echo(announce(3), 25 * SECOND)
