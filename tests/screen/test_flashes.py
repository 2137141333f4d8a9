"""Light: nothing on the screen flashes more than three times in any second, whatever its size.

WCAG 2.2, 2.3.1 and 2.3.2, by the definitions written out in sight; reader and painter are driven
whole, through two boundaries, the end of a part and whatever comes and goes with each snapshot.
"""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from companion.screen.painting import Painter
from companion.screen.reading import Reader
from companion.screen.theme import DARK_VARIABLES, LIGHT_VARIABLES
from tests.nightly import latin
from tests.screen.flashes import (
    METERS,
    TEMPI,
    TRUST,
    Song,
    anything,
    doubted,
    frames,
    palettes,
    steady,
    watch,
)
from tests.screen.sight import Lights, flashes, lights
from tests.screen.stage import SIZES, STATES


def most(song: Song, changing: Any, size: tuple[int, int], **choices: Any) -> int:
    """The most flashes of any kind, in either theme."""
    found = watch(song, changing, size, **choices)
    assert all(each.area == 0 for each in found.values() if each.most <= 3)
    return max(each.most for each in found.values())


@pytest.mark.parametrize(("meter", "trust", "tempo"), latin(METERS, tuple(TRUST), TEMPI), ids=str)
def test_no_meter_and_no_tempo_flashes_sure_or_not(
    meter: tuple[int, int], trust: str, tempo: float
) -> None:
    song = Song(meter, tempo)
    assert most(song, TRUST[trust], (80, 24)) <= 3
    assert most(replace(song, bars=1, seconds=4.0), TRUST[trust], (40, 12)) <= 3


@pytest.mark.parametrize(
    ("size", "calm"), latin([*SIZES, (20, 8), (100, 18), (60, 31)], (False, True)), ids=str
)
def test_no_size_flashes_whatever_comes_and_goes(size: tuple[int, int], calm: bool) -> None:
    for tempo in (90.0, 174.0, 320.0):
        assert most(Song((7, 8), tempo, seconds=5.0), anything, size, calm=calm) <= 3


@pytest.mark.parametrize(
    ("size", "view"), latin([(40, 12), (80, 24), (120, 40)], ["set", "map"]), ids=str
)
def test_no_view_flashes_whatever_comes_and_goes(size: tuple[int, int], view: str) -> None:
    for tempo in (90.0, 320.0):
        assert most(Song((7, 8), tempo, seconds=5.0), anything, size, view=view) <= 3


@pytest.mark.parametrize(
    ("tempo", "step_ticks"), latin([20.0, 45.0, 90.0, 181.0, 250.0, 400.0], [3, 12, 4, 24])
)
def test_no_step_flashes_at_any_tempo_of_the_format(tempo: float, step_ticks: int) -> None:
    song = Song(tempo=tempo, step_ticks=step_ticks, bars=2, seconds=6.0)
    assert most(song, steady, (80, 24)) <= 3


def test_by_chance_picked_songs_do_not_flash() -> None:
    odds = random.Random(2)
    for _ in range(12):
        meter = (odds.randint(1, 16), odds.choice((1, 2, 4, 8, 16, 32)))
        song = Song(meter, odds.uniform(20, 400), odds.choice((1, 2, 3, 8)), seconds=5.0)
        assert most(song, odds.choice((steady, doubted, anything)), (80, 24)) <= 3, song


def test_a_key_that_is_pressed_again_and_again_does_not_flash() -> None:
    def said(seconds: float) -> str:
        return f"Asked: {int(seconds * 15)}" if int(seconds * 15) % 2 else ""

    assert most(Song(seconds=4.0), steady, (80, 24), notices=said) <= 3


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_the_stage_keeps_its_place_whatever_appears(size: tuple[int, int]) -> None:
    places = set()
    for snapshot in STATES.values():
        reading = Reader(False).read(snapshot, 0, True)
        if reading.order:
            # Before anything goes on what is to be done has the place of the countdown too.
            continue
        alarms = (*reading.alarms, *reading.bands)
        rows, _ = Painter(calm=True).stage(reading, alarms, *size, 0)
        drawn = ["".join(text for text, _ in row) for row in rows]
        # The line of what is left ends the countdown; a figure or a word stands at its top.
        places.add(next(y for y, row in enumerate(drawn) if "━━" in row or "──" in row))
    assert len(places) == 1


