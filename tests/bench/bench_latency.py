"""From a clock tick arriving to the program change leaving, with three screens attached.

Run: python -m tests.bench.bench_latency [--changes N] [--busy N] [--bpm B] [--realtime] [--runs N]

A meter, in a process of its own, ticks through JACK's dummy driver and times what comes back from
the engine, which has a change due every sixth tick, and from a bare rtmidi echo that sends a
change from its callback at the same ticks. Both go the same way through the same server in the same
run, so that driver and machine are in both figures and the difference is the program's own. What
the echo needs from callback to send, without the way, is timed inside it. With `--busy` so many
processes do nothing but count meanwhile. The clock then comes so late, to the echo as well, that
the engine doubts it most of the time and sends nothing; with `--realtime`, JACK and the meter have
the priority over them that they have on a computer set up for sound (this may need root). Engine
and echo have theirs from JACK, as any of its clients. With `--runs` a second engine stands in the
echo's place in so many runs, one of the two records, by turns, and what is told is what that costs;
no screens then. None of this is a test.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tests.bench.bench_takes import print_difference
from tests.midi import jack
from tests.midi.players import Stage

BPM = 120.0
CHANGES = 1000
SCREENS = 3
# A pass of two steps of a 1/32, three clocks each, and a change a step before each boundary.
PASS_TICKS, DUE_TICK = 6, 3
QUIET_TICKS = 48
# In place of an instrument's own crystal; below JACK's clients (man 1 chrt, util-linux).
FIRST = ("chrt", "--fifo", "10")
CLOCK, START, STOP, PROGRAM = 0xF8, 0xFA, 0xFC, 0xC0


def setlist(parts: int, bpm: float, port: str = "meter in") -> str:
    """A set of that many parts of one pass each, for an instrument at that port."""
    lines = [
        "set: Tidewater",
        "instruments:",
        f'  drums: {{port: "*{port}*", channel: 1, change: {{send_before: 1 step}}}}',
        "patterns:",
        "  ripple: {length: 2, step: 1/32, phrase: 1 pass}",
        "songs:",
        "  - song: Slack water",
        f"    tempo: {bpm}",
        "    parts:",
    ]
    lines += [
        f"      - {{pattern: ripple, on: drums, program: {n % 128 + 1}, phrases: 1}}"
        for n in range(parts)
    ]
    return "\n".join(lines) + "\n"


def percentile(values: list[float], share: float) -> float:
    """The value that `share` of all do not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


# -- the echo, in a process of its own ---------------------------------------------------------


def echo() -> None:
    """Send a program change at the ticks at which the engine has one due; nothing else."""
    import rtmidi

    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="echo")
    into = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="echo")
    into.ignore_types(timing=False)
    tick = -1
    taken_ns: list[int] = []

    def heard(event: tuple[list[int], float], _: Any = None) -> None:
        nonlocal tick
        begin_ns = time.perf_counter_ns()
        status = event[0][0]
        if status == CLOCK:
            tick += 1
            if tick % PASS_TICKS == DUE_TICK:
                out.send_message([PROGRAM, 0])
                taken_ns.append(time.perf_counter_ns() - begin_ns)
        elif status == START:
            tick = -1

    into.set_callback(heard)
    into.open_port(_port(into, "meter out"), name="echo in")
    out.open_port(_port(out, "reference in"), name="echo out")
    print("ready", flush=True)
    sys.stdin.readline()
    # Who asks ends this process: a client that closes its ports here may wait for ever.
    print(json.dumps({"taken_ns": taken_ns}), flush=True)
    sys.stdin.read()


def _port(midi: Any, name: str) -> int:
    return next(i for i, port in enumerate(midi.get_ports()) if name in port)


# -- the meter, in a process of its own --------------------------------------------------------


