"""Who watches over the engine: starts it again, but not for ever, and says why it gave up."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from companion.cli import live
from companion.cli.live import WAITS_S, Supervisor
from companion.link.endpoint import EngineLock, NoEngine
from tests.engine.waiting import until


def process(code: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-S", "-c", code])


class Engines:
    """Stand-ins for engines, started one after the other; `code` is what the next will do."""

    def __init__(self, code: str) -> None:
        self.code = code
        self.words = ""
        self.started: list[subprocess.Popen[bytes]] = []
        self.supervisor = Supervisor(self.next(), self.next, lambda: self.words)

    def next(self) -> subprocess.Popen[bytes]:
        self.started.append(process(self.code))
        return self.started[-1]

    def close(self) -> None:
        self.supervisor.close()
        for each in self.started:
            each.kill()
            each.wait()


PLAYS = "import time; time.sleep(60)"
DIES = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"


@pytest.fixture
def engines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Engines]:
    monkeypatch.setenv("COMPANION_STATE_DIR", str(tmp_path))
    # The pauses are the user's, not this test's.
    monkeypatch.setattr(live, "WAITS_S", (0.0,) * len(WAITS_S))
    engines = Engines(PLAYS)
    yield engines
    engines.close()


def test_one_that_is_killed_is_started_again(engines: Engines) -> None:
    engines.started[0].kill()
    until(lambda: len(engines.started) == 2, "another engine")
    assert engines.started[1].poll() is None
    assert engines.supervisor.trouble == ""


def test_meanwhile_whoever_looks_is_told_to_wait(engines: Engines) -> None:
    with pytest.raises(NoEngine, match="the engine is being started again"):
        engines.supervisor.find()


def test_one_that_ends_as_it_should_is_left_alone(engines: Engines) -> None:
    engines.code = "pass"
    engines.started[0].kill()
    until(lambda: len(engines.started) == 2, "another engine")
    assert engines.started[1].wait(timeout=20) == 0
    until(lambda: not engines.supervisor.watching, "nobody watches any more")
    assert len(engines.started) == 2
    assert engines.supervisor.trouble == ""


def test_one_that_keeps_dying_is_given_up_and_the_reason_is_told(engines: Engines) -> None:
    engines.code = DIES
    engines.started[0].kill()
    until(lambda: engines.supervisor.trouble, "it is given up")
    assert len(engines.started) == 1 + len(WAITS_S)
    assert "SIGKILL" in engines.supervisor.trouble
    with pytest.raises(NoEngine, match="SIGKILL"):
        engines.supervisor.find()


def test_its_own_last_words_are_the_better_reason(engines: Engines) -> None:
    engines.code, engines.words = "raise SystemExit(1)", "no MIDI system answers here"
    engines.started[0].kill()
    until(lambda: engines.supervisor.trouble, "it is given up")
    assert "no MIDI system answers here" in engines.supervisor.trouble


def test_once_the_screen_is_closed_none_is_started(engines: Engines) -> None:
    engines.supervisor.close()
    engines.started[0].kill()
    until(lambda: not engines.supervisor.watching, "nobody watches any more")
    assert len(engines.started) == 1


def test_an_engine_of_somebody_else_is_left_to_him(engines: Engines) -> None:
    with EngineLock() as lock:
        lock.publish(4711, "token", "Tidewater")
        engines.started[0].kill()
        until(lambda: not engines.supervisor.watching, "nobody watches any more")
    assert len(engines.started) == 1
    assert engines.supervisor.trouble == ""


def test_one_on_its_way_is_ended_with_the_screen(engines: Engines) -> None:
    engines.supervisor.end()
    assert engines.started[0].poll() == -signal.SIGTERM
    assert len(engines.started) == 1
