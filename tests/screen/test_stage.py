"""The screen in a performer's hands: what it shows at every size, and what its keys do."""

from __future__ import annotations

import asyncio
import re

import pytest

from companion.cautions import CAUTIONS
from companion.link.messages import Coming, LinkError
from companion.screen.app import make_app
from companion.screen.asking import NOTICE_NS
from companion.screen.canvas import Sheet
from companion.screen.keys import KEYS, KeyCap
from companion.screen.layout import SMALL, letter_dots
from companion.screen.pace import SECOND_NS
from companion.wishes import Wish
from tests.nightly import one_in
from tests.screen.stage import (
    EDGES,
    LOST,
    STATES,
    UNSURE,
    WAITING,
    Clock,
    Feed,
    no,
    resized,
    seen,
    shown,
    slack_water,
    words,
)

LAST = no("last", "this is the last part", "next", "next pass", "now")


@pytest.mark.parametrize("name", one_in(3, STATES))
async def test_nothing_important_is_cut_at_any_size(name: str) -> None:
    app = make_app(Feed(STATES[name]), now_ns=Clock())
    async with shown(app, size=EDGES[0]) as pilot:
        for size in EDGES:
            await resized(pilot, size)
            rows = seen(app)
            assert [len(row) for row in rows] == [size[0]] * size[1]
            text = words(app).lower()
            reading = app.reading()
            in_phrase, passes = reading.pass_fact or (0, 0)
            if size[0] < 112 and not reading.order and (size[1] >= SMALL or reading.unit):
                # Wider windows have these in large letters, the smallest while there is a count.
                assert f"pass {in_phrase} of {passes}" in text
                assert re.search(r"phrase \d", text)
            dots = letter_dots(size[1]) if size[0] >= 60 else 0
            if reading.order:
                # In few large letters in the smallest window and in full beneath; see test_afar.
                assert size != (40, 12) or reading.order[0].lower() in text, reading.order
            elif not dots or size[1] > 60:
                # Other windows have the action in large letters, see test_afar.
                action = " ".join(reading.action.text.lower().split())
                assert action in text.replace("▌ ", "") or dots
            for alarm in reading.alarms[:1]:
                if size[1] < 36:
                    assert alarm.head.lower() in text
            assert "q close" in text
            assert "h help" in text


async def test_the_figure_grows_with_the_window() -> None:
    heights = []
    for size in ((40, 12), (80, 24), (120, 40), (200, 60)):
        app = make_app(Feed(slack_water(100)), now_ns=Clock())
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            # The figure and its unit stand over the line of what is left.
            heights.append(next(y for y, row in enumerate(seen(app)) if "━" in row))
    assert heights == sorted(set(heights))
    # More than a quarter of the window is the countdown's.
    assert heights[-1] > 60 / 4


@pytest.mark.parametrize("size", [(1, 1), (10, 3), (20, 8), (39, 11), (400, 100)])
async def test_a_window_of_any_other_size_is_drawn_as_well_as_it_can_be(
    size: tuple[int, int],
) -> None:
    app = make_app(Feed(slack_water(100, **UNSURE)), now_ns=Clock())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        assert len(seen(app)) == size[1]


