"""Rehearsing again what failed for a reason that lies in the computer and not in the program.

A rehearsal that fails while the computer itself did not keep time, or lost a cable, proves nothing
and is repeated. JACK without real time now and then loses a message on the way to one of those who
take part, which nobody else sees: so one that fails on a steady computer is repeated once, with a
warning, and has failed if it fails again. What cannot be told is skipped, or fails where
COMPANION_REQUIRE_MIDI=1 forbids that.
"""

from __future__ import annotations

import os
import warnings
from typing import Protocol

import pytest

ATTEMPTS = 4
# With every attempt; a single one takes up to half a minute.
TIMEOUT_S = 400


class Rehearsal(Protocol):
    """What a test rehearses with, again and again."""

    def set_up(self) -> None:
        """Have there what is there from the beginning."""

    def stumbled(self) -> str:
        """How the computer itself failed, "" if it did not."""

    def close(self) -> None:
        """Everybody leaves."""


def required() -> bool:
    """Whether these tests must tell something, and may not be skipped."""
    return os.environ.get("COMPANION_REQUIRE_MIDI") == "1"


def rehearse(test: pytest.Function, rehearsal: Rehearsal) -> None:
    """Rehearse, and again if it failed while the computer stumbled."""
    wanted = {name: test.funcargs[name] for name in test._fixtureinfo.argnames}
    failed = False
    for attempt in range(1, ATTEMPTS + 1):
        try:
            test.obj(**wanted)
            return
        except AssertionError as error:
            stumbled, last = rehearsal.stumbled(), attempt == ATTEMPTS
            if not stumbled and not failed and not last:
                failed = True
                warnings.warn(f"{test.name} failed once: {error}", stacklevel=2)
            elif not stumbled or (last and required()):
                raise
            rehearsal.close()
            if last:
                pytest.skip(f"this computer cannot tell: {stumbled}")
            rehearsal.set_up()
