"""What becomes of a rehearsal that fails: again where nobody is to blame, at once where we lied."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from tests.midi import attempts
from tests.midi.attempts import ATTEMPTS, Lied, rehearse


class House:
    """A rehearsal that stumbles as told."""

    def __init__(self, *stumbles: str) -> None:
        self.stumbles = list(stumbles)

    def set_up(self) -> None: ...

    def close(self) -> None: ...

    def stumbled(self) -> str:
        return self.stumbles.pop(0) if self.stumbles else ""


def run(house: House, *outcomes: Exception | None) -> int:
    """How often a test is called whose calls end like this."""
    left = list(outcomes)

    def test() -> None:
        outcome = left.pop(0)
        if outcome is not None:
            raise outcome

    named: Any = SimpleNamespace(argnames=[])
    item: Any = SimpleNamespace(obj=test, funcargs={}, nodeid="a", _fixtureinfo=named)
    rehearse(item, house)
    return len(outcomes) - len(left)


@pytest.fixture(autouse=True)
def _unnamed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(attempts, "once", [])
    monkeypatch.setattr(attempts, "PAUSE_S", 0)


def test_what_fails_once_is_rehearsed_again_and_named() -> None:
    assert run(House(), AssertionError("late"), None) == 2
    assert attempts.once == [("a", "late")]


def test_what_fails_twice_has_failed() -> None:
    with pytest.raises(AssertionError, match="second"):
        run(House(), AssertionError("first"), AssertionError("second"), None)
    assert attempts.once == []


def test_a_lie_fails_at_once() -> None:
    with pytest.raises(Lied):
        run(House(), Lied("sure and wrong"), None)


def test_a_stumble_is_nobodys_fault() -> None:
    late = AssertionError("late")
    assert run(House("held up", "held up"), late, late, None) == 3
    assert attempts.once == []


def test_a_computer_that_always_stumbles_skips_or_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    late = [AssertionError("late")] * ATTEMPTS
    monkeypatch.delenv("COMPANION_REQUIRE_MIDI", raising=False)
    with pytest.raises(pytest.skip.Exception):
        run(House(*["held up"] * ATTEMPTS), *late)
    monkeypatch.setenv("COMPANION_REQUIRE_MIDI", "1")
    with pytest.raises(AssertionError, match="late"):
        run(House(*["held up"] * ATTEMPTS), *late)
