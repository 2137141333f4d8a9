"""Somebody at the end of a cable that carries clock, transport and notes, counting for himself.

MIDI 1.0 Detailed Specification 4.2.1, from memory: the first clock after a start is tick 0, a
continue goes on from where it was stopped. It shares no line with the program.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

CLICKS = {76, 77}


@dataclass
class Listener:
    """What is heard: `ticks` holds the notes that began on each tick that counted.

    `idle` holds those that began while nothing played, by clocks since the beginning. `wrong` is
    what no listener should hear; `held` how many clocks each note lasted.
    """

    ticks: list[set[int]] = field(default_factory=list)
    idle: list[tuple[int, int]] = field(default_factory=list)
    transport: list[tuple[int, int]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    held: list[tuple[int, int]] = field(default_factory=list)
    clocks: int = 0
    playing: bool = False
    sounding: dict[tuple[int, int], int] = field(default_factory=dict)
    channels: set[int] = field(default_factory=set)
    velocities: set[int] = field(default_factory=set)
    others: list[bytes] = field(default_factory=list)

    def hear(self, message: Sequence[int]) -> None:
        """One message."""
        status, kind = message[0], message[0] & 0xF0
        if status == 0xF8:
            self.clocks += 1
            if self.playing:
                self.ticks.append(set())
        elif status in (0xFA, 0xFB, 0xFC):
            self.transport.append((status, self.clocks))
            self.playing = status != 0xFC
        elif kind == 0x90 and message[2]:
            self._begins(status & 0x0F, message[1], message[2])
        elif kind in (0x80, 0x90):
            began = self.sounding.pop((status & 0x0F, message[1]), None)
            if began is not None:
                self.held.append((message[1], self.clocks - began))
        else:
            self.others.append(bytes(message))

    def hear_all(self, messages: Iterable[Sequence[int]]) -> Listener:
        """Many messages."""
        for message in messages:
            self.hear(message)
        return self

    def _begins(self, channel: int, note: int, velocity: int) -> None:
        self.channels.add(channel)
        self.velocities.add(velocity)
        if (channel, note) in self.sounding:
            self.wrong.append(f"{note} began twice, at clock {self.clocks}")
        self.sounding[channel, note] = self.clocks
        if not self.playing:
            self.idle.append((self.clocks, note))
        elif not self.ticks or note in self.ticks[-1]:
            self.wrong.append(f"{note} at no tick, clock {self.clocks}")
        else:
            self.ticks[-1].add(note)
