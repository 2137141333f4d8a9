"""A third party: it listens in on what is sent, beside the clock, and decodes it with mido.

Subscribes to every output of the program under test and to the instrument's clock, counts the
clock itself, and prints each message as a JSON line with the tick at which it came. It shares no
line with the program under test.
"""

from __future__ import annotations

import argparse
import json
import sys
import threading
import time
from typing import Any

import mido
import rtmidi

PATIENCE_S = 20.0


class Recorder:
    """Counts the clock of one port and prints what comes from others."""

    def __init__(self) -> None:
        self.tick = -1
        self.running = False
        self.lock = threading.Lock()
        self.ports: list[rtmidi.MidiIn] = []

    def say(self, event: str, **more: Any) -> None:
        """Print one event."""
        print(json.dumps({"event": event, **more}), flush=True)

    def listen(self, name: str, heard: Any) -> None:
        """Subscribe to the output port `name` of another program."""
        port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="tide recorder")
        port.ignore_types(sysex=False, timing=False, active_sense=False)
        parser = mido.Parser()

        def callback(event: tuple[list[int], float], _: Any = None) -> None:
            with self.lock:
                parser.feed(event[0])
                for message in parser:
                    heard(name, message)

        port.set_callback(callback)
        port.open_port(port.get_ports().index(name), name="tide recorder in")
        self.ports.append(port)

    def clock(self, name: str, message: mido.Message) -> None:
        """Count what the instrument ticks."""
        match message.type:
            case "start":
                self.tick, self.running = -1, True
            case "continue":
                self.running = True
            case "stop":
                self.running = False
            case "songpos":
                # A song position counts in six clocks (MIDI 1.0 Detailed
                # Specification 4.2.1, System Common Messages, from memory).
                self.tick = message.pos * 6 - 1
            case "clock" if self.running:
                self.tick += 1

    def record(self, name: str, message: mido.Message) -> None:
        """Print what the program under test sends."""
        self.say("heard", port=name, tick=self.tick, **message.dict())


def names(wanted: str, least: int) -> list[str]:
    """The output ports with `wanted` in their names, once there are `least` of them."""
    deadline = time.monotonic() + PATIENCE_S
    looking = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="tide recorder")
    try:
        while True:
            found = [name for name in looking.get_ports() if wanted in name]
            if len(found) >= least:
                return found
            if time.monotonic() > deadline:
                raise SystemExit(f"{len(found)} ports called {wanted!r}, wanted {least}")
            time.sleep(0.02)
    finally:
        looking.delete()


def main() -> None:
    """Record until standard input ends."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clock", default="tide drum out")
    parser.add_argument("--of", default="companion")
    parser.add_argument("--outputs", type=int, default=1, help="how many outputs to wait for")
    options = parser.parse_args()
    recorder = Recorder()
    recorder.listen(names(options.clock, 1)[0], recorder.clock)
    for name in names(options.of, options.outputs):
        recorder.listen(name, recorder.record)
    recorder.say("ready")
    sys.stdin.read()
    for port in recorder.ports:
        port.cancel_callback()
        port.delete()


if __name__ == "__main__":
    main()
