"""What goes out, and where: ready bytes on ready routes, so that sending waits for nothing."""

from __future__ import annotations

from companion.engine.ports import Output
from companion.engine.wire import Message, control_change, program_change
from companion.follow.mutesends import MuteOrder
from companion.setlist.model import ProgramChange, SetList


def told(setlist: SetList) -> list[str]:
    """Instruments that anything is ever sent to, in the order of the set."""
    used: dict[str, None] = {}
    for part in setlist.parts:
        used |= dict.fromkeys(change.instrument for change in part.changes)
        own = part.instrument
        if own is not None and setlist.instruments[own].mute_sends:
            used[own] = None
    return list(used)


class Routes:
    """Sends for the instruments of one set. `table` is replaced as a whole, never changed."""

    def __init__(self, setlist: SetList) -> None:
        self.table: dict[str, Output] = {}
        self._setlist = setlist
        # By what decides the bytes; a change itself is rebuilt with each set list.
        self._bytes: dict[tuple[str, int, int | None], tuple[Message, ...]] = {}
        for part in setlist.parts:
            for change in part.changes:
                self._encode(change)

    def send(self, change: ProgramChange) -> bool:
        """Send a program change at once; False if its instrument cannot be reached."""
        return self._out(change.instrument, self._encode(change))

    def send_mute(self, order: MuteOrder) -> bool:
        """Tell an instrument at once of a mute; False if it cannot be reached."""
        send = order.send
        return self._out(
            order.instrument, (control_change(send.channel, send.controller, order.value),)
        )

    def _out(self, instrument: str, messages: tuple[Message, ...]) -> bool:
        output = self.table.get(instrument)
        if output is None:
            return False
        try:
            for message in messages:
                output.send(message)
        except Exception:
            return False
        return True

    def _encode(self, change: ProgramChange) -> tuple[Message, ...]:
        key = (change.instrument, change.program, change.bank)
        if key not in self._bytes:
            instrument = self._setlist.instruments[change.instrument]
            bank = instrument.bank if change.bank is None else change.bank
            self._bytes[key] = program_change(instrument.channel, change.program, bank)
        return self._bytes[key]
