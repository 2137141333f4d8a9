"""What the snapshot says of cues and changes, in words."""

from __future__ import annotations

from companion.engine.snapshot import EngineStatus, Viewer
from companion.link.messages import Snapshot
from companion.setlist import Action, Cue, Span, Unit, When, WhenKind, cue_sentence
from tests.builders import PORT, Rehearsal, ask, three_parts


def told(on_stage: Rehearsal) -> Snapshot:
    """What a screen is told now."""
    standing, now = on_stage.conductor.standing(), on_stage.now_ns
    around = EngineStatus(now, now, 120.0, 0.0, PORT, 0, False, standing.notice, (), "")
    return Viewer(three_parts()).snapshot(standing, around)


def change(on_stage: Rehearsal) -> str:
    return next(item.sentence for item in told(on_stage).coming if item.kind == "change")


def test_a_change_goes_out_only_if_the_count_is_sure_by_then() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(30)
    assert change(on_stage) == "change to ebb line: program 3 goes to drums"
    on_stage.position(1).clock(2)
    assert change(on_stage) == "change to ebb line if sure by then: program 3 goes to drums"
    ask(on_stage.conductor, "confirm")
    assert change(on_stage) == "change to ebb line: program 3 goes to drums"


def test_before_the_start_there_is_no_count_to_doubt() -> None:
    assert change(Rehearsal(three_parts())) == "change to ebb line: program 3 goes to drums"


def test_armed_while_unsure_nothing_is_said_to_go_out_yet() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(30).position(1).clock(2)
    ask(on_stage.conductor, "disarm")
    ask(on_stage.conductor, "arm")
    assert told(on_stage).notice == "armed: program changes go out once sure"
    ask(on_stage.conductor, "confirm")
    ask(on_stage.conductor, "arm")
    assert told(on_stage).notice == "armed: program changes go out"


def test_what_to_sweep_stands_in_the_performers_own_words() -> None:
    cue = Cue(When(WhenKind.START), Action.SWEEP, text="echo up, then cut", warn=Span(1, Unit.BARS))
    assert cue_sentence(cue) == "sweep: echo up, then cut"
