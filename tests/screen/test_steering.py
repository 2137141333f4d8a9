"""Steering from the screen: each key asks for one thing, says why not, and does no harm twice."""

from __future__ import annotations

import pytest
from textual.events import Key

from companion.link.messages import PlanPart, PlanSong, SetPlan, Snapshot
from companion.screen.app import StageApp, make_app
from companion.screen.asking import ANSWER_NS, LEAST_NS, NOTICE_NS
from companion.screen.keys import HELD_NS, KEY, KEYS, TWICE_NS
from companion.screen.keys import Key as KeyOf
from companion.wishes import Wish
from tests.screen.stage import (
    GOING,
    LOST,
    STAYING,
    STOPPED,
    TROUBLE,
    UNSURE,
    Clock,
    Feed,
    no,
    seen,
    slack_water,
    words,
)

OUT = {
    "change_sent": True,
    "refused": no("out", "a change is on its way already", "part", "next", "next pass", "now"),
}
OPEN = {"phrases_planned": None, "part_ticks_left": None, "change_ticks": None}
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
        ("k", slack_water(100), Wish.of("stay")),
        ("k", slack_water(100, **STAYING), Wish.of("stay")),
        ("k", slack_water(100, **LAST, staying=True), Wish.of("stay")),
        ("r", slack_water(100), Wish.of("now")),
        ("r", slack_water(0, **STOPPED), Wish.of("now")),
        ("x", slack_water(100), Wish.of("next pass")),
        ("u", slack_water(100, **GOING), Wish.of("undo")),
        ("backspace", slack_water(100, **GOING), Wish.of("undo")),
        ("right", slack_water(100), Wish.of("nudge forward pass")),
        ("left", slack_water(100), Wish.of("nudge back pass")),
        ("left", slack_water(100, **STOPPED), Wish.of("nudge back pass")),
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
        ("phrase forward", Wish.of("nudge forward phrase")),
        ("phrase back", Wish.of("nudge back phrase")),
        ("align bar", Wish.of("align bar")),
        ("align pass", Wish.of("align pass")),
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


ASKING = [key for key in KEYS if key.asks is not None]


@pytest.mark.parametrize("key", ASKING, ids=lambda key: key.id)
async def test_what_the_engine_would_refuse_says_why_and_asks_nothing(key: KeyOf) -> None:
    # A key that would do something else instead does that: there is nothing of the kind here.
    both = (key.asks, *(() if key.once_asked is None else (key.once_asked.asks,)))
    why = no("out", "too late: the tide is out", *map(str, both))
    app, feed = on(slack_water(100, **UNSURE, wish="stay", refused=why, rehearsal=key.rehearsal))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await do(app, key.id)
        await pilot.pause()
        assert "Too late: the tide is out." in words(app)
        assert feed.wishes == []
        assert len(app.screen_stack) == 1


@pytest.mark.parametrize("key", ASKING, ids=lambda key: key.id)
async def test_what_the_engine_would_not_refuse_is_asked_whatever_the_screen_shows(
    key: KeyOf,
) -> None:
    others = (str(each.asks) for each in ASKING if each is not key)
    why = no("out", "too late: the tide is out", *others)
    told = {"wish": "stay", "refused": why, "rehearsal": key.rehearsal}
    app, feed = on(slack_water(0, **{**LOST, **told}))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await do(app, key.id)
        await pilot.pause()
        assert feed.wishes == [key.asks] or len(app.screen_stack) == 2


@pytest.mark.parametrize("sending", [True, False])
async def test_the_label_of_sending_says_what_it_would_do(sending: bool) -> None:
    app, feed = on(slack_water(100, sending=sending))
    async with app.run_test(size=(100, 60)) as pilot:
        await pilot.pause()
        await pilot.press("h")
        await pilot.pause()
        label = "Stop sending" if sending else "Start sending"
        assert any(row.split()[:3] == ["s", *label.split()[:1], "sending:"] for row in seen(app))
        await pilot.press("h", "s")
        await pilot.pause()
        assert feed.wishes == [Wish.of("disarm" if sending else "arm")]


