"""Every text that stands on the terminal has a contrast of 7:1 at least (WCAG 2.2, 1.4.6)."""

from __future__ import annotations

from typing import Any

import pytest
from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual.app import App

from companion.screen.app import make_app
from tests.nightly import latin
from tests.screen.sight import contrast, is_graphic
from tests.screen.stage import STATES, Clock, Feed, resized, segments

TEXT, GRAPHIC = 7.0, 3.0
# Whether it is dark on light.
LIGHT = (False, True)


def faint(app: App[Any]) -> list[str]:
    """The pieces that are too faint, with their contrast."""
    found = []
    for segment in (s for row in segments(app) for s in row if s.text.strip()):
        ratio = _ratio(segment)
        if ratio < (GRAPHIC if is_graphic(segment.text) else TEXT):
            found.append(f"{segment.text.strip()!r} {ratio:.1f}")
    return found


def _ratio(segment: Segment) -> float:
    style = segment.style or Style()
    assert not style.dim, "a dimmed text has no known contrast"
    return contrast(_code(style.color), _code(style.bgcolor))


def _code(colour: Color | None) -> str:
    assert colour is not None
    assert colour.triplet is not None
    return colour.triplet.hex


@pytest.mark.parametrize(("name", "light"), latin(list(STATES), LIGHT))
async def test_the_stage_in_every_state(name: str, light: bool) -> None:
    app = make_app(Feed(STATES[name]), light=light, now_ns=Clock())
    async with app.run_test(size=(40, 12)) as pilot:
        for size in ((40, 12), (120, 40)):
            await resized(pilot, size)
            assert faint(app) == [], size


@pytest.mark.parametrize(
    ("name", "key", "light"), latin(["far", "near", "imminent", "now", "lost"], ["l", "m"], LIGHT)
)
async def test_every_other_view(name: str, key: str, light: bool) -> None:
    app = make_app(Feed(STATES[name]), light=light, now_ns=Clock())
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.press(key)
        for size in ((40, 12), (80, 24), (120, 40), (200, 60)):
            await resized(pilot, size)
            assert faint(app) == [], size


@pytest.mark.parametrize(
    ("keys", "light"),
    latin([["q"], ["q", "down"], ["h"], ["ctrl+p"], ["ctrl+p", "down"], ["g", "3"]], LIGHT),
)
async def test_what_is_laid_over_the_stage(keys: list[str], light: bool) -> None:
    app = make_app(Feed(STATES["far"]), light=light, now_ns=Clock())
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.press(*keys)
        await pilot.pause()
        assert faint(app) == []


@pytest.mark.parametrize("light", LIGHT)
async def test_with_no_engine_and_a_refused_key(light: bool) -> None:
    app = make_app(Feed(connected=False), light=light, now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n")
        await pilot.pause()
        assert faint(app) == []


def test_the_library_gives_the_values_the_standard_gives() -> None:
    # WCAG 2.2: black on white is 21:1; #767676 on white is 4.54:1 (from memory).
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.01)
