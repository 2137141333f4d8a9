"""What must be read at two metres: how large it is, and what becomes of it where it is long."""

from __future__ import annotations

from math import atan, degrees, hypot, radians, tan
from pathlib import Path

import pytest

from companion.link.messages import Coming
from companion.screen.app import make_app
from companion.screen.canvas import drawable, letters_width
from companion.screen.layout import (
    LEAST_COUNTDOWN,
    letter_dots,
    letter_lines,
    name_rows,
    plan,
)
from companion.screen.reading import read
from companion.screen.stage import draw_then, fold_entry
from tests.nightly import latin
from tests.screen.stage import (
    SIZES,
    STATES,
    UNSURE,
    Clock,
    Feed,
    large,
    read_letters,
    seen,
    slack_water,
)
from tests.screen.test_figures import nearest

MANUAL = Path(__file__).parents[2] / "docs" / "seeing.md"
# ISO 9241-303, from memory: 20 to 22 minutes of arc.
LEAST_ARC = 20.0
INCHES = (14, 24)


def high_mm(inches: float) -> float:
    """How high a screen of 16 to 9 is whose diagonal is so long."""
    return inches * 25.4 * 9 / hypot(16, 9)


def arc_minutes(size_mm: float, distance_m: float) -> float:
    """The angle that a size takes up at a distance."""
    return 60 * degrees(2 * atan(size_mm / 2 / (1000 * distance_m)))


def reach_m(size_mm: float) -> float:
    """How far away a size still has LEAST_ARC."""
    return size_mm / 2 / tan(radians(LEAST_ARC / 60 / 2)) / 1000


