"""Advice about steps: those that never play, and those that no part is long enough for."""
# ruff: noqa: E501 (tables, one case a line)

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.counting import Cycle, If, Pattern, Rule, compile_pattern
from companion.setlist import Part
from companion.setlist.advice import Stay, contradiction, silent_steps
from tests.counting.counting_patterns import patterns
from tests.counting.counting_player import ifs_hold, moments, sure_part
from tests.setlist.sheets import edited
from tests.setlist.test_advice import advice_on

# One pass is a bar, and a phrase of 8 bars 8 passes; the part lasts one of them.
EBB = """\
set: Tidewater
patterns:
  ebb:
    tracks:
      bell:
        steps:
          3: pass 1 of 2
          9: pass 2 of 4
      gull:
        steps: {1: always}
      shaker:
        length: 32
        steps: {5: chance 50%}
songs:
  - song: Ebb
    parts:
      - {pattern: ebb, phrases: 1}
"""

NEVER = "this step never plays: "
TOO_LATE = "this step does not come up"

ON_EBB = [
    # Rules that never hold.
    ("pass 1 of 2", "pass 1 of 2, pass 2 of 4", f"7:11: {NEVER}`pass 1 of 2` and `pass 2 of 4` never fall on the same pass; change its rule, or drop it"),
    ("pass 1 of 2", "pass 1 of 2, pass 3 of 4", None),
    ("pass 1 of 2", "pass 1 of 2, not pass 1 of 2", f"7:11: {NEVER}`pass 1 of 2` and `not pass 1 of 2` never fall"),
    ("pass 1 of 2", "not pass 1 of 2, not pass 2 of 4, not pass 4 of 4", f"7:11: {NEVER}its terms leave no pass on which all of them hold"),
    ("pass 1 of 2", "not pass 1 of 1", f"7:11: {NEVER}`not pass 1 of 1` leaves no pass"),
    ("pass 1 of 2", "{rule: 'No  fill, pass 1 of 2, fill', watch: true}", f"7:11: {NEVER}`fill` and `no fill` cannot both hold"),
    ("pass 1 of 2", "first pass, after first pass", f"7:11: {NEVER}`first pass` and `after first pass` cannot both hold"),
    ("pass 1 of 2", "if last played, if last silent", f"7:11: {NEVER}`if last played` and `if last silent` cannot both hold"),
    ("pass 1 of 2", "if last played, if bell silent", f"7:11: {NEVER}its terms exclude one another"),
    ("pass 1 of 2", "chance 0%", f"7:11: {NEVER}its chance is 0"),
    ("pass 1 of 2", "first pass, pass 2 of 4", f"7:11: {NEVER}it asks for the first pass, on which its other terms do not hold"),
    ("pass 1 of 2", "first pass, pass 1 of 4", None),
    ("pass 1 of 2", "fill, no fill, pass 1 of 2, chance 50%", f"7:11: {NEVER}`fill` and `no fill`"),
    # Conditions that are never met.
    ("pass 1 of 2", "if gull played", f"7:11: {NEVER}`gull` has no step with a rule of its own, so it always counts as silent"),
    ("pass 1 of 2", "if gull silent", "7:11: `gull` has no step with a rule of its own, so it always counts as silent; look at another track"),
    ("1: always", "1: if last played", f"10:17: {NEVER}`if last played` finds no other step before it that has a rule"),
    ("1: always", "1: if last silent", None),
    ("1: always", "1: if bell played", None),
    ("1: always", "1: 'if last played', 9: 'chance 0%'", [f"10:17: {NEVER}`if last played` looks at step 9 of `gull`, which never plays", f"10:38: {NEVER}its chance is 0"]),
    ("1: always", "1: 'if last played', 9: if last played", [f"10:17: {NEVER}`if last played` looks at step 9 of `gull`, which never plays", f"10:38: {NEVER}`if last played` looks at step 1 of `gull`, which never plays"]),
    ("1: always", "1: 'if last played', 9: if bell played", None),
    # It looks at the bell's step 3, which plays on pass 1 of 2; the bell's step 9 never comes between.
    ("9: pass 2 of 4", "9: 'chance 0%'\n          10: if gull played", [f"8:11: {NEVER}its chance is 0", f"9:11: {NEVER}`gull` has no step"]),
    ("1: always", "10: if bell played", None),
    # Steps that come too late.
    ("pass 2 of 4", "pass 8 of 8", None),
    ("pass 2 of 4", "pass 16 of 16", f"8:11: {TOO_LATE}: it first plays on pass 16, and part 1 ends after pass 8; let a part last 2 phrases, or change the rule"),
    ("pass 2 of 4", "{rule: pass 16 of 16, watch: false}", None),
    ("pass 2 of 4", "pass 16 of 16, fill", f"8:11: {TOO_LATE}: it first plays on pass 16"),
    ("pass 2 of 4", "pass 16 of 16, if last played", f"8:11: {TOO_LATE}: it first plays on pass 16 at the earliest, and part 1"),
    ("pass 2 of 4", "pass 1 of 16, after first pass", f"8:11: {TOO_LATE}: it first plays on pass 17"),
    # 23129 is 3 modulo 31, 4 modulo 37 and 5 modulo 41 (sympy.ntheory.modular.crt).
    ("pass 2 of 4", "pass 3 of 31, pass 4 of 37, pass 5 of 41", f"8:11: {TOO_LATE}: it first plays on pass 23 129, and part 1 ends after pass 8; change the rule"),
    ("chance 50%", "pass 5 of 5", f"13:17: {TOO_LATE}: it first plays on pass 5 of its track, and part 1 ends after pass 4; let a part last 2 phrases"),
    ("length: 32\n        steps: {5: chance 50%", "length: 48\n        steps: {47: pass 3 of 4", f"13:17: {TOO_LATE}: it first plays on pass 3 of its track, and part 1 ends in pass 3"),
    ("phrases: 1}", "phrases: 1}\n      - {pattern: ebb}", None),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), ON_EBB, ids=lambda text: str(text)[:40])
