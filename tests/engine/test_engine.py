"""The whole engine, no MIDI and no screen: what it says of itself, and what it survives."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from companion.engine.engine import Engine
from companion.engine.memory import Memory, this_moment
from companion.engine.options import Options
from companion.follow.place import Place, remember
from companion.link.messages import Wish
from companion.setlist.controls import MuteSend
from companion.setlist.model import Action, Cue, Span, Unit, When, WhenKind
from tests.builders import Rehearsal, SetBuilder, bar_pattern, three_parts

PORT = "tide drum"


def place_now(ticks: int) -> Place:
    """Where a follower stands that has heard so many clocks up to now."""
    on_stage = Rehearsal(three_parts()).start()
    on_stage.now_ns = time.monotonic_ns() - (ticks + 1) * 20_833_333
    return remember(on_stage.clock(ticks).follower, time.monotonic_ns())


def engine(memory: Memory | None = None) -> Engine:
    return Engine(three_parts(), Options(), None, memory)


def test_a_fault_of_its_own_costs_one_tick_and_is_told() -> None:
    running = engine()
    running.hear(PORT, 10**9, (0xFA,))
    broken: Any = "no time at all"
    running.hear(PORT, broken, (0xF8,))
    for tick in range(1, 51):
        running.hear(PORT, 10**9 + tick * 20_833_333, (0xF8,))
    told = running.snapshot()
    assert (told.state, told.part) == ("running", 1)
    assert 49 <= told.tick <= 50
    assert any("a fault of its own" in trouble for trouble in told.troubles)


def test_it_goes_on_where_the_one_before_was_cut_short(tmp_path: Path) -> None:
    before = Memory(tmp_path, "tidewater.yaml", "digest")
    before.write(place_now(250), this_moment())
    running = engine(Memory(tmp_path, "tidewater.yaml", "digest"))
    told = running.snapshot()
    assert (told.state, told.part, told.tick) == ("lost", 2, 57)
    assert not told.sure
    assert "started again" in told.notice


def test_a_place_that_does_not_fit_the_set_is_left_alone(tmp_path: Path) -> None:
    before = Memory(tmp_path, "tidewater.yaml", "digest")
    before.write(replace(place_now(250), part=7), this_moment())
    running = engine(Memory(tmp_path, "tidewater.yaml", "digest"))
    told = running.snapshot()
    assert (told.state, told.part, told.tick) == ("waiting", 1, 0)
    running.hear(PORT, time.monotonic_ns(), (0xFA,))
    assert running.snapshot().state == "running"


def test_what_cannot_be_kept_safe_is_the_last_of_its_troubles(tmp_path: Path) -> None:
    memory = Memory(tmp_path, "tidewater.yaml", "digest")
    memory.trouble = "the position cannot be kept safe from a crash: no space left on device"
    running = engine(memory)
    assert running.snapshot().troubles[-1] == memory.trouble


def test_a_mute_that_cannot_leave_is_asked_for_by_hand() -> None:
    cue = Cue(When(WhenKind.NTH, Span(2, Unit.PASSES)), Action.MUTE, ("shaker",))
    setlist = (
        SetBuilder()
        .instrument("drums", mute_sends=(MuteSend("shaker", 9, 21),))
        .part(bar_pattern("slack water"), phrases=None, cues=[cue])
        .build()
    )
    # Its ports are opened as it runs: there is no way to the instrument yet.
    system: Any = object()
    running = Engine(setlist, Options(), system)
    running.hear(PORT, 10**9, (0xFA,))
    for tick in range(97):
        assert running.snapshot().notice == ""
        running.hear(PORT, 10**9 + tick * 20_833_333, (0xF8,))
    assert running.snapshot().notice == "not sent, do it by hand: mute shaker"


def test_a_wish_to_stop_ends_it() -> None:
    running = engine()
    assert not running.ended
    running.wish(Wish("stop"))
    assert running.ended
