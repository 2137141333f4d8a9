"""Whatever happens to a screen, the engine misses no tick and no change."""

from __future__ import annotations

import signal

from companion.screen.terminal import HUNG_UP
from tests.midi.players import PATIENCE_S, Stage, agrees, until
from tests.midi.sets import BEAT, DRUM, LONG_FIRST_END, LONG_FIRST_PART

# Five seconds of clock at 150 beats a minute, 60 clocks a second.
FIVE_SECONDS = 300


def test_screens_that_are_killed_and_frozen_cost_no_tick_and_no_change(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(LONG_FIRST_PART)
    recorder = stage.recorder()
    killed, frozen, well = stage.screen(), stage.screen(), stage.screen()
    for screen in (killed, frozen, well):
        screen.shows("slack water")
    machine.do("start")
    machine.reach(60)
    frozen.send_signal(signal.SIGSTOP)
    here = machine.where()["tick"]
    killed.send_signal(signal.SIGKILL)
    killed.process.wait()
    for tick in range(here, here + FIVE_SECONDS, BEAT):
        machine.reach(tick)
        agrees(stage, machine)
    stage.status_when(sure=True)
    assert well.process.poll() is None
    # Still frozen, the first part ends.
    assert machine.wait_for("took")["at_tick"] == LONG_FIRST_END
    until(lambda: recorder.programs, "the recorder has heard it as well")
    assert [e["program"] for e in recorder.programs] == [12]
    assert machine.messages == [[0xC9, 12]]
    status = agrees(stage, machine)
    assert (status["part"], status["clock"]["lost"]) == (2, 0)
    # Thawed, the screen catches up.
    frozen.drawn = b""
    frozen.send_signal(signal.SIGCONT)
    frozen.shows("plank")
    assert frozen.process.poll() is None


def test_closing_a_screen_leaves_the_engine_running(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    engine = stage.engine(LONG_FIRST_PART)
    machine.do("start")
    screen = stage.screen()
    screen.shows("slack water")
    screen.send_signal(signal.SIGHUP)
    screen.process.wait(timeout=PATIENCE_S)
    engine.assert_alive()
    assert agrees(stage, machine)["state"] == "running"


def test_a_screen_whose_terminal_is_gone_ends_unsignalled_and_leaves_the_engine(
    stage: Stage,
) -> None:
    machine = stage.drum(*DRUM)
    engine = stage.engine(LONG_FIRST_PART)
    machine.do("start")
    screen = stage.screen()
    screen.shows("slack water")
    screen.hang_up()
    assert screen.process.wait(timeout=PATIENCE_S) == HUNG_UP
    engine.assert_alive()
    assert agrees(stage, machine)["state"] == "running"


def test_a_killed_engine_leaves_the_field_to_the_next(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    engine = stage.engine(LONG_FIRST_PART)
    machine.do("start")
    machine.reach(20)
    engine.process.send_signal(signal.SIGKILL)
    engine.process.wait()
    gone = stage.run("status", "--json")
    assert (gone.returncode, len(gone.stderr.splitlines())) == (1, 1)
    stage.engine(LONG_FIRST_PART)
    machine.do("stop")
    machine.do("start")
    machine.reach(60)
    agrees(stage, machine)
    stage.status_when(sure=True)
