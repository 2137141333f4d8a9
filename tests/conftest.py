"""Which tests want the machine to themselves, and which of those failed once and not again."""

from __future__ import annotations

import pytest
from hypothesis import settings

from tests.midi import attempts

# How long an example takes says how busy the machine is.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark those that hear a clock over JACK: beside others at work it would not be in time."""
    for item in items:
        if "jack_server" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.alone)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name the rehearsals that failed once and not again."""
    for name, why in attempts.once:
        terminalreporter.write_line(f"failed once and not again: {name}: {why.splitlines()[0]}")
