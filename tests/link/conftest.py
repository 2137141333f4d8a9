"""An engine for each rehearsal of the link, closed when it is over."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.link.link_peers import Engine, Peer


@pytest.fixture
def engine() -> Iterator[Engine]:
    made = Engine()
    yield made
    made.server.close()


@pytest.fixture
def join() -> Iterator[Callable[..., Peer]]:
    """Connects a peer; all are hung up at the end."""
    peers: list[Peer] = []

    def connect(*args: object, **named: object) -> Peer:
        peers.append(Peer(*args, **named))  # type: ignore[arg-type]
        return peers[-1]

    yield connect
    for peer in peers:
        peer.leave()
