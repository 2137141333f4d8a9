"""What the snapshot says of cues and changes, in words."""

from __future__ import annotations

from companion.engine.playing import Playing
from companion.engine.view import Surroundings, cue_sentence
from companion.link.messages import Snapshot
from companion.setlist.model import Action, Cue, Span, Unit, When, WhenKind
from tests.builders import PORT, Rehearsal, three_parts


def told(on_stage: Rehearsal) -> Snapshot:
    """What a screen is told now."""
    standing, now = on_stage.conductor.standing(), on_stage.now_ns
    around = Surroundings(now, now, 120.0, 0.0, PORT, 0, False, standing.notice, (), "")
    return Playing(three_parts()).viewer.snapshot(standing, around)


def change(on_stage: Rehearsal) -> str:
    return next(item.text for item in told(on_stage).coming if item.kind == "change")


def test_a_change_goes_out_only_if_the_count_is_sure_by_then() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(30)
    assert change(on_stage) == "change to ebb line: program 3 goes to drums"
    on_stage.position(1).clock(2)
    assert change(on_stage) == "change to ebb line if sure by then: program 3 goes to drums"
    on_stage.conductor.confirm()
    assert change(on_stage) == "change to ebb line: program 3 goes to drums"


def test_before_the_start_there_is_no_count_to_doubt() -> None:
    assert change(Rehearsal(three_parts())) == "change to ebb line: program 3 goes to drums"


def test_armed_while_unsure_nothing_is_said_to_go_out_yet() -> None:
    on_stage = Rehearsal(three_parts()).start().clock(30).position(1).clock(2)
    on_stage.conductor.arm(False)
    on_stage.conductor.arm(True)
    assert told(on_stage).notice == "armed: program changes go out once sure"
    on_stage.conductor.confirm()
    on_stage.conductor.arm(True)
    assert told(on_stage).notice == "armed: program changes go out"


def test_what_to_sweep_stands_in_the_performers_own_words() -> None:
    cue = Cue(When(WhenKind.START), Action.SWEEP, text="echo up, then cut", warn=Span(1, Unit.BARS))
    assert cue_sentence(cue) == "sweep: echo up, then cut"