def test_each_piece_of_advice(old: str, new: str, said: str | list[str] | None) -> None:
    found = advice_on(edited(EBB, (old, new)))
    expected = [said] if isinstance(said, str) else said or []
    assert len(found) == len(expected), found
    for line, begins in zip(found, expected, strict=True):
        assert line.startswith(begins)


def test_a_step_that_any_part_is_long_enough_for_is_none_to_speak_of() -> None:
    late = edited(EBB, ("pass 2 of 4", "pass 16 of 16"))
    one_is = edited(late, ("phrases: 1}", "phrases: 1}\n      - {pattern: ebb, phrases: 2}"))
    assert advice_on(one_is) == []
    none_is = edited(late, ("phrases: 1}", "phrases: 1}\n      - {pattern: ebb, phrases: 1}"))
    assert advice_on(none_is) == [
        "8:11: this step does not come up: it first plays on pass 16, and no part with `ebb` is so "
        "long (part 1 ends after pass 8); let a part last 2 phrases, or change the rule"
    ]


def test_steps_that_come_too_late_are_told_together() -> None:
    late = edited(EBB, ("pass 1 of 2", "pass 9 of 9"), ("pass 2 of 4", "pass 20 of 20"))
    assert advice_on(late) == [
        "7:11: this step does not come up, nor does step 9 of `bell`: it first plays on pass 9, and "
        "part 1 ends after pass 8; let a part last 3 phrases, or change the rules"
    ]
    many = ", ".join(f"{n}: pass 9 of 9" for n in range(1, 10))
    assert advice_on(edited(EBB, ("1: always", many)))[0].startswith(
        "10:17: this step does not come up, nor do step 2 of `gull`, step 3 of `gull`, step 4 of "
        "`gull` and 5 more: it first plays"
    )


def test_an_instrument_that_counts_on_may_reach_in_the_second_part_what_it_missed_in_the_first() -> (
    None
):
    """Without a recount the second part begins with pass 9 of the count."""
    late = edited(
        EBB,
        ("patterns:", "instruments: {drums: {recount: false}}\npatterns:"),
        ("pass 2 of 4", "pass 16 of 16"),
    )
    twice = edited(late, ("phrases: 1}", "phrases: 1}\n      - {pattern: ebb, phrases: 1}"))
    assert len(advice_on(late)) == 1
    assert advice_on(twice) == []
    # After an open part nobody knows what was counted.
    open_first = edited(
        late,
        ("- {pattern: ebb, phrases: 1}", "- {pattern: neap}\n      - {pattern: ebb, phrases: 1}"),
        ("patterns:", "patterns:\n  neap: {}"),
    )
    assert advice_on(open_first) == []


