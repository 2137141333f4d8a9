"""A set that says the same thing a thousand times keeps it once, in the engine too."""

from __future__ import annotations

from pathlib import Path

from companion.counting import If
from companion.setlist import SetList
from companion.setlist.loading import load_apart, packed
from companion.setlist.reading import read_text

LONG = "\n".join(
    [
        "set: Tidewater",
        "patterns:",
        *(
            f"  tide {n}: {{tracks: {{bell: {{steps: {{1: pass 1 of 4, 9: chance 50%}}}}, "
            "gull: {steps: {1: 'PASS 1 of 4', 9: 'chance 50%, pass 1 of 4'}}}}"
            for n in range(20)
        ),
        "songs:",
        "  - song: Tide",
        "    parts:",
        *(f"      - pattern: tide {n}" for n in range(20)),
    ]
)


def different_objects(tide: SetList) -> tuple[int, int]:
    """How many step and rule objects there are in all."""
    steps = [step for part in tide.parts for track in part.pattern.tracks for step in track.steps]
    assert len(steps) == 80
    return len({id(step) for step in steps}), len({id(step.rule) for step in steps})


def test_equal_steps_and_rules_are_one_object_each() -> None:
    # Step 1, step 9, and step 9 with one more term; two of the rules are equal.
    assert different_objects(read_text(LONG, "tide.yaml")) == (3, 3)


def test_they_still_are_after_coming_from_the_child_that_read_them(tmp_path: Path) -> None:
    file = tmp_path / "tide.yaml"
    file.write_text(LONG, encoding="utf-8")
    assert different_objects(load_apart(file)) == (3, 3)
    assert len(packed(load_apart(file))) < 10_000


def test_steps_that_differ_in_anything_stay_apart() -> None:
    steps = "{1: {rule: fill}, 2: {rule: fill, what: gull}, 3: {rule: fill, watch: true}}"
    tide = read_text(
        "set: Tidewater\n"
        f"patterns: {{neap: {{tracks: {{bell: {{steps: {steps}}}, gull: {{steps: {steps}}}}}}}}}\n"
        "songs: [{song: Neap, parts: [{pattern: neap}]}]\n",
        "tide.yaml",
    )
    bell, gull = tide.parts[0].pattern.tracks
    assert [(step.number, step.what, step.watch) for step in bell.steps] == [
        (1, "", None),
        (2, "gull", None),
        (3, "", True),
    ]
    assert bell.steps is gull.steps


def test_the_same_words_mean_the_tracks_of_their_own_pattern() -> None:
    tide = read_text(
        "set: Tidewater\n"
        "patterns:\n"
        "  ebb: {tracks: {bell: {}, gull: {steps: {1: if bell played}}}}\n"
        "  flow: {tracks: {Bell: {}, gull: {steps: {1: if bell played}}}}\n"
        "songs: [{song: Ebb, parts: [{pattern: ebb}, {pattern: flow}]}]\n",
        "tide.yaml",
    )
    rules = [part.pattern.tracks[1].steps[0].rule for part in tide.parts]
    assert [rule.conditions for rule in rules] == [(If("bell", True),), (If("Bell", True),)]
