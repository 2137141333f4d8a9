"""Steering from the screen: each key asks for one thing, says why not, and does no harm twice."""

from __future__ import annotations

import pytest
from textual.events import Key

from companion.link.messages import Snapshot, Wish
from companion.link.overview import Plan, PlanPart, PlanSong
from companion.screen.app import StageApp, make_app
from companion.screen.asking import NOTICE_NS
from companion.screen.key import HELD_NS
from companion.screen.keys import KEY, KEYS, TWICE_NS
from tests.screen.stage import (
    GOING,
    LOST,
    READY,
    STAYING,
    UNSURE,
    WAITING,
    Clock,
    Feed,
    seen,
    slack_water,
    words,
)

OUT = {"change_sent": True}
OPEN = {"phrases_planned": None, "part_ticks_left": None, "change_ticks": None}
STOPPED = {"state": "stopped"}
LAST = {"part": 9, "next_part": "", "change_ticks": None}


def on(snapshot: Snapshot, clock: Clock | None = None) -> tuple[StageApp, Feed]:
    feed = Feed(snapshot)
    return make_app(feed, now_ns=clock or Clock()), feed


async def do(app: StageApp, name: str) -> None:
    """What the palette does, for what has no key."""
    await app.run_action(KEY[name].does)


@pytest.mark.parametrize(
    ("key", "snapshot", "wish"),
    [
        ("k", slack_water(100), Wish("stay")),
        ("k", slack_water(100, **STAYING), Wish("stay")),
        ("k", slack_water(100, **LAST, staying=True), Wish("stay")),
        ("r", slack_water(100), Wish("now")),
        ("r", slack_water(0, **STOPPED), Wish("now")),
        ("x", slack_water(100), Wish("next", "pass")),
        ("u", slack_water(100, **GOING), Wish("undo")),
        ("backspace", slack_water(100, **GOING), Wish("undo")),
        ("right", slack_water(100), Wish("nudge forward", "pass")),
        ("left", slack_water(100), Wish("nudge back", "pass")),
        ("left", slack_water(100, **STOPPED), Wish("nudge back", "pass")),
    ],
)
async def test_each_key_asks_the_engine_for_one_thing(
    key: str, snapshot: Snapshot, wish: Wish
) -> None:
    app, feed = on(snapshot)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press(key)
        assert feed.wishes == [wish]


@pytest.mark.parametrize(
    ("name", "wish"),
    [
        ("phrase forward", Wish("nudge forward", "phrase")),
        ("phrase back", Wish("nudge back", "phrase")),
        ("align bar", Wish("align", "bar")),
        ("align pass", Wish("align", "pass")),
    ],
)
async def test_what_is_rarely_needed_has_no_key_and_is_found_by_name(name: str, wish: Wish) -> None:
    app, feed = on(slack_water(800))
    async with app.run_test(size=(80, 50)) as pilot:
        await pilot.pause()
        assert KEY[name].key == ""
        await pilot.press("ctrl+p")
        await pilot.press(*KEY[name].description.replace(" ", ""))
        await pilot.pause()
        await pilot.press("enter")
        await pilot.pause()
        assert feed.wishes == [wish]