async def test_why_a_key_is_refused_is_seen_in_the_smallest_window_over_an_alarm() -> None:
    app, _ = on(slack_water(100, **UNSURE))
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.pause()
        await pilot.press("u")
        await pilot.pause()
        assert any("There is no wish to undo." in row for row in seen(app))
        assert any(row.startswith("  UNSURE") for row in seen(app))


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
        assert feed.wishes == [Wish.of("nudge forward pass")]
        clock.ns += HELD_NS
        await pilot.press("right")
        assert len(feed.wishes) == 2


async def test_two_keys_in_quick_succession_are_two_wishes() -> None:
    app, feed = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("n", "k")
        assert feed.wishes == [Wish.of("next"), Wish.of("stay")]


async def test_right_now_pressed_twice_in_a_hurry_does_not_skip_a_part() -> None:
    clock = Clock()
    app, feed = on(slack_water(100), clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("r")
        clock.ns = TWICE_NS // 4
        await pilot.press("r")
        await pilot.pause()
        assert feed.wishes == [Wish.of("now")]
        # What is said already stays for a second.
        clock.ns += LEAST_NS
        app.draw()
        await pilot.pause()
        assert "asked already; wait a moment" in words(app)
        clock.ns += TWICE_NS
        await pilot.press("r")
        assert feed.wishes == [Wish.of("now"), Wish.of("now")]


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


async def test_the_engine_s_answer_is_said_and_before_it_nothing() -> None:
    app, feed = on(slack_water(100, **LAST, staying=True))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("k")
        await pilot.pause()
        assert "Asked" not in words(app)
        feed.say(slack_water(100, **LAST, notice="the part goes on to its end"))
        app.draw()
        await pilot.pause()
        assert "the part goes on to its end" in words(app)


async def test_where_no_answer_comes_soon_it_is_said_what_was_asked_for_a_second_at_least() -> None:
    clock = Clock()
    app, feed = on(slack_water(100, **LAST, staying=True), clock)

    async def at(ns: int, notice: str = "") -> str:
        clock.ns = ns
        feed.say(slack_water(100, **LAST, notice=notice, at_ns=ns, tick_ns=ns))
        app.draw()
        await pilot.pause()
        return words(app)

    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("k")
        clock.ns = ANSWER_NS
        app.draw()
        await pilot.pause()
        assert "Asked: stay." in words(app)
        said = await at(ANSWER_NS + LEAST_NS // 2, "the part goes on to its end")
        assert "Asked: stay." in said
        said = await at(ANSWER_NS + LEAST_NS, "the part goes on to its end")
        assert "the part goes on to its end" in said
        assert "Asked" not in said


async def test_a_trouble_is_put_away_by_a_key_until_it_changes() -> None:
    clock = Clock()
    app, feed = on(slack_water(100, **TROUBLE), clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "the port of drums is gone" in words(app).lower()
        await pilot.press("p")
        clock.ns = LEAST_NS
        feed.say(slack_water(100, **TROUBLE, at_ns=clock.ns, tick_ns=clock.ns))
        app.draw()
        await pilot.pause()
        assert "the port of drums is gone" not in words(app).lower()
        assert "2 troubles put away" in words(app)
        assert feed.wishes == []


async def test_with_no_trouble_the_key_says_so() -> None:
    app, _ = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("p")
        await pilot.pause()
        assert "There is no trouble to put away." in words(app)


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
        (["down", "down", "enter"], Wish.of("part 3")),
        (["4", "enter"], Wish.of("part 4")),
        (["9", "9", "backspace", "enter"], Wish.of("part 9")),
        (["pagedown", "up", "enter"], Wish.of("part 8")),
        # Where it is opened the part is that is running, which changes nothing.
        (["enter"], Wish.of("part 1")),
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
        overviews=(SetPlan("Tidewater", 1, (PlanSong("Slack water"),), parts),),
    )
    app = make_app(feed, now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g")
        await pilot.pause()
        assert "wave 300" in words(app)
        await pilot.press(*"599", "enter")
        await pilot.pause()
        assert feed.wishes == [Wish.of("part 599")]


async def test_a_part_can_be_clicked() -> None:
    app, feed = on(slack_water(100))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("g")
        await pilot.pause()
        await pilot.click("PartRows", offset=(10, 4))
        await pilot.pause()
        assert feed.wishes == [Wish.of("part 5")]


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
        assert feed.wishes == [Wish.of("part 2")]


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
        assert feed.wishes == [Wish.of("part 4")]
