"""What one look at the screen says, in words and figures."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from companion.link.messages import Coming, ProgramView, Trouble
from companion.screen.extrapolation import Stage
from companion.screen.reading import Reader, Reading, Then, read
from companion.screen.stage import dial_role, draw_agenda
from tests.screen.stage import (
    DEMO,
    LOST,
    NOT_SENDING,
    READY,
    STATES,
    TROUBLE,
    UNSURE,
    WAITING,
    no,
    slack_water,
)


def glance(tick: int = 100, now_ns: int = 0, connected: bool = True, **changes: Any) -> Reading:
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
    ("outcome", "sending", "first"),
    [
        ("open", True, "mute gull"),
        ("sent", False, "mute gull"),
        ("told", False, "mute gull"),
        ("shown", False, "mute gull"),
        ("open", False, "change to high water"),
        ("hand", True, "change to high water"),
        ("missed", True, "change to high water"),
    ],
)
def test_only_what_needs_a_hand_is_the_action(outcome: str, sending: bool, first: str) -> None:
    due = (
        Coming(768, "change", "change to high water", outcome=outcome, part=2),
        Coming(768, "cue", "mute gull", do="mute", tracks=("gull",)),
    )
    reading = glance(700, coming=due, sending=sending)
    by_hand = reading.action.text.split("; ")
    assert by_hand[0] == first
    # What goes by itself is no action of the performer, and stands on the agenda.
    rest = [entry.text.split(",")[0] for entry in reading.agenda]
    assert sorted((*by_hand, *rest)) == ["change to high water", "mute gull"]
    assert rest == ([] if first != "mute gull" else ["change to high water"])


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


def test_at_the_end_of_the_set_it_is_said_once() -> None:
    reading = glance(800, coming=(), next_part="")
    assert (reading.then.name, reading.action.text) == ("set ends", "nothing to do")
    assert reading.boundary is None


def test_a_cue_is_marked_from_its_warning_time_on() -> None:
    # The shaker's cue at tick 384 asks to be announced two bars, 192 ticks, ahead.
    assert not glance(191).action.announced
    assert glance(192).action.announced


def test_at_the_end_of_the_part_the_next_part_begins() -> None:
    assert glance(1535, now_ns=10**8).word == "high water begins"
    assert glance(3, part=2, name="high water").word == "high water begins"


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
    assert (reading.figure, reading.unit, reading.word) == ("3", "bars", "clock lost")
    assert reading.doubt
    assert [alarm.head for alarm in reading.alarms] == ["CLOCK LOST"]
    assert "nothing will be sent" in reading.alarms[0].text
    assert not reading.lit


def test_unsure_says_why_and_what_to_press() -> None:
    reading = glance(400, **UNSURE)
    assert (reading.figure, reading.doubt, reading.word) == ("4", True, "unsure")
    assert reading.alarms[0].head == "UNSURE"
    assert reading.alarms[0].text == (
        "Joined in the middle. Nothing will be sent. "
        "If the count is right press c; if not, press 1 on the one."
    )


def test_not_sending_is_a_note_and_no_alarm_and_says_what_to_do() -> None:
    (note,) = glance(500, **NOT_SENDING).alarms
    assert (note.head, note.urgent) == ("NOT SENDING", False)
    assert note.text == "Started without sending. Change by hand."
    (note,) = glance(500, sending=False, sending_note="disarmed").alarms
    assert note.text == "Disarmed. Change by hand; s starts sending."


def test_a_demonstration_is_calm_about_sending_nothing() -> None:
    reading = glance(500, **DEMO)
    assert reading.alarms == ()
    assert "demonstration: nothing is sent" in [fact.short for fact in reading.quiet]


def test_a_step_that_will_be_muted_is_no_news() -> None:
    silent = Coming(510, "step", "gull, step 3", "muted by then", muted=True)
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


def test_while_the_count_may_be_wrong_no_part_is_said_to_begin() -> None:
    unsure = {**UNSURE, "sending": True}
    assert glance(1535, now_ns=10**8, **unsure).word == "unsure"


@pytest.mark.parametrize(
    ("changes", "loud"),
    [({}, True), (DEMO, True), (NOT_SENDING, False), (UNSURE, False), (LOST, False)],
)
def test_the_boundary_is_bright_only_where_it_is_sure_and_something_is_sent(
    changes: dict[str, object], loud: bool
) -> None:
    reading = glance(770, **changes)
    assert reading.figure == "NOW"
    assert (dial_role(reading) == "now") is loud


def test_what_stands_still_is_not_in_the_colour_of_all_well() -> None:
    roles = {name: dial_role(read(STATES[name], 0)) for name in ("far", "stopped", "ready", "lost")}
    assert roles == {"far": "far", "stopped": "still", "ready": "still", "lost": "still"}


def test_the_pattern_that_follows_is_told_with_when() -> None:
    assert glance(100).then == Then("high water", "next in 15 bars")
    assert glance(100, next_song="Ebb").then == Then("high water", "next in 15 bars", "Ebb")
    assert glance(100, next_part="").then == Then("set ends", "in 15 bars")
    # Where the end is open nothing is promised.
    assert glance(100, next_ticks=None).then == Then("high water", "next when you press n")
    open_end = slack_water(100, next_ticks=None)
    assert read(open_end, 0, look_only=True).then.when == "next when asked for"


def test_a_song_that_ends_in_silence_asks_for_stop_and_then_says_so_loudly() -> None:
    stops = {"stop_at_end": True, "next_part": "mudflat", "next_song": "Mudflat"}
    assert glance(100, **stops).then == Then("stop", "in 15 bars", "then Mudflat: mudflat")
    over = glance(1540, **stops, song_over=True)
    assert (over.figure, over.stage) == ("STOP NOW", Stage.NOW)
    assert over.then == Then("mudflat", "next, after the stop", "Mudflat")
    assert (over.action.when, over.action.text) == ("Now", "stop the instrument")


def test_before_the_first_start_the_programs_of_part_1_are_the_thing_to_do() -> None:
    wanted = STATES["wanted"]
    assert read(wanted, 0).order[0] == (
        "slack water wants program 12 on drums and 3 on pads: w sends them"
    )
    silent = replace(wanted, refused=(*wanted.refused, *no("silent", "no", "send programs")))
    said = "choose program 12 on drums and 3 on pads for slack water"
    assert read(silent, 0).order[0] == read(wanted, 0, look_only=True).order[0] == said
    told = tuple(replace(each, told=True) for each in wanted.wants)
    assert read(replace(wanted, wants=told), 0).order == ()


def test_stopped_and_unsure_the_program_to_choose_is_the_thing_to_do() -> None:
    stopped = STATES["stopped unsure"]
    assert read(stopped, 0).order[0] == "choose program 12 on drums, then press play"
    assert read(replace(stopped, sure=True), 0).order == ()
    nothing = replace(stopped, wants=())
    assert read(nothing, 0).order[0] == "choose slack water on drums, then press play"


def test_an_ignored_change_is_told_once() -> None:
    ignored = STATES["ignored"]
    trouble = Trouble("change", ignored.doubt)
    (alarm,) = read(replace(ignored, troubles=(trouble,)), 0).alarms
    assert alarm.text.count("did not take") == 1
    assert alarm.text.endswith("Choose program 13 on drums, then press c.")


@pytest.mark.parametrize(("tempo", "told"), [(118.0, False), (121.4, False), (121.7, True)])
def test_at_a_song_s_start_a_tempo_that_is_not_the_planned_one_is_told(
    tempo: float, told: bool
) -> None:
    # 3 percent of 118 are 3.54.
    def heads(**more: Any) -> list[str]:
        return [a.head for a in glance(100, tempo=tempo, planned_tempo=118.0, **more).bands]

    assert heads() == (["TEMPO"] if told else [])
    assert heads(song_part=2) == heads(phrase=2) == []


def test_what_the_next_key_would_miss_is_said_before() -> None:
    said = [fact.short for fact in read(STATES["late"], 0).quiet]
    assert "n now: in 9 bars" in said
    assert not any(fact.short.startswith("n now") for fact in read(STATES["far"], 0).quiet)


def test_an_instrument_that_is_back_is_offered_its_program() -> None:
    pads = (ProgramView("pads", 3),)
    (band,) = glance(100, wants=pads, back=("pads",)).bands
    assert (band.head, band.text) == ("WANTED", "program 3 on pads; w sends it")
    assert glance(100, wants=pads).bands == ()


# -- what comes by chance, again and again ---------------------------------------------------


def hat(*ticks: int, chance: float = 0.3, text: str = "hat, step 16") -> list[Coming]:
    return [Coming(tick, "step", text, track="hat", step=16, chance=chance) for tick in ticks]


@pytest.mark.parametrize(
    ("ticks", "said"),
    [
        ((570,), "hat, step 16, 30 percent"),
        ((570, 666, 762), "hat, step 16, 30 percent, then each bar"),
        ((570, 762, 954), "hat, step 16, 30 percent, then every 2 bars"),
        ((570, 594), "hat, step 16, 30 percent, then each beat"),
        ((570, 666, 858), "hat, step 16, 30 percent, then again"),
    ],
)
def test_a_step_that_comes_by_chance_again_and_again_has_one_line(
    ticks: tuple[int, ...], said: str
) -> None:
    agenda = glance(400, coming=tuple(hat(*ticks))).agenda
    assert [(entry.when, entry.text) for entry in agenda] == [("in 2 bars", said)]


def test_a_step_that_is_certain_has_a_line_each_time() -> None:
    certain = hat(570, 666, chance=1.0)
    assert len(glance(400, coming=tuple(certain)).agenda) == 2


def test_what_may_come_never_pushes_out_what_will() -> None:
    # Twelve tracks by chance, sooner than the one certain step and the cue.
    chances = [
        Coming(410 + n, "step", f"wave {n}, step 3", track=f"wave {n}", step=3, chance=0.05)
        for n in range(12)
    ]
    later = (
        Coming(900, "step", "low drum, step 16", track="low drum", step=16),
        Coming(1000, "cue", "mute gull", do="mute"),
    )
    rows = draw_agenda(glance(400, coming=(*chances, *later)), 80, 3)
    said = [" ".join("".join(text for text, _ in row).strip("▌ ").split()) for row in rows]
    assert said == [
        "in 1 beat wave 0, step 3, 5 percent", "in 6 bars low drum, step 16", "in 7 bars mute gull",
    ]  # fmt: skip


# -- what comes and goes with every snapshot -------------------------------------------------


def looks(*snapshots: tuple[int, dict[str, object]]) -> list[Reading]:
    """What is read at each time, in milliseconds, of what was published then."""
    reader = Reader(look_only=False)
    return [
        reader.read(slack_water(100, at_ns=at * 10**6, tick_ns=at * 10**6, **changes), at * 10**6,
                    True)
        for at, changes in snapshots
    ]  # fmt: skip


def heads(reading: Reading) -> list[str]:
    return [alarm.head for alarm in reading.alarms]


def test_a_doubt_is_raised_once_it_outlasts_a_beat_and_then_stands_for_a_second() -> None:
    # A beat at 118 beats a minute lasts 508 ms.
    late = {"sure": False, "doubt": "a tick came late"}
    moments = looks((0, {}), (50, late), (500, late), (600, late), (700, {}), (1590, {}),
                    (1700, {}))  # fmt: skip
    assert [heads(each) for each in moments] == [
        [], [], [], ["UNSURE"], ["UNSURE"], ["UNSURE"], [],
    ]  # fmt: skip
    assert [each.doubt for each in moments] == [False, False, False, True, True, True, False]
    # The word at the foot is there at once.
    words = [{fact.long for fact in each.quiet} & {"sure", "unsure"} for each in moments]
    assert words[:2] == [{"sure"}, {"unsure"}]


def test_a_doubt_that_was_there_from_the_beginning_is_raised_at_once() -> None:
    assert looks((0, UNSURE))[0].doubt


def test_an_alarm_and_a_trouble_stand_for_a_second() -> None:
    moments = looks((0, TROUBLE), (50, {}), (950, {}), (1050, {}))
    assert [len(each.alarms) for each in moments] == [2, 2, 2, 0]


def test_a_trouble_is_put_away_until_it_changes() -> None:
    reader, told = Reader(look_only=False), slack_water(100, **TROUBLE)
    assert len(reader.read(told, 0, True).alarms) == 2
    reader.put_away(told)
    later = replace(told, at_ns=2 * 10**9, tick_ns=2 * 10**9)
    reading = reader.read(later, 2 * 10**9, True)
    assert reading.alarms == ()
    assert "2 troubles put away" in [fact.long for fact in reading.quiet]
    changed = replace(
        later, troubles=(Trouble("port", "the port of drums is gone, and its sound"),)
    )
    assert len(reader.read(changed, 2 * 10**9, True).alarms) == 1


def test_a_count_in_is_counted_down_and_nothing_else_is_asked_for() -> None:
    for state in ("ready", "stopped"):
        unsure = {"doubt": "the clock was lost", "sure": False} if state == "stopped" else {}
        wants = (ProgramView("drums", 12, told=False),)
        reading = glance(0, state=state, rehearsal=True, count_in=5, wants=wants, **unsure)
        assert (reading.figure, reading.unit, reading.word) == ("5", "beats", "count-in")
        assert reading.order == ()
        assert reading.then.when == "after the count-in"
        assert reading.action.text == "Counted in; space calls it off."
    reading = glance(0, state="ready", rehearsal=True, count_in=1)
    assert (reading.figure, reading.unit) == ("1", "beat")
    # An engine that does not answer counts nobody in.
    assert glance(0, state="ready", count_in=1, connected=False).figure == "NO ENGINE"


def test_a_rehearsal_says_whether_changes_leave() -> None:
    for alone, said in ((True, "rehearsal"), (False, "rehearsal, sending")):
        facts = [fact.long for fact in glance(100, rehearsal=True, alone=alone).quiet]
        assert said in facts