# The sentences say in the screen's words what the conductor would answer; see follow.conductor.
@pytest.mark.parametrize(
    ("name", "snapshot", "why"),
    [
        ("stay", slack_water(100, **LOST), "The clock is lost; nothing can be planned."),
        ("stay", slack_water(100, **STOPPED), "Nothing runs; there is nothing to stay in."),
        ("stay", slack_water(1530, **OUT), "Too late: the program change is out."),
        ("stay", slack_water(100, **OPEN), "This part goes on until another is asked for."),
        ("stay", slack_water(100, **LAST), "This part goes on until another is asked for."),
        ("now", slack_water(100, **LAST), "This is the last part."),
        ("now", slack_water(100, **LOST), "The clock is lost; nothing can be planned."),
        ("now", slack_water(1530, **OUT), "A change is on its way already"),
        ("next", slack_water(1530, **OUT), "A change is on its way already"),
        ("next", slack_water(100, part=9), "This is the last part."),
        ("next pass", slack_water(100, **LAST), "This is the last part."),
        ("next pass", slack_water(100, **LOST), "The clock is lost; nothing can be planned."),
        ("undo", slack_water(100), "There is no wish to undo."),
        ("undo", slack_water(1530, **OUT), "Too late: the program change is out."),
        ("back", slack_water(1530, **OUT), "Too late: the program change is out."),
        ("part", slack_water(100, **LOST), "The clock is lost; nothing can be planned."),
        ("part", slack_water(1530, **OUT), "A change is on its way already"),
        ("pass forward", slack_water(0, **WAITING), "Nothing is counted yet"),
        ("pass forward", slack_water(100, **LOST), "The clock is lost; wait until it is back."),
        ("pass back", slack_water(0, **READY), "Nothing is counted yet"),
        ("pass back", slack_water(95), "The part is not one pass old yet; press 1 on the one."),
        ("phrase back", slack_water(767), "The part is not one phrase old yet"),
        ("align bar", slack_water(0, **STOPPED), "No clock is running"),
        ("align pass", slack_water(0, **WAITING), "No clock is running"),
    ],
)
async def test_what_would_do_nothing_says_why_and_asks_nothing(
    name: str, snapshot: Snapshot, why: str
) -> None:
    app, feed = on(snapshot)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await do(app, name)
        await pilot.pause()
        assert why in words(app)
        assert feed.wishes == []
        assert len(app.screen_stack) == 1


async def test_why_a_key_is_refused_is_seen_in_the_smallest_window_over_an_alarm() -> None:
    app, _ = on(slack_water(100, **UNSURE))
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.pause()
        await pilot.press("u")
        await pilot.pause()
        assert "There is no wish to undo." in seen(app)[0]
        assert "UNSURE" in seen(app)[1]


async def test_in_a_view_the_arrows_move_the_view_and_never_the_count() -> None:
    app, feed = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("l", "down", "right", "left")
        await pilot.pause()
        assert feed.wishes == []
        assert "This is the set list; escape goes back to the stage." in words(app)


# -- a key that is held down -----------------------------------------------------------------


