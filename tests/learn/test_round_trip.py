"""The tests' own instrument plays, a file is written, and what is learned is held against more.

A draft is right if it foretells another performance: no step plays that may not, none that must
stays silent, and no note lies where the draft has no step. What it gets wrong must be a step that
it says to be unsure of, or be wrong as rarely as "95 percent sure" allows.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

import pytest
from scipy.stats import binom

from companion.counting import Pattern, Rule
from companion.learn.draft import draft
from companion.learn.heard import read_midi_file
from companion.learn.learner import Learned, learn
from companion.learn.rules import SETTLED
from companion.setlist import SetList, load
from companion.setlist.reading import read_text
from tests.bench.bench_learn import a_pattern
from tests.learn.judge import foretell, hearing_of
from tests.learn.player import CLEAN, Hand, Struck, struck, write_file
from tests.nightly import one_in

SETS = sorted((Path(__file__).parents[2] / "setlists").glob("*.yaml"))
DRUMS = 9


def keys_of(setlist: SetList) -> dict[str, tuple[int, int]]:
    """A note for each name of a track, as an instrument with many sounds has it."""
    names = {track.name: None for part in setlist.parts for track in part.pattern.tracks}
    return {name: (DRUMS, 36 + at) for at, name in enumerate(names)}


def longest(pattern: Pattern) -> int:
    """Ticks of the longest rule of a pattern."""
    return max(
        track.pass_ticks
        * max([cycle.n for step in track.steps for cycle in step.rule.cycles], default=1)
        for track in pattern.tracks
    )


@dataclass
class Verdict:
    """How a draft did: steps said to be sure, of these the wrong ones, and notes on no step."""

    sure: int
    wrong: list[str]
    unheard: int


def verdict(
    learned: Learned, at: int, pattern: Pattern, keys: dict[str, tuple[int, int]]
) -> Verdict:
    """Hold one learned pattern, as drafted, against 64 more passes of what it was learned from."""
    parts = read_text(draft(learned, "a test"), "draft").parts
    drafted = {part.pattern.name: part.pattern for part in parts}
    one = learned.patterns[at]
    places = {each.name: (each.channel, each.note or 0) for each in one.tracks}
    ticks = max(64 * pattern.pass_ticks, 2 * longest(pattern))
    more = struck(pattern, ticks, keys, random.Random(99))
    found = foretell(drafted[one.name], places, more, ticks)
    steps = {(each.name, step.number): step for each in one.tracks for step in each.steps}
    sure = [key for key, step in steps.items() if step.probability >= SETTLED]
    wrong = [f"{key}: {steps[key].rule}" for key in sorted(found.wrong) if key in set(sure)]
    return Verdict(len(sure), wrong, found.unheard)


def as_sure_as_said(verdicts: list[Verdict]) -> bool:
    """Whether no more are wrong than one in twenty allows, in 99 of 100 such tests."""
    sure = sum(each.sure for each in verdicts)
    wrong = sum(len(each.wrong) for each in verdicts)
    return wrong <= binom.ppf(0.99, sure, 1.0 - SETTLED)


@pytest.mark.parametrize("path", one_in(2, SETS), ids=lambda path: path.stem)
def test_a_night_played_once_is_a_set_list(path: Path, tmp_path: Path) -> None:
    """Each part for twice its longest rule: parts, programs and lengths as they were, and rules."""
    setlist = load(path)
    keys = keys_of(setlist)
    rng = random.Random(4)
    notes: list[Struck] = []
    programs = []
    begin = 0
    played = []
    for part in setlist.parts:
        passes = -(-max(2 * longest(part.pattern), 768) // part.pattern.pass_ticks)
        ticks = passes * part.pattern.pass_ticks
        notes += struck(part.pattern, ticks, keys, rng, begin=begin)
        for change in part.changes:
            channel = setlist.instruments[change.instrument].channel
            programs.append((max(0, begin - 24), channel, change.program))
        if part.changes or not played:
            played.append((part, begin, ticks))
        else:
            # Without a change nothing tells that another part has begun.
            before, since, so_far = played.pop()
            assert before.pattern == part.pattern
            played.append((before, since, so_far + ticks))
        begin += ticks
    file = tmp_path / "night.mid"
    write_file(file, notes, end=begin, programs=programs)
    learned = learn(read_midi_file(file))
    assert [(each.begin, each.ticks) for each in learned.parts] == [each[1:] for each in played]
    for mine, (part, _, _) in zip(learned.parts, played, strict=True):
        told = {
            (setlist.instruments[each.instrument].channel, each.program) for each in part.changes
        }
        assert {(each.channel, each.program) for each in mine.changes} == told
    verdicts = []
    for mine, (part, _, _) in zip(learned.parts, played, strict=True):
        verdicts.append(verdict(learned, mine.pattern, part.pattern, keys))
    assert as_sure_as_said(verdicts), [each.wrong for each in verdicts]
    # A step that is not heard at all (a fill, a rare chance) cannot be written.
    assert sum(each.unheard for each in verdicts) <= 0.01 * len(notes)


def random_night(seed: int, tmp_path: Path, hand: Hand, passes: int) -> Verdict:
    rng = random.Random(seed)
    pattern, _ = a_pattern(rng, tracks=4)
    keys = {track.name: (DRUMS, 36 + at) for at, track in enumerate(pattern.tracks)}
    ticks = passes * pattern.pass_ticks
    file = tmp_path / f"{seed}.mid"
    write_file(file, struck(pattern, ticks, keys, rng, hand=hand), end=ticks)
    return verdict(learn(read_midi_file(file)), 0, pattern, keys)


@pytest.mark.parametrize("hand", [CLEAN, Hand(lost=0.02, noise=0.1, doubled=0.01)])
def test_random_patterns_come_back_from_files(hand: Hand, tmp_path: Path) -> None:
    verdicts = [random_night(seed, tmp_path, hand, 32) for seed in range(12)]
    assert as_sure_as_said(verdicts), [each.wrong for each in verdicts]
    assert sum(each.sure for each in verdicts) > 100


@pytest.mark.nightly
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("passes", [16, 32, 64])
def test_hundreds_of_random_patterns_come_back_from_files(passes: int, tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(1 << 30)
    print(f"seed {seed}")
    hand = Hand(lost=0.02, noise=0.1, doubled=0.01)
    verdicts = [random_night(seed + at, tmp_path, hand, passes) for at in range(300)]
    assert as_sure_as_said(verdicts), [each.wrong for each in verdicts]


@pytest.mark.parametrize("kind", ["always", "chance", "cycle"])
def test_what_follows_another_step_is_found(kind: str) -> None:
    """`if last played` behind a step that chance decides; never behind one that a cycle does."""
    text = {"always": "always", "chance": "chance 50%", "cycle": "pass 2 of 4"}[kind]
    setlist = read_text(
        f"""
