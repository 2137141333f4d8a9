"""Steps that do not play as the set list says, as a screen is told; the instrument is a loop."""

from __future__ import annotations

from dataclasses import replace

from companion.cli.ask import status_object
from companion.counting import Pattern, Step, Track
from companion.engine.engine import Engine, Options
from companion.link.messages import Misfit, Trouble
from companion.setlist import NoteKey
from tests.builders import TICK_NS, SetBuilder

BAR = 96
DRUMS = "tide drum"


def test_a_screen_is_told_which_steps_do_not_fit_and_what_to_look_at() -> None:
    tracks = (
        Track("low drum", 16, 6, (Step(1), Step(5), Step(9), Step(13))),
        Track("bell", 16, 6, (Step(3), Step(11))),
    )
    pattern = Pattern("slack water", phrase_ticks=8 * BAR, tracks=tracks)
    book = SetBuilder().instrument("drums", channel=9).part(pattern, phrases=None).build()
    notes = {("slack water", "low drum"): NoteKey(9, 36), ("slack water", "bell"): NoteKey(9, 56)}
    engine = Engine(replace(book, notes=notes), Options(send=False), None)
    # On the instrument the bell has a step 7 too, and the low drum no 9.
    played = {0: 36, 24: 36, 72: 36, 12: 56, 36: 56, 60: 56}
    now_ns = 1_000_000_000
    engine.hear(DRUMS, now_ns, (0xFA,))
    for tick in range(24 * BAR):
        now_ns += TICK_NS
        engine.hear(DRUMS, now_ns, (0xF8,))
        if tick % BAR in played:
            engine.hear(DRUMS, now_ns, (0x99, played[tick % BAR], 100))
    seen = engine.snapshot()
    assert seen.sure
    assert seen.misfits == (
        Misfit("low drum", 9, "step 9 of low drum was to play"),
        Misfit("bell", 7, "step 7 of bell was to be silent"),
    )
    both = "step 9 of low drum was to play, step 7 of bell was to be silent"
    asked = "was slack water changed on the instrument?"
    assert Trouble("steps", f"{both}; {asked}", both) in seen.troubles
    told = status_object(seen)
    assert told["misfits"][1] == {
        "track": "bell",
        "step": 7,
        "text": "step 7 of bell was to be silent",
    }
    assert f"{both}; {asked}" in told["troubles"]
