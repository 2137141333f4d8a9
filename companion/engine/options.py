"""How an engine was asked to run."""

from __future__ import annotations

from dataclasses import dataclass


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

    def silence(self, sends: bool) -> str:
        """Why nothing is sent while nothing is; `sends`: whether there is anything to send to."""
        if not self.send:
            return "started without sending: change by hand"
        if not sends:
            return "nothing to send to: no instrument is connected"
        return "disarmed: change by hand"
