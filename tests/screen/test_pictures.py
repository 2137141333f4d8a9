"""Pictures of the stage, one for each stage at each size and one for each trouble."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from companion.screen.app import StageApp, make_app
from tests.nightly import latin
from tests.screen.stage import SIZES, STATES, Clock, Feed, filling

pytest.importorskip("pytest_textual_snapshot")

HERE = Path(__file__).parent


def told(value: str | tuple[int, int]) -> str:
    """A name or a size in the name of a test."""
    return value if isinstance(value, str) else f"{value[0]}x{value[1]}"


def stage(name: str, **choices: bool) -> StageApp:
    return make_app(Feed(STATES[name]), now_ns=Clock(), **choices)


@pytest.mark.parametrize(
    ("name", "size"), latin(["far", "near", "imminent", "last beat", "now"], SIZES), ids=told
)
def test_the_boundary_comes_nearer(snap_compare: Any, name: str, size: tuple[int, int]) -> None:
    """The figure fills the window; rails close in on both sides; now the whole panel is bright."""
    assert snap_compare(stage(name), terminal_size=size)


@pytest.mark.parametrize("size", [(40, 12), (120, 40)], ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize(
    "name",
    [
        "waiting",
        "ready",
        "stopped",
        "lost",
        "unsure",
        "not sending",
        "demonstration",
        "trouble",
    ],
)
def test_something_is_not_in_order(snap_compare: Any, name: str, size: tuple[int, int]) -> None:
    """A steady band over the end of the agenda says what is wrong; the stage keeps its place."""
    assert snap_compare(stage(name), terminal_size=size)


@pytest.mark.parametrize(
    ("name", "size"), latin(["staying", "going", "not as planned"], SIZES), ids=told
)
def test_something_holds(snap_compare: Any, name: str, size: tuple[int, int]) -> None:
    """A quiet band says what was asked for; what differs from the plan is marked and first."""
    assert snap_compare(stage(name), terminal_size=size)


@pytest.mark.parametrize(
    ("name", "size"),
    latin(
        [
            *("wanted", "stopped unsure", "ignored", "ends in silence", "song over", "last part"),
            *("layers", "told ahead", "port is back", "other tempo"),
        ],
        SIZES,
    ),
    ids=told,
)
def test_what_a_night_brings(snap_compare: Any, name: str, size: tuple[int, int]) -> None:
    """What comes next is second in size; before anything goes on the thing to do is the largest."""
    assert snap_compare(stage(name), terminal_size=size)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_a_fill_is_held(snap_compare: Any, size: tuple[int, int]) -> None:
    """The action says to hold the fill and counts down to its release."""
    app = make_app(Feed(filling(1440), filling(1475)), now_ns=Clock())
    assert snap_compare(app, terminal_size=size)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_any_part_may_be_chosen(snap_compare: Any, size: tuple[int, int]) -> None:
    """The list of parts under the countdown, one picked by its number."""
    assert snap_compare(stage("far"), terminal_size=size, press=["g", "4"])


def test_the_engine_is_gone(snap_compare: Any) -> None:
    """NO ENGINE instead of a figure, dimmed; nothing claims to be sent or sure."""
    app = make_app(Feed(STATES["far"], connected=False), now_ns=Clock())
    assert snap_compare(app, terminal_size=(80, 24))


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_in_daylight(snap_compare: Any, size: tuple[int, int]) -> None:
    """Dark on white, the same places."""
    assert snap_compare(stage("near", light=True), terminal_size=size)


@pytest.mark.parametrize("light", [False, True], ids=["dark", "light"])
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_the_set_list(snap_compare: Any, size: tuple[int, int], light: bool) -> None:
    """A strip of countdown; how the night stands; its songs and parts, the present one marked."""
    snapshot = replace(
        STATES["near"],
        started_ns=-150 * 10**9,
        part=4,
        song_number=2,
        song="Mudflat",
        pattern="wading",
        next_part="tar",
        next_song="Tar and rope",
        phrases_planned=3,
    )
    app = make_app(Feed(snapshot), light=light, now_ns=Clock())
    assert snap_compare(app, terminal_size=size, press=["l"])


@pytest.mark.parametrize("light", [False, True], ids=["dark", "light"])
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_the_pass_map(snap_compare: Any, size: tuple[int, int], light: bool) -> None:
    """Passes across, steps down, likelier is higher; phrases ruled, the present pass marked."""
    app = make_app(Feed(STATES["near"]), light=light, now_ns=Clock())
    assert snap_compare(app, terminal_size=size, press=["m"])


@pytest.mark.parametrize("key", ["l", "m"])
@pytest.mark.parametrize("name", ["now", "unsure", "lost"])
def test_a_view_when_it_matters(snap_compare: Any, name: str, key: str) -> None:
    """The strip is as bright on the boundary as the stage is, and alarms stand over it."""
    assert snap_compare(stage(name), terminal_size=(80, 24), press=[key])


def test_the_pass_map_where_not_all_is_as_planned(snap_compare: Any) -> None:
    """Mark, colour and word tell the tracks that are not as planned; what is muted is dim."""
    assert snap_compare(stage("not as planned"), terminal_size=(80, 24), press=["m"])


def test_a_screen_that_only_looks(snap_compare: Any) -> None:
    """The keys that ask something of the engine are not there."""
    assert snap_compare(stage("far", look_only=True), terminal_size=(80, 24))


def test_calm(snap_compare: Any) -> None:
    """No pulse at the end of the line."""
    assert snap_compare(stage("far", calm=True), terminal_size=(80, 24))


@pytest.mark.parametrize("key", ["q", "h", "ctrl+p"])
def test_laid_over_the_stage(snap_compare: Any, key: str) -> None:
    """All leave the count in view; help says that there is more of it."""
    assert snap_compare(stage("far"), terminal_size=(80, 24), press=[key])


def test_no_picture_that_is_kept_fetches_anything() -> None:
    kept = [*(HERE / "__snapshots__").rglob("*.svg"), *(HERE.parents[1] / "docs").rglob("*.svg")]
    assert len(kept) > 50
    # The names of the formats are no links: nobody fetches them.
    names = re.compile(r'xmlns(:\w+)?="http://www\.w3\.org/[^"]*"')
    for file in kept:
        assert "http" not in names.sub("", file.read_text(encoding="utf-8")), file.name
