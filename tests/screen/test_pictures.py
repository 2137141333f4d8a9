"""Pictures of the stage, one for each stage at each size and one for each trouble."""

from __future__ import annotations

from typing import Any

import pytest

from companion.screen.app import StageApp, make_app
from tests.screen.stage import SIZES, STATES, Clock, Feed

pytest.importorskip("pytest_textual_snapshot")


def stage(name: str, **choices: bool) -> StageApp:
    return make_app(Feed(STATES[name]), now_ns=Clock(), **choices)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("name", ["far", "near", "imminent", "last beat", "now"])
def test_the_boundary_comes_nearer(snap_compare: Any, name: str, size: tuple[int, int]) -> None:
    """The figure fills the window; rails close in on both sides; now the whole panel is bright."""
    assert snap_compare(stage(name), terminal_size=size)


@pytest.mark.parametrize("size", [(40, 12), (120, 40)], ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize(
    "name", ["waiting", "ready", "stopped", "lost", "unsure", "not sending", "trouble"]
)
def test_something_is_not_in_order(snap_compare: Any, name: str, size: tuple[int, int]) -> None:
    """A steady band at the top says what is wrong and what to do; the count stays readable."""
    assert snap_compare(stage(name), terminal_size=size)


def test_the_engine_is_gone(snap_compare: Any) -> None:
    """NO ENGINE instead of a figure, dimmed; nothing claims to be sent or sure."""
    app = make_app(Feed(STATES["far"], connected=False), now_ns=Clock())
    assert snap_compare(app, terminal_size=(80, 24))


def test_in_daylight(snap_compare: Any) -> None:
    """Dark on white, the same places."""
    assert snap_compare(stage("near", light=True), terminal_size=(120, 40))


def test_calm(snap_compare: Any) -> None:
    """No pulse at the end of the line."""
    assert snap_compare(stage("far", calm=True), terminal_size=(80, 24))


@pytest.mark.parametrize("key", ["q", "h", "ctrl+p"])
def test_laid_over_the_stage(snap_compare: Any, key: str) -> None:
    """The question and the palette leave the count in view; help fills the window."""
    assert snap_compare(stage("far"), terminal_size=(80, 24), press=[key])
