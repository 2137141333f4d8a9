"""Program changes that come in: announcements are followed, echoes and strangers are not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.engine.matching import matches
from companion.engine.wire import program_change
from companion.follow.arrivals import (
    Announced,
    Announcements,
    Echoes,
    Meaning,
    Reading,
    nearest_part,
    read,
)
from companion.setlist.model import Instrument, ProgramChange, SetList
from tests.builders import SetBuilder, bar_pattern

DRUM = "tide drum 24:0"
BAR = 96
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


def at(part: int, tick: int, announced: Announced, **more: bool) -> Reading:
    """What the announcement means in that part, which is to end after two bars."""
    setlist = evening()
    return read(setlist, setlist.parts[part - 1], tick, 2 * BAR, announced, **more)


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


@pytest.mark.parametrize(("tick", "starts"), [(0, 96), (1, 96), (95, 96), (96, 192), (130, 192)])
def test_another_pattern_starts_at_the_end_of_the_running_one(tick: int, starts: int) -> None:
    reading = at(1, tick, announce(3))
    assert (reading.meaning, reading.part, reading.at) == (Meaning.GO, 3, starts)


def test_an_instrument_that_changes_at_once_is_followed_at_once() -> None:
    setlist = evening(at_once=True)
    reading = read(setlist, setlist.parts[0], 130, 2 * BAR, announce(3))
    assert (reading.meaning, reading.part, reading.at) == (Meaning.GO, 3, 130)


def test_what_is_planned_anyway_is_only_agreed_to() -> None:
    assert at(1, 130, announce(2)) == Reading(Meaning.AGREES, announce(2), 2, 192)
    # A bar early: the performer turned the knob himself, and the set goes with him.
    assert at(1, 30, announce(2)) == Reading(Meaning.GO, announce(2), 2, 96)


def test_a_boundary_inside_the_pass_comes_before_the_end_of_the_pass() -> None:
    setlist = evening()
    reading = read(setlist, setlist.parts[0], 100, 120, announce(2))
    assert (reading.meaning, reading.at) == (Meaning.AGREES, 120)
    open_end = read(setlist, setlist.parts[0], 100, None, announce(2))
    assert (open_end.meaning, open_end.at) == (Meaning.GO, 192)


def test_the_nearest_part_that_follows_is_meant_or_else_the_nearest_before() -> None:
    setlist = evening()
    assert [nearest_part(setlist, n, announce(2)) for n in (1, 2, 3, 4, 5)] == [2, 4, 4, 2, 4]
    assert nearest_part(setlist, 5, announce(1)) == 1
    assert nearest_part(setlist, 1, announce(77)) is None


def test_the_running_program_again_changes_nothing() -> None:
    assert at(2, 50, announce(2)) == Reading(Meaning.SAME, announce(2))
    # But with our change out already it means that the instrument was told otherwise.
    assert at(2, 50, announce(2), sent=True) == Reading(Meaning.STAYS, announce(2))


def test_an_unknown_program_is_reported_and_not_obeyed() -> None:
    assert at(1, 50, announce(77)) == Reading(Meaning.UNKNOWN, announce(77))
    # The sampler's program goes with part 5, but does not lead it there.
    sampler = Announced("sampler", 2, 40)
    assert at(1, 50, sampler) == Reading(Meaning.ASIDE, sampler)
    assert at(1, 50, Announced("sampler", 2, 3)).meaning is Meaning.UNKNOWN


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
    assert at(1, 50, announce(3), echo=True) == Reading(Meaning.ECHO, announce(3))


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
