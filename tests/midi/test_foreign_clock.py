"""A clock that is not ours is followed: see `foreign`."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.midi import foreign
from tests.midi.foreign import PROGRAM, transport
from tests.midi.players import Stage, Witness
from tests.midi.sets import LONG_FIRST_PART

pytestmark = foreign.needed


@pytest.fixture
def clock(stage: Stage) -> Iterator[None]:
    """The clock of a transport that stands still."""
    with foreign.clock(stage):
        yield


@pytest.mark.usefixtures("clock")
def test_a_foreign_clock_is_followed_from_its_start_to_its_stop(stage: Stage) -> None:
    # From its beginning, also where this is rehearsed again.
    transport(stage, "stop", "locate 0")
    witness = stage.witness("mclk_out")
    stage.engine(LONG_FIRST_PART, "--in", f"*{PROGRAM}*", "--no-send")
    transport(stage, "play")
    # Started, and not joined in the middle: sure as soon as the tempo is known.
    first = stage.look_when(lambda s: s.state == "running" and s.sure, "it runs, sure")
    assert first.tick < 24
    assert PROGRAM in first.clock_port
    for clocks in (50, 120, 190):
        tick = stage.look_when(lambda s, least=clocks: s.tick >= least, f"tick {clocks}").tick
        # The first clock after start is tick 0 (MIDI 1.0 Detailed Specification 4.2.1, Start, from
        # memory); the witness counts in plain rtmidi, and looks later.
        assert tick < _clocks(witness)
    transport(stage, "stop")
    stopped = stage.look_when(lambda s: s.state == "stopped", "it stops")
    assert abs(stopped.tick + 1 - _clocks(witness)) <= 1


def _clocks(witness: Witness) -> int:
    return int(witness.verdict()["clocks"])
