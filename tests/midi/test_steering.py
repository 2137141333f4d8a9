"""Each wish of the set list from a pad; the drum machine's own count says what came of it.

Presses are made where a finger's delay changes nothing; where it might, the machine's count before
and after the press says what is right.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from tests.midi.players import Machine, Pad, Stage
from tests.midi.sets import BEAT, DRUMS, PASS, PHRASE

DRUM = ("--program", "11", "--length", "48", "--lengths", '{"14": 96}')
# The fourth part's pass; the lead of a change is a beat.
LONG_PASS = 96

OPEN_PARTS = (
    DRUMS
    + """\
    tells: {fill: {controller: 80}}
patterns:
  slack water:
    length: 8
    phrase: 2 passes
    tracks:
      shaker: {steps: {5: {rule: fill, what: spray}}}
  plank: {length: 8, phrase: 2 passes}
  ebb line: {length: 8, phrase: 2 passes}
  breakwater: {length: 16, phrase: 2 passes}
songs:
  - song: Slack water
    tempo: 150
    parts:
      - {pattern: slack water, on: drums, program: 12}
      - {pattern: plank, on: drums, program: 13}
      - {pattern: ebb line, on: drums, program: 14}
      - {pattern: breakwater, on: drums, program: 15}
      - {pattern: ebb line, on: drums, program: 16}
controls:
  - {press: {note: 60, port: "*pad*"}, wish: next}
  - {press: {note: 60, port: "*pad*", long: true}, wish: part 1}
  - {press: {program: 3, channel: 16, port: "*pad*"}, wish: next pass}
  - {press: {controller: 64, port: "*pad*", toggle: true}, wish: stay}
  - {press: {controller: 65, port: "*pad*"}, wish: fill}
  - {press: {controller: 66, port: "*pad*", toggle: true}, wish: fill}
  - {press: {controller: 67, port: "*pad*"}, wish: part 4}
  - {press: {controller: 68, port: "*pad*"}, wish: now}
  - {press: {program: 4, channel: 16, port: "*pad*"}, wish: undo}
  - {press: {note: 62, port: "*pad*"}, wish: undo}
  - {press: {program: 5, channel: 16, port: "*pad*"}, wish: disarm}
  - {press: {controller: 69, port: "*pad*"}, wish: arm}
  - {press: {note: 63, port: "*pad*"}, wish: confirm}
  - {press: {note: 70, port: "*pad*"}, wish: align}
  - {press: {controller: 71, port: "*pad*"}, wish: align bar}
  - {press: {program: 6, channel: 16, port: "*pad*"}, wish: align pass}
  - {press: {note: 72, port: "*pad*"}, wish: align phrase}
  - {press: {note: 73, port: "*pad*"}, wish: nudge forward a pass}
  - {press: {note: 73, port: "*pad*", long: true}, wish: nudge back a pass}
  - {press: {program: 7, channel: 16, port: "*pad*"}, wish: nudge forward a phrase}
  - {press: {controller: 74, port: "*pad*"}, wish: nudge back a phrase}
"""
)
# Phrases of four passes, 192 clocks: time to change one's mind.
LONG_PHRASES = OPEN_PARTS.replace("phrase: 2 passes", "phrase: 4 passes")
LONG_PHRASE = 192
PLANNED_PARTS = OPEN_PARTS.replace("program: 12}", "program: 12, phrases: 1}").replace(
    "program: 13}", "program: 13, phrases: 1}"
)
AT_ONCE = OPEN_PARTS.replace("pattern end, send_before: 1 beat", "at once")
# A bar of 48 clocks, a pass of 96, a phrase of 192, and a beat of twelve.
COUNTED = OPEN_PARTS.replace(
    "length: 8\n    phrase: 2 passes", "length: 16\n    meter: 4/8\n    phrase: 2 passes"
)
BAR, SHORT_BEAT = 48, 12


def press_program(pad: Pad, shown: int) -> None:
    """Press what sends a program change on channel 16; programs are counted from 1."""
    pad.send(0xCF, shown - 1)


def press_controller(pad: Pad, number: int) -> None:
    """Press and let go of a key that sends a controller on channel 1."""
    pad.send(0xB0, number, 127)
    pad.send(0xB0, number, 0)


def breathe(machine: Machine) -> None:
    """Let six clocks go by, a tenth of a second: nobody presses the same key again sooner."""
    machine.reach(machine.where()["tick"] + 6)


def asked(machine: Machine, press: Callable[[], None]) -> range:
    """Press something; the ticks, by the machine's count, of which one is that of the press."""
    before = machine.where()["tick"]
    press()
    # The message is on its way for less than two clocks.
    return range(before, machine.where()["tick"] + 3)


