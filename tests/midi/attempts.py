"""Rehearsing again what failed for a reason that lies in the computer and not in the program.

A rehearsal that fails while the computer itself did not keep time, or lost a cable, proves nothing
and is repeated; what cannot be told is skipped, or fails where COMPANION_REQUIRE_MIDI=1 forbids
that. A shared computer also holds up processes of which no witness knows: a rehearsal that fails on
a computer that seems steady has failed when it fails so a second time, and is named at the end of
the run when it does not. A count that is wrong and called sure (`Lied`) fails at once.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from typing import Protocol

import pytest

from tests.midi import jack

# What keeps a shared computer busy passes: each pause is twice as long as the one before.
ATTEMPTS, PAUSE_S = 6, 0.5
# With every attempt; a single one takes up to half a minute.
TIMEOUT_S = 400


# The rehearsals that failed once with nothing to blame and not again, with what they failed of.
once: list[tuple[str, str]] = []


class Lied(AssertionError):
    """What was shown as sure was wrong."""


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


@contextlib.contextmanager
def server(kind: jack.Kind) -> Iterator[str]:
    """A JACK server for as long as the block lasts; gives its name, skips or fails without one."""
    with contextlib.ExitStack() as leaving:
        try:
            name = leaving.enter_context(jack.server(kind))
        except jack.NoServer as error:
            if required():
                pytest.fail(str(error))
            pytest.skip(str(error))
        yield name


def rehearse(test: pytest.Function, rehearsal: Rehearsal) -> None:
    """Rehearse; again if it failed while the computer stumbled, and once more in any case."""
    blameless: list[Exception] = []
    wanted = {name: test.funcargs[name] for name in test._fixtureinfo.argnames}
    for attempt in range(1, ATTEMPTS + 1):
        try:
            test.obj(**wanted)
            once.extend((test.nodeid, str(error)) for error in blameless)
            return
        except Exception as error:
            stumbled, last = rehearsal.stumbled(), attempt == ATTEMPTS
            if not stumbled:
                if blameless or isinstance(error, Lied):
                    raise
                blameless.append(error)
            if last and (required() or not stumbled):
                raise
            rehearsal.close()
            if last:
                pytest.skip(f"this computer cannot tell: {stumbled}")
            time.sleep(PAUSE_S * 2**attempt if stumbled else 0)
            rehearsal.set_up()
