"""A JACK server for the rehearsals with cables, apart from that of the whole run.

Here the server is of the usual, asynchronous kind: in the other one a client that is killed stops
everything for seconds, and killing is what is rehearsed here.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeVar

import pytest

from tests.midi import jack
from tests.midi.attempts import rehearse, server
from tests.midi.players import Machine, Pad, Player, Witness

P = TypeVar("P", bound=Player)


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Rehearse what happens in a house, and again if it failed while the computer stumbled."""
    if "house" not in pyfuncitem.funcargs:
        return None
    rehearse(pyfuncitem, pyfuncitem.funcargs["house"])
    return True


@pytest.fixture(scope="session")
def jack_server() -> Iterator[str]:
    """The name of a running JACK server."""
    with server(jack.ASYNCHRONOUS) as name:
        yield name


class Players:
    """Who plays along on one server, each a process; `environment` is what they share."""

    def __init__(self, environment: dict[str, str]) -> None:
        self.environment = environment
        self._all: list[Player] = []

    def drum(self, *words: str) -> Machine:
        """A drum machine, `tide drum`, on channel 10."""
        return self._joined(Machine(*words, environment=self.environment))

    def pad(self, *words: str) -> Pad:
        """A pad, `tide pad`."""
        return self._joined(Pad(*words, environment=self.environment))

    def witness(self) -> Witness:
        """Somebody who sees how late the drum machine's clock arrives."""
        return self._joined(Witness(environment=self.environment))

    def _joined(self, player: P) -> P:
        self._all.append(player)
        player.ready()
        return player

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
