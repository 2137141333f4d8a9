"""The engine's count against the instrument's own, over a real MIDI connection."""

from __future__ import annotations

import json
import time

from companion.follow.conductor import UNSEEN_NS
from tests.midi.players import Machine, Stage, agrees, until
from tests.midi.sets import (
    DRUM,
    FIRST_END,
    FIRST_PASS,
    LONG_FIRST_END,
    LONG_FIRST_PART,
    THREE_PARTS,
)


def drum(stage: Stage, *words: str) -> Machine:
    return stage.drum(*DRUM, *words)


def test_the_status_names_what_is_counted(stage: Stage) -> None:
    machine = drum(stage, "--bpm", "240")
    stage.engine(LONG_FIRST_PART)
    machine.do("start")
    machine.reach(100)
    status = agrees(stage, machine)
    assert status["song"] == "Slack water"
    assert status["pattern"] == "slack water"
    tick = status["tick"]
    # A step is six clocks, a beat 24, a bar of 4/4 96 (common practice, no source).
    assert status["step"] == tick % FIRST_PASS // 6 + 1
    assert status["bar"] == tick // 96 + 1
    assert status["beat"] == tick % 96 // 24 + 1
    assert status["phrase"]["ticks_left"] == FIRST_END - tick % FIRST_END
    assert status["next_change"]["ticks"] == LONG_FIRST_END - tick
    assert abs(status["tempo"] - 240) < 10
    assert "tide drum out" in status["clock"]["port"]


def test_a_clock_that_runs_while_stopped_moves_nothing(stage: Stage) -> None:
    machine = drum(stage, "--idle-clock")
    stage.engine(THREE_PARTS)
    ready = stage.status_when(state="ready")
    assert ready["tick"] == 0
    machine.do("start")
    machine.reach(50)
    agrees(stage, machine)
    machine.do("stop")
    stopped = stage.status_when(state="stopped")
    assert stopped["tick"] == machine.where()["tick"]
    # A bar of idle clock goes by.
    clocks = machine.where()["clocks"]
    until(lambda: machine.where()["clocks"] >= clocks + 96, "a bar of clock")
    still = stage.status()
    assert (still["state"], still["tick"]) == ("stopped", stopped["tick"])
    machine.do("continue")
    machine.reach(stopped["tick"] + 30)
    agrees(stage, machine)
    stage.status_when(sure=True)


def test_stop_and_continue_keep_the_place_and_start_begins_anew(stage: Stage) -> None:
    machine = drum(stage)
    stage.engine(LONG_FIRST_PART)
    machine.do("start")
    machine.reach(70)
    machine.do("stop")
    stopped = stage.status_when(state="stopped")
    assert stopped["tick"] == machine.where()["tick"]
    machine.do("continue")
    machine.reach(stopped["tick"] + 40)
    agrees(stage, machine)
    stage.status_when(sure=True)
    machine.do("stop")
    stage.status_when(state="stopped")
    machine.do("start")
    stage.status_when(state="running")
    status = agrees(stage, machine)
    assert status["part"] == 1
    machine.reach(FIRST_PASS + 10)
    assert agrees(stage, machine)["pass"] == 2


def test_a_song_position_moves_the_count_there(stage: Stage) -> None:
    machine = drum(stage)
    stage.engine(LONG_FIRST_PART)
    machine.do("start")
    machine.reach(30)
    machine.do("stop")
    stage.status_when(state="stopped")
    # Song positions count sixteenths, six clocks each: 32 of them are 192 clocks (MIDI 1.0 Detailed
    # Specification 4.2.1, System Common Messages, from memory).
    machine.do("position", sixteenths=32)
    stage.status_when(state="stopped", tick=192)
    machine.do("continue")
    machine.reach(210)
    assert agrees(stage, machine)["tick"] >= 210
    stage.status_when(sure=True)
    machine.do("stop")
    stage.status_when(state="stopped")
    machine.do("position", sixteenths=0)
    machine.do("continue")
    stage.status_when(state="running")
    assert agrees(stage, machine)["tick"] < 192


def test_the_part_changes_at_its_place_after_a_song_position(stage: Stage) -> None:
    machine = drum(stage)
    stage.engine(LONG_FIRST_PART)
    machine.do("start")
    machine.reach(10)
    machine.do("stop")
    stage.status_when(state="stopped")
    machine.do("position", sixteenths=(LONG_FIRST_END - 2 * FIRST_PASS) // 6)
    machine.do("continue")
    assert machine.wait_for("took")["at_tick"] == LONG_FIRST_END
    assert agrees(stage, machine)["part"] == 2


def test_joining_in_the_middle_is_unsure_and_sends_nothing(stage: Stage) -> None:
    machine = drum(stage)
    machine.do("start")
    machine.reach(FIRST_END // 2)
    stage.engine(THREE_PARTS)
    joined = until(lambda: s if (s := stage.status())["state"] != "waiting" else None, "the clock")
    assert joined["sure"] is False
    # A part and its change would have gone by.
    machine.reach(machine.where()["tick"] + FIRST_END + 2)
    assert stage.status()["sure"] is False
    assert machine.messages == []
    # A start settles it.
    machine.do("stop")
    machine.do("start")
    assert machine.wait_for("took")["at_tick"] == FIRST_END
    agrees(stage, machine)
    stage.status_when(sure=True)


def test_an_instrument_that_vanishes_is_lost_and_is_followed_again(stage: Stage) -> None:
    machine = drum(stage)
    stage.engine(LONG_FIRST_PART)
    machine.do("start")
    machine.reach(50)
    agrees(stage, machine)
    machine.process.kill()
    machine.process.wait()
    killed = time.monotonic()
    lost = stage.look_when(lambda look: look.state == "lost", "lost")
    assert not lost.sure
    # The engine looks for ports twice a second; until it has missed this one, nothing was pulled.
    stage.look_when(lambda look: len(look.troubles) == 2, "the engine misses input and output")
    again = drum(stage)
    stage.look_when(lambda look: not look.troubles, "the engine has the ports again")
    # However fast the computer is: long enough for a person to have chosen another pattern.
    until(lambda: time.monotonic() - killed > UNSEEN_NS / 1e9 + 0.5, "it was unheard for long")
    again.do("start")
    again.reach(60)
    assert agrees(stage, again)["doubt_kind"] == "part"
    assert stage.run("tell", "confirm").returncode == 0
    stage.look_when(lambda look: look.sure, "sure")
    agrees(stage, again)


def test_ports_tell_which_input_sends_clock(stage: Stage) -> None:
    machine = drum(stage)
    stage.sampler()
    machine.do("start")
    done = stage.run("ports", "--api", "jack", "--json")
    assert done.returncode == 0, done.stderr
    ports = json.loads(done.stdout)
    clock = {port["name"]: port["clock"] for port in ports["inputs"]}
    assert {name.split(":")[1]: ticks for name, ticks in clock.items()} == {
        "tide drum out": True,
        "tide sampler out": False,
    }
    names = {port["name"].split(":")[1] for port in ports["outputs"]}
    assert names >= {"tide drum in", "tide sampler in"}
