"""What holds is said for as long as it does: staying, a fill, what differs from the plan."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from companion.link.messages import Coming, Snapshot
from companion.screen.app import make_app
from companion.screen.extrapolation import Stage
from companion.screen.reading import RELEASED_NS, Reading, read
from companion.screen.sentences import hold_on
from companion.screen.stage import draw_agenda, draw_alarms, draw_tracks
from tests.screen.stage import (
    AMISS_TRACKS,
    COMING,
    GOING,
    STATES,
    STAYING,
    UNSURE,
    Clock,
    Feed,
    amiss,
    filling,
    large,
    seen,
    slack_water,
    words,
)

SIZES = ((40, 12), (80, 24), (120, 40))


def glance(tick: int = 100, **changes: object) -> Reading:
    return read(slack_water(tick, **changes), 0)


def text(rows: object) -> list[str]:
    return ["".join(text for text, _ in row) for row in rows]  # type: ignore[attr-defined]


# -- staying, and what was asked for ---------------------------------------------------------


@pytest.mark.parametrize("size", [(40, 12), (80, 24)])
async def test_staying_is_said_with_the_key_that_ends_it(size: tuple[int, int]) -> None:
    app = make_app(Feed(slack_water(500, **STAYING)), now_ns=Clock())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        (band,) = [row for row in seen(app) if row.startswith("  STAYING")]
        assert "k lets it end" in band


async def test_under_an_alarm_in_the_smallest_window_staying_is_still_said() -> None:
    app = make_app(Feed(slack_water(500, **{**STAYING, **UNSURE})), now_ns=Clock())
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.pause()
        assert "staying" in words(app)


def test_a_boundary_at_which_the_part_stays_says_so() -> None:
    assert glance(500, **{**STAYING, "coming": ()}).action.text == "staying, phrase 2 begins"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (GOING, "high water in 3 bars; u undoes it"),
        ({**GOING, "wish": "now"}, "high water in 3 bars; u undoes it"),
        ({**GOING, "wish": "part 3", "next_song": "Mudflat", "next_part": "mudflat"},
         "Mudflat: mudflat in 3 bars; u undoes it"),
        ({"wish": "stay"}, "to let the part end in 11 bars; u undoes it"),
        ({"wish": "align phrase"}, "align phrase; u undoes it"),
        # Of an engine that knows more wishes.
        ({"wish": "encore", "change_ticks": None}, "encore; u undoes it"),
        ({"wish": "next", "change_ticks": None}, "next; u undoes it"),
    ],
)  # fmt: skip
def test_a_wish_is_said_with_when_it_takes_effect_and_the_key_that_undoes_it(
    changes: dict[str, object], said: str
) -> None:
    assert [(band.head, band.text) for band in glance(500, **changes).bands] == [("ASKED", said)]


def test_that_one_stays_by_a_wish_is_said_once() -> None:
    assert [band.head for band in glance(500, **STAYING).bands] == ["STAYING"]
    going_on = {**STAYING, "wish": "next"}
    assert [band.head for band in glance(500, **going_on).bands] == ["STAYING", "ASKED"]


def test_in_a_large_window_what_holds_is_said_in_large_letters_beside_an_alarm_in_small() -> None:
    bands, unsure = glance(500, **STAYING).bands, glance(400, **UNSURE).alarms
    assert len(draw_alarms(bands, 120, 7)) == 3
    alone = draw_alarms(unsure, 120, 7)
    assert text(draw_alarms((*unsure, *bands), 120, 7))[len(alone)].startswith("  STAYING: ")


# -- a fill ----------------------------------------------------------------------------------


def fill_at(tick: int, **changes: Any) -> Reading:
    """What is read at `tick`, having seen every tenth tick before, as from an engine."""
    snapshot: Snapshot | None = None
    for at in (*range(1300, tick, 10), tick):
        snapshot = hold_on(snapshot, filling(at))
    assert snapshot is not None
    return read(replace(snapshot, **changes), 0)


def test_a_fill_says_when_to_press_that_it_is_to_be_held_and_when_to_release() -> None:
    # To be pressed at tick 1440, a bar before the part ends at 1536, and held for that bar.
    said = [(tick, fill_at(tick).action) for tick in (1300, 1416, 1440, 1464, 1500, 1530)]
    assert [(tick, entry.when, entry.text) for tick, entry in said] == [
        (1300, "In 2 bars", "hold the fill for 1 bar"),
        (1416, "In 1 beat", "hold the fill for 1 bar"),
        (1440, "Now", "hold the fill for 1 bar"),
        (1464, "Hold the fill", "release in 3 beats"),
        (1500, "Hold the fill", "release in 2 beats"),
        (1530, "Hold the fill", "release in 1 beat"),
    ]


def test_what_the_boundary_brings_is_said_beside_the_fill() -> None:
    boundary = fill_at(1500).boundary
    # A change that goes by itself is told as what comes next.
    assert boundary is None
    by_hand = fill_at(1500, sending=False).boundary
    assert by_hand is not None
    assert by_hand.text == "change to high water: program 13 goes to drums"


def test_with_nothing_else_on_the_boundary_the_release_stands_alone() -> None:
    fill = Coming(672, "fill", "hold the fill for 1 bar", hold_ticks=96)
    reading = glance(720, coming=(fill,))
    assert reading.action.when == "Hold the fill"
    assert reading.boundary is None


def test_the_release_is_said_on_the_first_beat_of_the_part_that_follows() -> None:
    last = hold_on(hold_on(None, filling(1440)), filling(1535))
    first = slack_water(0, part=2, pattern="high water", coming=())
    assert read(hold_on(last, first), 0).action.text == "release the fill"
    over = slack_water(24, part=2, pattern="high water", coming=())
    assert read(hold_on(hold_on(last, first), over), 0).action.text != "release the fill"


def test_a_fill_ends_with_its_hold_or_when_the_count_is_moved_before_it() -> None:
    held = hold_on(hold_on(None, filling(1440)), filling(1500))
    assert [c.tick for c in held.coming if c.kind == "fill"] == [1440]
    moved = slack_water(1404, coming=())
    assert hold_on(held, moved).coming == ()
    restarted = slack_water(0, coming=())
    assert hold_on(held, restarted).coming == ()


def test_another_part_that_came_sooner_than_planned_brings_no_release() -> None:
    # The fill lies ahead when the performer goes on at once.
    before = filling(1300)
    after = slack_water(0, part=2, pattern="high water", coming=())
    assert hold_on(before, after).coming == ()


RESTORE = Coming(1536, "cue", "restore the pattern", do="restore")


def test_what_is_to_be_done_at_the_end_is_said_for_a_beat_of_the_part_that_follows() -> None:
    last = slack_water(1530, coming=(RESTORE, Coming(1536, "cue", "mute gull")))
    begun = {"part": 2, "pattern": "high water", "coming": (Coming(0, "cue", "mute gull"),)}
    first = hold_on(last, slack_water(2, **begun))
    assert [c.text for c in first.coming] == ["restore the pattern", "mute gull"]
    assert read(first, 0).action.text == "restore the pattern; mute gull"
    second = hold_on(first, slack_water(20, **begun))
    assert "restore the pattern" in [c.text for c in second.coming]
    third = hold_on(second, slack_water(24, **begun))
    assert "restore the pattern" not in [c.text for c in third.coming]


@pytest.mark.parametrize(("tick", "part"), [(1300, 2), (1530, 3)])
def test_an_end_that_did_not_come_as_planned_leaves_nothing_to_do(tick: int, part: int) -> None:
    # Gone at once to the next part, long before the end; or to another part in the last beat.
    before = slack_water(tick, coming=(RESTORE,))
    assert hold_on(before, slack_water(0, part=part, coming=())).coming == ()


def test_something_to_do_while_a_fill_is_held_comes_first_and_the_fill_stays_in_sight() -> None:
    fill = Coming(384, "fill", "hold the fill for 2 bars", hold_ticks=192)
    cue = Coming(480, "cue", "unmute shaker", warn_ticks=96)
    reading = glance(420, coming=(fill, cue))
    assert reading.action.text == "unmute shaker"
    assert (reading.agenda[0].when, reading.agenda[0].text) == (
        "now",
        "hold the fill, release in 2 bars",
    )


@pytest.mark.parametrize("size", SIZES)
async def test_a_held_fill_is_told_by_the_stage_at_every_size(size: tuple[int, int]) -> None:
    app = make_app(Feed(filling(1440), filling(1500)), now_ns=Clock())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        assert app.reading().action.text == "release in 2 beats"
        if size[1] < 36:
            assert any(row.startswith("  FILL HELD") for row in seen(app))
            told = " ".join([words(app).upper(), *large(app, 5)])
            assert "HOLD THE FILL: RELEASE IN 2 BEATS" in told


async def test_a_pad_that_is_tapped_does_not_make_the_stage_jump() -> None:
    clock = Clock()
    feed = Feed(slack_water(100))
    app = make_app(feed, now_ns=clock)

    async def figure_row(fill: bool) -> int:
        feed.say(slack_water(100, fill=fill, at_ns=clock.ns, tick_ns=clock.ns))
        app.draw()
        await pilot.pause()
        return next(y for y, row in enumerate(seen(app)) if "━" in row)

    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.pause()
        rows = []
        for tap in range(10):
            clock.ns += 100_000_000
            rows.append(await figure_row(tap % 2 == 0))
        assert len(set(rows)) == 1
        assert app.reading().bands[0].head == "FILL RELEASED"
        clock.ns += RELEASED_NS
        await figure_row(False)
        assert app.reading().bands == ()


# -- what is not as planned ------------------------------------------------------------------


def test_what_is_known_of_the_instrument_counts_and_the_plan_where_nothing_is_heard() -> None:
    reading = glance(100, **amiss(100))
    assert reading.muted == ("gull",)
    # Of the bell nothing was heard.
    assert reading.sounding == ("low drum", "tide bell", "shaker")
    assert reading.unplanned == ("shaker", "gull")


def test_what_would_put_it_right_comes_first_in_the_agenda_and_then_why() -> None:
    agenda = glance(100, **amiss(100)).agenda
    assert [(entry.when, entry.text) for entry in agenda[:2]] == [
        ("now", "mute shaker: it sounds, 98% likely; planned: muted"),
        ("now", "unmute gull: it is muted; planned: sounding"),
    ]
    assert agenda[2].when == "in 3 bars"


def test_what_the_engine_takes_for_the_performer_s_own_idea_is_marked_all_the_same() -> None:
    reading = glance(100, tracks=AMISS_TRACKS)
    assert reading.unplanned == ("shaker", "gull")
    assert not any(entry.differs for entry in reading.agenda)


def test_what_says_not_what_would_put_it_right_is_shown_as_it_is() -> None:
    bare = Coming(100, "differs", "something differs")
    assert [entry.text for entry in glance(100, coming=(bare,)).agenda] == ["something differs"]


def test_what_is_not_as_planned_is_never_taken_for_a_cue() -> None:
    plain, amiss_now = glance(100), glance(100, **amiss(100))
    assert amiss_now.action == plain.action
    assert amiss_now.boundary == plain.boundary
    first, second, _, third = text(draw_agenda(amiss_now, 80, 8))[:4]
    assert first.startswith("! now")
    assert second.startswith("! now")
    assert third.startswith("  in ")


def test_marks_are_not_by_colour_alone_and_name_each_track_in_one_row_or_two() -> None:
    reading = glance(100, **amiss(100))
    assert text(draw_tracks(reading, 40, 1))[0].startswith("! gull is muted, shaker sounds")
    assert text(draw_tracks(reading, 80, 1)) == ["! gull is muted, shaker sounds: not as planned"]
    assert [row.rstrip() for row in text(draw_tracks(reading, 80, 2))] == [
        "! muted        gull (not planned)",
        "! sounding     shaker (not planned), low drum, tide bell",
    ]


def test_in_a_small_agenda_what_comes_keeps_its_place_beside_what_is_not_as_planned() -> None:
    differ = tuple(
        Coming(100, "differs", f"wave {n}", "sounds", do="mute", tracks=(f"wave {n}",))
        for n in range(6)
    )
    reading = glance(100, coming=(*differ, *COMING))
    assert [row[:6] for row in text(draw_agenda(reading, 40, 2))] == ["! now ", "  in 3"]
    assert sum(row.startswith("!") for row in text(draw_agenda(reading, 80, 6))) == 3


@pytest.mark.parametrize("size", SIZES)
async def test_each_track_that_differs_is_marked_on_the_stage(size: tuple[int, int]) -> None:
    app = make_app(Feed(STATES["not as planned"]), now_ns=Clock())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        marked = " ".join(row for row in seen(app) if row.startswith("!"))
        assert "gull" in marked
        assert "shaker" in marked


def test_while_nothing_runs_nothing_is_to_be_put_right() -> None:
    stopped = replace(STATES["not as planned"], state="stopped")
    assert not any(entry.differs for entry in read(stopped, 0).agenda)
    running = read(STATES["not as planned"], 0)
    assert all(entry.stage is Stage.NOW for entry in running.agenda if entry.differs)