def ends(unit: int, presses: range, start: int = 0) -> set[int]:
    """Where a `unit` ends that a change pressed for within `presses` can still be sent for."""
    return {((t - start + BEAT) // unit + 1) * unit + start for t in presses}


def test_next_ends_a_phrase_next_pass_a_pass_and_a_long_press_goes_back(stage: Stage) -> None:
    machine, pad = stage.drum(*DRUM), stage.pad()
    stage.engine(OPEN_PARTS)
    machine.do("start")
    machine.reach(4)
    presses = asked(machine, lambda: pad.hit(60))
    first = machine.wait_for("took")
    assert first["program"] == 12
    assert first["at_tick"] in ends(PHRASE, presses)
    # Its own clock of the boundary is still on its way, and a press before that is refused.
    stage.status_when(part=2)
    presses = asked(machine, lambda: press_program(pad, 3))
    second = machine.wait_for("took", 2)
    assert second["program"] == 13
    assert second["at_tick"] in ends(PASS, presses, first["at_tick"])

    def hold() -> None:
        pad.press(60)
        stage.look_when(lambda s: s.change_part == 1, "a long press asks for part 1")
        pad.let_go(60)

    presses = asked(machine, hold)
    third = machine.wait_for("took", 3)
    assert third["program"] == 11
    assert third["at_tick"] in ends(PHRASE, presses, second["at_tick"])
    assert machine.messages == [[0xC9, 12], [0xC9, 13], [0xC9, 11]]
    stage.status_when(part=1, sure=True)


def test_a_part_by_its_number_at_the_phrase_and_now_at_the_running_pass(stage: Stage) -> None:
    machine, pad = stage.drum(*DRUM), stage.pad()
    stage.engine(OPEN_PARTS)
    machine.do("start")
    machine.reach(4)
    presses = asked(machine, lambda: press_controller(pad, 67))
    first = machine.wait_for("took")
    assert first["program"] == 14
    assert first["at_tick"] in ends(PHRASE, presses)
    assert stage.status_when(part=4)["next_change"] is None
    presses = asked(machine, lambda: press_controller(pad, 68))
    second = machine.wait_for("took", 2)
    assert second["program"] == 15
    assert second["at_tick"] in ends(LONG_PASS, presses, first["at_tick"])
    # The machine is told with the press itself, as it waits for the end of its pass by itself.
    assert machine.of("heard")[1]["tick"] in presses
    stage.status_when(part=5, sure=True)


def test_now_is_at_once_on_an_instrument_that_changes_at_once(stage: Stage) -> None:
    machine, pad = stage.drum(*DRUM, "--at-once"), stage.pad()
    stage.engine(AT_ONCE)
    machine.do("start")
    machine.reach(7)
    presses = asked(machine, lambda: press_controller(pad, 68))
    took = machine.wait_for("took")
    assert (took["program"], took["at_tick"] in presses) == (12, True)
    seen = stage.look_when(lambda s: s.part == 2, "the second part")
    # It began with the clock after the press.
    assert machine.where()["tick"] - seen.tick >= took["at_tick"]
    # Asked for the next, it is told a clock before the phrase ends, by the engine's count.
    start = machine.where()["tick"] - stage.look().tick
    presses = asked(machine, lambda: pad.hit(60))
    took = machine.wait_for("took", 2)
    assert took["program"] == 13
    assert any(abs(took["at_tick"] - end) <= 2 for end in ends(PHRASE, presses, start))


def test_stay_holds_a_part_past_its_end_and_once_more_lets_it_end(stage: Stage) -> None:
    machine, pad = stage.drum(*DRUM), stage.pad()
    stage.engine(PLANNED_PARTS)
    machine.do("start")
    machine.reach(4)
    pad.send(0xB0, 64, 127)
    seen = stage.look_when(lambda s: s.staying, "the part stays")
    assert (seen.wish, seen.change_part) == ("stay", None)
    machine.reach(PHRASE + 4)
    assert machine.messages == []
    # This switch says on and off by turns; each of them is a press.
    presses = asked(machine, lambda: pad.send(0xB0, 64, 0))
    first = machine.wait_for("took")
    assert first["program"] == 12
    assert first["at_tick"] in ends(PHRASE, presses)
    assert first["at_tick"] > PHRASE


def test_what_was_asked_for_is_taken_back_and_undone(stage: Stage) -> None:
    machine, pad = stage.drum(*DRUM), stage.pad()
    stage.engine(LONG_PHRASES)
    machine.do("start")
    machine.reach(4)

    def pressing(press: Callable[[], None], part: int | None) -> None:
        press()
        stage.look_when(lambda s: s.change_part == part, f"a change to {part}")

    pressing(lambda: pad.press(60), None)
    pressing(lambda: pad.let_go(60), 2)
    pressing(lambda: press_program(pad, 4), None)
    pressing(lambda: press_controller(pad, 67), 4)
    pressing(lambda: pad.press(62), None)
    assert machine.where()["tick"] < LONG_PHRASE - BEAT
    machine.reach(LONG_PHRASE + 4)
    assert machine.messages == []
    assert stage.status()["part"] == 1


def test_a_fill_is_held_for_as_long_as_the_key_or_the_instruments_own(stage: Stage) -> None:
    machine, pad = stage.drum(*DRUM), stage.pad()
    stage.engine(OPEN_PARTS)
    machine.do("start")
    machine.reach(4)

    def sprays(seen: dict[str, object]) -> bool:
        coming = seen["coming"]
        assert isinstance(coming, list)
        return any(each["kind"] == "step" and each["what"] == "spray" for each in coming)

    def held() -> None:
        seen = stage.look_when(lambda s: s.fill, "a fill is held")
        assert any(c.kind == "step" and c.what == "spray" for c in seen.coming)

    def let_go() -> None:
        seen = stage.look_when(lambda s: not s.fill, "no fill is held")
        assert not any(c.what == "spray" for c in seen.coming)

    let_go()
    assert not sprays(stage.status())
    pad.send(0xB0, 65, 127)
    held()
    assert sprays(stage.status())
    pad.send(0xB0, 65, 0)
    let_go()
    # A switch that says on and off by turns, as fast as a foot can press it.
    pad.send(0xB0, 66, 127)
    held()
    breathe(machine)
    pad.send(0xB0, 66, 0)
    let_go()
    machine.do("send", bytes=[0xB9, 80, 127])
    held()
    machine.do("send", bytes=[0xB9, 80, 0])
    let_go()


def test_disarmed_nothing_leaves_armed_again_it_does(stage: Stage) -> None:
    machine, pad = stage.drum(*DRUM), stage.pad()
    stage.engine(PLANNED_PARTS)
    machine.do("start")
    machine.reach(4)
    press_program(pad, 5)
    stage.look_when(lambda s: not s.sending, "nothing is sent")
    machine.reach(PHRASE + 4)
    assert machine.messages == []
    # The performer is taken to have changed the pattern by hand; the set goes on.
    assert stage.status_when(sending=False)["part"] == 2
    press_controller(pad, 69)
    stage.look_when(lambda s: s.sending, "changes are sent again")
    took = machine.wait_for("took")
    assert (took["program"], took["at_tick"]) == (13, 2 * PHRASE)


def shift(stage: Stage, machine: Machine) -> int:
    """How far the engine's count is from the machine's, both standing still."""
    machine.do("stop")
    seen = stage.look_when(lambda s: s.state == "stopped", "the stop is heard")
    return seen.tick - int(machine.where()["tick"])


def test_the_count_is_nudged_by_passes_and_phrases(stage: Stage) -> None:
    machine, pad = stage.drum("--program", "11", "--length", "96"), stage.pad()
    stage.engine(COUNTED)
    machine.do("start")
    machine.reach(4)

    def nudged(press: Callable[[], None], words: str) -> int:
        breathe(machine)
        press()
        stage.look_when(lambda s: s.notice == words, words)
        found = shift(stage, machine)
        machine.do("continue")
        stage.look_when(lambda s: s.state == "running", "it goes on")
        return found

    assert nudged(lambda: press_program(pad, 7), "1 phrase forward") == 192
    assert nudged(lambda: pad.hit(73), "1 pass forward") == 192 + 96
    assert nudged(lambda: press_controller(pad, 74), "1 phrase back") == 96
    assert nudged(lambda: pad.press(73), "1 pass back") == 0
    pad.let_go(73)
    stage.status_when(state="running", sure=True)


def test_the_one_is_now_on_the_part_the_bar_the_pass_and_the_phrase(stage: Stage) -> None:
    machine, pad = stage.drum("--program", "11", "--length", "96"), stage.pad()
    stage.engine(COUNTED)
    machine.do("start")
    before = 0

    def aligned(press: Callable[[], None]) -> tuple[range, int]:
        count = stage.look().notice
        assert count != "aligned: the one is now"
        # While the count is sure it takes two presses, and the first is the moment.
        presses = asked(machine, press)
        stage.look_when(lambda s: s.notice.startswith("the count is sure"), "asked once more")
        # A press that soon would be a contact that bounces.
        time.sleep(0.1)
        press()
        stage.look_when(lambda s: s.notice == "aligned: the one is now", "it is aligned")
        return presses, shift(stage, machine)

    def onward(ticks: int) -> None:
        machine.do("continue")
        press_controller(pad, 69)
        stage.look_when(lambda s: s.notice.startswith("armed"), "another notice")
        machine.reach(machine.where()["tick"] + ticks)

    machine.reach(20)
    presses, moved = aligned(lambda: pad.hit(70))
    # The part began at the very tick of the press.
    assert -moved in presses
    before = moved
    for press, unit in (
        (lambda: press_controller(pad, 71), BAR),
        (lambda: press_program(pad, 6), 96),
        (lambda: pad.hit(72), 192),
    ):
        onward(SHORT_BEAT + 8)
        presses, moved = aligned(press)
        # A unit begins within half a beat of the press, and the count has kept its beat.
        off = {(tick + moved + unit // 2) % unit - unit // 2 for tick in presses}
        assert any(abs(each) <= SHORT_BEAT // 2 for each in off), (presses, moved, off)
        assert (moved - before) % SHORT_BEAT == 0
        assert abs(moved - before) <= unit // 2 + SHORT_BEAT // 2
        before = moved
