"""When patterns repeat, when steps next sound and when they next meet."""

from __future__ import annotations

from math import lcm

import sympy
from hypothesis import given
from hypothesis import strategies as st

from companion.counting import (
    ALWAYS,
    Cycle,
    If,
    PassSet,
    Pattern,
    Rule,
    Step,
    Track,
    next_at_once,
    next_together,
    repeat_passes,
)
from companion.counting.questions import first_common
from tests.counting.counting_patterns import (
    by_chance,
    cycles,
    next_step,
    off_pass,
    on_pass,
    one_track,
    patterns,
    rehearsals,
)
from tests.counting.counting_player import Moment, carried_along, exact_chances

FAR = 10**40


@given(patterns(chances=False, ifs=0))
@rehearsals(200)
def test_a_pattern_repeats_after_the_fewest_passes_that_bring_everything_back(
    pattern: Pattern,
) -> None:
    repeat = repeat_passes(pattern)
    if repeat > 300:
        return

    def same_after(passes: int) -> bool:
        shift = passes * pattern.pass_ticks
        for track in pattern.tracks:
            if shift % track.pass_ticks:
                return False
            for step in track.steps:
                if step.rule.impossible:
                    continue
                cycle = lcm(*(term.n for term in step.rule.cycles))
                holds = [
                    all(term.holds(at) for term in step.rule.cycles) for at in range(1, cycle + 1)
                ]
                moved = shift // track.pass_ticks
                if any(holds[at] != holds[(at + moved) % cycle] for at in range(cycle)):
                    return False
        return True

    assert next(passes for passes in range(1, repeat + 1) if same_after(passes)) == repeat


