"""A fill that an instrument tells of: held until it is let go, and on the agenda meanwhile."""

from __future__ import annotations

from companion.counting import Rule, Step, Track
from companion.engine.engine import Engine, Options
from companion.setlist import Address, Kind, Tells
from tests.builders import PORT, TICK_NS, Rehearsal, SetBuilder, bar_pattern

TELLS = Tells(fill=Address(Kind.CONTROLLER, 80, 9))


def test_a_fill_that_the_instrument_tells_of_is_held_until_it_is_let_go_or_unplugged() -> None:
    drums = SetBuilder().instrument("drums", channel=9, port="*drum*", tells=TELLS)
    on_stage = Rehearsal(drums.part(bar_pattern(), phrases=None).build()).start().clock(5)
    # MIDI 1.0 (from memory): a switch is on from 64 up.
    on_stage.hear(0xB9, 80, 64)
    assert on_stage.follower.fill
    on_stage.hear(0xB9, 80, 63)
    assert not on_stage.follower.fill
    on_stage.hear(0xB9, 80, 127, port="tide pad")
    assert not on_stage.follower.fill
    on_stage.hear(0xB9, 80, 127)
    on_stage.follower.port_gone(PORT, on_stage.now_ns)
    assert not on_stage.follower.fill


def test_a_step_that_plays_in_fills_is_on_the_agenda_while_one_is_held() -> None:
    shaker = Track("shaker", 16, 6, steps=(Step(5, Rule(fill=True)),))
    pattern = bar_pattern("neap", tracks=(shaker,))
    drums = SetBuilder().instrument("drums", channel=9, tells=TELLS)
    setlist = drums.part(pattern, phrases=None).build()
    engine = Engine(setlist, Options(send=False), None)
    engine.hear(PORT, 1_000_000_000, (0xFA,))
    engine.hear(PORT, 1_000_000_000 + TICK_NS, (0xF8,))
    assert engine.snapshot().coming == ()
    engine.hear(PORT, 1_000_000_000 + TICK_NS, (0xB9, 80, 127))
    coming = engine.snapshot().coming
    # Step 5 of sixteenths: 4 x 6 clocks from the start of each bar.
    assert [(each.tick, each.track) for each in coming[:2]] == [(24, "shaker"), (120, "shaker")]
