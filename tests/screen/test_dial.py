"""The countdown as drawn: urgency without colour, and nothing that jumps about."""

from __future__ import annotations

import pytest

from companion.screen.canvas import Row
from companion.screen.reading import read
from companion.screen.stage import dial_role, draw_dial
from tests.screen.stage import LOST, slack_water

FAR, NEAR, IMMINENT, NOW = 100, 580, 700, 770


def drawn(tick: int, width: int = 120, height: int = 18, **changes: object) -> list[Row]:
    return draw_dial(read(slack_water(tick, **changes), 0), width, height, calm=False, dots=5)


def plain(rows: list[Row]) -> list[str]:
    return ["".join(text for text, _ in row) for row in rows]


def rail(tick: int, width: int) -> int:
    """Columns of the bright rail at the left edge."""
    (row, *_) = plain(drawn(tick, width))
    return len(row) - len(row.lstrip("█"))


@pytest.mark.parametrize(("width", "rails"), [(40, (0, 1, 1)), (80, (0, 1, 2)), (200, (0, 3, 5))])
def test_the_rails_close_in_as_the_boundary_nears(width: int, rails: tuple[int, ...]) -> None:
    assert tuple(rail(tick, width) for tick in (FAR, NEAR, IMMINENT)) == rails


def test_on_the_boundary_the_whole_panel_is_bright_and_says_now() -> None:
    rows = drawn(NOW)
    assert {role for row in rows for text, role in row if text} == {"now"}
    # In a large window in large letters, see test_afar.
    assert "phrase 2 begins" in " ".join(plain(drawn(NOW, 80, 7)))


def test_without_any_colour_the_four_stages_are_told_apart() -> None:
    pictures = [tuple(plain(drawn(tick, 40, 6))) for tick in (FAR, NEAR, IMMINENT, NOW)]
    assert len(set(pictures)) == 4
    words = [" ".join(picture) for picture in pictures]
    for said, text in zip(
        ("to the boundary", "boundary near", "get ready", "phrase 2 begins"), words, strict=True
    ):
        assert said in text


@pytest.mark.parametrize("size", [(40, 6), (80, 12), (120, 18), (240, 40)])
def test_every_row_is_exactly_as_wide_as_the_window(size: tuple[int, int]) -> None:
    for tick in (FAR, NEAR, IMMINENT, NOW):
        rows = plain(drawn(tick, *size))
        assert [len(row) for row in rows] == [size[0]] * size[1]


def test_from_eight_bars_down_to_one_the_unit_keeps_its_place() -> None:
    # The figure's own columns end before the thirtieth.
    rows = [plain(drawn(tick))[1][30:75] for tick in range(100, 600, 96)]
    assert rows[0].strip()
    assert len(set(rows)) == 1


def test_what_is_left_gets_shorter_and_never_longer() -> None:
    lengths = [plain(drawn(tick))[-1].count("━") for tick in range(30, 768, 3)]
    assert lengths == sorted(lengths, reverse=True)
    assert lengths[-1] >= 1


def test_a_count_that_only_runs_free_is_dimmed_and_has_no_rails() -> None:
    reading = read(slack_water(IMMINENT, **LOST), 0)
    assert dial_role(reading) == "still"
    assert rail(FAR, 120) == 0
    assert not plain(draw_dial(reading, 120, 18, calm=False, dots=6))[0].startswith("█")
