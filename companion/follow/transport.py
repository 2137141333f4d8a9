"""The transport: which state a message leads to, as one total table. No counting, no time here.

The table holds every pair of state and signal, "ignore" included: a second start or a stray stop
is ordinary on stage. What each effect does to the count stands in the conductor.
"""

from __future__ import annotations

from enum import Enum


class State(Enum):
    """Where the transport is. The values are the words of `companion status`."""

    WAITING = "waiting"
    READY = "ready"
    RUNNING = "running"
    STOPPED = "stopped"
    LOST = "lost"


class Signal(Enum):
    """What reaches the transport: real-time messages, and silence as told by the time passed in."""

    CLOCK = "timing clock"
    START = "start"
    CONTINUE = "continue"
    STOP = "stop"
    POSITION = "song position"
    SILENCE = "silence"
    SENSING_GONE = "active sensing ceased"
    RESET = "reset"


class Effect(Enum):
    """What a signal does to the count."""

    IGNORE = "nothing"
    BEGIN = "the next clock is tick 0 of the part"
    RESUME = "the next clock goes on from the held or given position"
    ADVANCE = "one tick on"
    HOLD = "the position is held"
    LOCATE = "the position is set for the next continue"
    RELOCATE = "the position moves at once; unsure unless it only repeats the count"
    LOSE = "the count is unsure until the clock is back"
    REGAIN = "the clock is back"
    FORGET = "nothing is known of the position any more"


_W, _Y, _R, _S, _L = State.WAITING, State.READY, State.RUNNING, State.STOPPED, State.LOST

TABLE: dict[tuple[State, Signal], tuple[State, Effect]] = {
    (_W, Signal.CLOCK): (_Y, Effect.IGNORE),
    (_W, Signal.START): (_R, Effect.BEGIN),
    (_W, Signal.CONTINUE): (_R, Effect.RESUME),
    # A stop says that the instrument is not playing, so a clock after it is no joining in.
    (_W, Signal.STOP): (_S, Effect.HOLD),
    (_W, Signal.POSITION): (_W, Effect.LOCATE),
    (_W, Signal.SILENCE): (_W, Effect.IGNORE),
    (_W, Signal.SENSING_GONE): (_W, Effect.IGNORE),
    (_W, Signal.RESET): (_W, Effect.FORGET),
    (_Y, Signal.CLOCK): (_Y, Effect.IGNORE),
    (_Y, Signal.START): (_R, Effect.BEGIN),
    (_Y, Signal.CONTINUE): (_R, Effect.RESUME),
    (_Y, Signal.STOP): (_S, Effect.HOLD),
    (_Y, Signal.POSITION): (_Y, Effect.LOCATE),
    (_Y, Signal.SILENCE): (_W, Effect.IGNORE),
    (_Y, Signal.SENSING_GONE): (_W, Effect.IGNORE),
    (_Y, Signal.RESET): (_W, Effect.FORGET),
    (_R, Signal.CLOCK): (_R, Effect.ADVANCE),
    # A start while running is a performer who begins again: the instrument does too.
    (_R, Signal.START): (_R, Effect.BEGIN),
    (_R, Signal.CONTINUE): (_R, Effect.IGNORE),
    (_R, Signal.STOP): (_S, Effect.HOLD),
    (_R, Signal.POSITION): (_R, Effect.RELOCATE),
    (_R, Signal.SILENCE): (_L, Effect.LOSE),
    (_R, Signal.SENSING_GONE): (_L, Effect.LOSE),
    (_R, Signal.RESET): (_W, Effect.FORGET),
    # Clocks may run while stopped and then do not move the position (MIDI 1.0, from memory).
    (_S, Signal.CLOCK): (_S, Effect.IGNORE),
    (_S, Signal.START): (_R, Effect.BEGIN),
    (_S, Signal.CONTINUE): (_R, Effect.RESUME),
    (_S, Signal.STOP): (_S, Effect.IGNORE),
    (_S, Signal.POSITION): (_S, Effect.LOCATE),
    # Many instruments fall silent when stopped; that loses nothing.
    (_S, Signal.SILENCE): (_S, Effect.IGNORE),
    (_S, Signal.SENSING_GONE): (_S, Effect.IGNORE),
    (_S, Signal.RESET): (_W, Effect.FORGET),
    (_L, Signal.CLOCK): (_R, Effect.REGAIN),
    (_L, Signal.START): (_R, Effect.BEGIN),
    (_L, Signal.CONTINUE): (_R, Effect.RESUME),
    (_L, Signal.STOP): (_S, Effect.HOLD),
    (_L, Signal.POSITION): (_L, Effect.LOCATE),
    (_L, Signal.SILENCE): (_L, Effect.IGNORE),
    (_L, Signal.SENSING_GONE): (_L, Effect.IGNORE),
    (_L, Signal.RESET): (_W, Effect.FORGET),
}


def transport(state: State, signal: Signal) -> tuple[State, Effect]:
    """The state that `signal` leads to from `state`, and what it does to the count."""
    return TABLE[state, signal]
