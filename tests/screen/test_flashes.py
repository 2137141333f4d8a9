"""Light: no spot of the screen flashes more than three times in any one second."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from companion.link.messages import Snapshot
from companion.screen.canvas import Row
from companion.screen.dial import draw_dial
from companion.screen.drawing import draw_action
from companion.screen.entries import hold_on
from companion.screen.reading import read
from companion.screen.reckon import tick_seconds
from companion.screen.strip import draw_strip
from companion.screen.theme import DARK_VARIABLES, LIGHT_VARIABLES
from tests.screen.sight import luminance, most_flashes
from tests.screen.stage import filling, slack_water

Palette = dict[str, str]


def light(palette: Palette, rows: list[Row], width: int) -> list[float]:
    """The luminance of the upper and lower half of every cell."""
    return [half for row in rows for half in _halves(palette, row, width)]


def _halves(palette: Palette, row: Row, width: int) -> list[float]:
    halves: list[float] = []
    for text, role in row:
        ink = _named(palette, "now-ink" if role == "now" else _INKS.get(role, role))
        ground = _named(palette, "now-ground" if role == "now" else "ground")
        for character in text:
            halves.append(ink if character in "█▀▌━" else ground)
            halves.append(ink if character in "█▄▌" else ground)
    ground = _named(palette, "ground")
    return halves + [ground] * (2 * width - len(halves))


_INKS = {"ground": "plain", "quiet": "quiet-ink", "text": "plain"}


def _named(palette: Palette, name: str) -> float:
    code = palette[name].lstrip("#")
    return luminance((int(code[0:2], 16), int(code[2:4], 16), int(code[4:6], 16)))


def across_the_boundary(tempo: float, **changes: object) -> Iterator[Snapshot]:
    """Each tick of the last three beats of a phrase and the first two of the next."""
    for tick in range(768 - 72, 768 + 48):
        yield slack_water(tick, tempo=tempo, **changes)


@pytest.mark.parametrize("palette", [DARK_VARIABLES, LIGHT_VARIABLES], ids=["dark", "light"])
@pytest.mark.parametrize("step_ticks", [3, 4, 6])
@pytest.mark.parametrize("tempo", [40, 60, 90, 118, 149, 174, 180, 181, 240, 300])
def test_the_countdown_flashes_at_most_three_times_a_second(
    tempo: int, step_ticks: int, palette: Palette
) -> None:
    width, height = 60, 9
    moments = [
        (
            snapshot.tick * tick_seconds(tempo),
            light(palette, draw_dial(read(snapshot, 0), width, height, calm=False), width),
        )
        for snapshot in across_the_boundary(tempo, step_ticks=step_ticks)
    ]
    assert most_flashes(moments) <= 3


@pytest.mark.parametrize("height", [2, 4, 6])
@pytest.mark.parametrize("tempo", [40, 118, 174, 180, 181, 300])
def test_the_strip_flashes_at_most_three_times_a_second(tempo: int, height: int) -> None:
    moments = []
    for snapshot in across_the_boundary(tempo, step_ticks=3):
        rows = draw_strip(read(snapshot, 0), 60, height, calm=False)
        moments.append((snapshot.tick * tick_seconds(tempo), light(DARK_VARIABLES, rows, 60)))
    assert most_flashes(moments) <= 3


@pytest.mark.parametrize("bars", [1, 2])
@pytest.mark.parametrize("tempo", [118, 174, 300])
def test_short_phrases_do_not_flash_faster(tempo: int, bars: int) -> None:
    moments = []
    for tick in range(4 * 96):
        left = bars * 96 - tick % (bars * 96)
        snapshot = slack_water(tick, tempo=tempo, phrase_ticks=bars * 96, phrase_ticks_left=left)
        rows = draw_dial(read(snapshot, 0), 48, 8, calm=False)
        moments.append((tick * tick_seconds(tempo), light(DARK_VARIABLES, rows, 48)))
    assert most_flashes(moments) <= 3


@pytest.mark.parametrize("tempo", [60, 118, 174, 300])
def test_the_large_letters_of_the_action_flash_at_most_three_times_a_second(tempo: int) -> None:
    moments = []
    for snapshot in across_the_boundary(tempo):
        rows = draw_action(read(snapshot, 0), 120, 7)
        rows += [()] * (7 - len(rows))
        moments.append((snapshot.tick * tick_seconds(tempo), light(DARK_VARIABLES, rows, 120)))
    assert most_flashes(moments) <= 3


@pytest.mark.parametrize("tempo", [118, 180, 300])
def test_a_fill_counted_down_to_its_release_flashes_at_most_three_times_a_second(
    tempo: float,
) -> None:
    moments, seen = [], None
    for tick in range(1400, 1540):
        seen = hold_on(seen, replace(filling(tick), tempo=tempo))
        rows = draw_action(read(seen, 0), 120, 7)
        rows += [()] * (7 - len(rows))
        moments.append((tick * tick_seconds(tempo), light(DARK_VARIABLES, rows, 120)))
    assert most_flashes(moments) <= 3


def test_calm_leaves_nothing_that_pulses() -> None:
    # Within one bar of the far stage only the line of what is left gets shorter.
    rows = [draw_dial(read(slack_water(tick), 0), 80, 12, calm=True) for tick in range(130, 190)]
    assert len({tuple(r[:-1]) for r in rows}) == len(
        {read(slack_water(t), 0).clock for t in range(130, 190)}
    )
    lengths = ["".join(text for text, _ in r[-1]).count("━") for r in rows]
    assert lengths == sorted(lengths, reverse=True)


def test_a_flash_is_counted_as_wcag_counts_it() -> None:
    # Ten changes in a second are five pairs of opposing ones; a tenth of that is not a flash.
    assert most_flashes([(i / 10, [float(i % 2)]) for i in range(11)]) == 5
    assert most_flashes([(i / 10, [0.09 * (i % 2)]) for i in range(11)]) == 0
    assert most_flashes([(i / 10, [0.8 + 0.2 * (i % 2)]) for i in range(11)]) == 0
