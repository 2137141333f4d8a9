"""The whole engine, no MIDI and no screen: what it says of itself, and what it survives."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from companion.engine.checkpointfile import Memory
from companion.engine.engine import Engine, Options
from companion.link.messages import Trouble
from companion.setlist import Action, Cue, MuteControl, SetList, Span, Unit, When, WhenKind
from companion.wishes import Wish
from tests.builders import TICK_NS, Rehearsal, SetBuilder, bar_pattern, three_parts

PORT = "tide drum"
NOT_SENT = "program 3 was not sent to drums: the part goes on for another phrase"


def stands_now(ticks: int) -> dict[str, Any]:
    """Where a follower stands that has heard so many clocks up to now."""
    on_stage = Rehearsal(three_parts())
    on_stage.now_ns = time.monotonic_ns() - (ticks + 1) * TICK_NS
    return on_stage.start().clock(ticks).follower.checkpoint(time.monotonic_ns())


def killed(folder: Path, kept: dict[str, Any]) -> None:
    """An engine that kept this is no more."""
    memory = Memory(folder, "tidewater.yaml", "digest")
    memory.start()
    memory.note(kept)
    memory.close(forget=False)


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
    assert any("a fault of its own" in trouble.text for trouble in told.troubles)


def test_it_goes_on_where_the_one_before_was_cut_short(tmp_path: Path) -> None:
    killed(tmp_path, stands_now(250))
    running = engine(Memory(tmp_path, "tidewater.yaml", "digest"))
    told = running.snapshot()
    assert (told.state, told.part, told.tick) == ("lost", 2, 57)
    assert not told.sure
    assert told.notice == "the engine was started again and goes on where it was"


def test_a_place_that_does_not_fit_the_set_is_left_alone(tmp_path: Path) -> None:
    kept = stands_now(250)
    kept["situation"]["plan"]["part"] = 7
    killed(tmp_path, kept)
    running = engine(Memory(tmp_path, "tidewater.yaml", "digest"))
    told = running.snapshot()
    assert (told.state, told.part, told.tick) == ("waiting", 1, 0)
    running.hear(PORT, time.monotonic_ns(), (0xFA,))
    assert running.snapshot().state == "running"


def test_what_cannot_be_kept_safe_is_the_last_of_its_troubles(tmp_path: Path) -> None:
    memory = Memory(tmp_path, "tidewater.yaml", "digest")
    memory.trouble = "the position cannot be kept safe from a crash: no space left on device"
    running = engine(memory)
    assert running.snapshot().troubles[-1] == Trouble("disk", memory.trouble)


def one_mute() -> SetList:
    """The shaker is muted at the second bar, and its instrument is told."""
    cue = Cue(When(WhenKind.NTH, Span(2, Unit.PASSES)), Action.MUTE, ("shaker",))
    return (
        SetBuilder()
        .instrument("drums", mute_sends=(MuteControl("shaker", 9, 21),))
        .part(bar_pattern("slack water"), phrases=None, cues=[cue])
        .build()
    )


def test_a_mute_that_cannot_leave_is_asked_for_by_hand() -> None:
    # Its ports are opened as it runs: there is no way to the instrument yet.
    system: Any = object()
    running = Engine(one_mute(), Options(), system)
    running.hear(PORT, 10**9, (0xFA,))
    for tick in range(97):
        assert running.snapshot().notice == ""
        running.hear(PORT, 10**9 + tick * 20_833_333, (0xF8,))
    assert running.snapshot().notice == "not sent, do it by hand: mute shaker"


@dataclass
class Line:
    """A way to an instrument that keeps what is sent."""

    sent: list[bytes] = field(default_factory=list)

    def send(self, message: bytes) -> None:
        self.sent.append(message)


def reached(setlist: SetList) -> tuple[Engine, Line]:
    """An engine whose drums can be reached."""
    system: Any = object()
    running, line = Engine(setlist, Options(), system), Line()
    routes: Any = {"drums": line}
    running._keeper.routes.table = routes
    return running, line


def hears(running: Engine, ticks: range, tick_0_ns: int) -> None:
    for tick in ticks:
        running.hear(PORT, tick_0_ns + tick * TICK_NS, (0xF8,))


AT_ONCE = Span(0, Unit.STEPS)


@pytest.mark.parametrize(
    ("lead", "late_ticks", "sent"),
    [
        # A beat is 24 ticks (common practice, no source): with twelve of them left it is too late.
        (Span(1, Unit.BEATS), 0, True),
        (Span(1, Unit.BEATS), 6, True),
        (Span(1, Unit.BEATS), 13, False),
        (Span(1, Unit.BEATS), 150, False),
        # On the boundary itself, an eighth of a beat is.
        (AT_ONCE, 1, True),
        (AT_ONCE, 4, False),
    ],
)
def test_a_change_whose_tick_is_handed_on_late_does_not_leave_late(
    lead: Span, late_ticks: int, sent: bool
) -> None:
    at_once = lead is AT_ONCE
    running, line = reached(three_parts(lead, at_once=at_once))
    due = 192 if at_once else 168
    # The computer was held up, and the driver hands on what it heard meanwhile, with its times.
    tick_0_ns = time.monotonic_ns() - (due + late_ticks) * TICK_NS
    running.hear(PORT, tick_0_ns - TICK_NS, (0xFA,))
    hears(running, range(due + 1), tick_0_ns)
    # A program change on channel 1 for program 2 on the wire (MIDI 1.0 Detailed
    # Specification 4.2.1, Channel Voice Messages, from memory: Cn pp).
    assert line.sent == [b"\xc0\x02"] * sent
    hears(running, range(due + 1, 200), tick_0_ns)
    told = running.snapshot()
    assert told.sure
    assert (told.part, told.tick) == ((2, 7) if sent else (1, 199))
    if not sent:
        assert told.notice == NOT_SENT
        assert line.sent == []


def test_a_mute_whose_tick_is_handed_on_late_is_asked_for_by_hand() -> None:
    for late_ticks in (0, 4):
        running, line = reached(one_mute())
        tick_0_ns = time.monotonic_ns() - (96 + late_ticks) * TICK_NS
        running.hear(PORT, tick_0_ns - TICK_NS, (0xFA,))
        hears(running, range(97), tick_0_ns)
        by_hand = "not sent, do it by hand: mute shaker"
        assert running.snapshot().notice == (by_hand if late_ticks else "")
        assert len(line.sent) == (not late_ticks)


@pytest.mark.parametrize(
    ("times", "word"), [(2.0, "twice"), (0.5, "half"), (1.0, ""), (1.5, ""), (1.1, "")]
)
def test_a_clock_of_another_grid_is_told(times: float, word: str) -> None:
    # The set says 120 beats a minute; 48 or 12 ticks to the quarter are not what
    # the MIDI 1.0 Detailed Specification 4.2.1 says (System Real Time Messages, from memory).
    running = engine()
    running.hear(PORT, 10**9, (0xFA,))
    for tick in range(1, 60):
        running.hear(PORT, 10**9 + round(tick * TICK_NS / times), (0xF8,))
    told = [t.text for t in running.snapshot().troubles if "tempo of this song" in t.text]
    assert len(told) == bool(word)
    assert all(f"{120 * times:.0f} beats a minute, {word} " in each for each in told)
    running.hear(PORT, 10**9 + round(60 * TICK_NS / times), (0xFC,))
    assert running.snapshot().troubles == ()


@pytest.mark.parametrize("status", [0xF8, 0xFA])
def test_another_instrument_that_sends_clock_is_named(status: int) -> None:
    running = engine()
    running.hear(PORT, 10**9, (0xFA,))
    for tick in range(1, 60):
        running.hear(PORT, 10**9 + tick * TICK_NS, (0xF8,))
        running.hear("tide sampler", 10**9 + tick * TICK_NS + 7, (status,))
    told = "tide sampler sends clock too; following tide drum"
    assert running._reporter._troubles(10**9 + 60 * TICK_NS) == (
        [Trouble("clock", told)] if status == 0xF8 else []
    )


def test_a_wish_to_stop_ends_it() -> None:
    running = engine()
    assert not running.ended
    running.wish(Wish.of("stop"))
    assert running.ended
