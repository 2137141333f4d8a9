"""A screen that only looks offers nothing it cannot do: no key, no hint of one, no question."""

from __future__ import annotations

import re

import pytest

from companion.link.messages import Snapshot
from companion.screen.app import StageApp, make_app
from companion.screen.keys import KEYS
from companion.screen.reading import Reading, read
from tests.screen.stage import (
    GOING,
    SIZES,
    STATES,
    STAYING,
    UNSURE,
    Clock,
    Feed,
    shown,
    slack_water,
    words,
)

MOMENTS: dict[str, Snapshot] = STATES | {
    "to let it end": slack_water(500, wish="stay"),
    "on the count": slack_water(500, wish="align bar"),
    "off": slack_water(500, sending=False, sending_note="disarmed"),
    "unsure and staying": slack_water(500, **{**STAYING, **UNSURE}),
}
# How keys are named in sentences.
NAMED = re.compile(
    r"\b[a-z] (undoes|lets|starts)|press (?!play)|1 on the one|(undo|un)does it|lets it end"
)


def screen(snapshot: Snapshot, feed: Feed | None = None) -> StageApp:
    return make_app(feed or Feed(snapshot), now_ns=Clock(), look_only=True)


def sentences(reading: Reading) -> str:
    """All that the stage could say, long and short."""
    said = [reading.action.text, *(fact.long for fact in reading.quiet)]
    for alarm in (*reading.alarms, *reading.bands):
        said += [alarm.text, alarm.short]
    return " / ".join(said)


@pytest.mark.parametrize("name", MOMENTS)
def test_no_sentence_names_a_key(name: str) -> None:
    assert not NAMED.search(sentences(read(MOMENTS[name], 0, look_only=True)))


@pytest.mark.parametrize(
    "name", ["ready", "unsure", "staying", "going", "to let it end", "on the count", "off"]
)
def test_a_screen_that_steers_names_the_key_in_the_same_moment(name: str) -> None:
    assert NAMED.search(sentences(read(MOMENTS[name], 0)))


def test_what_is_so_is_said_all_the_same() -> None:
    def said(**changes: object) -> list[tuple[str, str]]:
        reading = read(slack_water(500, **changes), 0, look_only=True)
        return [(each.head, each.text) for each in (*reading.alarms, *reading.bands)]

    assert said(**STAYING) == [("STAYING", "this part goes on phrase by phrase")]
    assert said(**GOING) == [("ASKED", "high water in 3 bars")]
    assert said(**UNSURE) == [
        (
            "UNSURE",
            "Joined in the middle. Nothing will be sent until the performer says that the count "
            "is right.",
        )
    ]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("view", ["", "l", "m"])
@pytest.mark.parametrize("name", ["far", "unsure and staying"])
async def test_the_row_of_keys_has_only_those_that_work(
    name: str, view: str, size: tuple[int, int]
) -> None:
    app = screen(MOMENTS[name])
    async with shown(app, *view, size=size):
        said = words(app)
        assert "q Close" in said
        for cap in ("n Next", "k Stay", "u Undo", "g Go to", "1 The one", "c Count is right"):
            assert cap not in said


async def test_help_tells_that_it_only_looks_and_lists_no_key_that_would_do_nothing() -> None:
    app = screen(slack_water(100))
    async with shown(app, "h", size=(100, 70)):
        said = words(app)
        assert said.count("This screen only looks") == 1
        assert "Close this screen; the engine goes on" in said
        assert "asks whether" not in said
        idle = said.split("Keys that do nothing now")[1].split("What is seen here")[0]
        assert " ".join(idle.split()) == "p Put away: There is no trouble to put away."
        assert "Next part" not in said


@pytest.mark.parametrize("key", [key.key.split(",")[0] for key in KEYS if key.wish and key.key])
async def test_a_screen_that_only_looks_asks_for_nothing(key: str) -> None:
    feed = Feed(STATES["unsure"])
    app = screen(STATES["unsure"], feed)
    async with shown(app, key):
        assert "This screen only looks" in words(app)
        assert feed.wishes == []


@pytest.mark.parametrize("key", ["q", "ctrl+q", "ctrl+c"])
async def test_a_screen_that_only_looks_closes_without_a_word_and_keeps_the_engine(
    key: str,
) -> None:
    app = screen(slack_water(100))
    async with shown(app, key):
        pass
    assert app.return_value == "keep"


async def test_the_palette_of_a_screen_that_only_looks_offers_views_only() -> None:
    app = screen(slack_water(100))
    async with shown(app, "ctrl+p", size=(100, 60)):
        assert "Where we are in the night" in words(app)
        assert "Go to the next part" not in words(app)
