"""All MIDI inputs at once, for a command that listens for a while.

What is heard means nothing here.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Sequence

from companion.cli.portchoice import must_match
from companion.engine.matching import matches
from companion.engine.ports import Input, MidiSystem, PortError

# How often to look for ports that were plugged in since.
LOOK_S = 0.5

Message = tuple[str, int, Sequence[int]]


class Inputs:
    """The inputs whose names match a glob, those plugged in later too; None is all.

    `deaf` says why a port that is there cannot be listened to, by name. Used by one thread.
    """

    def __init__(self, api: str | None, glob: str | None) -> None:
        """Open what is there. Raises PortError if no MIDI system, or no such port, is there."""
        self._glob = glob
        self._heard: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self._open: dict[str, Input] = {}
        self.deaf: dict[str, str] = {}
        self._system = MidiSystem(api)
        try:
            names = self._system.inputs()
            must_match("input", "--in", glob, names)
            # All made before anything is heard, and one for a port that is plugged in meanwhile.
            self._system.prepare(len(names) + 1, 0)
            self._keep(names)
        except PortError:
            self.close()
            raise
        self._looked_s = time.monotonic()

    @property
    def names(self) -> list[str]:
        """The ports that are listened to."""
        return list(self._open)

    def get(self, patience_s: float) -> Message | None:
        """The next message (port, time in monotonic ns, bytes), None if there is none so long."""
        if time.monotonic() - self._looked_s > LOOK_S:
            self._keep(self._system.inputs())
            self._looked_s = time.monotonic()
        try:
            return self._heard.get(timeout=patience_s)
        except queue.Empty:
            return None

    def close(self) -> None:
        """Listen no more."""
        for port in self._open.values():
            self._system.close_port(port)
        self._open = {}
        self._system.close()

    def _keep(self, names: list[str]) -> None:
        for name in [name for name in self._open if name not in names]:
            self._system.close_port(self._open.pop(name))
        self.deaf = {name: why for name, why in self.deaf.items() if name in names}
        for name in names:
            if name in self._open or not (self._glob is None or matches(self._glob, name)):
                continue
            try:
                self._open[name] = self._system.open_input(name, self._take)
                self.deaf.pop(name, None)
            except PortError as error:
                self.deaf[name] = str(error)

    def _take(self, name: str, t_ns: int, message: Sequence[int]) -> None:
        self._heard.put((name, t_ns, message))
