"""What is heard, as presses: the set's controls, and our own messages that come back left out.

What a press asks for is granted by whoever asks here. Called under the engine's lock.
"""

from __future__ import annotations

from collections.abc import Sequence

from companion.engine.matching import matches
from companion.follow.arrivals import Announced, Echoes
from companion.follow.controls import Asked, Controls
from companion.follow.taken import taken_by
from companion.setlist.model import ProgramChange, SetList

# MIDI 1.0: status bytes from here on are system messages, and those of no channel.
SYSTEM, PROGRAM_CHANGE = 0xF0, 0xC0

NOTHING: list[Asked] = []


class Presses:
    """The presses of one set. Times are monotonic nanoseconds."""

    def __init__(self, setlist: SetList) -> None:
        self._instruments = setlist.instruments
        # Most sets have none, and then a tick pays nothing for them.
        self._any = bool(setlist.controls)
        self._controls = Controls(setlist.controls, matches=matches, taken=taken_by(setlist))
        self._echoes = Echoes()

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> list[Asked]:
        """Take one MIDI message that arrived on `port` at `t_ns`; returns what it asks for."""
        if not self._any or not message or message[0] >= SYSTEM or self._is_echo(t_ns, message):
            return NOTHING
        return self._controls.hear(port, t_ns, message)

    def take_over(self, before: Presses) -> None:
        """Know the messages of ours that `before` knew, and what is pressed."""
        self._echoes = before._echoes
        self._controls.take_over(before._controls)

    @property
    def fill(self) -> bool:
        """Whether a press holds a fill."""
        return self._controls.fill

    def passed(self, now_ns: int) -> list[Asked]:
        """Tell that it is `now_ns`; returns what is asked for by a press that is held."""
        return self._controls.passed(now_ns) if self._any else NOTHING

    def port_gone(self, port: str) -> list[Asked]:
        """Tell that `port` has vanished; returns which fills end with it."""
        return self._controls.port_gone(port)

    def sent(self, change: ProgramChange, now_ns: int) -> None:
        """Take note that a change of ours has left, so that it is no press when it comes back."""
        self._echoes.sent(change, self._instruments[change.instrument].channel, now_ns)

    @property
    def troubles(self) -> list[str]:
        """A sentence for each press that is not obeyed."""
        return [f"a press is not obeyed: {each.reason}" for each in self._controls.refused]

    def _is_echo(self, t_ns: int, message: Sequence[int]) -> bool:
        if message[0] & 0xF0 != PROGRAM_CHANGE or len(message) < 2:
            return False
        return self._echoes.is_echo(Announced("", message[0] & 0x0F, message[1]), t_ns)
