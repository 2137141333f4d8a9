"""How rehearsals run: with the time they may need, and again where the computer stumbled."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.midi.attempts import TIMEOUT_S, rehearse
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
