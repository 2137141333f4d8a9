"""What one look at the screen says, in words and figures."""

from __future__ import annotations

import pytest

from companion.link.messages import Coming
from companion.screen.drawing import draw_agenda
from companion.screen.reading import Reading, read
from companion.screen.reckon import Stage
from tests.screen.stage import (
    DEMO,
    LOST,
    NOT_SENDING,
    READY,
    STATES,
    TROUBLE,
    UNSURE,
    WAITING,
    slack_water,
)


def glance(tick: int = 100, now_ns: int = 0, connected: bool = True, **changes: object) -> Reading:
    return read(slack_water(tick, **changes), now_ns, connected=connected)


def test_in_the_second_bar_seven_bars_are_to_go_and_the_shaker_comes_in_three() -> None:
    reading = glance(100)
    assert (reading.figure, reading.unit, reading.word) == ("7", "bars", "to the boundary")
    # 668 ticks at 118 beats a minute are 14.15 s.
    assert reading.clock == "0:15"
    assert (reading.pass_fact, reading.phrase_fact) == ((2, 8), (1, 2))
    assert (reading.action.when, reading.action.text) == ("In 3 bars", "unmute shaker")
    assert [entry.when for entry in reading.agenda][:3] == ["in 3 bars", "in 4 bars", "in 6 bars"]
    assert reading.sounding == ("low drum", "tide bell", "gull")
    assert reading.muted == ("shaker",)


def test_as_the_boundary_nears_the_word_changes_with_the_stage() -> None:
    seen = [(r.stage, r.word) for r in map(glance, (100, 580, 700, 755, 770))]
    assert seen == [
        (Stage.FAR, "to the boundary"),
        (Stage.NEAR, "boundary near"),
        (Stage.IMMINENT, "get ready"),
        (Stage.IMMINENT, "last beat"),
        (Stage.NOW, "phrase 2 begins"),
    ]


def test_what_is_due_on_the_boundary_is_said_to_be_at_the_boundary() -> None:
    assert glance(500).action.when == "At the boundary"
    assert glance(500).action.text == "open the filter"


def test_with_something_to_do_before_the_boundary_both_are_said() -> None:
    reading = glance(100)
    assert reading.action.text == "unmute shaker"
    assert reading.boundary is not None
    assert reading.boundary.when == "At the boundary"
    assert reading.boundary.text == "open the filter"
    assert glance(500).boundary is None


@pytest.mark.parametrize(
    ("program", "sending", "demo", "first"),
    [
        (13, True, False, "mute gull"),
        (13, False, True, "mute gull"),
        (13, False, False, "change to high water"),
        (None, True, False, "change to high water"),
    ],
)
def test_what_needs_a_hand_stands_before_what_goes_by_itself(
    program: int | None, sending: bool, demo: bool, first: str
) -> None:
    due = (
        Coming(768, "change", "change to high water", program=program, part=2),
        Coming(768, "cue", "mute gull", do="mute", tracks=("gull",)),
    )
    action = glance(700, coming=due, sending=sending, demo=demo).action
    assert sorted(action.text.split("; ")) == ["change to high water", "mute gull"]
    assert action.text.startswith(first)


def test_a_boundary_with_nothing_to_do_says_so_before_the_agenda_goes_on_beyond_it() -> None:
    later = (Coming(1440, "fill", "hold the fill for 1 bar"),)
    reading = glance(500, coming=later)
    assert reading.action.text == "nothing to do, phrase 2 of 2 begins"
    assert [entry.text for entry in reading.agenda] == ["hold the fill for 1 bar"]


def test_a_cue_that_is_due_is_due_now_for_as_long_as_the_engine_keeps_it() -> None:
    assert glance(390).action.when == "Now"


def test_what_falls_on_one_tick_is_one_sentence() -> None:
    both = (Coming(768, "cue", "mute gull"), Coming(768, "change", "change to high water"))
    assert glance(500, coming=both).action.text == "mute gull; change to high water"
    assert glance(500, coming=both).agenda == ()


def test_a_rare_step_is_no_action_of_the_performer() -> None:
    steps = (Coming(510, "step", "gull, step 3"),)
    reading = glance(500, coming=steps)
    assert reading.action.text == "nothing to do, phrase 2 of 2 begins"
    assert reading.agenda[0].text == "gull, step 3"


def test_after_the_last_planned_phrase_of_the_last_part_the_set_ends() -> None:
    assert glance(800, coming=(), next_part="").action.text == "the set ends"


def test_a_cue_is_marked_from_its_warning_time_on() -> None:
    # The shaker's cue at tick 384 asks to be announced two bars, 192 ticks, ahead.
    assert not glance(191).action.announced
    assert glance(192).action.announced


def test_at_the_end_of_the_part_the_next_part_begins() -> None:
    assert glance(1535, now_ns=10**8).word == "high water begins"
    assert glance(3, part=2, pattern="high water").word == "high water begins"


def test_between_two_snapshots_the_figures_run_on() -> None:
    # A bar at 118 beats a minute lasts 2.034 s; 68 ticks to the bar line are 1.44 s.
    assert glance(28).figure == "8"
    assert glance(28, now_ns=1_400_000_000).figure == "8"
    assert glance(28, now_ns=1_450_000_000).figure == "7"


