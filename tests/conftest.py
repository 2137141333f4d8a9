"""The JACK server of a run and a stage for each rehearsal, which want the machine to themselves."""

from __future__ import annotations

import os
import signal
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.midi import attempts, jack
from tests.midi.players import Stage

# Each test file, and each of some hundred processes, would be compiled anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# A run in the background, or under nohup, ignores what ends a program, and all it starts would too.
for number, usual in ((signal.SIGINT, signal.default_int_handler), (signal.SIGHUP, signal.SIG_DFL)):
    if signal.getsignal(number) is signal.SIG_IGN:
        signal.signal(number, usual)

# How long an example takes says how busy the machine is.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")


@pytest.hookimpl(trylast=True)
def pytest_configure(config: pytest.Config) -> None:
    """Of two workers: what a worker tells of its reruns leaves at once.

    Else each test waits for 40 ms: two small packets in a row, and the other side's late answer.
    """
    told = getattr(getattr(config, "failures_db", None), "sock", None)
    if isinstance(told, socket.socket):
        told.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark those that hear a clock over JACK: beside others at work it would not be in time."""
    for item in items:
        if "jack_server" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.alone)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name the rehearsals that failed once and not again."""
    for report in terminalreporter.getreports("passed"):
        for what, why in report.user_properties if report.when == "call" else ():
            if what == attempts.ONCE:
                terminalreporter.write_line(f"{what}: {report.nodeid}: {why.splitlines()[0]}")


@pytest.fixture(scope="session")
def jack_server() -> Iterator[str]:
    """The name of a running JACK server."""
    with attempts.server(jack.SYNCHRONOUS) as name:
        yield name


@pytest.fixture
def stage(jack_server: str, tmp_path: Path) -> Iterator[Stage]:
    """An empty stage; everybody who was asked onto it leaves at the end."""
    stage = Stage(tmp_path, jack.environment(jack_server))
    yield stage
    stage.close()