class Meter:
    """Ticks, and times what comes back on two inputs."""

    def __init__(self, bpm: float) -> None:
        import rtmidi

        self.period_ns = 60e9 / (bpm * 24)
        api = rtmidi.API_UNIX_JACK
        self.out = rtmidi.MidiOut(api, name="meter")
        self.out.open_virtual_port("meter out")
        self.due_ns = 0
        self.tick = -1
        self.restarts = 0
        # Milliseconds by the tick at which they were due, counted over all starts.
        self.engine: dict[int, float] = {}
        self.echo: dict[int, float] = {}
        self.round = 0
        self.inputs = []
        for name, found in (("meter in", self.engine), ("reference in", self.echo)):
            port = rtmidi.MidiIn(api, name=name)
            port.set_callback(self._listener(found))
            port.open_virtual_port(name)
            self.inputs.append(port)

    def _listener(self, found: dict[int, float]) -> Any:
        def heard(event: tuple[list[int], float], _: Any = None) -> None:
            now_ns = time.perf_counter_ns()
            if event[0][0] == PROGRAM and self.due_ns:
                found.setdefault(self.round, (now_ns - self.due_ns) / 1e6)

        return heard

    def run(self, changes: int) -> None:
        """Tick until that many changes came, or thrice the time that they should take is over."""
        period_ns = self.period_ns
        # With no change for so long the engine has come to doubt its count: the meter starts anew.
        quiet_ns = QUIET_TICKS * period_ns
        give_up_ns = time.perf_counter_ns() + 3 * changes * PASS_TICKS * period_ns
        next_ns = float(time.perf_counter_ns())
        last = (0, time.perf_counter_ns())
        self.out.send_message([START])
        while len(self.engine) < changes and next_ns < give_up_ns:
            next_ns += period_ns
            time.sleep(max(0.0, (next_ns - time.perf_counter_ns()) / 1e9))
            self.tick += 1
            if self.tick % PASS_TICKS == DUE_TICK:
                self.round += 1
                self.due_ns = time.perf_counter_ns()
            self.out.send_message([CLOCK])
            if len(self.engine) > last[0]:
                last = (len(self.engine), time.perf_counter_ns())
            elif time.perf_counter_ns() - last[1] > quiet_ns:
                self.out.send_message([STOP])
                self.out.send_message([START])
                self.tick = -1
                self.restarts += 1
                last = (last[0], time.perf_counter_ns())

    def close(self) -> None:
        """Leave without keeping the server waiting."""
        for port in self.inputs:
            port.delete()
        self.out.delete()


def meter(changes: int, bpm: float) -> None:
    """Offer the ports, wait for a line, tick, and print what was timed."""
    made = Meter(bpm)
    print("ready", flush=True)
    sys.stdin.readline()
    made.run(changes)
    both = sorted(made.engine.keys() & made.echo.keys())
    result = {
        "engine": [made.engine[n] for n in both],
        "echo": [made.echo[n] for n in both],
        "rounds": made.round,
        "restarts": made.restarts,
    }
    print(json.dumps(result), flush=True)
    made.close()


# -- the run -----------------------------------------------------------------------------------


