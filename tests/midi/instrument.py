"""A drum machine in a process of its own: it ticks, takes program changes and keeps its own count.

It is the judge of the rehearsals and therefore shares no line with the program under test. Raw
rtmidi in and out; commands come as JSON lines on standard input, events go out as JSON lines:

    {"do": "start" | "stop" | "continue" | "where" | "quit"}, {"do": "position", "sixteenths": 8},
    {"do": "tempo", "bpm": 240}, {"do": "skip", "ticks": 5}, {"do": "choose", "program": 12},
    {"do": "mute" | "unmute", "note": 42}, {"do": "send", "bytes": [201, 11]}

A program change that arrives during a pass is taken when that pass ends, and the pass count starts
anew; with `--at-once` it is taken as it arrives. One that is chosen at the front panel is told to
whoever listens, and taken in the same way. With `--ignores` those from outside are not taken at
all, and with `--echo` all that arrives is passed on. `--notes` makes it send what it plays, and
`--chatter` whatever else may be on a cable: whole sysex twice a second, controllers at 300 a
second, active sensing.

With `--follows PORT` it has no clock of its own: it counts that port's, from Start to Stop, and
begins the pattern of a program it is told on the sixteenth that is nearest: at once, but in time
with what else plays (common practice, no source). Told while it stands, it begins with the next
Start.
Programs and channels are wire values.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import threading
import time
from typing import Any

import rtmidi

# MIDI 1.0 Detailed Specification 4.2.1, from memory.
CLOCK, START, CONTINUE, STOP, POSITION = 0xF8, 0xFA, 0xFB, 0xFC, 0xF2
SENSING, SYSEX = 0xFE, [0xF0, 0x7D, *range(8), 0xF7]
PROGRAM, CONTROL, NOTE_ON, NOTE_OFF = 0xC0, 0xB0, 0x90, 0x80
TICKS_OF_NOTE = 3
BANK_HIGH, BANK_LOW = 0, 32
TICKS_PER_QUARTER, TICKS_PER_SIXTEENTH = 24, 6


class Machine:
    """The machine. Its state is guarded by one lock, so an answer never falls between two acts."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.options = options
        self.lengths = {int(p): int(t) for p, t in json.loads(options.lengths).items()}
        # By program and note, the ticks of a pass at which it sounds.
        self.notes = {
            int(program): {int(note): ticks for note, ticks in notes.items()}
            for program, notes in json.loads(options.notes).items()
        }
        self.muted: set[int] = set()
        self.lock = threading.Condition()
        self.speaking = threading.Lock()
        self.period_ns = self.nanoseconds(options.bpm)
        self.running = False
        # Ticks since the latest Start; the first clock after it is tick 0. -1: none yet.
        self.tick = -1
        self.program: int = options.program
        self.bank: int | None = None
        self.part, self.part_start = 1, 0
        self.pending: tuple[int, int | None] | None = None
        self.bank_bytes: dict[int, int] = {}
        self.skip = 0
        # Clocks sent since the machine was switched on, counted ones and idle ones.
        self.clocks = 0
        self.clock_ns = 0
        self.chatted: dict[str, int] = {}
        self.ended = False
        api = rtmidi.API_UNIX_JACK
        self.out = rtmidi.MidiOut(api, name=options.name)
        self.out.open_virtual_port(f"{options.name} out")
        self.into = rtmidi.MidiIn(api, name=options.name)
        self.into.ignore_types(sysex=False, timing=False, active_sense=False)
        self.into.open_virtual_port(f"{options.name} in")
        self.leader: rtmidi.MidiIn | None = None
        if options.follows:
            self.leader = rtmidi.MidiIn(api, name=f"{options.name} follows")
            self.leader.ignore_types(sysex=True, timing=False, active_sense=True)
            self.leader.set_callback(self.follow)
            (found,) = (p for p in self.leader.get_ports() if options.follows in p)
            self.leader.open_port(self.leader.get_ports().index(found))
        self.into.set_callback(self.hear)

    @staticmethod
    def nanoseconds(bpm: float) -> float:
        """Nanoseconds from one clock to the next."""
        return 60e9 / (bpm * TICKS_PER_QUARTER)

    def say(self, event: str, **more: Any) -> None:
        """Print one event."""
        line = json.dumps({"event": event, **more, "ns": time.monotonic_ns()})
        with self.speaking:
            print(line, flush=True)

    # -- what comes in -------------------------------------------------------------------------

    def hear(self, event: tuple[list[int], float], _: Any = None) -> None:
        """Take one message from the cable, on the driver's thread."""
        message, _delta = event
        with self.lock:
            since_ms = (time.monotonic_ns() - self.clock_ns) / 1e6
            self.say("heard", bytes=message, tick=self.tick, since_clock_ms=since_ms)
            if self.options.echo:
                self.out.send_message(message)
            if message[0] == CONTROL | self.options.channel:
                self.bank_bytes[message[1]] = message[2]
            elif message[0] == PROGRAM | self.options.channel and not self.options.ignores:
                self.choose(message[1])

    def follow(self, event: tuple[list[int], float], _: Any = None) -> None:
        """Take one message of the clock that is followed, on the driver's thread."""
        status = event[0][0]
        with self.lock:
            if status == START:
                self.tick, self.part_start, self.running = -1, 0, True
            elif status in (CONTINUE, STOP):
                self.running = status == CONTINUE
            elif status == CLOCK:
                self.clocks += 1
                if self.running:
                    self.advance()

    def choose(self, program: int) -> None:
        """Let a program begin at the end of the pass, or at once."""
        self.pending = (program, self.banked())
        if self.leader is not None and self.running:
            nearest = (self.tick + TICKS_PER_SIXTEENTH // 2) // TICKS_PER_SIXTEENTH
            self.take(nearest * TICKS_PER_SIXTEENTH)
        elif self.options.at_once:
            self.take(self.tick)

    def banked(self) -> int | None:
        """The bank that was selected, 14 bits, None if no whole selection came."""
        if {BANK_HIGH, BANK_LOW} <= self.bank_bytes.keys():
            return self.bank_bytes[BANK_HIGH] << 7 | self.bank_bytes[BANK_LOW]
        return None

    def take(self, tick: int) -> None:
        """Let the waiting program begin at `tick`."""
        assert self.pending is not None
        self.program, self.bank = self.pending
        self.pending = None
        self.part += 1
        if self.leader is not None or not self.options.at_once:
            self.part_start = tick
        applied = time.monotonic_ns()
        self.say("took", program=self.program, bank=self.bank, at_tick=tick, applied_at=applied)

    # -- what goes out -------------------------------------------------------------------------

    def run(self) -> None:
        """Tick until the end, by deadlines that do not drift."""
        due_ns = float(time.monotonic_ns())
        while not self.ended:
            with self.lock:
                if not (self.running or self.options.idle_clock):
                    self.lock.wait()
                    due_ns = time.monotonic_ns() + self.period_ns
                    continue
                period_ns = self.period_ns
            wait_ns = due_ns - time.monotonic_ns()
            if wait_ns > 0:
                time.sleep(wait_ns / 1e9)
            with self.lock:
                if self.running:
                    self.advance()
                if self.skip > 0:
                    self.skip -= 1
                elif self.running or self.options.idle_clock:
                    self.out.send_message([CLOCK])
                    self.clocks += 1
                    self.clock_ns = time.monotonic_ns()
                if self.running:
                    self.play()
            due_ns += period_ns

    def chatter(self) -> None:
        """Send what has nothing to do with the clock, until the end."""
        # MIDI 1.0, from memory: active sensing comes at least every 300 ms.
        every_ns = {"controller": 10**9 // 300, "sensing": 250_000_000, "sysex": 500_000_000}
        due_ns = dict.fromkeys(every_ns, time.monotonic_ns())
        value = 0
        while not self.ended:
            what = min(due_ns, key=lambda each: due_ns[each])
            time.sleep(max(0, due_ns[what] - time.monotonic_ns()) / 1e9)
            due_ns[what] += every_ns[what]
            value = (value + 1) % 128
            with self.lock:
                self.out.send_message(
                    {
                        "controller": [CONTROL | self.options.channel, 74, value],
                        "sensing": [SENSING],
                        "sysex": SYSEX,
                    }[what]
                )
                self.chatted[what] = self.chatted.get(what, 0) + 1

    def advance(self) -> None:
        """One tick on; a pass that ends here lets a waiting program begin."""
        self.tick += 1
        length = self.lengths.get(self.program, self.options.length)
        if self.pending is not None and (self.tick - self.part_start) % length == 0:
            self.take(self.tick)

    def play(self) -> None:
        """Begin and end the notes for which this tick is the time."""
        length = self.lengths.get(self.program, self.options.length)
        here = (self.tick - self.part_start) % length
        for note, ticks in self.notes.get(self.program, {}).items():
            if here in ticks and note not in self.muted:
                self.out.send_message([NOTE_ON | self.options.channel, note, 100])
            if (here - TICKS_OF_NOTE) % length in ticks:
                self.out.send_message([NOTE_OFF | self.options.channel, note, 0])

    # -- what the player does ------------------------------------------------------------------

    def obey(self, command: dict[str, Any]) -> None:
        """Do what the player at the front panel does."""
        with self.lock:
            match command["do"]:
                case "start":
                    self.tick, self.part_start, self.running = -1, 0, True
                    self.out.send_message([START])
                case "stop":
                    self.running = False
                    self.out.send_message([STOP])
                case "continue":
                    self.running = True
                    self.out.send_message([CONTINUE])
                case "position":
                    sixteenths = command["sixteenths"]
                    self.tick = sixteenths * TICKS_PER_SIXTEENTH - 1
                    self.part_start = min(self.part_start, self.tick + 1)
                    self.out.send_message([POSITION, sixteenths & 0x7F, sixteenths >> 7])
                case "tempo":
                    self.period_ns = self.nanoseconds(command["bpm"])
                case "skip":
                    self.skip = command["ticks"]
                case "choose":
                    self.out.send_message([PROGRAM | self.options.channel, command["program"]])
                    self.choose(command["program"])
                case "mute":
                    self.muted.add(command["note"])
                case "unmute":
                    self.muted.discard(command["note"])
                case "send":
                    self.out.send_message(command["bytes"])
                case "quit":
                    self.ended = True
                case "where":
                    pass
            self.lock.notify_all()
            self.say(command["do"], **self.place())

    def place(self) -> dict[str, Any]:
        """Where the machine is, by its own count."""
        length = self.lengths.get(self.program, self.options.length)
        in_part = max(self.tick - self.part_start, 0)
        return {
            "running": self.running,
            "tick": self.tick,
            "clocks": self.clocks,
            "chatted": dict(self.chatted),
            "program": self.program,
            "waits": None if self.pending is None else self.pending[0],
            "part": self.part,
            "tick_in_part": in_part,
            "pass": in_part // length + 1,
            "step": in_part % length // TICKS_PER_SIXTEENTH + 1,
        }


def main() -> None:
    """Be a machine until told to quit, or until nobody is left to tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--name", default="tide drum")
    parser.add_argument("--channel", type=int, default=9)
    parser.add_argument("--bpm", type=float, default=150.0)
    parser.add_argument("--program", type=int, default=0)
    parser.add_argument("--length", type=int, default=48, help="ticks in a pass of any program")
    parser.add_argument("--lengths", default="{}", help="JSON: program to ticks in its pass")
    parser.add_argument("--idle-clock", action="store_true", help="clock while stopped, too")
    parser.add_argument("--at-once", action="store_true", help="take programs as they arrive")
    parser.add_argument("--follows", default="", help="a word of the port whose clock it counts")
    parser.add_argument("--ignores", action="store_true", help="take no program from outside")
    parser.add_argument("--echo", action="store_true", help="pass on all that arrives")
    parser.add_argument("--notes", default="{}", help="JSON: program to note to ticks of its pass")
    parser.add_argument("--chatter", action="store_true", help="sysex, controllers, sensing, too")
    machine = Machine(parser.parse_args())
    sys.setswitchinterval(0.0005)
    if machine.leader is None:
        threading.Thread(target=machine.run, daemon=True).start()
    if machine.options.chatter:
        threading.Thread(target=machine.chatter, daemon=True).start()
    machine.say("ready")
    for line in sys.stdin:
        machine.obey(json.loads(line))
        if machine.ended:
            break
    # A client that goes without a word costs the server seconds.
    for port in filter(None, (machine.into, machine.leader)):
        port.cancel_callback()
        port.delete()
    with machine.lock:
        machine.out.delete()
        os._exit(0)


if __name__ == "__main__":
    main()
