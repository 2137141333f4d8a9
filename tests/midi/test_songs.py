"""A night of three songs over a real MIDI connection: songs that end, layers, jumps.

Two instruments count for themselves. The drums count their passes, the sampler those of its own
programs by the drums' clock and what it is told; what is shown of the part and of the layer beside
it must lie between what they count before and after, at every look.
"""

from __future__ import annotations

import time

from companion.link.messages import Snapshot
from tests.midi.attempts import Lied
from tests.midi.players import HEARD_S, Event, Machine, Stage, until

NIGHT = """\
set: Tidewater
first: send
instruments:
  drums:
    port: "*drum*"
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
  hum: {length: 10, tracks: {low: {steps: {1: always, 7: pass 2 of 4}}}}
  swell: {length: 8, phrase: 2 passes}
songs:
  - song: Slack water
    tempo: 150
    on: drums
    then: stop
    parts:
      - {pattern: slack water, program: 12, phrases: 2,
         with: [{pattern: drone, on: sampler, program: 7}]}
      - {pattern: slack water, program: 13, phrases: 1, with: [{pattern: drone, on: sampler}]}
  - song: Ebb
    tempo: 150
    on: drums
    also: [{on: sampler, program: 8}]
    then: stop
    parts:
      - {pattern: slack water, program: 14, phrases: 1, with: [{pattern: hum, on: sampler}]}
      - {pattern: slack water, program: 15, with: [{pattern: hum, on: sampler}]}
  - song: Flood
    tempo: 150
    parts:
      - {pattern: swell, on: sampler, program: 9,
         with: [{pattern: slack water, on: drums, program: 16}]}
"""
# What each part is by that: the patterns of drums and sampler, and their programs on the wire.
PLAN = {
    1: (("slack water", "drone"), (11, 7)),
    2: (("slack water", "drone"), (12, 7)),
    3: (("slack water", "hum"), (13, 8)),
    4: (("slack water", "hum"), (14, 8)),
    5: (("slack water", "swell"), (15, 9)),
}
NAMES = ("drums", "sampler")
# Which of the two plays the part; the other one has the layer.
OWN = {5: "sampler"}
# Ticks of a pass on the drums, at whose ends parts begin, and of the sampler's programs: six, ten
# and eight sixteenths.
PASS, SAMPLER_PASSES = 48, '{"7": 36, "8": 60, "9": 48}'
# An instrument that changes at once is told a clock before a boundary, or up to three after it.
NEAR = 4


class Night:
    """Both instruments, and the looks at what is shown of them."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.drums = stage.drum("--program", "0")
        self.sampler = stage.sampler("--program", "0", "--lengths", SAMPLER_PASSES, follows=True)
        stage.engine(NIGHT)

    def where(self) -> tuple[Event, Event]:
        """What both count, by their own word, once the sampler has heard what the drums ticked."""
        drums = self.drums.where()
        heard = until(
            lambda: here if (here := self.sampler.where())["clocks"] >= drums["clocks"] else None,
            f"the sampler hears {drums['clocks']} clocks",
        )
        return drums, heard

    def begins(self, part: int) -> None:
        """Wait until both play the programs of that part."""
        until(
            lambda: tuple(each["program"] for each in self.where()) == PLAN[part][1],
            f"the programs of part {part} play",
        )

    def wait(self, part: int) -> None:
        """Wait until both, stopped, have the programs of that part for the next start."""
        drums, sampler = PLAN[part][1]
        until(
            lambda: (
                [(each["waits"], each["program"])[n] for n, each in enumerate(self.where())]
                == [drums, sampler]
            ),
            f"the programs of part {part} wait",
        )

    def ask(self, wish: str) -> None:
        """Ask for it until it is taken: next to a boundary the change may be out."""
        until(lambda: self.stage.run("tell", wish).returncode == 0, f"{wish} is taken")

    def play(self, part: int, ticks: int) -> Snapshot:
        """Play until so many ticks of this part are over, looking all the while; the last look."""
        self.begins(part)
        seen = None
        while self.drums.where()["tick_in_part"] < ticks or seen is None:
            seen = self.look(part) or seen
        return seen

    def look(self, part: int) -> Snapshot | None:
        """A look that lies between what both count; None where one of them may be changing."""
        before = self.drums.where(), self.sampler.where()
        time.sleep(HEARD_S)
        seen = self.stage.look()
        after = self.where()
        near = [(each["tick"] + NEAR) // PASS for each in (before[0], after[0])]
        if near[0] != near[1] or (before[0]["tick"] + NEAR) % PASS < 2 * NEAR:
            return None
        assert len(seen.layers) == 1
        layer = seen.layers[0]
        shown = {
            seen.instrument: (seen.pattern, seen.tick, seen.pass_number, seen.step),
            layer.instrument: (layer.pattern, layer.tick, layer.pass_number, layer.step),
        }
        right = (seen.part, seen.instrument) == (part, OWN.get(part, "drums"))
        for n, name in enumerate(NAMES):
            pattern, tick, *place = shown[name]
            early, late = before[n], after[n]
            right &= pattern == PLAN[part][0][n] and late["program"] == PLAN[part][1][n]
            right &= early["tick_in_part"] <= tick <= late["tick_in_part"]
            right &= [early["pass"], early["step"]] <= place <= [late["pass"], late["step"]]
        if not right:
            raise (Lied if seen.sure else AssertionError)((part, seen.part, before, shown, after))
        return seen


def test_songs_end_in_silence_and_layers_count_on(stage: Stage) -> None:
    night = Night(stage)
    # Before anything is started both have what part 1 wants.
    night.wait(1)
    night.drums.do("start")
    night.play(1, 150)
    # The next part has the same layer, and nobody told the sampler anything: it counts on.
    seen = night.play(2, 60)
    assert (seen.stop_at_end, seen.song_over, seen.next_number) == (True, False, 3)
    # Past its end nothing is sent, and both count on.
    seen = night.play(2, 96 + 60)
    assert seen.song_over
    assert [len(each.messages) for each in (night.drums, night.sampler)] == [2, 1]
    night.drums.do("stop")
    # Once it is silent, the next song's programs go out, and wait for the start.
    night.wait(3)
    night.drums.do("start")
    night.play(3, 70)
    night.play(4, 96 + 60)
    assert [message[1] for message in night.drums.messages] == [11, 12, 13, 14]
    assert [message[1] for message in night.sampler.messages] == [7, 8]


def test_each_jump_tells_all(stage: Stage) -> None:
    night = Night(stage)
    night.wait(1)
    night.drums.do("start")
    night.play(1, 30)
    # Into another song, without a stop: the part is the sampler's, the drums have the layer.
    night.ask("part 5")
    night.play(5, 120)
    # Back to a part of which program 7 is written one part before.
    night.ask("part 2")
    night.play(2, 30)
    # Its layer is told its program again, as is written, and begins with the part.
    night.ask("previous")
    night.play(1, 40)
    night.ask("next song")
    night.play(3, 30)
    # By the drums' own change: that program is not sent to them again. The sampler has its own
    # already, and counts on.
    night.drums.do("choose", program=14)
    night.play(4, 70)
    night.drums.do("choose", program=12)
    night.play(2, 70)
    assert [message[1] for message in night.sampler.messages] == [7, 9, 7, 7, 8, 7]
    sent = [message[1] for message in night.drums.messages]
    # What a wish came just too late for was out before it, and is played for a phrase.
    assert [program for program in sent if program != 12] == [11, 15, 11, 13]


def told(machine: Machine, count: int) -> list[list[int]]:
    until(lambda: len(machine.messages) >= count, f"{count} messages")
    return machine.messages


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
