"""A set of three songs over a real MIDI connection: songs that end, a layer, a jump.

The drum machine judges by its own count, and the sampler says what it was told.
"""

from __future__ import annotations

from tests.midi.players import Event, Machine, Stage, until

NIGHT = """\
set: Tidewater
first: send
instruments:
  drums:
    port: "*drum in*"
    channel: 10
    change: {takes_effect: pattern end, send_before: 1 beat}
  sampler:
    port: "*sampler in*"
    channel: 3
    change: {programs_from: 0, takes_effect: at once}
clock: {from: drums}
patterns:
  slack water: {length: 8, phrase: 2 passes}
  drone: {length: 6, tracks: {low: {steps: {1: always, 4: pass 3 of 3}}}}
songs:
  - song: Slack water
    tempo: 150
    on: drums
    then: stop
    parts:
      - {pattern: slack water, program: 12, phrases: 1,
         with: [{pattern: drone, on: sampler, program: 7}]}
      - {pattern: slack water, program: 13, phrases: 1, with: [{pattern: drone, on: sampler}]}
  - song: Ebb
    tempo: 150
    on: drums
    also: [{on: sampler, program: 8}]
    then: stop
    parts:
      - {pattern: slack water, program: 14, phrases: 1, with: [{pattern: drone, on: sampler}]}
      - {pattern: slack water, program: 15, with: [{pattern: drone, on: sampler}]}
  - song: Flood
    tempo: 150
    on: drums
    parts:
      - {pattern: slack water, program: 16,
         with: [{pattern: drone, on: sampler, program: 9}]}
"""
# Two passes of eight sixteenths of six clocks; the layer's pass is six sixteenths.
PART, LAYER_PASS = 96, 36


def layer(stage: Stage, machine: Machine, began: int) -> Event:
    """Where the program is, and its layer, both as the machine counts before and after.

    `began` is the tick of the machine at which the sampler's pattern began.
    """
    before, seen, after = machine.where(), stage.status(), machine.where()
    part_start = after["tick"] - after["tick_in_part"]
    assert before["tick_in_part"] <= seen["tick"] <= after["tick_in_part"]
    (found,) = seen["layers"]
    here = seen["tick"] + part_start - began
    assert (found["pattern"], found["on"], found["tick"]) == ("drone", "sampler", here)
    assert (found["pass"], found["step"]) == (here // LAYER_PASS + 1, here % LAYER_PASS // 6 + 1)
    return seen


def told(machine: Machine, count: int) -> list[list[int]]:
    until(lambda: len(machine.messages) >= count, f"{count} messages")
    return machine.messages


def test_songs_end_in_silence_layers_count_on_and_a_jump_tells_all(stage: Stage) -> None:
    machine = stage.drum("--program", "11")
    sampler = stage.sampler()
    stage.engine(NIGHT)
    # Before anything is started both have what part 1 wants.
    assert told(machine, 1) == [[0xC9, 11]]
    assert told(sampler, 1) == [[0xC2, 7]]
    machine.do("start")
    machine.reach(20)
    assert layer(stage, machine, began=0)["part"] == 1
    machine.reach(PART + 20)
    # The next part has the same layer, and nobody told the sampler anything: it counts on.
    seen = layer(stage, machine, began=0)
    assert (seen["part"], seen["stop_at_end"], seen["next"]["part"]) == (2, True, 3)
    machine.reach(2 * PART + 20)
    seen = layer(stage, machine, began=0)
    assert (seen["part"], seen["next_change"]) == (2, None)
    assert len(machine.messages) == 2
    machine.do("stop")
    # Once it is silent, the next song's programs go out.
    assert told(machine, 3)[2:] == [[0xC9, 13]]
    assert told(sampler, 2)[1:] == [[0xC2, 8]]
    machine.events.clear()
    machine.do("start")
    machine.reach(20)
    assert layer(stage, machine, began=0)["part"] == 3
    # A jump over part 4: each instrument gets what it would have had by then.
    stage.run("tell", "part 5")
    machine.reach(PART + 20)
    seen = layer(stage, machine, began=machine.of("took")[-1]["at_tick"])
    assert seen["part"] == 5
    assert machine.messages == [[0xC9, 15]]
    assert sampler.messages[2:] == [[0xC2, 9]]
    # And back into the first song: program 7 is written two parts before that one.
    taken = len(machine.of("took"))
    stage.run("tell", "part 2")
    boundary = machine.wait_for("took", taken + 1)["at_tick"]
    machine.reach(boundary + 20)
    assert layer(stage, machine, began=boundary)["part"] == 2
    assert machine.messages[1:] == [[0xC9, 12]]
    assert sampler.messages[3:] == [[0xC2, 7]]


EARLY = """\
set: Tidewater
instruments:
  drums:
    port: "*drum in*"
    channel: 10
    change: {takes_effect: pattern end, send_before: 1 beat}
  sampler:
    port: "*sampler in*"
    channel: 3
    change: {programs_from: 0, takes_effect: at once, send_before: 8 steps}
clock: {from: drums}
patterns:
  slack water: {length: 16, phrase: 1 pass, meter: 4/4}
songs:
  - song: Slack water
    tempo: 150
    on: drums
    parts:
      - {pattern: slack water, program: 12, phrases: 2, also: [{on: sampler, program: 7}]}
      - {pattern: slack water, program: 13, also: [{on: sampler, program: 8}]}
"""


def test_what_was_told_early_and_a_stop_took_away_is_put_right_by_the_next_start(
    stage: Stage,
) -> None:
    machine = stage.drum("--program", "11", "--length", "96")
    sampler = stage.sampler()
    stage.engine(EARLY)
    stage.run("tell", "send programs")
    assert told(sampler, 1) == [[0xC2, 7]]
    assert told(machine, 1) == [[0xC9, 11]]
    machine.do("start")
    # Eight steps of six clocks before the boundary at 192; the drums are told a beat before it.
    assert told(sampler, 2)[1:] == [[0xC2, 8]]
    machine.do("stop")
    assert 144 <= machine.where()["tick"] < 168
    seen = stage.status_when(state="stopped", part=1)
    assert seen["sure"]
    assert len(machine.messages) == 1
    machine.do("start")
    assert told(sampler, 3)[2:] == [[0xC2, 7]]
    # And on as planned: both are told of part 2 in its time, once.
    machine.reach(192 + 20)
    assert stage.status_when(part=2, sure=True)["part"] == 2
    assert sampler.messages[3:] == [[0xC2, 8]]
    assert machine.messages[1:] == [[0xC9, 12]]
