"""A JACK server for the rehearsals with cables, apart from that of the whole run.

Here the server is of the usual, asynchronous kind: in the other one a client that is killed stops
everything for seconds, and killing is what is rehearsed here.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.midi import jack
from tests.midi.players import Machine, Player


def asynchronous(patch: pytest.MonkeyPatch) -> None:
    """Have servers of the asynchronous kind, under names of their own."""
    patch.setattr(jack, "COMMAND", tuple(w for w in jack.COMMAND if w != "-S"))
    patch.setattr(jack, "NAMES", ("tide-cable-0", "tide-cable-1"))


@pytest.fixture(scope="session")
def jack_server() -> Iterator[str]:
    """The name of a running JACK server.

    Without one the tests are skipped, or fail where COMPANION_REQUIRE_MIDI=1 forbids that.
    """
    with pytest.MonkeyPatch.context() as patch:
        asynchronous(patch)
        running = jack.server()
        try:
            name = running.__enter__()
        except jack.NoServer as error:
            if os.environ.get("COMPANION_REQUIRE_MIDI") == "1":
                pytest.fail(str(error))
            pytest.skip(str(error))
        yield name
        running.__exit__(None, None, None)


class Players:
    """Who plays along on one server, each a process; `environment` is what they share."""

    def __init__(self, environment: dict[str, str]) -> None:
        self.environment = environment
        self._all: list[Player] = []

    def drum(self, *words: str) -> Machine:
        """A drum machine, `tide drum`, on channel 10."""
        machine = Machine(*words, environment=self.environment)
        self._all.append(machine)
        return machine

    def close(self) -> None:
        """Everybody leaves."""
        while self._all:
            self._all.pop().close()


@pytest.fixture
def players(jack_server: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Players]:
    """Nobody yet; this process talks to the same server."""
    environment = jack.environment(jack_server)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    players = Players(environment)
    yield players
    players.close()
