"""The garbage collector keeps to the pauses."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest

from companion.engine.host import MANY, PAUSE_S, Tidying


@pytest.fixture
def tidying() -> Iterator[Tidying]:
    tidying = Tidying()
    tidying.begin()
    yield tidying
    tidying.end()


def ring() -> None:
    """Leave something behind that only the collector can free."""
    first: list[object] = []
    first.append([first])


def test_nothing_is_collected_while_it_plays(tidying: Tidying) -> None:
    ring()
    left = gc.get_count()
    for second in range(1000):
        assert not tidying.look(True, float(second))
    assert not gc.isenabled()
    assert gc.get_count() >= left


def test_a_pause_is_used_once_and_so_is_the_next(tidying: Tidying) -> None:
    looks = [(True, 0.0), (False, 1.0), (False, 2.0), (False, 1.0 + PAUSE_S), (False, 9.0)]
    assert [tidying.look(*look) for look in looks] == [False, False, False, True, False]
    # A short stop is no pause.
    assert not tidying.look(True, 10.0)
    assert not tidying.look(False, 11.0)
    assert not tidying.look(True, 12.0)
    assert not tidying.look(False, 12.5)
    assert tidying.look(False, 12.5 + PAUSE_S)


def test_too_much_is_collected_even_while_it_plays(tidying: Tidying) -> None:
    kept = [[number] for number in range(MANY + 1000)]
    assert tidying.look(True, 1.0)
    assert not tidying.look(True, 2.0)
    assert len(kept) == MANY + 1000


def test_what_is_left_behind_is_as_it_was() -> None:
    tidying = Tidying()
    tidying.begin()
    tidying.end()
    assert gc.isenabled()
    assert gc.get_freeze_count() == 0
