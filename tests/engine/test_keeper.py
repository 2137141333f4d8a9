"""Who keeps the ports open: each client is given back once, whatever goes meanwhile."""

from __future__ import annotations

from typing import Any

import pytest

from companion.engine import portkeeper as keeping
from companion.engine.portkeeper import Keeper
from companion.engine.ports import PortError
from tests.builders import PORT, three_parts


class Lent:
    """A port that is open."""

    heard_ns = 0

    def __init__(self, name: str, heard: Any = None) -> None:
        self.name = name
        self.heard = heard


class System:
    """A MIDI system whose one port may vanish at any moment."""

    light = alive = True
    ready = (1, 1)

    def __init__(self) -> None:
        self.there = True
        # Listed, as a port is that has just gone, or that is lent already.
        self.listed = True
        self.open: list[Lent] = []

    def revive(self) -> bool:
        return True

    def answers(self) -> bool:
        return True

    def inputs(self) -> list[str]:
        return [PORT] * self.listed

    outputs = inputs

    def prepare(self, inputs: int, outputs: int) -> None:
        pass

    def open_input(self, name: str, heard: Any) -> Lent:
        if not self.there:
            raise PortError("the port is gone")
        self.open.append(Lent(name, heard))
        return self.open[-1]

    def open_output(self, name: str) -> Lent:
        return self.open_input(name, None)

    def close_port(self, port: Lent, *, deaf: bool = False) -> None:
        # Whoever gives one back twice has it lent to two, and ended under one of them.
        self.open.remove(port)


@pytest.mark.parametrize("comes_back", [False, True])
def test_a_port_that_goes_as_its_connection_is_renewed_is_given_back_once(
    comes_back: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_ns = [10**9]
    monkeypatch.setattr(keeping.time, "monotonic_ns", lambda: now_ns[0])
    system, heard, gone = System(), [], []
    given: Any = system
    keeper = Keeper(
        three_parts(),
        given,
        lambda port, t_ns, message: heard.append(port),
        in_glob=None,
        out_glob=None,
        sends=False,
        beside=lambda: PORT,
        gone=gone.append,
    )
    keeper._round()
    system.open[0].heard(PORT, now_ns[0], (0xF8,))
    assert heard == [PORT]
    # It falls silent, and when its connection is renewed it is there no more.
    now_ns[0] += 2 * 10**9
    system.there = False
    keeper._round()
    assert (system.open, gone) == ([], [PORT])
    system.there = system.listed = comes_back
    keeper._round()
    keeper._round()
    assert len(system.open) == comes_back
    if comes_back:
        system.open[0].heard(PORT, now_ns[0], (0xF8,))
        assert heard == [PORT, PORT]