@given(patterns(tracks=3, length=3, largest=3, ifs=3, chances=False))
@rehearsals(150)
def test_what_was_played_comes_back_after_the_repeat(pattern: Pattern) -> None:
    repeat = repeat_passes(pattern) * pattern.pass_ticks
    if repeat > 1500:
        return
    longest = max(track.pass_ticks for track in pattern.tracks)
    begin = (64 // max(1, repeat // 24) + 2) * repeat + 4 * longest
    played = {
        (moment.tick, moment.track, moment.step)
        for moment in exact_chances(pattern, begin + 2 * repeat)
    }
    once = {each for each in played if begin <= each[0] < begin + repeat}
    again = {each for each in played if begin + repeat <= each[0]}
    assert {(tick + repeat, track, step) for tick, track, step in once} == again


def test_repeats_of_the_trade() -> None:
    # Common practice, no source: rules of 2, 3, 4 and 5 come together again after 60 passes.
    pattern = one_track(on_pass(1, 2), on_pass(1, 3), on_pass(1, 4), on_pass(1, 5))
    assert repeat_passes(pattern) == 60
    assert repeat_passes(one_track(ALWAYS)) == 1
    assert repeat_passes(one_track(on_pass(1, 1), by_chance(10), Rule(first=True))) == 1
    # A track of 12 steps against one of 16: 48 steps, three passes.
    shaker = Track("shaker", 12, 6, (Step(1),))
    assert repeat_passes(Pattern("slack water", tracks=(shaker,))) == 3
    assert repeat_passes(Pattern("slack water")) == 1


def test_a_repeat_of_fifty_six_digits() -> None:
    pattern = one_track(*(on_pass(1, n) for n in range(1, 129)), length=128)
    assert repeat_passes(pattern) == sympy.ilcm(*range(1, 129))
    assert len(str(repeat_passes(pattern))) == 56


def test_repeats_of_a_memory() -> None:
    alternating = Rule(conditions=(If(None, False),))
    assert repeat_passes(one_track(alternating)) == 2
    # Two such steps in a row: the second undoes the first.
    assert repeat_passes(one_track(alternating, alternating)) == 1
    assert repeat_passes(one_track(alternating, alternating, alternating)) == 2
    assert repeat_passes(one_track(by_chance(50, If(None, False)))) == 1
    # A step that starts afresh every pass leaves nothing to remember.
    assert repeat_passes(one_track(on_pass(1, 3), alternating)) == 3
    short = Track("shaker", 12, 6, (Step(1, alternating),))
    assert repeat_passes(Pattern("slack water", tracks=(short,))) == 3
    # 12 steps twice are 24, and 24 against 16 is 48.
    odd = Track("shaker", 5, 6, (Step(1, alternating),))
    assert repeat_passes(Pattern("slack water", tracks=(odd,))) == 5
    alone = Track("shaker", 16, 6, (Step(1, alternating),))
    many = Track("low drum", 128, 6, tuple(Step(n, on_pass(1, n)) for n in range(1, 129)))
    assert repeat_passes(Pattern("slack water", 128, tracks=(alone, many))) == sympy.ilcm(
        *range(1, 129)
    )


@given(
    patterns(tracks=3, length=3, largest=4, ifs=2),
    st.sampled_from((0, 0, 3)),
    st.booleans(),
    st.integers(0, 300),
)
@rehearsals(200)
def test_the_next_time_a_step_sounds(
    pattern: Pattern, carried: int, fill: bool, begin: int
) -> None:
    until = begin + 900
    chances, _ = carried_along(pattern, until, carried, fill)
    for index, track in enumerate(pattern.tracks):
        for step in track.steps:
            found = next_step(
                pattern, track.name, step.number, begin, carried_passes=carried, fill=fill
            )
            coming = [
                (moment.tick, moment.pass_number, chance)
                for moment, chance in chances.items()
                if (moment.track, moment.step) == (index, step.number) and moment.tick >= begin
            ]
            if found is None:
                # Chances that die away are let go below 1e-17; the player goes on.
                assert all(chance < 1e-16 for _, _, chance in coming)
                continue
            if not coming:
                assert found.tick >= until
                continue
            tick, pass_number, chance = min(coming)
            assert (found.tick, found.pass_number) == (tick, pass_number)
            assert abs(found.chance - chance) < 1e-12


@given(
    patterns(tracks=3, length=3, largest=4, ifs=2),
    st.sampled_from((0, 0, 3)),
    st.integers(0, 100),
    st.data(),
)
@rehearsals(250)
def test_the_next_pass_on_which_steps_meet(
    pattern: Pattern, carried: int, begin: int, data: st.DataObject
) -> None:
    every = [
        (index, step.number) for index, track in enumerate(pattern.tracks) for step in track.steps
    ]
    if not every:
        return
    chosen = data.draw(st.lists(st.sampled_from(every), min_size=1, max_size=3, unique=True))
    ticks = pattern.pass_ticks
    found = next_together(
        pattern,
        [(pattern.tracks[track].name, number) for track, number in chosen],
        begin,
        carried_passes=carried,
    )
    # Long enough for the cycles of three rules, or for what is left of the time of a test.
    horizon = min(40, begin // ticks + 30)
    met = None
    for at in range(begin // ticks, horizon):
        low, high = max(begin, at * ticks), (at + 1) * ticks

        def flag(moment: Moment, low: int = low, high: int = high) -> int:
            here = (moment.track, moment.step)
            return 1 << chosen.index(here) if here in chosen and low <= moment.tick < high else 0

        _, ends = carried_along(pattern, high, carried, watched=flag)
        chance = ends.get((1 << len(chosen)) - 1, 0.0)
        if chance > 1e-13:
            met = (carried + at + 1, at * ticks, chance)
            break
    if met is None:
        assert found is None or found.tick >= horizon * ticks
    else:
        assert found is not None
        assert (found.pass_number, found.tick) == met[:2]
        assert abs(found.chance - met[2]) < 1e-12
        names = {(pattern.tracks[track].name, number) for track, number in chosen}
        assert {(each.track, each.step) for each in found.soundings} == names


def test_a_meeting_whose_chance_dies_away_is_found_while_it_lasts() -> None:
    # The first step plays with a chance of 1/4 to the power of its pass: never in the long run.
    silent = If(None, False)
    pattern = one_track(by_chance(25, silent), Rule(conditions=(silent,)), length=3)
    found = next_together(pattern, [("low drum", 1)], 1)
    assert found is not None
    assert (found.pass_number, found.tick, found.chance) == (2, 18, 1 / 16)


@given(
    st.lists(st.lists(st.lists(cycles(7), max_size=2), min_size=1, max_size=3), max_size=4),
    st.integers(1, 500),
    st.sampled_from((0, 1, 32)),
)
@rehearsals(200)
def test_meeting_by_looking_ahead_and_by_congruences_alike(
    choices: list[list[list[Cycle]]], begin: int, looks: int
) -> None:
    """Each list is met if one of its alternatives holds; however few looks ahead are taken."""
    ways = [[PassSet.of(terms) for terms in alternatives] for alternatives in choices]
    found = first_common(ways, begin, looks)
    scanned = (
        at
        for at in range(begin, begin + 420)
        if all(
            any(all(term.holds(at) for term in terms) for terms in alternatives)
            for alternatives in choices
        )
    )
    assert found == next(scanned, None)


def on(pattern: Pattern, step: int, tick: int) -> int | None:
    """The pass on which a step of the low drum next sounds."""
    found = next_step(pattern, "low drum", step, tick)
    return None if found is None else found.pass_number


def test_two_steps_that_take_turns_never_meet() -> None:
    # Common practice, no source.
    pattern = one_track(on_pass(1, 2), on_pass(2, 2))
    assert [on(pattern, 1, tick) for tick in (0, 96, 192, 288)] == [1, 3, 3, 5]
    assert [on(pattern, 2, tick) for tick in (0, 96, 192, 288)] == [2, 2, 4, 4]
    assert next_together(pattern, [("low drum", 1), ("low drum", 2)]) is None


def test_steps_that_meet_by_congruence_or_not_at_all() -> None:
    # K1 of N1 and K2 of N2 meet only if K1 = K2 modulo gcd(N1, N2); then once in lcm(N1, N2).
    pattern = one_track(on_pass(4, 6), on_pass(1, 9), on_pass(2, 9))
    met = next_together(pattern, [("low drum", 1), ("low drum", 2)])
    assert met is not None
    assert met.pass_number == 10
    again = next_together(pattern, [("low drum", 1), ("low drum", 2)], met.tick + 96)
    assert again is not None
    assert again.pass_number == 28
    assert next_together(pattern, [("low drum", 1), ("low drum", 3)]) is None


def test_a_draw_and_its_opposite_never_meet_although_their_cycles_do() -> None:
    pattern = one_track(by_chance(50), Rule(conditions=(If(None, False),)))
    assert next_together(pattern, [("low drum", 1), ("low drum", 2)]) is None
    with_cycle = one_track(
        on_pass(64, 128), Rule((Cycle(3, 127),), (), None, None, (If(None, False),))
    )
    both = next_together(with_cycle, [("low drum", 1), ("low drum", 2)])
    assert both is None


def test_meetings_with_a_track_of_another_length() -> None:
    """A shaker of 12 steps: its own passes lie differently in each pass of the pattern."""
    pattern = Pattern(
        "slack water",
        tracks=(
            Track("low drum", 16, 6, (Step(1, on_pass(2, 4)),)),
            Track("shaker", 12, 6, (Step(1, on_pass(1, 5)),)),
        ),
    )
    # Shaker passes 1, 6, 11, 16 ... begin at steps 0, 60, 120, 180 ...: passes 1, 4, 8, 12 ...
    steps = [60 * turn for turn in range(100)]
    passes = [step // 16 + 1 for step in steps]
    met = next_together(pattern, [("low drum", 1), ("shaker", 1)])
    assert met is not None
    assert met.pass_number == next(at for at in passes if at % 4 == 2)


def test_the_meeting_of_a_rule_for_every_prime_is_computed_not_scanned() -> None:
    primes = [each for each in range(2, 128) if sympy.isprime(each)]
    pattern = one_track(*(on_pass(n - 1, n) for n in primes), length=64)
    met = next_together(pattern, [("low drum", at + 1) for at in range(len(primes))], 1)
    assert met is not None
    # Pass -1 modulo every prime: one before their product.
    assert met.pass_number == sympy.prod(primes) - 1
    assert met.chance == 1.0


def test_next_times_far_away() -> None:
    around = int(sympy.ilcm(*range(1, 129)))
    pattern = one_track(on_pass(1, 127), off_pass((1, 2), (2, 3)), Rule(first=True))
    ticks = around * FAR * 96
    found = next_step(pattern, "low drum", 1, ticks)
    assert found is not None
    assert found.tick == ticks
    found = next_step(pattern, "low drum", 2, ticks)
    assert found is not None
    # Of passes 1, 2, 3, 4, 5, 6 of six, 1, 3, 5 are left out, and 2 and 5: the fourth is next.
    assert found.tick == ticks + 3 * 96 + 6
    assert next_step(pattern, "low drum", 3, 1000) is None


def test_a_step_that_never_sounds() -> None:
    pattern = one_track(
        on_pass(1, 4),
        Rule((Cycle(2, 4),), conditions=(If(None, True),)),
        Rule((Cycle(1, 2), Cycle(2, 2))),
        by_chance(0),
        Rule(fill=True),
    )
    assert next_step(pattern, "low drum", 2) is None
    assert next_step(pattern, "low drum", 3) is None
    assert next_step(pattern, "low drum", 4) is None
    assert next_step(pattern, "low drum", 5) is None
    assert next_step(pattern, "low drum", 5, fill=True) is not None
    assert next_step(one_track(Rule(conditions=(If(None, True),))), "low drum", 1) is None


@given(
    st.integers(1, 12), st.integers(1, 12), st.integers(1, 6), st.integers(1, 6), st.integers(0, 4)
)
def test_on_one_tick_two_steps_meet_where_a_walk_over_all_ticks_finds_them(
    length: int, step: int, n: int, m: int, carried: int
) -> None:
    """A track of 16 sixteenths beside one of `length`: both ticks are written down and compared."""
    number = min(step, length)
    long = Track("low drum", 16, 6, (Step(5, Rule((Cycle(1, n),))),))
    short = Track("shaker", length, 6, (Step(number, Rule((Cycle(1, m),))),))
    pattern = Pattern("slack water", tracks=(long, short))
    start = carried * 96
    first = {k * n * 96 + 24 for k in range(300)}
    other = {k * m * length * 6 + 6 * (number - 1) for k in range(5000)}
    both = [tick - start for tick in sorted(first & other) if tick >= start]
    found = next_at_once(pattern, [("low drum", 5), ("shaker", number)], carried_passes=carried)
    assert (None if found is None else found.tick) == next(iter(both), None)