def test_a_first_pass_that_is_not_the_counts_first() -> None:
    """Without a recount the first pass of the second part is pass 9: 1 of 4, and 1 of 8."""
    text = edited(
        EBB,
        ("patterns:", "instruments: {drums: {recount: false}}\npatterns:\n  neap: {}"),
        ("- {pattern: ebb,", "- {pattern: neap, phrases: 1}\n      - {pattern: ebb,"),
        ("pass 2 of 4", "first pass, pass 9 of 9"),
    )
    assert advice_on(text) == []
    assert len(advice_on(edited(text, ("recount: false", "recount: true")))) == 1


CYCLES = [
    Cycle(k, n, negated)
    for n in (1, 2, 3, 4, 6)
    for k in range(1, n + 1)
    for negated in (False, True)
]


def test_cycles_that_exclude_one_another_are_found_as_by_counting() -> None:
    """Reference: look at every pass of a full round, lcm(1, 2, 3, 4, 6) = 12."""
    for a, b in product(CYCLES, CYCLES):
        meets = any(a.holds(n) and b.holds(n) for n in range(1, 13))
        assert (contradiction(Rule(cycles=(a, b))) is None) == meets, (a, b)


def may_sound(pattern: Pattern, until: int, carried: int) -> set[tuple[int, int]]:
    """Every (track, step) that sounds in some performance, with fills held and let go at will.

    Reference: carries along every state that can be reached, one moment after the other.
    """
    states = {(False,) * len(pattern.tracks)}
    found = set()
    for moment, step in moments(pattern, until, carried):
        after = set()
        for state in states:
            plays = step.rule.chance > 0 and ifs_hold(pattern, step.rule, moment.track, list(state))
            for fill in (False, True):
                ends = [False]
                if plays and sure_part(pattern, step.rule, moment, carried, fill):
                    found.add((moment.track, moment.step))
                    ends = [True] if step.rule.chance == 1 else [True, False]
                for end in ends if step.rule.conditional else ():
                    after.add((*state[: moment.track], end, *state[moment.track + 1 :]))
        states = after if step.rule.conditional else states
    return found


@settings(deadline=None)
@given(patterns(largest=9), st.integers(0, 3), st.integers(1, 10))
def test_a_step_that_is_told_to_stay_silent_does(
    pattern: Pattern, carried: int, phrases: int
) -> None:
    pattern = Pattern(
        pattern.name,
        pattern.length,
        pattern.step_ticks,
        phrase_ticks=2 * pattern.pass_ticks,
        tracks=pattern.tracks,
    )
    compiled = compile_pattern(pattern)
    start = carried * pattern.pass_ticks
    length = phrases * pattern.phrase_ticks
    stay = Stay(Part(1, 0, pattern, phrases=phrases), start, start + length)
    never, missed = silent_steps(compiled, [stay])
    told = {*never, *(each.step.index for each in missed)}
    sounds = may_sound(pattern, length, carried)
    for step in compiled.steps:
        heard = (step.track, step.step.number) in sounds
        if step.index in told:
            assert not heard, (step.step, never.get(step.index))
        elif not step.reads and step.rule.conditional:
            # What looks at no other step is told whenever it stays silent.
            assert heard, step.step
    # What never plays does not in a part of any length either.
    later = may_sound(pattern, 3 * length, carried)
    for index in never:
        step = compiled.steps[index]
        assert (step.track, step.step.number) not in later


def test_very_many_terms_that_look_at_other_steps_are_left_alone() -> None:
    """Where it would take long to tell, nothing is told: 1,024 x 3 terms, 1,023 steps apart."""
    steps = ", ".join(f"{n}: if gull played" for n in range(1, 1025))
    text = (
        "set: Tidewater\npatterns:\n  ebb:\n    tracks:\n"
        f"      bell: {{length: 1024, step: 1/32T, steps: {{{steps}}}}}\n"
        "      gull: {length: 1023, step: 1/4, steps: {1: chance 0%}}\n"
        "songs: [{song: Ebb, parts: [{pattern: ebb}]}]\n"
    )
    assert [line.split(";")[0] for line in advice_on(text)] == [
        "6:47: this step never plays: its chance is 0"
    ]


def test_a_condition_is_worded_as_it_was_written() -> None:
    rule = Rule(conditions=(If(None, True), If(None, False)), impossible=True)
    assert contradiction(rule) == "`if last played` and `if last silent` cannot both hold"
    assert contradiction(Rule(impossible=True), "Fill , no  fill") == (
        "`fill` and `no fill` cannot both hold"
    )
    assert contradiction(Rule(impossible=True)) == "its terms exclude one another"
    assert contradiction(Rule(conditions=(If("bell", True), If("bell", True)))) is None
