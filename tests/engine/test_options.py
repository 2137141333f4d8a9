"""Whether an engine is to send at all, by who is there when it begins."""

from __future__ import annotations

from typing import Any

import pytest

from companion.engine.engine import Options
from companion.engine.ports import MidiSystem
from tests.builders import three_parts

DRUM, PAD = "tide drum:0", "shore pads:0"


class Room(MidiSystem):
    """A MIDI system in which only these outputs are there."""

    def __init__(self, *outputs: str) -> None:
        self.there = list(outputs)

    def outputs(self) -> list[str]:
        return self.there


@pytest.mark.parametrize(
    ("there", "sends"), [((), False), ((PAD,), False), ((PAD, DRUM), True), ((DRUM,), True)]
)
def test_the_internal_clock_sends_only_if_an_instrument_of_the_set_is_there(
    there: tuple[str, ...], sends: bool
) -> None:
    # With a pad alone the changes would fail, and the first part never end.
    setlist = three_parts(port="*drum*")
    assert Options(internal_clock=True).sends(setlist, Room(*there)) is sends


def test_the_internal_clock_sends_where_the_command_line_says_so() -> None:
    home = Options(internal_clock=True, out_glob="*pads*")
    assert home.sends(three_parts(port="*drum*"), Room(PAD))


def test_whoever_follows_an_instrument_waits_for_it() -> None:
    assert Options().sends(three_parts(port="*drum*"), Room())
    nowhere: Any = None
    assert not Options().sends(three_parts(), nowhere)
    assert not Options(send=False).sends(three_parts(), Room(DRUM))