set: Tidewater
patterns:
  slack water:
    tracks:
      low drum: {{steps: {{1: always, 5: always, 9: always}}}}
      snap: {{steps: {{1: always, 7: "{text}", 8: if last played}}}}
      shaker: {{steps: {{3: always, 10: if snap silent}}}}
songs: [{{song: Slack water, parts: [{{pattern: slack water}}]}}]
""",
        "set",
    )
    pattern = setlist.parts[0].pattern
    keys = keys_of(setlist)
    learned = learn(hearing_of(struck(pattern, 48 * 96, keys, random.Random(2)), 48 * 96))
    rules = {
        each.note: {step.number: str(step.rule) for step in each.steps}
        for each in learned.patterns[0].tracks
    }
    if kind == "chance":
        name = learned.patterns[0].tracks[1].name
        assert rules[37][8] == "if last played"
        assert rules[38][10] == f"if {name} silent"
    else:
        assert not any("if" in rule for each in rules.values() for rule in each.values())
    assert not verdict(learned, 0, pattern, keys).wrong


def test_a_rule_that_cannot_be_told_yet_is_said_to_be_in_doubt() -> None:
    pattern = (
        read_text(
            """
set: Tidewater
patterns:
  slack water:
    tracks: {low drum: {steps: {1: always, 7: always, 16: pass 4 of 16}}}
songs: [{song: Slack water, parts: [{pattern: slack water}]}]
""",
            "set",
        )
        .parts[0]
        .pattern
    )
    assert pattern.tracks[0].steps[0].rule == Rule()
    keys = {"low drum": (DRUMS, 36)}
    learned = learn(hearing_of(struck(pattern, 12 * 96, keys, random.Random(2)), 12 * 96))
    step = learned.patterns[0].tracks[0].steps[-1]
    assert (step.number, step.heard, step.of) == (16, 1, 12)
    assert step.probability < 0.5
    assert learned.doubtful == 1
    line = next(each for each in draft(learned, "a test").splitlines() if " 16: " in each)
    assert "% sure" in line
