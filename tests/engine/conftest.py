"""A JACK server for the rehearsals with cables, apart from that of the whole run.

Here the server is of the usual, asynchronous kind: in the other one a client that is killed stops
everything for seconds, and killing is what is rehearsed here.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import TypeVar

import pytest

from tests.midi import jack
from tests.midi.attempts import rehearse, required
from tests.midi.players import Machine, Pad, Player, Witness

P = TypeVar("P", bound=Player)


def asynchronous(patch: pytest.MonkeyPatch) -> None:
    """Have servers of the asynchronous kind, under names of their own."""
    patch.setattr(jack, "COMMAND", tuple(w for w in jack.COMMAND if w != "-S"))
    patch.setattr(jack, "NAMES", ("tide-cable-0", "tide-cable-1", "tide-cable-2"))


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Rehearse what happens in a house, and again if it failed while the computer stumbled."""
    if "house" not in pyfuncitem.funcargs:
        return None
    rehearse(pyfuncitem, pyfuncitem.funcargs["house"])
    return True


@pytest.fixture(scope="session")
def jack_server() -> Iterator[str]:
    """The name of a running JACK server.

    Without one the tests are skipped, or fail where COMPANION_REQUIRE_MIDI=1 forbids that.
    """
    with a_server() as name:
        yield name


@contextlib.contextmanager
def a_server() -> Iterator[str]:
    """A server of the asynchronous kind, nobody else's; skips or fails as `jack_server` does."""
    with pytest.MonkeyPatch.context() as patch, contextlib.ExitStack() as leaving:
        asynchronous(patch)
        try:
            name = leaving.enter_context(jack.server())
        except jack.NoServer as error:
            if required():
                pytest.fail(str(error))
            pytest.skip(str(error))
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
