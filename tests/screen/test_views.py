"""The other views in a performer's hands: one key there and back, and the countdown always seen."""

from __future__ import annotations

from itertools import product

import pytest

from companion.screen.app import StageApp, make_app
from companion.screen.keys import KEYS
from companion.screen.layout import letter_dots
from companion.screen.stage import figure_of
from companion.wishes import Wish
from tests.nightly import latin, one_in
from tests.screen.stage import (
    EDGES,
    STATES,
    Clock,
    Feed,
    large,
    resized,
    seen,
    shown,
    slack_water,
    slack_water_map,
    tidewater_plan,
    words,
)

SECOND = 1_000_000_000
STARTED = {"started_ns": -40 * SECOND}


def screen(*args: object, now_ns: Clock | None = None, **choices: bool) -> StageApp:
    return make_app(Feed(*args), now_ns=now_ns or Clock(), **choices)  # type: ignore[arg-type]


@pytest.mark.parametrize("back", ["same", "escape"])
@pytest.mark.parametrize("key", ["l", "m"])
async def test_one_key_opens_a_view_and_the_same_or_escape_goes_back(key: str, back: str) -> None:
    app = screen(slack_water(100))
    async with shown(app) as pilot:
        stage = seen(app)
        await pilot.press(key)
        await pilot.pause()
        assert f"{key} Back" in words(app)
        assert seen(app) != stage
        await pilot.press(key if back == "same" else "escape")
        await pilot.pause()
        assert seen(app) == stage


async def test_from_one_view_the_other_is_one_key_away() -> None:
    app = screen(slack_water(100))
    async with shown(app, "l", "m"):
        assert "m Back" in words(app)
        assert "l List" in words(app)
        assert "phrase 2" in words(app)


@pytest.mark.parametrize("view", one_in(8, product(STATES, "lm")), ids="-".join)
async def test_the_countdown_stays_in_sight_at_every_size(view: tuple[str, str]) -> None:
    name, key = view
    app = screen(STATES[name])
    async with shown(app, key, size=EDGES[0]) as pilot:
        for size in EDGES:
            await resized(pilot, size)
            rows = seen(app)
            assert [len(row) for row in rows] == [size[0]] * size[1], size
            reading = app.reading()
            if size[1] < 20:
                # Higher windows have the figure in large letters.
                assert f"{figure_of(reading)} {reading.unit}".strip() in words(app), size
            assert "q Close" in words(app), size


async def test_the_countdown_of_a_view_runs_on_with_the_clock_alone() -> None:
    clock = Clock()
    app = screen(slack_water(700), now_ns=clock)
    async with shown(app, "l", size=(80, 18)) as pilot:
        assert "3 beats get ready" in words(app)
        # A beat at 118 beats a minute lasts 0.508 s.
        clock.ns = SECOND * 51 // 100
        app.draw()
        await pilot.pause()
        assert "2 beats get ready" in words(app)


@pytest.mark.parametrize("key", ["l", "m"])
async def test_the_window_changes_its_size_while_a_view_is_shown(key: str) -> None:
    app = screen(slack_water(100))
    async with shown(app, size=(240, 70)) as pilot:
        await pilot.press(key)
        for size in ((40, 12), (120, 40), (1, 1), (80, 24)):
            await pilot.resize_terminal(*size)
            await pilot.pause()
            assert len(seen(app)) == size[1]
        assert f"{key} Back" in words(app)


@pytest.mark.parametrize("key", ["l", "m"])
async def test_an_alarm_is_told_in_every_view(key: str) -> None:
    app = screen(STATES["unsure"])
    async with shown(app, key):
        assert "UNSURE: Joined in the middle." in words(app)


@pytest.mark.parametrize("key", ["l", "m"])
async def test_wishes_are_taken_in_every_view(key: str) -> None:
    feed = Feed(slack_water(100))
    app = make_app(feed, now_ns=Clock())
    async with shown(app) as pilot:
        await pilot.press(key, "n")
        assert feed.wishes == [Wish.of("next")]


async def test_the_palette_finds_the_views_and_everything_else_by_name() -> None:
    app = screen(slack_water(100, started_ns=-SECOND))
    async with shown(app, "ctrl+p", size=(100, 110)) as pilot:
        offered = words(app)
        for key in KEYS:
            assert (key.tooltip in offered) == (key in app.keys_now())
        await pilot.press(*"night", "enter")
        await pilot.pause()
        assert "since the start" in words(app)


