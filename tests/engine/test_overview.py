"""What screens get seldom: the plan of the night, and the map of the running pattern."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction

import pytest

from companion.counting import Cycle, OutOfReach, Pattern, Rule, Step, Track
from companion.engine import snapshot
from companion.engine.snapshot import Overviews
from companion.follow.conductor import LayerStanding, Standing
from companion.link.messages import MAX_OVERVIEW, PlanSong, encode_map, encode_plan
from companion.setlist import Layer, SetList, Song
from tests.bench.bench_tick import big_pattern
from tests.builders import Rehearsal, SetBuilder, bar_pattern, three_parts

LOW_DRUM = Track("low drum", 16, 6, (Step(1), Step(16, Rule(cycles=(Cycle(4, 4),)))))


def standing_at(setlist: SetList, tick: int, **changes: object) -> Standing:
    standing = Rehearsal(setlist).start().conductor.standing()
    return replace(standing, tick=tick, **changes)  # type: ignore[arg-type]


def test_the_plan_says_what_is_played_how_long_and_which_program() -> None:
    plan = Overviews(three_parts()).plan(1)
    assert plan.songs == (PlanSong("Slack water", 120.0),)
    assert [(p.number, p.pattern, p.phrases, p.program) for p in plan.parts] == [
        # Programs 1, 2 and 3 on the wire are 2, 3 and 4 on a display that counts from 1.
        (1, "slack water", 1, 2),
        (2, "ebb line", 1, 3),
        (3, "spring tide", None, 4),
    ]
    # Two bars of 4/4 at 120 beats a minute last 4 s (a bar is four beats of half a second).
    assert [p.seconds for p in plan.parts] == [4.0, 4.0, 4.0]


def test_what_a_part_lasts_is_told_in_milliseconds() -> None:
    # Two bars are eight beats of 60 / 90 s, 5.3333 s.
    (part,) = Overviews(SetBuilder(tempo=90.0).part(bar_pattern()).build()).plan(1).parts
    assert part.seconds == 5.333


def test_with_no_tempo_planned_no_time_is_claimed() -> None:
    builder = SetBuilder(tempo=None).part(bar_pattern())
    (part,) = Overviews(builder.build()).plan(1).parts
    assert part.seconds == 0


def test_the_map_shows_the_phrase_before_the_present_one_and_those_to_come() -> None:
    setlist = SetBuilder().part(bar_pattern(phrase_bars=8, tracks=(LOW_DRUM,)), phrases=9).build()
    found = Overviews(setlist).map(standing_at(setlist, 3 * 768 + 100))
    # Phrases of eight passes: the third begins with pass 16, counted from 0.
    assert (found.first, found.passes, len(found.rows)) == (16, 64, 2)
    steady, rare = found.rows
    assert (steady.steps, steady.rare, steady.levels) == ((1,), False, "9" * 64)
    assert (rare.steps, rare.rare, rare.levels) == ((16,), True, "0009" * 16)


def test_nothing_is_worked_out_anew_within_a_phrase() -> None:
    setlist = SetBuilder().part(bar_pattern(phrase_bars=8, tracks=(LOW_DRUM,)), phrases=9).build()
    overviews = Overviews(setlist)
    plan, found = overviews.at(standing_at(setlist, 768))
    for tick in (769, 1000, 1535):
        assert overviews.at(standing_at(setlist, tick)) == (plan, found)
        assert overviews.map(standing_at(setlist, tick)) is found
        assert overviews.plan(1) is plan
    # The second phrase is still in sight from the third: the map moves on by whole phrases.
    moved = overviews.map(standing_at(setlist, 1536))
    assert moved is not found
    assert moved.first == 8


def test_a_phrase_longer_than_the_map_is_shown_in_stretches() -> None:
    pattern = Pattern("slack water", phrase_ticks=96 * 200, tracks=(LOW_DRUM,))
    setlist = SetBuilder().part(pattern).build()
    overviews = Overviews(setlist)
    for bar in (0, 31, 32, 100, 199):
        found = overviews.map(standing_at(setlist, 96 * bar))
        assert found.first <= bar < found.first + found.passes


def test_an_instrument_that_counts_on_is_shown_its_own_passes() -> None:
    setlist = SetBuilder().part(bar_pattern(phrase_bars=8, tracks=(LOW_DRUM,))).build()
    found = Overviews(setlist).map(standing_at(setlist, 0, carried_passes=2, carried_phrases=1))
    assert found.rows[1].levels.startswith("0900")
    assert found.phrases_before == 1


def test_sixteen_tracks_of_sixty_four_steps_fit_the_link_with_the_rare_ones_first() -> None:
    setlist = SetBuilder().part(big_pattern("spring tide", random.Random(1))).build()
    found = Overviews(setlist).map(standing_at(setlist, 0))
    assert len(encode_map(found)) <= MAX_OVERVIEW
    assert len(found.rows) + found.left_out == 16 * 64
    assert all(row.rare for row in found.rows)


def test_very_long_names_leave_room_for_the_running_part_and_the_map() -> None:
    name = "низкая вода " * 40
    track = Track(name, 64, 6, tuple(Step(n, Rule(cycles=(Cycle(1, 5),)), name) for n in range(65)))
    builder = SetBuilder()
    for _ in range(700):
        builder.part(bar_pattern(name, tracks=(track,)))
    setlist = builder.build()
    overviews = Overviews(setlist)
    for number in (1, 2, 350, 500, 699, 700):
        plan = overviews.plan(number)
        assert number in [part.number for part in plan.parts]
        assert len(encode_plan(plan)) <= MAX_OVERVIEW
        inside = sum(part.seconds for part in plan.parts)
        # 700 parts of two bars at 120 beats a minute.
        assert plan.seconds_before + inside + plan.seconds_after == pytest.approx(700 * 4)
    assert len(encode_map(overviews.map(standing_at(setlist, 0)))) <= MAX_OVERVIEW


def test_of_a_very_long_set_the_parts_ahead_are_told_before_they_are_reached() -> None:
    builder = SetBuilder()
    for number in range(1000):
        builder.part(bar_pattern(f"tide {number}"))
    setlist = builder.build()
    overviews = Overviews(setlist)
    told, before = 0, None
    for number in range(1, 1001):
        plan = overviews.plan(number)
        told, before = told + (plan is not before), plan
        numbers = [part.number for part in plan.parts]
        assert numbers[0] <= number < numbers[-1] or number == 1000
    assert told < 20


def test_songs_are_told_from_the_first_one_shown() -> None:
    parts = SetBuilder()
    for number in range(600):
        parts.part(bar_pattern(f"tide {number}"))
    one_song = parts.build()
    songs = tuple(Song(f"song {n}", 100.0 + n, range(n + 1, n + 2)) for n in range(600))
    setlist = replace(
        one_song,
        songs=songs,
        parts=tuple(replace(part, song=n) for n, part in enumerate(one_song.parts)),
        rare=Fraction(1, 3),
    )
    plan = Overviews(setlist).plan(400)
    running = next(part for part in plan.parts if part.number == 400)
    assert plan.songs[running.song - plan.first_song].title == "song 399"


def test_the_map_has_what_plays_beside_on_the_passes_of_the_part() -> None:
    """The drone's pass is 72 ticks, the part's 96; its step 1 plays on pass 3 of 5 of its own."""
    swell = Track("swell", 12, 6, (Step(1, Rule(cycles=(Cycle(3, 5),))), Step(7)))
    drone = Pattern("drone", length=12, phrase_ticks=288, tracks=(swell,))
    setlist = (
        SetBuilder()
        .instrument("pads", channel=1)
        .part(bar_pattern(tracks=(LOW_DRUM,)), phrases=9)
        .build()
    )
    part = replace(setlist.parts[0], layers=(Layer(drone, "pads"),))
    setlist = replace(setlist, parts=(part,))
    found = Overviews(setlist).map(
        standing_at(setlist, 50, layers=(LayerStanding(part.layers[0], 50 + 30),))
    )
    rows = {(row.track, row.steps): row for row in found.rows}
    # Tick 0 of the part is tick 30 of the drone's: its passes 3, 8 .. begin at 144 + 360 n there.
    begins = {(144 + 360 * n - 30) // 96 for n in range(20)}
    shown = rows["swell on pads", (1,)].levels
    assert {at for at, level in enumerate(shown) if level == "9"} == {
        at for at in begins if at < found.passes
    }
    steady = {(36 + 72 * n - 30) // 96 for n in range(40)}
    assert [level == "9" for level in rows["swell on pads", (7,)].levels] == [
        at in steady for at in range(found.passes)
    ]


def test_seconds_are_spent_once_on_a_pattern_that_nobody_can_work_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = []

    def beyond(*words: object, **more: object) -> object:
        asked.append(words)
        raise OutOfReach("the tracks reach back too far")

    monkeypatch.setattr(snapshot, "build_grid", beyond)
    setlist = three_parts()
    overviews = Overviews(setlist)
    for phrase in range(5):
        found = overviews.map(standing_at(setlist, phrase * 192))
        assert found.note == "the tracks reach back too far"
    assert len(asked) == 1
