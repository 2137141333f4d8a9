"""What a rehearsal that is killed may leave sounding, so that the next engine silences it first.

A small file in the state folder says, for as long as a rehearsal runs, on which ports notes may
sound, and which follow its clock. Whoever finds it after a kill ends them all, before anything else
goes out.
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Iterable
from typing import Any

from companion.engine.checkpointfile import SafeFiles
from companion.engine.ports import MidiSystem, PortError
from companion.engine.rehearsing import CLOCK_OUT, SOUND
from companion.follow.portnames import choose_output
from companion.link.folders import folders, make_ready
from companion.link.messages import LinkError
from companion.midi import STOP
from companion.rehearse import Key
from companion.rehearse.sounding import note_offs

NAME = "sounding.json"
# All keys of all channels take less.
_MOST = 1 << 16
# A driver may hand on what was sent a moment after it was given it.
BREATH_S = 0.05


class Leftover:
    """The file of one state folder; the engine's lock is held by the caller."""

    def __init__(self) -> None:
        folder, *spares = folders()
        with contextlib.suppress(LinkError):
            make_ready(folder, spare=False)
        self._files = SafeFiles(folder, spares)

    def keep(self, api: str | None, outlets: dict[str, str], keys: Iterable[Key]) -> None:
        """Put down what may sound from now on: `outlets` are globs, by what goes out there."""
        if not outlets:
            return
        found = {"api": api, "outlets": outlets, "keys": sorted(keys)}
        # A disk that takes nothing must not end a rehearsal.
        with contextlib.suppress(OSError):
            self._files.put(NAME, json.dumps(found).encode(), to_disk=True)

    def forget(self) -> None:
        """Nothing sounds any more."""
        self._files.take_away((NAME,))

    def silence(self) -> None:
        """End what an engine that was killed may have left sounding, if its ports are there."""
        for content in self._files.found(NAME, _MOST)[:1]:
            # Whatever stands there, it must not keep an engine from starting.
            with contextlib.suppress(PortError, ValueError, TypeError, KeyError, OverflowError):
                _silence(json.loads(content))
        self.forget()


def _silence(found: dict[str, Any]) -> None:
    keys = [Key(int(channel) & 0x0F, int(note) & 0x7F) for channel, note in found["keys"]]
    messages = {SOUND: note_offs(keys), CLOCK_OUT: [bytes((STOP,))]}
    system = MidiSystem(found["api"])
    try:
        names = system.outputs()
        for outlet, glob in found["outlets"].items():
            name = choose_output(names, glob, None, None)
            if name is None:
                continue
            output = system.open_output(name)
            for message in messages[outlet]:
                output.send(message)
            time.sleep(BREATH_S)
            output.close()
    finally:
        system.close()
