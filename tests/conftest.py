"""Which tests want the machine to themselves."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark those that hear a clock over JACK: beside others at work it would not be in time."""
    for item in items:
        if "jack_server" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.alone)