async def test_a_key_that_is_held_down_asks_once() -> None:
    clock = Clock()
    app, feed = on(slack_water(100), clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        for _ in range(20):
            await pilot.press("right")
            # Keyboards repeat about thirty times a second; from memory.
            clock.ns += 33_000_000
        assert feed.wishes == [Wish("nudge forward", "pass")]
        clock.ns += HELD_NS
        await pilot.press("right")
        assert len(feed.wishes) == 2


async def test_two_keys_in_quick_succession_are_two_wishes() -> None:
    app, feed = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("n", "k")
        assert feed.wishes == [Wish("next"), Wish("stay")]


async def test_right_now_pressed_twice_in_a_hurry_does_not_skip_a_part() -> None:
    clock = Clock()
    app, feed = on(slack_water(100), clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("r")
        clock.ns = TWICE_NS // 4
        await pilot.press("r")
        await pilot.pause()
        assert feed.wishes == [Wish("now")]
        assert "asked already; wait a moment" in words(app)
        clock.ns += TWICE_NS
        await pilot.press("r")
        assert feed.wishes == [Wish("now"), Wish("now")]


def test_the_one_key_with_no_way_back_has_no_neighbour() -> None:
    # The letters of three common keyboards, row by row, from memory; each row stands half a key to
    # the right of the one above.
    for rows in (
        ("qwertyuiop", "asdfghjkl", "zxcvbnm"),
        ("qwertzuiop", "asdfghjkl", "yxcvbnm"),
        ("azertyuiop", "qsdfghjklm", "wxcvbn"),
    ):
        used = {key.key.split(",")[0] for key in KEYS if key.key}
        at = rows[0].index("r")
        around = {*rows[0][at - 1 : at + 2], *rows[1][at - 1 : at + 1]} - {"r"}
        assert len(around) == 4
        assert not around & used


def test_no_key_is_a_chord_and_none_has_two_meanings() -> None:
    keys = [name for key in KEYS for name in key.key.split(",") if name]
    assert len(keys) == len(set(keys))
    for key in KEYS:
        assert "+" not in key.key.split(",")[0]


# -- what is asked, and the answer -----------------------------------------------------------


async def test_what_was_asked_is_said_at_once_and_then_what_the_engine_answers() -> None:
    app, feed = on(slack_water(100, **LAST, staying=True))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("k")
        await pilot.pause()
        assert "Asked: stay." in words(app)
        feed.say(slack_water(100, **LAST, notice="the part goes on to its end"))
        app.draw()
        await pilot.pause()
        assert "the part goes on to its end" in words(app)
        assert "Asked" not in words(app)


async def test_the_same_answer_to_a_second_press_is_said_again() -> None:
    clock = Clock()
    told = {"notice": "1 pass forward"}
    app, feed = on(slack_water(100, **told), clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("right")
        clock.ns = NOTICE_NS
        feed.say(slack_water(196, **told, at_ns=NOTICE_NS, tick_ns=NOTICE_NS))
        app.draw()
        await pilot.pause()
        assert "1 pass forward" in words(app)


async def test_a_wish_that_can_be_undone_stays_said_until_it_takes_effect() -> None:
    clock = Clock()
    app, feed = on(slack_water(500), clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("n")
        feed.say(slack_water(500, **GOING, notice="going to part 2 at the end of this phrase"))
        app.draw()
        await pilot.pause()
        # One line says it all, and for longer than an answer stays.
        assert "ASKED: high water in 3 bars; u undoes it" in words(app)
        assert "going to part 2" not in words(app)
        clock.ns = 2 * NOTICE_NS
        going = {**GOING, "change_ticks": 40, "part_ticks_left": 40}
        feed.say(slack_water(728, **going, at_ns=clock.ns, tick_ns=clock.ns))
        app.draw()
        await pilot.pause()
        assert "ASKED: high water in 2 beats; u undoes it" in words(app)
        feed.say(slack_water(0, part=2, at_ns=clock.ns, tick_ns=clock.ns))
        app.draw()
        await pilot.pause()
        assert "ASKED" not in words(app)


async def test_a_refusal_of_the_engine_is_not_hidden_by_an_older_wish() -> None:
    app, feed = on(slack_water(500, **GOING))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("b")
        feed.say(slack_water(500, **GOING, notice="nothing to take back"))
        app.draw()
        await pilot.pause()
        assert "nothing to take back" in words(app)
        assert "ASKED: high water in 3 bars" in words(app)


# -- any part --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "wish"),
    [
        (["down", "down", "enter"], Wish("part", "3")),
        (["4", "enter"], Wish("part", "4")),
        (["9", "9", "backspace", "enter"], Wish("part", "9")),
        (["pagedown", "up", "enter"], Wish("part", "8")),
        # Where it is opened the part is that is running, which changes nothing.
        (["enter"], Wish("part", "1")),
    ],
)
async def test_any_part_is_chosen_from_a_list_or_by_its_number(keys: list[str], wish: Wish) -> None:
    app, feed = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g")
        await pilot.pause()
        await pilot.press(*keys)
        await pilot.pause()
        assert feed.wishes == [wish]
        assert len(app.screen_stack) == 1


@pytest.mark.parametrize("keys", [["escape"], ["q"], ["5", "escape"]])
async def test_escape_leaves_the_list_and_asks_nothing(keys: list[str]) -> None:
    app, feed = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g", *keys)
        await pilot.pause()
        assert feed.wishes == []
        assert len(app.screen_stack) == 1
        assert app.is_running


async def test_other_keys_do_nothing_while_the_list_is_open() -> None:
    app, feed = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g", "g", "n", "r", "k", "left", "right", "tab", "ctrl+q", "ctrl+p")
        await pilot.pause()
        assert feed.wishes == []
        assert "Go to which part?" in words(app)


async def test_the_list_says_song_pattern_and_number_and_where_we_are() -> None:
    app, _ = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g", "4")
        await pilot.pause()
        rows = [" ".join(row.split()) for row in seen(app)]
        assert "now 1 slack water Slack water" in rows
        assert "next 2 high water Slack water" in rows
        assert "> 4 wading Mudflat" in rows
        assert "Go to part 4? Enter asks for it, escape goes back." in rows


async def test_the_count_is_seen_and_goes_on_above_the_list() -> None:
    for size in ((40, 12), (80, 24), (120, 40)):
        clock = Clock()
        app, _ = on(slack_water(700), clock)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            await pilot.press("g")
            await pilot.pause()
            above = next(y for y, row in enumerate(seen(app)) if "art?" in row) - 2
            before = seen(app)[:above]
            # A beat at 118 beats a minute lasts 0.508 s.
            clock.ns = 510_000_000
            app.draw()
            await pilot.pause()
            assert app.reading().figure == "2"
            assert seen(app)[:above] != before


@pytest.mark.parametrize("number", ["0", "10", "99999"])
async def test_a_number_that_no_part_has_is_refused_in_the_list(number: str) -> None:
    app, feed = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g", *number, "enter")
        await pilot.pause()
        assert f"There is no part {number}; the last is 9." in words(app)
        assert feed.wishes == []


async def test_of_a_very_long_set_a_part_out_of_the_list_can_be_typed() -> None:
    parts = tuple(PlanPart(number, 1, f"wave {number}") for number in range(200, 456))
    feed = Feed(
        slack_water(100, part=300, parts=600),
        overviews=(Plan("Tidewater", 1, (PlanSong("Slack water"),), parts),),
    )
    app = make_app(feed, now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g")
        await pilot.pause()
        assert "wave 300" in words(app)
        await pilot.press(*"599", "enter")
        await pilot.pause()
        assert feed.wishes == [Wish("part", "599")]


async def test_a_part_can_be_clicked() -> None:
    app, feed = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g")
        await pilot.pause()
        await pilot.click("PartRows", offset=(10, 4))
        await pilot.pause()
        assert feed.wishes == [Wish("part", "5")]


async def test_too_late_while_the_list_was_open_is_said_and_asks_nothing() -> None:
    app, feed = on(slack_water(1500))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g", "3")
        feed.say(slack_water(1530, **OUT))
        await pilot.press("enter")
        await pilot.pause()
        assert feed.wishes == []
        assert "A change is on its way already" in words(app)


async def test_with_no_plan_yet_a_number_can_be_typed() -> None:
    feed = Feed(slack_water(100), overviews=())
    app = make_app(feed, now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g", "down", "enter", "2", "enter")
        await pilot.pause()
        assert feed.wishes == [Wish("part", "2")]


async def test_while_the_list_is_open_it_says_which_part_is_now() -> None:
    app, feed = on(slack_water(1530))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("g")
        await pilot.pause()
        assert "> now     1  slack water" in "\n".join(seen(app))
        feed.say(slack_water(4, part=2, pattern="high water", change_part=3))
        await pilot.pause()
        shown = "\n".join(seen(app))
        assert ">         1  slack water" in shown
        assert "  now     2  high water" in shown
        assert "  next    3  mudflat" in shown


async def test_keys_that_come_all_at_once_are_taken_in_their_order() -> None:
    app, feed = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("g")
        await pilot.pause()
        for key in ("9", "9", "backspace", "backspace", "4", "enter"):
            app.post_message(Key(key, key if len(key) == 1 else None))
        await pilot.pause()
        await pilot.pause()
        assert feed.wishes == [Wish("part", "4")]
