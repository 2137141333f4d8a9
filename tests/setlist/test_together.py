"""Steps together, repeats, layers and what braces cut in two: how they read, each fault once."""
# ruff: noqa: E501

from __future__ import annotations

import random
from pathlib import Path

import pytest
import yaml

from companion.counting import Cycle, PassSet
from companion.setlist import SetListError
from companion.setlist.course import length_of, planned_layers
from companion.setlist.reading import read_set_list, read_text
from companion.setlist.text import BadText, parse_rule, step_numbers, time_of_day

NIGHT = Path(__file__).parents[2] / "setlists" / "tidewater-long-night.yaml"
WRONG = """\
set: Tidewater
curfew: 2330
instruments:
  drums: {port: "*drum*"}
  pads: {}
patterns:
  a:
    tracks:
      x: {steps: {1, 5: always, 9: always}}
      y:
        steps: {1: pass 1, 3 of 4}
      z:
        steps:
          1-4: always
          3: chance 20%
          5: {rule: not pass 1, 3 of 4, what: bell}
          6, 6: always
          20: always
          7: pass 1, 9 of 4
songs:
  - song: S
    on: drumz
    then: stopp
    also: [{on: pads, program: 4}, {on: pads, program: 5}]
    parts:
      - {pattern: a, phrases: 2, about: 3 phrases, program: 1}
      - repeat: 3
        parts:
          - {pattern: a, about: 3}
          - repeat: 2
            parts:
              - {pattern: a, cues: [{at: bar 5 beat 7, say: x}, {at: pass 2 step 19, say: open, then close}]}
              - repeat: 2
                parts: []
          - {pattern: b, with: [{pattern: a, on: drums}, {pattern: a}]}
      - repeat: x
        parts: [{pattern: a}]
"""
SAID = """\
2:9: `2330` is no time of day; write `23:30`
9:19: in braces a comma ends an entry, and so `1` stands alone; put what belongs together in quotes: `"1, 5": always`
11:20: in braces a comma ends an entry, and so `3 of 4` stands alone; put it in quotes: `1: "pass 1, 3 of 4"`
15:11: step 3 is here a second time, first on line 14; keep one of the two
16:21: in braces a comma ends an entry, and so `3 of 4` stands alone; put it in quotes: `rule: "not pass 1, 3 of 4"`
17:11: `6, 6` names step 6 twice; name it once
18:11: this pattern has 16 steps and no step 20; write 1 to 16, or a longer `length:`
19:14: `pass 1, 9 of 4` names a pass that never comes; the numbers before `of` are from 1 to 4
22:9: no instrument is called `drumz`; did you mean `drums`?
23:11: `stopp` will not do here; did you mean `stop`?
24:41: `pads` is told twice at the start of this part; keep one program for each instrument
26:34: `phrases` says when this part ends, and `about` that you say it; keep one of the two
29:33: `3` does not say of what; write `3 phrases`
32:91: in braces a comma ends an entry, and so `then close` stands alone; put it in quotes: `say: "open, then close"`
33:17: a `repeat` stands in one other at most; write the parts out, or the inner block as often as it is to be played
35:23: no pattern is called `b`; write `a`
35:58: an entry of `with` needs `on`; write `on:` and the name of an instrument
36:17: `x` will not do here; write a whole number from 1 to 2000
"""


def test_every_fault_is_told_once_and_in_its_own_place() -> None:
    with pytest.raises(SetListError) as caught:
        read_text(WRONG, "t.yaml")
    told = [line.removeprefix("t.yaml:") for line in caught.value.lines]
    assert told == SAID.splitlines()


def test_steps_written_together_are_the_steps_written_out() -> None:
    assert step_numbers("1, 5,9 , 13") == (1, 5, 9, 13)
    assert step_numbers("1-4, 8") == (1, 2, 3, 4, 8)
    for wrong in ("", "0", "4-1", "1-", "1,,2", "2, 1-3", "one", "1025"):
        with pytest.raises(BadText):
            step_numbers(wrong)


def test_a_number_after_a_comma_belongs_to_pass() -> None:
    assert parse_rule("pass 1, 3 of 4, chance 50%").cycles == (Cycle(1, 4, more=(3,)),)
    assert parse_rule("not pass 2, 4 of 4").cycles == (Cycle(2, 4, True, (4,)),)
    for wrong in ("pass 1, 3", "pass 1, 5 of 4", "pass 1, 1 of 4", "pass 1 of 2, 3 of 4"):
        with pytest.raises(BadText):
            parse_rule(wrong)


@pytest.mark.parametrize("seed", range(40))
def test_several_passes_hold_where_a_plain_count_says_so(seed: int) -> None:
    dice = random.Random(seed)
    n = dice.randint(2, 40)
    named = dice.sample(range(1, n + 1), dice.randint(1, min(n, 9)))
    negated = dice.random() < 0.5
    passes = PassSet.of([Cycle(named[0], n, negated, tuple(named[1:]))])
    for at in range(1, 4 * n):
        # The pass of N that it is, counted from 1.
        assert (at in passes) == (((at - 1) % n + 1 in named) != negated)


def test_a_bare_time_is_what_yaml_makes_of_it_and_a_quoted_one_as_written() -> None:
    assert yaml.safe_load("curfew: 23:30") == {"curfew": 1410}
    assert time_of_day("23:30") == time_of_day("1410") == 1410
    assert time_of_day("0:15") == 15
    for wrong in ("2330", "24:30", "12:60", "late", "23"):
        with pytest.raises(BadText):
            time_of_day(wrong)


def test_a_repeat_stands_for_its_parts_written_out_and_2000_are_the_most() -> None:
    head = "set: T\npatterns: {a: {}, b: {}}\nsongs:\n  - song: S\n    parts:\n"
    block = "      - repeat: {}\n        parts: [{{pattern: a}}, {{pattern: b, phrases: 2}}]\n"
    found = read_text(head + block.format(3), "t.yaml").parts
    assert [part.pattern.name for part in found] == ["a", "b"] * 3
    assert [part.number for part in found] == [1, 2, 3, 4, 5, 6]
    assert len(read_text(head + block.format(1000), "t.yaml").parts) == 2000
    with pytest.raises(SetListError, match="2002 parts"):
        read_text(head + block.format(1001), "t.yaml")


def test_a_night_of_forty_minutes_takes_fewer_than_twenty_lines_a_song() -> None:
    night = read_set_list(NIGHT)
    seconds = length_of(night).seconds
    assert (len(night.songs), round((seconds or 0) / 60)) == (6, 40)
    text = NIGHT.read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    assert len(lines) < 20 * 6
    assert max(map(len, text.splitlines())) <= 100


def test_a_layer_counts_on_until_it_is_told_or_begins_again() -> None:
    night = read_set_list(NIGHT)
    slack = list(planned_layers(night))[:8]
    # Six phrases of eight bars, then three and two of them in turn: 768 ticks a phrase.
    assert [plans[0].ticks // 768 for plans in slack[:7]] == [0, 6, 9, 11, 14, 16, 19]
