"""What is sent, decoded by mido as an independent reader."""

from __future__ import annotations

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.midi import control_change, program_change

CHANNELS = st.integers(0, 15)
PROGRAMS = st.integers(0, 127)
BANKS = st.integers(0, 16383)


def decoded(messages: tuple[tuple[int, ...], ...]) -> list[mido.Message]:
    parser = mido.Parser()
    for message in messages:
        parser.feed(message)
    return list(parser)


@given(CHANNELS, PROGRAMS)
def test_a_program_change_is_one_message(channel: int, program: int) -> None:
    assert decoded(program_change(channel, program)) == [
        mido.Message("program_change", channel=channel, program=program)
    ]


@given(CHANNELS, PROGRAMS, BANKS)
def test_a_bank_goes_first_high_then_low(channel: int, program: int, bank: int) -> None:
    # MIDI 1.0 Detailed Specification 4.2.1, from memory: controller 0 (high 7 bits), controller 32
    # (low 7 bits), then the program change.
    assert decoded(program_change(channel, program, bank)) == [
        mido.Message("control_change", channel=channel, control=0, value=bank // 128),
        mido.Message("control_change", channel=channel, control=32, value=bank % 128),
        mido.Message("program_change", channel=channel, program=program),
    ]


@given(CHANNELS, PROGRAMS, BANKS)
def test_mido_encodes_the_same_bytes(channel: int, program: int, bank: int) -> None:
    reference = [
        mido.Message("control_change", channel=channel, control=0, value=bank >> 7),
        mido.Message("control_change", channel=channel, control=32, value=bank & 127),
        mido.Message("program_change", channel=channel, program=program),
    ]
    assert [list(m) for m in program_change(channel, program, bank)] == [
        m.bytes() for m in reference
    ]


@pytest.mark.parametrize(
    ("channel", "program", "bank"), [(16, 0, None), (-1, 0, None), (0, 128, None), (0, 0, 16384)]
)
def test_values_that_do_not_fit_the_wire_are_refused(
    channel: int, program: int, bank: int | None
) -> None:
    with pytest.raises(ValueError, match=r"wire|14 bits"):
        program_change(channel, program, bank)


def test_a_controller_is_three_bytes() -> None:
    # MIDI 1.0 (from memory): B is a control change, its low half the channel.
    assert control_change(9, 21, 127) == bytes((0xB9, 21, 127))


@pytest.mark.parametrize("wrong", [(16, 1, 1), (0, 128, 1), (0, 1, 128), (-1, 1, 1)])
def test_a_controller_outside_the_wire_is_refused(wrong: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="on the wire"):
        control_change(*wrong)