async def test_a_control_character_in_a_name_does_not_reach_the_terminal() -> None:
    sly = Coming(480, "cue", "open\x1b[2J\nthe filter")
    app = make_app(Feed(slack_water(400, coming=(sly,))), now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert not {c for row in seen(app) for c in row if ord(c) < 32}


async def test_the_window_changes_its_size_in_the_middle_of_a_song() -> None:
    app = make_app(Feed(slack_water(100)), now_ns=Clock())
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.resize_terminal(40, 12)
        await pilot.pause()
        assert "pass 2 of 8" in words(app)
        assert len(seen(app)) == 12


async def test_the_countdown_runs_on_with_the_clock_alone() -> None:
    clock = Clock()
    app = make_app(Feed(slack_water(700)), now_ns=clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert app.reading().figure == "3"
        # A beat at 118 beats a minute lasts 0.508 s.
        clock.ns = 510_000_000
        app.draw()
        await pilot.pause()
        assert app.reading().figure == "2"
        assert "0:01" in words(app)


async def test_a_frame_with_nothing_new_repaints_nothing() -> None:
    app = make_app(Feed(slack_water(100)), now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        sheet = app.query_one(Sheet)
        painted: list[object] = []
        sheet.refresh = lambda *regions, **_: painted.append(regions)  # type: ignore[method-assign, assignment, misc]
        app.draw()
        assert painted == []


async def test_before_the_engine_was_heard_nothing_is_claimed() -> None:
    feed = Feed()
    feed.run = _never  # type: ignore[method-assign]
    app = make_app(feed, now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "NO" not in words(app)


async def _never(*_: object) -> None:
    await asyncio.Event().wait()


async def test_with_no_engine_to_be_found_the_screen_says_so_and_comes_back_by_itself() -> None:
    feed, clock = Feed(connected=False), Clock()
    app = make_app(feed, now_ns=clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "NO ENGINE: The engine does not answer" in words(app)
        assert "phrase" not in words(app)
        feed.state(True)
        # An alarm stands for a second.
        clock.ns = SECOND_NS
        feed.say(slack_water(100, at_ns=SECOND_NS, tick_ns=SECOND_NS))
        app.draw()
        await pilot.pause()
        assert "NO ENGINE" not in words(app)
        assert "pass 2 of 8" in words(app)


async def test_a_link_that_is_refused_is_told_in_words() -> None:
    class Refused(Feed):
        async def run(self, *hears: object) -> None:
            raise LinkError("this engine speaks another version")

    app = make_app(Refused(), now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        app.draw()
        await pilot.pause()
        assert "another version" in words(app)
        assert "NO ENGINE" in words(app)


# -- keys ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "snapshot", "wish"),
    [
        ("n", slack_water(100), Wish.of("next")),
        ("s", slack_water(100), Wish.of("disarm")),
        ("s", slack_water(100, sending=False), Wish.of("arm")),
        ("1", slack_water(100), Wish.of("align phrase")),
        ("0", slack_water(100), Wish.of("align")),
        ("c", slack_water(100, **UNSURE), Wish.of("confirm")),
    ],
)
async def test_each_key_asks_the_engine_for_one_thing(key: str, snapshot, wish: Wish) -> None:  # type: ignore[no-untyped-def]
    feed = Feed(snapshot)
    app = make_app(feed, now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press(key)
        assert feed.wishes == [wish]


@pytest.mark.parametrize(
    ("key", "snapshot", "why"),
    [
        ("n", slack_water(100, refused=LAST), "This is the last part."),
        ("n", slack_water(100, **LOST), "The clock is lost: nothing can be planned."),
        ("u", slack_water(100), "There is no wish to undo."),
        ("1", slack_water(0, **WAITING), "No clock is running: press play on the instrument."),
        ("c", slack_water(100), "The count is sure already."),
        ("c", slack_water(100, **LOST), "The clock is lost: wait until it is back."),
    ],
)
async def test_a_refused_key_says_why_and_asks_nothing(key: str, snapshot, why: str) -> None:  # type: ignore[no-untyped-def]
    feed = Feed(snapshot)
    clock = Clock()
    app = make_app(feed, now_ns=clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press(key)
        await pilot.pause()
        assert why in words(app)
        assert feed.wishes == []
        # The notice goes by itself, after four seconds of the injected clock.
        feed.say(slack_water(100, at_ns=NOTICE_NS, tick_ns=NOTICE_NS))
        clock.ns = NOTICE_NS
        app.draw()
        await pilot.pause()
        assert why not in words(app)


async def test_a_wish_that_cannot_be_sent_is_not_passed_over_in_silence() -> None:
    app = make_app(Feed(slack_water(100), answers=False), now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("n")
        await pilot.pause()
        assert "nothing was asked of it" in words(app)


async def test_what_the_engine_says_to_a_wish_is_shown() -> None:
    feed = Feed(slack_water(100))
    app = make_app(feed, now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        feed.say(slack_water(100, notice="going to part 2 at the boundary"))
        app.draw()
        await pilot.pause()
        assert "going to part 2 at the boundary" in words(app)


async def test_a_key_can_be_clicked() -> None:
    feed = Feed(slack_water(100))
    app = make_app(feed, now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.click(next(cap for cap in app.query(KeyCap) if cap.display))
        assert feed.wishes == [Wish.of("next")]


async def test_in_a_narrow_window_the_views_and_the_most_needed_key_come_first() -> None:
    app = make_app(Feed(slack_water(100)), now_ns=Clock())
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.pause()
        await pilot.pause()
        assert " ".join(seen(app)[-1].split()) == "n Next l List m Map h Help q Close"


async def test_in_a_wider_window_the_keys_that_would_do_nothing_make_room_first() -> None:
    app = make_app(Feed(slack_water(100, change_ticks=None)), now_ns=Clock())
    async with app.run_test(size=(72, 12)) as pilot:
        await pilot.pause()
        await pilot.pause()
        keys = "n Next k Stay g Go to 1 The one l List m Map h Help q Close"
        assert " ".join(seen(app)[-1].split()) == keys


# -- closing ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "answer"),
    [
        (["enter"], "keep"),
        (["k"], "keep"),
        (["e"], "stop"),
        (["down", "enter"], "stop"),
        (["right", "enter"], "stop"),
        (["up", "up", "enter"], "stop"),
    ],
)
async def test_closing_asks_what_becomes_of_the_engine(keys: list[str], answer: str) -> None:
    app = make_app(Feed(slack_water(100)), now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("q")
        await pilot.pause()
        await pilot.press(*keys)
        await pilot.pause()
    assert app.return_value == answer


async def test_no_key_of_the_stage_ends_the_engine_from_the_question() -> None:
    for key in {one for each in KEYS for one in each.key.split(",") if one}:
        app = make_app(Feed(slack_water(100)), now_ns=Clock())
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.press("q", key)
            await pilot.pause()
        assert app.return_value != "stop", key


@pytest.mark.parametrize("keys", [["b"], ["escape"], ["down", "down", "enter"]])
async def test_going_back_closes_nothing(keys: list[str]) -> None:
    feed = Feed(slack_water(100))
    app = make_app(feed, now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("q", *keys)
        await pilot.pause()
        assert app.is_running
        assert len(app.screen_stack) == 1
        assert feed.wishes == []


@pytest.mark.parametrize("key", ["q", "ctrl+q", "ctrl+c"])
async def test_the_closing_key_pressed_twice_closes_nothing(key: str) -> None:
    app = make_app(Feed(slack_water(100)), now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key, key)
        await pilot.pause()
        assert app.is_running
        assert "Keep the engine running" in words(app)


async def test_the_count_goes_on_above_the_question() -> None:
    clock = Clock()
    app = make_app(Feed(slack_water(100)), now_ns=clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("q")
        await pilot.pause()
        assert "pass 2 of 8" in words(app)
        clock.ns = 1_990_000_000
        app.draw()
        await pilot.pause()
        assert "pass 3 of 8" in words(app)


# -- help and palette ------------------------------------------------------------------------


async def test_help_has_every_key_that_works_and_every_caution() -> None:
    app = make_app(Feed(slack_water(100)), now_ns=Clock())
    async with app.run_test(size=(100, 70)) as pilot:
        await pilot.pause()
        await pilot.press("h")
        await pilot.pause()
        text = words(app)
        working = app.keys_now()
        assert {"next", "set", "map", "help", "leave"} <= {key.id for key in working}
        for key in working:
            assert f"{key.description}: {key.tooltip}." in text
        for caution in CAUTIONS:
            assert f"{caution.head}: {caution.brief}" in text
            assert caution.more in text
        await pilot.press("escape")
        await pilot.pause()
        assert len(app.screen_stack) == 1


async def test_help_says_of_a_key_that_would_do_nothing_why() -> None:
    app = make_app(Feed(slack_water(100)), now_ns=Clock())
    async with app.run_test(size=(100, 70)) as pilot:
        await pilot.pause()
        await pilot.press("h")
        await pilot.pause()
        _, idle = words(app).split("Keys that do nothing now")
        assert "c Count is right: The count is sure already." in idle


async def test_help_leaves_the_count_in_view_and_says_that_there_is_more() -> None:
    clock = Clock()
    app = make_app(Feed(slack_water(100, **UNSURE)), now_ns=clock)
    async with shown(app, "h", size=(80, 24)) as pilot:
        assert "pass 2 of 8" in words(app)
        assert "unsure" in words(app)
        # The scrollbar's end is drawn beside the text.
        said = " ".join(words(app).translate(dict.fromkeys(map(ord, "▁▂▃▄▅▆▇"))).split())
        for caution in CAUTIONS:
            assert f"{caution.head}: {caution.brief}" in said
        assert "More below: down or page down." in seen(app)[-1]
        clock.ns = 1_990_000_000
        app.draw()
        await pilot.pause()
        assert "pass 3 of 8" in words(app)
        await pilot.press("end")
        await pilot.pause()
        assert "This is the end." in seen(app)[-1]
        assert "local rules" in words(app)
        await pilot.press("h")
        await pilot.pause()
        assert "More on the cautions" not in words(app)


async def test_help_that_shows_all_says_nothing_of_more() -> None:
    app = make_app(Feed(slack_water(100)), now_ns=Clock())
    async with shown(app, "h", size=(100, 100)):
        assert seen(app)[-1].strip() == "h or escape goes back."


async def test_the_palette_offers_only_what_would_work_now() -> None:
    app = make_app(Feed(slack_water(100, refused=LAST)), now_ns=Clock())
    async with app.run_test(size=(80, 50)) as pilot:
        await pilot.pause()
        await pilot.press("ctrl+p")
        await pilot.pause()
        text = words(app)
        assert "Choose any part of the set" in text
        assert "Go to the next part at the coming boundary" not in text
        assert "The count on the screen is right" not in text


async def test_what_is_picked_in_the_palette_is_done() -> None:
    feed = Feed(slack_water(100))
    app = make_app(feed, now_ns=Clock())
    async with app.run_test(size=(80, 50)) as pilot:
        await pilot.pause()
        await pilot.press("ctrl+p")
        await pilot.press(*"rightnow")
        await pilot.pause()
        await pilot.press("enter")
        await pilot.pause()
        assert feed.wishes == [Wish.of("now")]
