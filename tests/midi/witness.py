"""A witness of the computer itself: how late does the instrument's clock arrive, in plain rtmidi?

A rehearsal that went wrong says nothing about the program under test if the machine stood still for
longer than a part of a clock tick. A line on standard input asks for a verdict so far.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import time
from typing import Any

import rtmidi

# MIDI 1.0 Detailed Specification 4.2.1, System Real Time Messages, from memory: clock, start,
# continue, stop.
CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC
PATIENCE_S = 20.0
# So many intervals say how long a tick is meant to last.
KNOWN = 5


class Witness:
    """Keeps the intervals between one clock and the next, pauses left out."""

    def __init__(self, name: str) -> None:
        self.clocks = 0
        self.intervals_s: list[float] = []
        self.since_s: float | None = None
        self.port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="tide witness")
        # What is ignored takes its time with it.
        self.port.ignore_types(sysex=False, timing=False, active_sense=False)
        self.port.set_callback(self.hear)
        deadline = time.monotonic() + PATIENCE_S
        # Who is to be heard may just be coming; one that was killed may just be going.
        while len(found := [p for p in self.port.get_ports() if name in p]) != 1:
            assert time.monotonic() < deadline, f"not one {name!r}: {found}"
            time.sleep(0.01)
        self.port.open_port(self.port.get_ports().index(found[0]), name="tide witness in")

    def hear(self, event: tuple[list[int], float], _: Any = None) -> None:
        """Take one message and the seconds since the one before."""
        message, delta_s = event
        if message[0] in (START, CONTINUE, STOP):
            self.since_s = None
        elif message[0] == CLOCK:
            self.clocks += 1
            if self.since_s is not None:
                self.intervals_s.append(self.since_s + delta_s)
            self.since_s = 0.0
        elif self.since_s is not None:
            self.since_s += delta_s

    def verdict(self) -> dict[str, Any]:
        """Clocks heard, the longest interval in units of the usual one, and ticks a second."""
        intervals = list(self.intervals_s)
        usual = statistics.median(intervals) if len(intervals) >= KNOWN else 0.0
        longest = max(intervals) / usual if usual else 1.0
        rate = len(intervals) / sum(intervals) if intervals else 0.0
        return {"event": "verdict", "clocks": self.clocks, "longest": longest, "rate": rate}


def main() -> None:
    """Witness until standard input ends."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clock", default="tide drum out")
    witness = Witness(parser.parse_args().clock)
    print(json.dumps({"event": "ready"}), flush=True)
    for _ in sys.stdin:
        print(json.dumps(witness.verdict()), flush=True)
    witness.port.cancel_callback()
    witness.port.delete()


if __name__ == "__main__":
    main()
