"""How an engine was asked to run."""

from __future__ import annotations

from dataclasses import dataclass

from companion.engine.matching import choose_output
from companion.engine.ports import MidiSystem
from companion.engine.routing import told
from companion.setlist.model import SetList


@dataclass(frozen=True, slots=True)
class Options:
    """How an engine was asked to run.

    `in_glob` and `out_glob` are the command line's port globs or None; `tempo` overrides the songs'
    for the internal clock; `demo` marks the shipped demonstration.
    """

    in_glob: str | None = None
    out_glob: str | None = None
    send: bool = True
    internal_clock: bool = False
    tempo: float | None = None
    demo: bool = False

    def sends(self, setlist: SetList, system: MidiSystem | None) -> bool:
        """Whether anything of the set is ever to be sent by `system`. Raises PortError.

        Whoever follows an instrument waits for it; the internal clock does without, if none that
        anything is sent to is there when it begins: a pad alone is nobody to send to.
        """
        if not self.send or system is None:
            return False
        if not self.internal_clock:
            return True
        names = system.outputs()
        globs = (setlist.instruments[name].port for name in told(setlist))
        return any(choose_output(names, glob, self.out_glob, None) for glob in globs)

    def silence(self, sends: bool) -> str:
        """Why nothing is sent while nothing is; `sends`: whether there is anything to send to."""
        if not self.send:
            return "started without sending: change by hand"
        if not sends:
            return "nothing to send to: no instrument is connected"
        return "disarmed: change by hand"
