"""The transport's table is total, and says what MIDI 1.0 says."""

from __future__ import annotations

from itertools import product

import pytest

from companion.follow.transport import TABLE, Effect, Signal, State, transport


def test_every_pair_of_state_and_signal_is_decided() -> None:
    assert set(TABLE) == set(product(State, Signal))


# MIDI 1.0 Detailed Specification 4.2.1, from memory: what each message does to a sequencer.
@pytest.mark.parametrize(
    ("state", "signal", "leads_to", "effect"),
    [
        (State.WAITING, Signal.CLOCK, State.READY, Effect.IGNORE),
        (State.READY, Signal.START, State.RUNNING, Effect.BEGIN),
        (State.RUNNING, Signal.CLOCK, State.RUNNING, Effect.ADVANCE),
        (State.RUNNING, Signal.STOP, State.STOPPED, Effect.HOLD),
        (State.STOPPED, Signal.CLOCK, State.STOPPED, Effect.IGNORE),
        (State.STOPPED, Signal.POSITION, State.STOPPED, Effect.LOCATE),
        (State.STOPPED, Signal.CONTINUE, State.RUNNING, Effect.RESUME),
        (State.RUNNING, Signal.SENSING_GONE, State.LOST, Effect.LOSE),
        (State.RUNNING, Signal.RESET, State.WAITING, Effect.FORGET),
    ],
)
def test_messages_do_what_the_standard_says(
    state: State, signal: Signal, leads_to: State, effect: Effect
) -> None:
    assert transport(state, signal) == (leads_to, effect)


def test_only_a_running_transport_can_lose_its_clock() -> None:
    losing = {state for (state, _), (_, effect) in TABLE.items() if effect is Effect.LOSE}
    assert losing == {State.RUNNING}


def test_start_always_begins_at_the_top() -> None:
    assert {TABLE[state, Signal.START] for state in State} == {(State.RUNNING, Effect.BEGIN)}