def distances() -> str:
    """The table of the manual."""
    lines = [
        "| window | screen | plain letters | large letters | what comes next | figure |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for width, height in SIZES:
        shares, dots = plan(width, height), letter_dots(height) or 2
        figure = shares.countdown - (1 if width >= 72 or shares.countdown < LEAST_COUNTDOWN else 2)
        name = 2 * name_rows(letter_dots(height)) - 1
        for inches in INCHES:
            row = high_mm(inches) / height
            sizes = (row, row * dots / 2, row * name / 2, row * figure)
            told = " | ".join(f"{size:.1f} mm, {reach_m(size):.1f} m" for size in sizes)
            lines.append(f"| {width}x{height} | {inches} inches | {told} |")
    return "\n".join(lines)


def letters() -> str:
    """The letter table of the manual."""
    lines = ["| dots high | nearest pair | dots that differ |", "| --- | --- | --- |"]
    for dots in (5, 6, 8, 10, 12, 16, 24):
        found = nearest(dots)
        pairs = ", ".join(" and ".join(pair) for pair in found)
        lines.append(f"| {dots} | {pairs} | {min(found.values())} |")
    return "\n".join(lines)


@pytest.mark.parametrize(("mark", "table"), [("distances", distances), ("letters", letters)])
def test_the_manual_says_what_the_tests_compute(mark: str, table: object) -> None:
    assert callable(table)
    after = MANUAL.read_text(encoding="utf-8").split(f"<!-- {mark} -->\n\n")[1]
    assert after.split("\n\n")[0] == table()


@pytest.mark.parametrize(("height", "rows"), [(24, 2), (40, 3), (60, 4)])
def test_on_a_laptop_s_screen_large_letters_are_large_enough_at_two_metres(
    height: int, rows: int
) -> None:
    dots = letter_dots(height)
    assert dots >= 2 * rows
    # 60 rows come to 19.97 minutes, which is 20.
    assert round(arc_minutes(high_mm(14) / height * dots / 2, 2.0), 1) >= LEAST_ARC


@pytest.mark.parametrize("height", range(12, 71))
def test_at_no_height_they_are_smaller(height: int) -> None:
    size = high_mm(14) / height * max(2, letter_dots(height)) / 2
    assert arc_minutes(size, 2.0) > 18.6 if height < 20 else 19.9


def test_at_80_columns_a_line_has_20_letters_and_there_are_two() -> None:
    assert letters_width("EVERY LETTER PLAYS A", letter_dots(24)) <= 79
    assert letter_lines(plan(80, 24).action, letter_dots(24)) == 2


@pytest.mark.parametrize(
    ("name", "size"), latin(["far", "going", "last part", "ends in silence"], SIZES), ids=str
)
async def test_what_comes_next_is_the_second_largest_thing(
    name: str, size: tuple[int, int]
) -> None:
    """Larger than the action and all else below the countdown, and cut by nothing."""
    app = make_app(Feed(STATES[name]), now_ns=Clock())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        said = app.reading().then.name.upper()
        sizes = [dots for dots in range(5, 2 * size[1]) if said in large(app, dots)]
        assert sizes
        assert sizes[0] > letter_dots(size[1])
        assert sizes[0] < 2 * plan(*size).countdown


THINGS_TO_DO = {
    "stopped unsure": "CHOOSE PROGRAM 12 ON DRUMS, THEN PRESS PLAY",
    "wanted": "SLACK WATER WANTS PROGRAM 12 ON DRUMS AND 3 ON PADS: W SENDS THEM",
}


@pytest.mark.parametrize(("name", "size"), latin(list(THINGS_TO_DO), SIZES[1:]), ids=str)
async def test_before_anything_goes_on_the_large_text_is_the_thing_to_do(
    name: str, size: tuple[int, int]
) -> None:
    words = THINGS_TO_DO[name]
    app = make_app(Feed(STATES[name]), now_ns=Clock())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        said = {dots: " ".join(large(app, dots)) for dots in range(5, 40)}
        assert [
            dots
            for dots, text in said.items()
            if words.replace(": W ", ": ") in text or words in text
        ] != []


@pytest.mark.parametrize(
    ("name", "size"),
    latin(["far", "near", "imminent", "unsure", "going", "staying"], SIZES[1:]),
    ids=str,
)
async def test_what_to_do_next_and_when_the_next_part_comes_are_in_large_letters(
    name: str, size: tuple[int, int]
) -> None:
    app = make_app(Feed(STATES[name]), now_ns=Clock())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        said = " ".join(large(app, letter_dots(size[1])))
        action = app.reading().action
        assert action.idle or f"{action.when}: {action.text}".upper() in said
        when = app.reading().then.when.upper()
        assert when in said or when == "NEXT WHEN YOU PRESS N"


async def test_unsure_stands_beside_the_figure_in_large_letters() -> None:
    app = make_app(Feed(slack_water(400, **UNSURE)), now_ns=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        word = "UNSURE"
        # The figure stands before it on the same rows.
        beside = [row[20:55] for row in seen(app)[:7]]
        assert word in read_letters(beside, 5)


LONG = (
    "the very long name of a pattern that somebody wrote down in full on an afternoon with nothing"
    " to do"
)


@pytest.mark.parametrize(
    "size", [(40, 12), (60, 16), (80, 24), (100, 32), (120, 40), (200, 60)], ids=str
)
def test_names_of_a_hundred_characters_are_cut_with_dots_and_stay_within_their_lines(
    size: tuple[int, int],
) -> None:
    assert len(LONG) >= 99
    width, height = size
    dots = letter_dots(height)
    due = (Coming(768, "cue", f"unmute {LONG}"), Coming(768, "change", f"change to {LONG}"))
    reading = read(slack_water(500, coming=due, next_part=LONG), 0)

    def measure(text: str) -> int:
        return letters_width(drawable(text), dots) if dots else len(text)

    lines = letter_lines(plan(width, height).action, dots)
    said = fold_entry(reading.action, width - 1, lines, measure)
    assert len(said) <= lines
    assert all(measure(line) <= width for line in said)
    assert said[-1].endswith(("…", "more")) or LONG.split()[-1] in said[-1]
    rows = draw_then(reading.then, width, plan(width, height).then, dots)
    assert len(rows) == plan(width, height).then
    assert all(sum(len(text) for text, _ in row) <= width for row in rows)


def test_a_long_word_is_cut_and_a_number_never_parted() -> None:
    due = (Coming(768, "cue", "x" * 100),)
    entry = read(slack_water(500, coming=due), 0).action
    said = fold_entry(entry, 79, 3, lambda text: letters_width(drawable(text) or " ", 5))
    assert said[-1].endswith("…")
    assert len(said) == 3
