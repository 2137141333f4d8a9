"""What cannot be done is refused in one line with status 1, and disturbs nobody."""

from __future__ import annotations

import subprocess

import pytest

from tests.midi.players import Stage, agrees
from tests.midi.sets import DRUM, LONG_FIRST_PART


def assert_refused(done: subprocess.CompletedProcess[str]) -> str:
    """One line on standard error, none elsewhere, status 1; returns the line."""
    assert done.returncode == 1, done
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    return line


def test_a_second_engine_is_refused_and_the_first_goes_on(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(LONG_FIRST_PART)
    machine.do("start")
    machine.reach(50)
    agrees(stage, machine)
    setlist = stage.write(LONG_FIRST_PART)
    second = stage.run("engine", setlist, "--api", "jack", "--in", "*drum out*")
    assert "already running" in assert_refused(second)
    agrees(stage, machine)
    stage.status_when(sure=True)


@pytest.mark.parametrize("option", ["--in", "--out"])
def test_a_port_that_is_not_there_is_named(stage: Stage, option: str) -> None:
    stage.drum(*DRUM)
    done = stage.run("engine", stage.write(LONG_FIRST_PART), "--api", "jack", option, "nosuch*")
    line = assert_refused(done)
    assert "nosuch*" in line
    # What there is instead helps more than what there is not.
    assert "tide drum" in line


def test_without_an_engine_there_is_no_status_and_nothing_to_stop(stage: Stage) -> None:
    assert_refused(stage.run("status", "--json"))
    assert_refused(stage.run("stop"))


def test_stop_ends_the_engine_and_frees_the_ports(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    engine = stage.engine(LONG_FIRST_PART)
    machine.do("start")
    machine.reach(20)
    assert stage.run("stop").returncode == 0
    assert engine.process.wait(timeout=10) == 0
    assert_refused(stage.run("status", "--json"))
