"""The pass map: what a musician reads from it with no colour at all."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.link.messages import MapRow, Misfit, PatternMap, Snapshot, level
from companion.screen.canvas import Row
from companion.screen.extrapolation import spot
from companion.screen.passmap import MapReader, PassMap, draw_map
from tests.screen.stage import AMISS_TRACKS, slack_water, slack_water_map


def read(tick: int = 100, pattern_map: PatternMap | None = None, **changes: object) -> PassMap:
    snapshot = slack_water(tick, **changes)
    return MapReader().read(pattern_map or slack_water_map(), snapshot, spot(snapshot, tick))


def drawn(found: PassMap, width: int = 80, height: int = 18, scroll: int = 0) -> list[str]:
    rows: list[Row] = draw_map(found, width, height, scroll)
    return ["".join(text for text, _ in row) for row in rows]


def test_the_present_pass_and_the_phrases_are_where_the_count_says() -> None:
    found = read(580)
    assert (found.here, found.phrases[:3]) == (6, ((0, 1), (8, 2), (16, 3)))
    assert found.numbers[:9] == (1, 2, 3, 4, 5, 6, 7, 8, 1)
    assert (found.end, found.then) == (16, "high water")


def test_on_a_boundary_only_reckoned_the_old_pass_is_still_the_present_one() -> None:
    snapshot = slack_water(760)
    found = MapReader().read(slack_water_map(), snapshot, spot(snapshot, 768))
    assert found.here == 7


def test_a_map_that_begins_later_is_counted_from_there() -> None:
    found = read(1600, slack_water_map(first=8), part_ticks_left=None)
    assert (found.here, found.phrases[:2], found.end) == (8, ((0, 2), (8, 3)), None)


def test_phrases_that_begin_inside_passes_are_said_to() -> None:
    ragged = replace(slack_water_map(), pass_ticks=72, phrase_ticks=768)
    found = read(100, ragged)
    # 768 / 72 is 10.67: the second phrase begins inside pass 11, counted from 0 that is 10.
    assert found.ragged
    assert found.phrases[:2] == ((0, 1), (10, 2))
    assert found.numbers[9:12] == (10, 11, 12)


def test_what_is_muted_now_and_what_needs_a_fill_are_told_in_words() -> None:
    rows = drawn(read())
    assert any("shaker (muted)" in row for row in rows)
    assert any("reverse swell (muted)" in row and "10*" in row for row in rows)
    assert any("in a fill" in row and "12*" in row for row in rows)


def test_a_step_that_does_not_play_as_the_list_says_is_marked() -> None:
    said = Misfit("low drum", 16, "step 16 of low drum was to play on fewer passes")
    found = read(100, misfits=(said,))
    marked = [(line.track, line.numbers) for line in found.lines if line.remark == "does not fit"]
    assert marked == [("low drum", (16,))]
    assert any("! " in row and "does not fit" in row for row in drawn(found, 100))


def test_a_track_is_shown_as_the_instrument_has_it_and_marked_where_that_is_not_as_planned() -> (
    None
):
    found = read(100, tracks=AMISS_TRACKS)
    # The shaker sounds though it is planned muted, the gull is muted though it is to sound.
    told = {line.track: (line.quiet, line.unplanned) for line in found.lines}
    assert told == {
        "low drum": (False, False),
        "snap": (False, False),
        "shaker": (False, True),
        "gull": (True, True),
        "tide bell": (False, False),
    }
    rows = drawn(found)
    marked = [row for row in rows if row.startswith("! ")]
    assert ["shaker (sounds)" in marked[0], "gull (muted)" in marked[2]] == [True, True]
    assert len(marked) == 4
    assert rows[-1].startswith("  ! not as planned")


def test_what_is_heard_muted_is_dim_and_what_sounds_against_the_plan_is_not() -> None:
    def roles(track: str, **changes: object) -> set[str]:
        rows = draw_map(read(100, **changes), 80, 18)
        row = next(row for row in rows if any(track in text for text, _ in row))
        filled = {role for text, role in row if set(text) & set("▁▂▃▄▅▆▇█")}
        return {role.removeprefix("here-") for role in filled}

    assert (roles("reverse swell"), roles("gull")) == ({"steady"}, {"rare"})
    assert roles("reverse swell", tracks=AMISS_TRACKS) == {"rare"}
    assert roles("gull", tracks=AMISS_TRACKS) == {"steady"}


def test_a_track_of_which_nothing_is_heard_is_shown_as_planned_and_not_marked() -> None:
    rows = drawn(read())
    assert any("shaker (muted)" in row for row in rows)
    assert not any("!" in row for row in rows)


@pytest.mark.parametrize("width", [20, 40, 60, 80, 120, 200])
def test_the_key_of_the_map_says_what_the_mark_means_where_there_is_room(width: int) -> None:
    rows = drawn(read(100, tracks=AMISS_TRACKS), width)
    assert all(len(row) <= width for row in rows)
    assert "! not as planned" in rows[-1] or width < 40
    assert "never" in rows[-1] or width < 40


def test_likelier_is_higher_and_never_is_a_dot() -> None:
    chances = (0, 0.2, 0.5, 0.9, 1)
    row = MapRow("gull", (3,), levels="".join(map(level, chances)))
    few = replace(slack_water_map(), rows=(row,), passes=5, phrase_ticks=96 * 5)
    for height in (6, 9, 12, 30):
        lines = drawn(read(0, few, part_ticks_left=None), 40, height)
        cells = [line[17:].ljust(23) for line in lines[2:] if line and "always" not in line]
        filled = [sum(c in "▁▂▃▄▅▆▇█" for c in column) for column in zip(*cells, strict=True)]
        assert "".join(cells).count("·") == 1
        assert [f for f in filled if f] == sorted(f for f in filled if f)
    flat = drawn(read(0, few, part_ticks_left=None), 40, 3)[2]
    assert [c for c in flat if c in "·▁▂▃▄▅▆▇█"] == [
        c for c in "·▁▃▅▇" for _ in range(3 - 2 * (c == "·"))
    ]


def test_past_the_end_of_the_part_the_next_one_is_named_and_nothing_is_claimed() -> None:
    rows = drawn(read(1000), 120, 20)
    assert any("high water" in row for row in rows)
    body = [row for row in rows if "║" in row]
    assert len(body) >= 9
    assert all(not row.split("║")[1].strip() for row in body)


def test_where_not_all_steps_fit_those_that_always_play_go_first() -> None:
    rows = drawn(read(), 40, 9)
    assert not any("1 5 9 13" in row for row in rows)
    assert any(row.startswith("  low drum") and "16*" in row for row in rows)


def test_steps_out_of_sight_are_counted_and_can_be_reached() -> None:
    many = tuple(MapRow(f"track {n}", (n + 1,), rare=True, levels="0009" * 16) for n in range(40))
    found = read(100, replace(slack_water_map(), rows=many, left_out=5))
    rows = drawn(found, 80, 18)
    assert "32 more steps" in rows[-1]
    assert "track 39" not in "".join(rows)
    assert "track 39" in "".join(drawn(found, 80, 18, scroll=39))


@pytest.mark.parametrize("passes", [1, 7, 16, 33, 100])
@pytest.mark.parametrize("width", [40, 80, 240])
def test_the_present_pass_is_in_sight_however_long_the_phrase(width: int, passes: int) -> None:
    long = replace(slack_water_map(), phrase_ticks=96 * passes)
    for tick in range(0, 96 * 60, 96 * 5):
        rows = drawn(read(tick, long, phrase_ticks=96 * passes, part_ticks_left=None), width)
        assert sum(row.count("▼") for row in rows) == 1


def test_with_no_steps_written_down_or_none_that_can_be_told_it_says_why() -> None:
    empty = PatternMap(1, "slack water")
    assert drawn(read(100, empty)) == ["  this pattern has no steps written down"]
    far = PatternMap(1, "slack water", note="the `if` terms reach back too far")
    assert drawn(read(100, far)) == ["  the `if` terms reach back too far"]


def test_the_map_of_another_part_is_not_shown() -> None:
    snapshot: Snapshot = slack_water(0, part=2)
    assert drawn(MapReader().read(slack_water_map(), snapshot, spot(snapshot, 0))) == []
    assert drawn(MapReader().read(None, snapshot, spot(snapshot, 0))) == []


@given(st.integers(20, 240), st.integers(1, 66), st.integers(0, 1535), st.integers(0, 99))
def test_nothing_is_larger_than_the_window(width: int, height: int, tick: int, scroll: int) -> None:
    rows = drawn(read(tick), width, height, scroll)
    assert len(rows) <= height
    assert all(len(row) <= width for row in rows)


@given(st.text("0123456789", max_size=8), st.integers(0, 8), st.integers(0, 200))
def test_a_map_that_is_shorter_than_it_says_is_drawn_all_the_same(
    levels: str, passes: int, tick: int
) -> None:
    odd = PatternMap(1, "slack water", passes=passes, rows=(MapRow("gull", (3,), levels=levels),))
    drawn(read(tick, odd))