@pytest.mark.parametrize(
    ("keys", "said"),
    [("", "This is the stage"), ("l", "This is the set list"), ("m", "This is the pass map")],
)
async def test_help_explains_the_view_it_was_opened_in(keys: str, said: str) -> None:
    app = screen(slack_water(100))
    async with shown(app, *keys, "h", size=(100, 70)):
        assert said in words(app)
        assert ("Further down" in words(app)) == bool(keys)


# -- the set view ----------------------------------------------------------------------------


async def test_the_set_view_says_what_was_what_is_and_what_comes_next() -> None:
    running = slack_water(100, part=4, song_number=2, pattern="wading", next_part="tar")
    app = screen(running)
    async with shown(app, "l", size=(80, 40)):
        rows = [" ".join(row.split()) for row in seen(app)]
        assert "song 1: Slack water, tempo 118" in rows
        # 2 and 4 phrases of 8 bars at 118 beats a minute, 2 at 92: 0:00, 0:32.5, 1:37.6, 2:19.4.
        assert "played 2 high water 32 bars 0:32 13 on drums" in rows
        assert "now 4 wading phrase 1 of 3 2:19 15 on drums" in rows
        assert "next 5 tar 32 bars 3:21 16 on drums" in rows
        assert "6 rope open 4:22 17 on drums" in rows


async def test_the_set_view_compares_the_plan_with_the_time_since_the_start() -> None:
    clock = Clock()
    # 100 ticks at 118 beats a minute are 2.1 s; the set was started 40 s ago.
    app = screen(slack_water(100, **STARTED), now_ns=clock)
    async with shown(app, "l") as pilot:
        assert "0:37 later than planned" in words(app)
        clock.ns = SECOND
        app.draw()
        await pilot.pause()
        # The count has gone on too.
        assert "0:37 later than planned" in words(app)


async def test_a_long_night_can_be_looked_through() -> None:
    app = screen(slack_water(100))
    async with shown(app, "l", size=(60, 14)) as pilot:
        assert "making tide" not in words(app)
        await pilot.press("pagedown")
        await pilot.pause()
        assert "making tide" in words(app)
        await pilot.press("pageup", "pageup", "pageup")
        await pilot.pause()
        assert "now 1 slack water" in words(app)


@pytest.mark.parametrize(
    ("name", "size"),
    latin(
        ["far", "near", "now", "unsure", "staying"],
        [(40, 12), (80, 24), (100, 32), (120, 40), (200, 60)],
    ),
    ids=str,
)
async def test_no_view_cuts_the_next_action(name: str, size: tuple[int, int]) -> None:
    app = screen(STATES[name])
    async with shown(app, "l", size=size):
        action = app.reading().action
        told = [words(app), *large(app, letter_dots(size[1]) or 5)]
        assert f"{action.when}: {action.text}".upper() in " ".join(told).upper()


# -- the pattern view ------------------------------------------------------------------------


async def test_the_pattern_view_is_read_without_colour() -> None:
    app = screen(slack_water(580))
    async with shown(app, "m", size=(100, 30)):
        rows = seen(app)
        assert "PASSES" in large(app, 5)
        head = next(row for row in rows if "▼" in row)
        # The seventh pass of the first phrase, which begins with the first.
        assert head.split()[-16:] == ["1", "2", "3", "4", "5", "6", "▼", "8", *"12345678"]
        row = next(row for row in rows if "16*" in row)
        # Once in four passes; the part ends with the second phrase.
        assert "".join(row.split("16*")[1].split()) == "│···▇▇▇···▇▇▇│···▇▇▇···▇▇▇║"


async def test_a_new_part_has_no_map_until_its_own_has_come() -> None:
    feed = Feed(slack_water(100))
    app = make_app(feed, now_ns=Clock())
    async with shown(app) as pilot:
        await pilot.press("m")
        feed.say(slack_water(0, part=2, pattern="high water"))
        app.draw()
        await pilot.pause()
        assert "low drum" not in words(app)
        assert "pass 1 of 8" in words(app)


def test_the_hand_made_overviews_are_of_the_set_that_the_snapshots_are_of() -> None:
    snapshot, plan = slack_water(100), tidewater_plan()
    assert (len(plan.songs), len(plan.parts)) == (snapshot.songs, snapshot.parts)
    assert plan.parts[0].pattern == snapshot.pattern == slack_water_map().pattern
    assert {row.track for row in slack_water_map().rows} >= {t.name for t in snapshot.tracks}
