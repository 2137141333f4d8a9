"""What stands on paper, held against the rules as they are written and the clock's arithmetic."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from companion.counting import Cycle
from companion.setlist import load
from companion.setlist.reading import read_text
from companion.sheet import as_object, cue_sheet
from tests.builders import SHIPPED

SET = """\
set: Tidewater
instruments:
  drums: {port: "*drum*", channel: 10, change: {programs_from: 0}}
  pads: {port: "*pads*", change: {takes_effect: at once}}
patterns:
  slack water:
    phrase: 4 bars
    tracks:
      low drum: {steps: {1: always, 16: pass 4 of 4, 9: {rule: chance 25%, what: ghost}}}
      shaker: {length: 12, steps: {10: {rule: pass 3 of 5, what: "reverse swell"}}}
  ebb line:
    meter: 3/4
    length: 12
    phrase: 5 passes
    tracks:
      bell: {steps: {1: {rule: pass 1 of 2, watch: true}}}
songs:
  - song: Slack water
    tempo: 120
    parts:
      - pattern: slack water
        on: drums
        program: 0
        also: [{on: pads, program: 7}]
        phrases: 2
        cues:
          - {at: last 2 beats, fill: 2 beats}
          - {at: pass 3, unmute: shaker}
          - {every: 2 bars, say: breathe}
          - {at: start, mute: [shaker, low drum]}
          - {at: end, do: restore}
      - {pattern: ebb line, on: drums, program: 12, phrases: 3}
  - song: Ebb
    parts:
      - pattern: ebb line
        cues:
          - {at: last 1 bar, fill: 1 bar}
          - {at: bar 30, say: "half way"}
          - {every: phrase, say: "stay or go?"}
"""


def on_paper(text: str = SET) -> dict[str, Any]:
    return as_object(cue_sheet(read_text(text, "tidewater.yaml"), "0123abcd", "2031-05-02"))


def test_parts_stand_in_order_with_their_lengths_and_programs() -> None:
    first, second = on_paper()["songs"][0]["parts"]
    assert [first[key] for key in ("part", "name", "pattern", "on")] == [
        1, "slack water", "slack water", "drums",
    ]  # fmt: skip
    # Eight bars of 4/4 at 120 beats a minute: 2 s each.
    assert (first["bars"], first["seconds"]) == (8, 16.0)
    # As the display shows it, which counts from 0.
    assert first["program"] == 0
    assert first["programs"] == [
        {"on": "drums", "program": 0, "bank": None},
        {"on": "pads", "program": 7, "bank": None},
    ]
    # Fifteen passes of three quarter notes at half a second.
    assert (second["bars"], second["seconds"]) == (15, 22.5)


def test_what_the_performer_decides_has_no_length() -> None:
    document = on_paper()
    assert document["version"] == 1
    assert [song["bars"] for song in document["songs"]] == [23, None]
    assert [song["seconds"] for song in document["songs"]] == [38.5, None]
    assert document["seconds"] is None
    (part,) = document["songs"][1]["parts"]
    assert (part["bars"], part["seconds"], part["on"], part["program"]) == (None,) * 4
    # What comes before an end that is not known has no place yet.
    assert part["cues_before_the_end"] == [
        {"when": "last 1 bar", "text": "hold the fill for 1 bar"}
    ]
    places = [(cue["bar"], cue["beat"], cue["text"]) for cue in part["cues"]]
    assert places == [(1, 1, "stay or go?"), (30, 1, "half way")]


def test_cues_stand_in_the_order_in_which_they_come() -> None:
    cues = on_paper()["songs"][0]["parts"][0]["cues"]
    assert [(cue["bar"], cue["beat"], cue["text"]) for cue in cues] == [
        (1, 1, "mute shaker and low drum"),
        (2, 1, "breathe"),
        (3, 1, "unmute shaker"),
        (4, 1, "breathe"),
        (6, 1, "breathe"),
        (8, 1, "breathe"),
        (8, 3, "hold the fill for 2 beats"),
        (9, 1, "restore the pattern"),
    ]


def test_rare_steps_stand_with_their_own_tracks_passes() -> None:
    rare = on_paper()["songs"][0]["parts"][0]["rare"]
    found = {(step["track"], step["step"]): step for step in rare}
    assert found["low drum", 16]["passes"] == [4, 8]
    assert found["low drum", 9]["passes"] == list(range(1, 9))
    assert (found["low drum", 9]["chance"], found["low drum", 9]["what"]) == (0.25, "ghost")
    # 128 steps hold ten passes of twelve and two thirds of one; 3 and 8 are of the rule.
    assert found["shaker", 10]["passes"] == [3, 8]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_plain_rule_of_the_shipped_sets_falls_where_it_says(path: Path) -> None:
    setlist = load(path)
    document = as_object(cue_sheet(setlist, "", ""))
    parts = [part for song in document["songs"] for part in song["parts"]]
    looked = 0
    for part, shown in zip(setlist.parts, parts, strict=True):
        until = part.likely_ticks
        listed = {(step["track"], step["step"]): step["passes"] for step in shown["rare"]}
        for track in part.pattern.tracks:
            for step in track.steps:
                match step.rule.cycles:
                    case [Cycle(k, n, negated=False, more=())] if n >= 3 and not (
                        step.rule.conditions or step.rule.fill or step.rule.first is False
                    ):
                        # Every N passes from K on, as far as the part goes.
                        ticks = track.length * track.step_ticks
                        at = (step.number - 1) * track.step_ticks
                        passes = [
                            p
                            for p in range(k, until // ticks + 2, n)
                            if (p - 1) * ticks + at < until
                        ]
                        assert listed.get((track.name, step.number), []) == passes
                        looked += 1
    assert looked > 5


NIGHT = """\
set: Tidewater
curfew: "23:30"
instruments:
  drums: {channel: 10}
  pads: {channel: 2}
patterns:
  ebb line: {phrase: 4 bars, tracks: {bell: {steps: {1: pass 3 of 4}}}}
  drone: {length: 32, phrase: 4 bars, tracks: {low: {steps: {1: pass 2 of 3, 9: first pass}}}}
songs:
  - song: Ebb
    tempo: 120
    on: drums
    notes: "D minor; pads patch: low light"
    then: stop
    parts:
      - repeat: 2
        parts:
          - pattern: ebb line
            name: Ebb A
            program: 13
            phrases: 1
            with: [{pattern: drone, on: pads}]
          - {pattern: ebb line, name: Ebb B, about: 2 phrases}
"""


def test_names_notes_repeats_rough_lengths_and_layers_stand_on_it() -> None:
    document = on_paper(NIGHT)
    (song,) = document["songs"]
    assert song["notes"] == "D minor; pads patch: low light"
    assert [part["name"] for part in song["parts"]] == ["Ebb A", "Ebb B"] * 2
    assert [part["part"] for part in song["parts"]] == [1, 2, 3, 4]
    # A rough length counts as that, and so the song has one: 4 + 8 bars twice, 2 s a bar.
    assert [part["bars"] for part in song["parts"]] == [4, 8, 4, 8]
    assert (song["bars"], song["seconds"], document["seconds"]) == (24, 48.0, 48.0)
    first = song["parts"][0]
    assert first["layers"] == [{"pattern": "drone", "on": "pads"}]
    rare = {(step.get("layer", ""), step["step"]): step["passes"] for step in first["rare"]}
    # Two passes of two bars each.
    assert rare == {("", 1): [3], ("drone", 1): [2], ("drone", 9): [1]}
