"""The JACK server of a run, and a stage for each rehearsal."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.midi import jack
from tests.midi.attempts import TIMEOUT_S, rehearse, server
from tests.midi.players import Stage

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give the rehearsals here the time that they may need."""
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.timeout(TIMEOUT_S))


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Rehearse, and again if it failed while the computer stumbled."""
    stage = pyfuncitem.funcargs.get("stage")
    if not isinstance(stage, Stage):
        return None
    rehearse(pyfuncitem, stage)
    return True


@pytest.fixture(scope="session")
def jack_server() -> Iterator[str]:
    """The name of a running JACK server."""
    with server(jack.SYNCHRONOUS) as name:
        yield name


@pytest.fixture
def stage(jack_server: str, tmp_path: Path) -> Iterator[Stage]:
    """An empty stage; everybody who was asked onto it leaves at the end."""
    stage = Stage(tmp_path, jack.environment(jack_server))
    yield stage
    stage.close()
