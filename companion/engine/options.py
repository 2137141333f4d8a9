"""How an engine was asked to run."""

from __future__ import annotations

from dataclasses import dataclass

from companion.engine.ports import MidiSystem


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

    def sends(self, system: MidiSystem | None) -> bool:
        """Whether anything is ever to be sent by `system`. Raises PortError.

        Whoever follows an instrument waits for it; the internal clock does without those that are
        not there when it begins.
        """
        if not self.send or system is None:
            return False
        return not self.internal_clock or bool(system.outputs())

    def silence(self, sends: bool) -> str:
        """Why nothing is sent while nothing is; `sends`: whether there is anything to send to."""
        if not self.send:
            return "started without sending: change by hand"
        if not sends:
            return "nothing to send to: no instrument is connected"
        return "disarmed: change by hand"