def spawn(
    role: str, changes: int, bpm: float, environment: dict[str, str], ahead: Sequence[str]
) -> subprocess.Popen[str]:
    """One of the roles above as a process that is ready, started by the words `ahead`."""
    words = ("--role", role, "--changes", str(changes), "--bpm", str(bpm))
    process = subprocess.Popen(
        [*ahead, sys.executable, "-m", __spec__.name, *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    )
    assert process.stdout is not None
    if process.stdout.readline().strip() != "ready":
        raise SystemExit(f"the {role} did not start")
    return process


def print_row(name: str, values: list[float], unit: str) -> None:
    """A line of the table."""
    figures = "".join(f"{percentile(values, share):>10.3f}" for share in (0.5, 0.99, 0.999))
    print(f"{name:<34}{figures}  {unit}")


def server_kind(realtime: bool) -> jack.Kind:
    """The server of these benches, with the priority of one on a computer set up for sound."""
    kind = jack.SYNCHRONOUS
    words = [word for word in kind.words if word != "--no-realtime"]
    return replace(kind, words=("--realtime", "-P", "20", *words)) if realtime else kind


@dataclass
class Run:
    """What one run found: ms from tick to change, of engine and echo, by the same ticks.

    `taken_ns` is what the echo needs from callback to send, `load` the computer's before.
    """

    engine: list[float]
    echo: list[float]
    restarts: int
    taken_ns: list[int]
    load: float

    @property
    def apart(self) -> list[float]:
        """How much later the engine's change came than the echo's, tick by tick."""
        return [a - b for a, b in zip(self.engine, self.echo, strict=True)]


def measured(
    changes: int, busy: int, bpm: float, realtime: bool, *, records: int | None = None
) -> Run:
    """Measure beside `busy` processes that never rest.

    With `records` there is an engine in place of the echo, too, and no screen: the first of the two
    records, 0, or the other one, 1.
    """
    with jack.server(server_kind(realtime)) as name, tempfile.TemporaryDirectory() as folder:
        environment = jack.environment(name)
        stages = [Stage(Path(folder) / each, environment) for each in ("one", "two")]
        timer = spawn("meter", changes, bpm, environment, FIRST if realtime else jack.haste())
        others: list[subprocess.Popen[Any]] = [timer]
        taken_ns: list[int] = []
        try:
            if records is None:
                bare = spawn("echo", changes, bpm, environment, jack.haste())
                others.append(bare)
            for n, port in enumerate(("meter in", "reference in")[: 1 + (records is not None)]):
                stages[n].folder.mkdir()
                quiet = records is not None and n != records
                words = ["--in", "*meter out*", *(["--no-take"] if quiet else [])]
                stages[n].engine(setlist(3 * changes, bpm, port), *words)
            for _ in range(SCREENS if records is None else 0):
                stages[0].screen().shows("ripple")
            load = os.getloadavg()[0]
            for _ in range(busy):
                others.append(subprocess.Popen([sys.executable, "-c", "while True: pass"]))
            found = _ask(timer, "go\n")
            if records is None:
                taken_ns = _ask(bare, "told\n")["taken_ns"]
        finally:
            for stage in stages:
                stage.close()
            for process in others:
                process.kill()
    return Run(found["engine"], found["echo"], found["restarts"], taken_ns, load)


def run(changes: int, busy: int, bpm: float, realtime: bool) -> None:
    """Measure, and print the table."""
    found = measured(changes, busy, bpm, realtime)
    print(
        f"{len(found.engine)} changes at {bpm:.0f} beats a minute, {SCREENS} screens attached, "
        f"{busy} busy processes;"
    )
    print(
        f"{os.cpu_count()} cores, load {found.load:.1f} before; JACK dummy driver, "
        f"64 frames of 48 kHz, {'real time' if realtime else 'no real time'}"
    )
    if found.restarts:
        print(f"the engine came to doubt its count {found.restarts} times, and was started anew")
    print(f"\n{'':<34}{'p50':>10}{'p99':>10}{'p99.9':>10}")
    print_row("tick to change, bare echo", found.echo, "ms")
    print_row("tick to change, engine", found.engine, "ms")
    print_row("engine later than echo, by tick", found.apart, "ms")
    print_row("echo, callback to send", [ns / 1000 for ns in found.taken_ns], "us")
    print(f"\nengine later than echo, mean: {statistics.fmean(found.apart):.3f} ms")


def on_and_off(runs: int, changes: int, bpm: float) -> None:
    """Print what recording costs on the way from tick to change, by pairs of the same tick.

    A run comes to the mean of all but a tenth at either end.
    """

    def usual(values: list[float]) -> float:
        tenth = len(values) // 10
        return statistics.fmean(sorted(values)[tenth : len(values) - tenth])

    base, more = [], []
    for n in range(runs):
        found = measured(changes, 0, bpm, False, records=n % 2)
        base.append(usual(found.engine if n % 2 else found.echo))
        more.append(usual(found.apart) * (-1 if n % 2 else 1))
        print(f"{n + 1}: {base[-1]:.3f} ms without, {more[-1]:+.3f} with", flush=True)
    print_difference(f"tick to change, {runs} runs of {changes} each", base, more, "ms")


def _ask(process: subprocess.Popen[str], line: str) -> dict[str, Any]:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(line)
    process.stdin.flush()
    found = json.loads(process.stdout.readline())
    assert isinstance(found, dict)
    return found


def main() -> None:
    """Be the bench, or one of its processes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--changes", type=int, default=CHANGES)
    parser.add_argument("--busy", type=int, default=0)
    parser.add_argument("--bpm", type=float, default=BPM)
    parser.add_argument("--realtime", action="store_true")
    parser.add_argument("--runs", type=int, default=0)
    parser.add_argument("--role", choices=["meter", "echo"], help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.role == "meter":
        threading.current_thread().name = "meter"
        meter(options.changes, options.bpm)
    elif options.role == "echo":
        echo()
    elif options.runs:
        on_and_off(options.runs, options.changes, options.bpm)
    else:
        run(options.changes, options.busy, options.bpm, options.realtime)


if __name__ == "__main__":
    main()
