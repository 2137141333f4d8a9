"""How the night stands, in words and figures."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.link.messages import PlanPart, PlanSong, SetPlan
from companion.screen.canvas import Row
from companion.screen.extrapolation import spot
from companion.screen.night import Night, PartLine, SongLine, Turn, draw_night, read_night, spoken
from companion.screen.painting import scroll_range
from tests.screen.stage import slack_water, tidewater_plan

SECOND = 1_000_000_000


def night(
    tick: int = 100, now_ns: int = 0, plan: SetPlan | None = None, **changes: object
) -> Night:
    snapshot = slack_water(tick, **({"started_ns": -40 * SECOND} | changes))
    return read_night(plan or tidewater_plan(), snapshot, spot(snapshot, tick), now_ns)


def plain(rows: list[Row]) -> list[str]:
    return ["".join(text for text, _ in row) for row in rows]


def test_each_song_and_part_is_done_now_next_or_to_come() -> None:
    found = night(part=4, song_number=2)
    turns = [(line.number, line.turn) for line in found.lines if isinstance(line, PartLine)]
    assert turns == [
        *((n, Turn.DONE) for n in (1, 2, 3)),
        (4, Turn.NOW),
        (5, Turn.NEXT),
        *((n, Turn.TO_COME) for n in (6, 7, 8, 9)),
    ]
    songs = [line.turn for line in found.lines if isinstance(line, SongLine)]
    assert songs == [Turn.DONE, Turn.NOW, Turn.TO_COME, Turn.TO_COME, Turn.TO_COME]
    assert found.lines[found.here] == next(
        line for line in found.lines if isinstance(line, PartLine) and line.turn is Turn.NOW
    )


def test_what_was_left_out_is_skipped_and_what_is_next_may_lie_behind() -> None:
    found = night(part=5, song_number=3, played=((1, 2), (5, 5)), next_number=2)
    turns = {line.number: line.turn for line in found.lines if isinstance(line, PartLine)}
    assert [turns[n] for n in (1, 2, 3, 4, 5, 6)] == [
        *(Turn.DONE, Turn.NEXT, Turn.SKIPPED, Turn.SKIPPED, Turn.NOW, Turn.TO_COME)
    ]
    rows = plain(draw_night(found, 80, 18))
    assert any(re.match(r"  skipped +3  mudflat", row) for row in rows)


@pytest.mark.parametrize(("about", "length"), [(4, "about 4 phrases"), (1, "about 1 phrase")])
def test_an_open_part_has_its_rough_length(about: int, length: str) -> None:
    plan = tidewater_plan()
    parts = tuple(replace(p, about=about if p.phrases is None else None) for p in plan.parts)
    found = night(plan=replace(plan, parts=parts))
    (line,) = [each for each in found.lines if isinstance(each, PartLine) and each.number == 6]
    assert line.length == length


@pytest.mark.parametrize(
    ("curfew", "said"),
    [
        (23 * 60 + 30, "ends 23:08, 21 minutes before the curfew at 23:30"),
        (23 * 60 + 5, "ends 23:08, 3 minutes past the curfew at 23:05"),
        # Passed before the start: that of the next day is meant.
        (22 * 60, "ends 23:08, 1371 minutes before the curfew at 22:00"),
    ],
)
def test_the_end_of_the_night_stands_to_the_curfew(curfew: int, said: str) -> None:
    plan = replace(tidewater_plan(), curfew=curfew)
    snapshot = slack_water(768, started_ns=-16 * SECOND)
    now = datetime(2031, 5, 2, 23, 0, 30)
    found = read_night(plan, snapshot, spot(snapshot, 768), 0, now)
    assert (found.day, found.curfew) == ("23:00", said)
    assert found.to_go.endswith(f" of {spoken(sum(p.seconds for p in plan.parts))}")
    assert any(said in row for row in plain(draw_night(found, 120, 30)))


@pytest.mark.parametrize(
    ("since_s", "said"),
    # A phrase of eight bars of 4/4 at 118 beats a minute lasts 16.27 s.
    [
        (16, "on time"),
        (21, "on time"),
        (22, "0:05 later than planned"),
        (10, "0:06 sooner than planned"),
    ],
)
def test_time_is_compared_with_the_plan_and_small_differences_are_none(
    since_s: int, said: str
) -> None:
    assert night(768, started_ns=-since_s * SECOND).drift == said


def test_a_part_that_goes_on_past_its_plan_makes_us_late() -> None:
    # Planned were two phrases; in the fourth, the clock shows all four.
    found = night(4 * 768 - 1, started_ns=-65 * SECOND)
    assert found.drift == "0:32 later than planned"
    line = found.lines[found.here]
    assert isinstance(line, PartLine)
    assert line.length == "phrase 4"


def test_a_part_without_a_planned_length_is_open_and_said_to_count_as_one_phrase() -> None:
    found = night(part=7, song_number=4)
    opened = next(line for line in found.lines if isinstance(line, PartLine) and line.number == 6)
    assert opened.length == "open"
    assert found.remark == "a part with no planned length counts as one phrase"
    assert night(part=5, song_number=3).remark == ""


def test_before_the_first_start_no_time_has_passed() -> None:
    found = night(0, started_ns=0)
    assert (found.since, found.drift) == ("", "")
    assert "not started yet" in plain(draw_night(found, 80, 18))[0]


def test_with_no_tempo_planned_no_time_is_compared() -> None:
    plan = SetPlan("Tidewater", 1, (PlanSong("Slack water"),), (PlanPart(1, 1, "slack water", 2),))
    found = night(plan=plan)
    assert (found.since, found.drift, found.to_go) == ("0:40", "", "")
    assert plain(draw_night(found, 80, 18))


def test_of_a_long_set_the_parts_left_out_count_too() -> None:
    plan = tidewater_plan()
    later = SetPlan(
        "Tidewater",
        first_song=3,
        songs=plan.songs[2:],
        parts=plan.parts[4:],
        seconds_before=sum(part.seconds for part in plan.parts[:4]),
    )
    whole, cut_out = night(part=5, song_number=3), night(part=5, song_number=3, plan=later)
    assert (whole.drift, whole.to_go) == (cut_out.drift, cut_out.to_go)
    heading = next(line for line in cut_out.lines if isinstance(line, SongLine))
    assert heading.title == "Tar and rope"


def test_before_any_plan_has_come_nothing_is_claimed() -> None:
    found = night(plan=SetPlan())
    assert found.lines == ()
    for width, height in ((40, 9), (80, 18), (200, 50)):
        assert len(draw_night(found, width, height)) <= height


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0, "0:00"), (59.9, "0:59"), (61, "1:01"), (3599, "59:59"), (3725, "1:02:05")],
)
def test_time_is_spoken_as_on_a_watch(seconds: float, said: str) -> None:
    assert spoken(seconds) == said


@given(st.integers(40, 240), st.integers(3, 66), st.integers(1, 9), st.integers(-20, 20))
def test_the_running_part_is_in_sight_and_nothing_is_wider_than_the_window(
    width: int, height: int, part: int, scroll: int
) -> None:
    song = tidewater_plan().parts[part - 1].song
    found = night(part=part, song_number=song)
    low, high = scroll_range(found)
    rows = plain(draw_night(found, width, height, max(low, min(scroll, high))))
    assert len(rows) <= height
    assert all(len(row) <= width for row in rows)
    at_rest = plain(draw_night(found, width, height))
    if height >= 6:
        assert any(row.startswith("  now ") for row in at_rest)


def test_the_line_of_the_night_shows_how_much_is_done() -> None:
    lengths = []
    for part in range(1, 10):
        song = tidewater_plan().parts[part - 1].song
        rows = plain(draw_night(night(0, part=part, song_number=song), 80, 18))
        (line,) = [row for row in rows if "─" in row or "━" in row]
        lengths.append(line.index("█"))
    assert lengths == sorted(lengths)
    assert lengths[0] == 2
    assert len(set(lengths)) == 9


def test_without_colour_now_and_next_are_words() -> None:
    rows = plain(draw_night(night(part=2), 80, 18))
    assert any(re.match(r"  now +2  high water", row) for row in rows)
    assert any(re.match(r"  next +3  mudflat", row) for row in rows)


def test_a_set_of_hundreds_of_parts_is_read_within_a_screen() -> None:
    parts = tuple(replace(PlanPart(n, 1, f"tide {n}", 1), seconds=16.0) for n in range(1, 257))
    found = night(part=200, plan=SetPlan("Tidewater", 1, (PlanSong("Slack water", 118.0),), parts))
    rows = plain(draw_night(found, 80, 18))
    assert any("now" in row and "tide 200" in row for row in rows)
    assert "more lines" in rows[-1]


@pytest.mark.parametrize("height", [4, 6, 12, 20])
def test_moved_on_to_its_end_no_part_is_hidden_under_the_song_it_belongs_to(height: int) -> None:
    found = night(part=5, song_number=2)
    low, high = scroll_range(found)
    song = [line for line in found.lines if isinstance(line, SongLine)][-1]
    parts = [line.name for line in found.lines if isinstance(line, PartLine)]
    seen: set[str] = set()
    for scroll in range(low, high + 1):
        rows = plain(draw_night(found, 60, height, scroll))
        seen |= {part for part in parts if any(re.search(rf"\d {part}  ", row) for row in rows)}
    assert seen == set(parts)
    # At the very end the last part stands under its song.
    assert any(f"song {song.number}: {song.title}" in row for row in rows)
    assert parts[-1] in [row for row in rows if row.strip()][-1]
