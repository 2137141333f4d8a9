"""Forecasts against a player that plays every step: the same steps, passes and chances."""

from __future__ import annotations

import random
from fractions import Fraction

from hypothesis import given, reject
from hypothesis import strategies as st

from companion.counting import (
    ALWAYS,
    Cycle,
    If,
    OutOfReach,
    Pattern,
    Rule,
    Step,
    StepEvent,
    Track,
    prepare,
    step_events,
)
from tests.counting.counting_patterns import (
    NAMES,
    by_chance,
    long_run_rate,
    on_pass,
    one_track,
    patterns,
    rehearsals,
)
from tests.counting.counting_player import Moment, carried_along, exact_chances


def as_moments(pattern: Pattern, events: list[StepEvent]) -> dict[Moment, float]:
    names = [track.name for track in pattern.tracks]
    found = {
        Moment(event.tick, names.index(event.track), event.step, event.pass_number): event.chance
        for event in events
    }
    assert len(found) == len(events)
    order = [(event.tick, names.index(event.track)) for event in events]
    assert order == sorted(order)
    return found


def agree(ours: dict[Moment, float], theirs: dict[Moment, Fraction] | dict[Moment, float]) -> None:
    # What one of them leaves out has died away: below 1e-17 a chance is let go.
    for moment in ours.keys() | theirs.keys():
        chance, played = ours.get(moment, 0.0), float(theirs.get(moment, 0))
        assert abs(chance - played) < (1e-12 if chance and played else 1e-15), moment


@given(patterns(chances=False), st.sampled_from((0, 0, 1, 5)), st.booleans())
@rehearsals(400)
def test_without_chance_every_step_comes_exactly_when_played(
    pattern: Pattern, carried: int, fill: bool
) -> None:
    events = step_events(pattern, 0, 120, carried_passes=carried, fill=fill, every_step=True)
    played = exact_chances(pattern, 120, carried, fill)
    assert all(chance == 1 for chance in played.values())
    agree(as_moments(pattern, events), played)


@given(patterns(tracks=3, length=2), st.sampled_from((0, 0, 2)), st.booleans())
@rehearsals(200)
def test_chances_are_what_trying_every_draw_gives(
    pattern: Pattern, carried: int, fill: bool
) -> None:
    events = step_events(pattern, 0, 16, carried_passes=carried, fill=fill, every_step=True)
    agree(as_moments(pattern, events), exact_chances(pattern, 16, carried, fill))


@given(
    patterns(tracks=4, length=6, ifs=3),
    st.sampled_from((0, 0, 3)),
    st.booleans(),
    st.integers(0, 200),
)
@rehearsals(400)
def test_chances_over_many_passes(pattern: Pattern, carried: int, fill: bool, begin: int) -> None:
    try:
        events = step_events(
            pattern, begin, 260, carried_passes=carried, fill=fill, every_step=True
        )
    except OutOfReach:
        # Some few whose tracks look at each other in a ring: it says so instead.
        reject()
    chances, _ = carried_along(pattern, 260, carried, fill)
    late = {moment: chance for moment, chance in chances.items() if moment.tick >= begin}
    agree(as_moments(pattern, events), late)


def test_thousands_of_patterns_from_a_fixed_seed() -> None:
    dice = random.Random(20)
    for _ in range(2000):
        names = NAMES[: dice.randint(1, 4)]
        tracks = []
        for name in names:
            length = dice.randint(1, 5)
            steps = tuple(
                Step(number, any_rule(dice, names))
                for number in range(1, length + 1)
                if dice.random() < 0.7
            )
            tracks.append(Track(name, length, dice.choice((2, 3, 6)), steps))
        pattern = Pattern("slack water", dice.randint(1, 5), 6, tracks=tuple(tracks))
        carried, fill = dice.choice((0, 0, 0, 2)), dice.random() < 0.2
        events = step_events(pattern, 0, 100, carried_passes=carried, fill=fill, every_step=True)
        chances, _ = carried_along(pattern, 100, carried, fill)
        agree(as_moments(pattern, events), chances)


def any_rule(dice: random.Random, names: tuple[str, ...]) -> Rule:
    """A rule of any kind; written apart from the hypothesis strategies, and quicker."""
    terms = []
    for _ in range(dice.choice((0, 0, 1, 2))):
        n = dice.randint(1, 6)
        terms.append(Cycle(dice.randint(1, n), n, dice.random() < 0.4))
    chances = (Fraction(dice.randint(0, 10), 10),) if dice.random() < 0.4 else ()
    looks = tuple(
        If(dice.choice((None, *names)), dice.random() < 0.5)
        for _ in range(dice.choice((0, 0, 1, 1, 2, 3)))
    )
    first = dice.choice((None, None, None, None, True, False))
    fill = dice.choice((None, None, None, None, True, False))
    return Rule(tuple(terms), chances, first, fill, looks)


