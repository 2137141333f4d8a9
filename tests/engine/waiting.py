"""Waiting for what another thread or process is about to do."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")
PATIENCE_S = 30.0


def until(condition: Callable[[], T], what: str) -> T:
    """What `condition` returns once that is true; fails when it never is."""
    deadline = time.monotonic() + PATIENCE_S
    while not (found := condition()):
        assert time.monotonic() < deadline, f"never: {what}; last: {found!r}"
        time.sleep(0.01)
    return found
