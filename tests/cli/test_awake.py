"""The computer is kept awake while a set is played, or it is said that it is not."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import pytest

from companion.cli.awake import Awake, command


@pytest.mark.parametrize(
    ("platform", "first"), [("linux", "systemd-inhibit"), ("darwin", "caffeinate")]
)
def test_each_system_has_a_command_that_ends_with_us(platform: str, first: str) -> None:
    words = command(platform, 4711)
    assert words is not None
    assert words[0] == first
    # By our number, or by its standard input.
    assert "4711" in words or words[-1] == "cat"
    assert command("win32", 4711) is None


def test_where_there_is_no_such_command_it_is_said() -> None:
    awake = Awake("linux", find=lambda name: None)
    assert awake.trouble == (
        "the computer may fall asleep: there is no systemd-inhibit; switch that off in its settings"
    )
    awake.close()


def test_where_the_system_refuses_it_is_said() -> None:
    awake = Awake("linux", words=[sys.executable, "-c", "raise SystemExit(1)"])
    for _ in range(200):
        if awake.trouble:
            break
        time.sleep(0.01)
    assert awake.trouble.startswith("the computer may fall asleep: ")
    awake.close()


def test_it_ends_when_the_program_is_killed() -> None:
    lives = "import sys; print(1, flush=True); sys.stdin.read()"
    code = (
        "import sys, time; from companion.cli.awake import Awake\n"
        f"a = Awake('linux', words=[sys.executable, '-c', {lives!r}])\n"
        "print(a._process.pid, flush=True); time.sleep(60)"
    )
    ours = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert ours.stdout is not None
    child = int(ours.stdout.readline())
    assert os.path.exists(f"/proc/{child}") or sys.platform != "linux"
    ours.kill()
    ours.wait()
    for _ in range(300):
        if not _lives(child):
            break
        time.sleep(0.01)
    assert not _lives(child)


def _lives(pid: int) -> bool:
    try:
        with open(f"/proc/{pid}/stat", encoding="ascii") as stat:
            return stat.read().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_it_lets_go_when_it_is_closed() -> None:
    awake = Awake("linux", words=[sys.executable, "-c", "import sys; sys.stdin.read()"])
    process = awake._process
    assert process is not None
    assert awake.trouble == ""
    awake.close()
    assert process.poll() is not None