def test_a_doubt_that_ends_within_a_beat_is_a_word_at_the_foot_and_no_more() -> None:
    # At 200 beats a minute twelve ticks last 150 ms: the doubt comes with every third look.
    flat = [
        " ".join("".join(text for text, _ in row) for row in rows)
        for _, rows in frames(Song(tempo=200.0, seconds=4.0), doubted, (120, 40))
    ]
    # Until the first second is over it is not known that there is no more to it.
    assert not any("UNSURE" in text for text in flat)
    assert any("· unsure" in text for text in flat)


def test_calm_leaves_nothing_that_pulses() -> None:
    def pulses(calm: bool) -> int:
        lit = []
        for _, rows in frames(Song(tempo=100.0), steady, (80, 24), calm=calm):
            line = next(row for row in rows if any(set("━─") & set(text) for text, _ in row))
            lit.append("██" in "".join(text for text, _ in line)[70:77])
        return sum(now and not before for before, now in pairwise(lit))

    assert pulses(False) >= 6
    assert pulses(True) == 0


# -- the check itself ------------------------------------------------------------------------


def grey(share: float) -> Lights:
    """A table of two looks: black, and a grey of that luminance."""
    none = np.zeros((2, 2), dtype=bool)
    return Lights(np.array([0.0, share]), np.zeros(2), np.zeros(2, dtype=bool), none)


def blinking(times: int) -> tuple[list[float], list[np.ndarray[Any, np.dtype[np.uint8]]]]:
    """A spot that changes so many times a second, for a second."""
    return (
        [n / times for n in range(times + 1)],
        [np.array([n % 2], dtype=np.uint8) for n in range(times + 1)],
    )


def test_a_flash_is_counted_as_wcag_counts_it() -> None:
    # Ten changes in a second are five pairs of opposing ones; a change below a tenth is none.
    assert flashes(*blinking(10), grey(1.0)).general == 5
    assert flashes(*blinking(6), grey(1.0)).general == 3
    assert flashes(*blinking(10), grey(0.09)).general == 0
    assert flashes(*blinking(10), grey(1.0)).area == 1.0


def test_a_flash_between_two_lights_above_four_fifths_is_none() -> None:
    bright = Lights(np.array([0.81, 1.0]), np.zeros(2), np.zeros(2, bool), np.zeros((2, 2), bool))
    assert flashes(*blinking(10), bright).general == 0


def test_a_slow_brightening_in_small_steps_is_one_change() -> None:
    table = Lights(
        np.linspace(0, 1, 21), np.zeros(21), np.zeros(21, bool), np.zeros((21, 21), bool)
    )
    up_and_down = [*range(21), *range(19, -1, -1)]
    shown = [np.array([n], dtype=np.uint8) for n in up_and_down]
    assert flashes([n / 50 for n in range(41)], shown, table).general == 1


@pytest.mark.parametrize(
    ("ink", "ground", "newer", "older"),
    [
        # A saturated red on black and on blue; a brown that is none (its share of red is 0.74).
        ("#FF0000", "#000000", 5, 5),
        ("#7A3300", "#00507F", 5, 5),
        ("#6A3D0A", "#FFFFFF", 0, 0),
    ],
)
def test_a_red_flash_is_counted_by_both_definitions(
    ink: str, ground: str, newer: int, older: int
) -> None:
    palette = dict.fromkeys(palettes()["dark"], (ink, ground))
    times, _ = blinking(10)
    shown = [np.array([3 * (n % 2)], dtype=np.uint8) for n in range(11)]
    found = flashes(times, shown, lights(palette))
    assert (found.red, found.red_by_older) == (newer, older)


def test_no_colour_of_ours_is_a_saturated_red() -> None:
    for variables in (DARK_VARIABLES, LIGHT_VARIABLES):
        palette = dict.fromkeys(palettes()["dark"], ("#000000", "#000000"))
        for name, code in variables.items():
            assert not lights({**palette, "ground": (code, code)}).saturated.any(), name
