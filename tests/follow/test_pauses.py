"""The instrument pauses, its clock silent meanwhile, and goes on: a pause is no lost clock."""

from __future__ import annotations

import pytest

from companion.follow.transport import State
from tests.builders import Rehearsal, three_parts

# From under a beat to longer than any tempo is remembered; ms.
PAUSES = (100, 300, 600, 900, 1200, 3000)
# The watch looks every 10 ms, and a tick at 120 beats a minute lasts 21: it looks in between.
BEFORE_THE_FIRST_TICK_NS = 11_000_000


@pytest.mark.parametrize("pause_ms", PAUSES)
def test_after_a_pause_the_count_goes_on_where_it_was(pause_ms: int) -> None:
    rehearsal = Rehearsal(three_parts()).start().clock(60).stop()
    rehearsal.silence(pause_ms * 1_000_000).go_on().silence(BEFORE_THE_FIRST_TICK_NS).clock(10)
    # Clocks 0 to 59 before the pause, 60 to 69 after it.
    assert rehearsal.where == (1, 69)
    assert rehearsal.conductor.sure
    assert rehearsal.follower.clocks_lost == 0


@pytest.mark.parametrize("pause_ms", PAUSES)
def test_after_a_pause_a_start_counts_from_the_first_tick(pause_ms: int) -> None:
    rehearsal = Rehearsal(three_parts()).start().clock(60).stop()
    rehearsal.silence(pause_ms * 1_000_000).start().silence(BEFORE_THE_FIRST_TICK_NS).clock(10)
    assert rehearsal.where == (1, 9)
    assert rehearsal.conductor.sure
    assert rehearsal.follower.clocks_lost == 0


def test_a_start_that_no_tick_follows_is_a_lost_clock_all_the_same() -> None:
    rehearsal = Rehearsal(three_parts()).start().clock(60).stop().silence(3_000_000_000).go_on()
    rehearsal.silence(600_000_000)
    assert rehearsal.conductor.state is State.LOST
