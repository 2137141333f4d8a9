"""What instruments tell of themselves: a pattern chosen there moves the set along; fills are held.

What an announcement means is in `follow.arrivals`; what comes of it is the conductor's. Called
under the engine's lock.
"""

from __future__ import annotations

from collections.abc import Sequence

from companion.engine.matching import matches
from companion.follow.arrivals import Announcements, Echoes, Meaning, read
from companion.follow.changes import Outcome
from companion.follow.conductor import NOTHING, Conductor, Send
from companion.follow.obeying import Obeying
from companion.follow.tellings import told_by
from companion.setlist.model import SetList


class Announcing:
    """Listens to the instruments of one set. Times are monotonic nanoseconds."""

    def __init__(self, setlist: SetList, obeying: Obeying) -> None:
        self._setlist = setlist
        self._obeying = obeying
        self._announcements = Announcements(setlist.instruments, matches)
        self._echoes = Echoes()
        # The ports on which an instrument told of a fill that is still held.
        self._fills: set[str] = set()

    @property
    def fill(self) -> bool:
        """Whether an instrument has told of a fill that is still held."""
        return bool(self._fills)

    def take_over(self, before: Announcing) -> None:
        """Know the fills that are held and the messages of ours that `before` knew."""
        self._echoes, self._fills = before._echoes, before._fills

    def hear(
        self, port: str, t_ns: int, message: Sequence[int], conductor: Conductor
    ) -> tuple[Send, ...]:
        """Take one channel message that arrived on `port` at `t_ns`; returns what is due by it."""
        self._hear_fill(port, message, conductor)
        announced = self._announcements.hear(port, message)
        if announced is None:
            return NOTHING
        echo = self._echoes.is_echo(announced, t_ns)
        if not echo and self._obeying.announced(announced, conductor):
            return NOTHING
        standing = conductor.standing()
        reading = read(
            self._setlist,
            standing.part,
            max(conductor.tick, 0),
            standing.end,
            announced,
            echo=echo,
            sent=bool(standing.pending) and standing.pending[0].outcome is Outcome.SENT,
        )
        if reading.meaning is Meaning.STAYS:
            self._obeying.stays(announced, conductor)
        elif reading.meaning is Meaning.SAME:
            conductor.unfollow(announced.instrument)
        elif reading.meaning is Meaning.UNKNOWN:
            shown = self._setlist.instruments[announced.instrument].shown(announced.program)
            conductor.notice = f"{announced.instrument} has program {shown}, and no part has it"
            conductor.count += 1
        if reading.meaning not in (Meaning.AGREES, Meaning.GO):
            return NOTHING
        assert reading.part is not None
        assert reading.at is not None
        return conductor.follow(reading.part, reading.at, announced.instrument)

    def sent(self, send: Send, now_ns: int, tick_ns: int) -> None:
        """Take note that a change of ours has left; a clock tick lasts `tick_ns`."""
        channel = self._setlist.instruments[send.change.instrument].channel
        self._echoes.sent(send.change, channel, now_ns, now_ns + send.ticks_left * tick_ns)
        self._obeying.sent(send)

    def port_gone(self, port: str) -> None:
        """Tell that `port` has vanished."""
        self._announcements.port_gone(port)
        self._fills.discard(port)

    def _hear_fill(self, port: str, message: Sequence[int], conductor: Conductor) -> None:
        for each in self._setlist.instruments.values():
            if each.tells.fill is None or not (each.port is None or matches(each.port, port)):
                continue
            fill = told_by(each.tells, message).fill
            if fill is not None and fill != (port in self._fills):
                (self._fills.add if fill else self._fills.discard)(port)
                conductor.count += 1
