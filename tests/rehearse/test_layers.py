"""What plays beside a part, and songs that end in silence, in a rehearsal."""

from __future__ import annotations

import pytest

from companion.engine.reload import Incoming, Viewer
from companion.follow.follower import Listeners
from companion.rehearse import Loop
from companion.setlist import load
from tests.rehearse.hall import HEAD, Opened
from tests.rehearse.judge import Judge

BESIDE = (
    HEAD
    + """\
      low drum: {note: 36, steps: {1: always, 5: pass 3 of 3}}
  drone:
    length: 20
    phrase: 1 passes
    tracks:
      hum: {note: 60, steps: {1: pass 1 of 3, 5: "chance 50%", 9: if last played, 13: first pass}}
songs:
  - song: Slack water
    tempo: 118
    then: stop
    parts:
      - pattern: slack water
        on: drums
        program: 1
        phrases: 2
        with: [{pattern: drone, on: pads}]
      - {pattern: ebb line, on: drums, program: 2, phrases: 2, with: [{pattern: drone, on: pads}]}
  - song: Ebb
    tempo: 118
    parts:
      - {pattern: slack water, on: drums, phrases: 2}
"""
)
# The drone alone, as a part of its own: what it does is judged by its own count.
DRONE = BESIDE.replace("- pattern: slack water", "- pattern: drone")


def judged(text: str, part: int, ticks: list[set[int]], notes: set[int], tick: int = 0) -> None:
    judge = Judge(text)
    judge.begin(part, tick)
    for heard in ticks:
        judge.hear(heard & notes)
    assert not judge.wrong, judge.wrong[:5]


@pytest.mark.parametrize("seed", range(4))
def test_a_layer_counts_on_from_part_to_part(opened: Opened, seed: int) -> None:
    hall = opened(BESIDE, now=True, seed=seed).tick(192 + 288)
    ticks = hall.listener.ticks
    judged(BESIDE, 1, ticks[:192], {36})
    judged(BESIDE, 2, ticks[192:], {36})
    judged(DRONE, 1, ticks, {60})
    seen = hall.look()
    assert (seen.layers[0].tick, seen.tick) == (479, 287)


def test_in_a_loop_a_layer_stands_where_the_set_has_it(opened: Opened) -> None:
    hall = opened(BESIDE, now=True, loop=Loop(1, 3), seed=2).until_over()
    ticks = hall.listener.ticks
    for begin in range(0, len(ticks), 240):
        judged(BESIDE, 1, ticks[begin : begin + 96], {36}, tick=96)
        judged(BESIDE, 2, ticks[begin + 96 : begin + 240], {36})
        judged(DRONE, 1, ticks[begin : begin + 240], {60}, tick=96)
    assert len(ticks) == 3 * 240


def test_a_song_ends_in_silence_and_the_next_waits_for_its_start(opened: Opened) -> None:
    hall = opened(BESIDE, now=False)
    hall.wish("start")
    hall.tick(480 + 60)
    seen = hall.look()
    assert (seen.state, seen.part) == ("stopped", 3)
    assert not hall.listener.sounding
    hall.wish("start")
    hall.until_over()
    assert hall.rehearsing.played == [[1, 192], [2, 288], [3, 192]]
    assert [what for what, _ in hall.listener.transport] == [0xFA, 0xFC, 0xFA, 0xFC]
    judged(BESIDE, 3, hall.listener.ticks[480:], {36, 60})


def test_a_set_saved_meanwhile_is_played_on_from_the_same_tick(opened: Opened) -> None:
    # It comes with the next phrase, which is the second.
    hall = opened(BESIDE, now=True, seed=1).tick(50)
    text = BESIDE.replace("8: pass 2 of 2", "3: pass 2 of 2, 5: always")
    hall.file.write_text(text)
    setlist = load(hall.file)
    hall.engine._expect(Incoming(setlist, Listeners(setlist), Viewer(setlist), "new"))
    hall.tick(142)
    hall.tick(100)
    judged(BESIDE, 1, hall.listener.ticks[:96], {36})
    judged(text, 1, hall.listener.ticks[96:192], {36}, tick=96)
    assert hall.look().part == 2
    judged(text, 2, hall.listener.ticks[192:], {36})