@pytest.mark.parametrize(
    ("changes", "figure", "asks"),
    [
        (WAITING, "NO CLOCK", "Start the instrument, or check its cable."),
        (READY, "READY", "The clock runs; press play."),
        ({"state": "stopped"}, "STOPPED", "Press play"),
    ],
)
def test_while_nothing_runs_the_screen_says_what_to_do(
    changes: dict[str, object], figure: str, asks: str
) -> None:
    reading = glance(0, **changes)
    assert (reading.figure, reading.unit) == (figure, "")
    assert asks in reading.action.text


def test_a_clock_that_runs_before_the_start_is_no_doubt() -> None:
    assert glance(0, **READY).alarms == ()


def test_stopped_in_the_middle_the_place_is_held() -> None:
    assert glance(300, state="stopped").word == "held with 5 bars to the boundary"


def test_nothing_on_the_agenda_is_pressing_while_nothing_moves() -> None:
    stopped, running = glance(300, state="stopped"), glance(300)
    assert any(entry.stage > Stage.FAR for entry in running.agenda)
    assert all(entry.stage is Stage.FAR and not entry.announced for entry in stopped.agenda)


def test_with_the_clock_lost_the_count_runs_free_and_is_doubted() -> None:
    reading = glance(500, **LOST)
    assert (reading.figure, reading.unit, reading.word) == ("3", "bars?", "running free")
    assert [alarm.head for alarm in reading.alarms] == ["CLOCK LOST"]
    assert "nothing will be sent" in reading.alarms[0].text
    assert not reading.lit


def test_unsure_says_why_and_what_to_press() -> None:
    reading = glance(400, **UNSURE)
    assert reading.unit == "bars?"
    assert reading.alarms[0].head == "UNSURE"
    assert reading.alarms[0].text == (
        "Joined in the middle. Nothing will be sent. "
        "If the count is right press c; if not, press 1 on the one."
    )


def test_not_sending_is_a_note_and_no_alarm_and_says_what_to_do() -> None:
    (note,) = glance(500, **NOT_SENDING).alarms
    assert (note.head, note.urgent) == ("NOT SENDING", False)
    assert note.text == "Started without sending. Change by hand."
    (note,) = glance(500, sending=False, sending_note="disarmed: change by hand").alarms
    assert note.text == "Disarmed: change by hand."


def test_a_demonstration_is_calm_about_sending_nothing() -> None:
    reading = glance(500, **DEMO)
    assert reading.alarms == ()
    assert "demonstration: nothing is sent" in [fact.short for fact in reading.quiet]


def test_a_step_that_will_be_muted_is_no_news() -> None:
    silent = Coming(510, "step", "gull, step 3, muted by then", muted=True)
    (row,) = draw_agenda(glance(500, coming=(silent,)), 80, 4)
    assert {role for _, role in row} == {"quiet"}


def test_troubles_come_worst_first() -> None:
    assert [alarm.text for alarm in glance(500, **TROUBLE).alarms] == [
        "The port of drums is gone: plug it in again.",
        "The take is not recorded.",
    ]


def test_an_engine_that_does_not_answer_takes_the_count_away() -> None:
    reading = glance(500, connected=False)
    assert (reading.figure, reading.clock, reading.lit) == ("NO ENGINE", "", False)
    assert [alarm.head for alarm in reading.alarms] == ["NO ENGINE"]
    assert "sending" not in [fact.short for fact in reading.quiet]
    assert "sure" not in [fact.short for fact in reading.quiet]


def test_an_engine_silent_for_more_than_two_seconds_is_gone_too() -> None:
    assert glance(500, now_ns=2_100_000_000).figure == "NO ENGINE"


@pytest.mark.parametrize("name", STATES)
def test_every_state_says_what_to_do_next(name: str) -> None:
    reading = read(STATES[name], 0)
    assert reading.figure
    assert reading.action.text


@pytest.mark.parametrize(("lost", "said"), [(0, "jitter"), (1, "1 tick lost"), (2, "2 ticks lost")])
def test_lost_ticks_are_counted(lost: int, said: str) -> None:
    quiet = glance(100, clocks_lost=lost).quiet
    (clock,) = [fact.long for fact in quiet if "jitter" in fact.long]
    assert clock.endswith(said)


@pytest.mark.parametrize("changes", [UNSURE, LOST])
def test_while_the_count_may_be_wrong_nothing_is_said_to_be_sending(
    changes: dict[str, object],
) -> None:
    reading = glance(500, **{**changes, "sending": True})
    assert "sending once sure" in [fact.short for fact in reading.quiet]
    assert "sending" not in [fact.short for fact in reading.quiet]


def test_an_instrument_that_is_not_told_is_not_said_to_begin_the_next_part() -> None:
    # The count has run on to the end of the part, and the engine has not spoken since.
    unsure = {**UNSURE, "sending": True}
    assert glance(1535, now_ns=10**8, **unsure).word == "phrase 3 begins"
    assert glance(1535, now_ns=10**8, **unsure, change_sent=True).word == "high water begins"