@given(patterns(tracks=3, length=4), st.data())
@rehearsals(150)
def test_the_same_forecast_whatever_was_asked_before(pattern: Pattern, data: st.DataObject) -> None:
    """Later and earlier windows, whole and cut, give the same as the one long forecast."""
    whole = step_events(pattern, 0, 3000, every_step=True)
    fresh = Pattern(pattern.name, pattern.length, pattern.step_ticks, tracks=pattern.tracks)
    for _ in range(6):
        begin = data.draw(st.integers(0, 2900))
        until = begin + data.draw(st.integers(0, 100))
        events = step_events(fresh, begin, until, every_step=True)
        expected = [event for event in whole if begin <= event.tick < until]
        assert [(e.tick, e.track, e.step) for e in events] == [
            (e.tick, e.track, e.step) for e in expected
        ]
        for ours, theirs in zip(events, expected, strict=True):
            assert abs(ours.chance - theirs.chance) < 1e-12


def test_two_phrases_ahead_once_a_pass_as_a_part_goes_on() -> None:
    pattern = one_track(ALWAYS, on_pass(4, 4), by_chance(20), by_chance(90, If(None, True)))
    prepare(pattern)
    for now in range(0, 96 * 200, 96):
        events = step_events(pattern, now, now + 2 * 768)
        bells = [event for event in events if event.step == 2]
        assert [event.pass_number % 4 for event in bells] == [0] * 4
        assert len([event for event in events if event.step == 3]) == 16
        assert all(now <= event.tick < now + 2 * 768 for event in events)


def test_rare_is_at_most_one_in_three_or_what_the_performer_says() -> None:
    rules = {
        "one in three": (Rule(chances=(Fraction(1, 3),)), None, True),
        "a little more": (Rule(chances=(Fraction(34, 100),)), None, False),
        "every third": (on_pass(2, 3), None, True),
        "two of three": (Rule((Cycle(2, 3, True),)), None, False),
        "two thirds of a half": (on_pass(1, 2, chance=Fraction(2, 3)), None, True),
        "watched": (ALWAYS, True, True),
        "not watched": (on_pass(1, 64), False, False),
        "once": (Rule(first=True), None, True),
        "only in a fill": (Rule(fill=True), None, True),
        "not in a fill": (Rule(fill=False), None, False),
        "after one in three": (Rule(conditions=(If("one in three", True),)), None, True),
        "after none in three": (Rule(conditions=(If("one in three", False),)), None, False),
        "every other": (Rule(conditions=(If(None, False),)), None, False),
    }
    tracks = tuple(
        Track(name, 16, 6, (Step(1, rule, watch=watch),))
        for name, (rule, watch, _) in rules.items()
    )
    pattern = Pattern("slack water", tracks=tracks)
    for fill in (False, True):
        every = step_events(pattern, 0, 96 * 128, fill=fill, every_step=True)
        assert all(event.rare == rules[event.track][2] for event in every)
        assert step_events(pattern, 0, 96 * 128, fill=fill) == [e for e in every if e.rare]
    assert long_run_rate(pattern, "two thirds of a half", 1) == Fraction(1, 3)
    often = step_events(pattern, 0, 96 * 12, rare=Fraction(2, 3))
    assert {"a little more", "two of three", "every other"} <= {event.track for event in often}


def test_an_instrument_that_goes_on_counting() -> None:
    """Three passes counted before the part: the fourth of four comes at once."""
    pattern = Pattern(
        "slack water",
        tracks=(
            Track("low drum", 16, 6, (Step(1, on_pass(4, 4), "thud"), Step(5, Rule(first=True)))),
            Track("shaker", 12, 6, (Step(1, on_pass(1, 5)),)),
        ),
    )
    events = step_events(pattern, 0, 96 * 8, carried_passes=3)
    assert events[0] == StepEvent(0, "low drum", 4, 1, 1.0, True, "thud")
    assert events[1] == StepEvent(24, "low drum", 4, 5, 1.0, True, "")
    # The shaker has counted 288 of its 72-tick passes: its fifth pass is due, and then its sixth.
    shaker = [event for event in events if event.track == "shaker"]
    assert shaker[0] == StepEvent(72, "shaker", 6, 1, 1.0, True, "")
    assert [event.pass_number for event in shaker] == [6, 11]
    assert len([event for event in events if event.step == 5]) == 1


def test_a_pattern_with_nothing_in_it() -> None:
    assert step_events(Pattern("slack water"), 0, 10_000, every_step=True) == []
    assert step_events(one_track(ALWAYS), 50, 50, every_step=True) == []
    assert step_events(one_track(ALWAYS), -500, 1, every_step=True)[0].tick == 0
