"""When the change of an instrument that changes at once left, relative to its boundary.

Run: python -m tests.bench.bench_boundaries [--boundaries N] [--busy N] [--bpm B] [--lead-ms M]
     [--realtime] [--held]

A meter, in a process of its own, ticks through JACK's dummy driver, notes when it sent each tick
that is a boundary, and when the program for it came back from the engine, whose set asks for it so
many milliseconds before. The engine notes when it had handed the program to the driver: then it
left, and how long it was under way to the meter's thread is JACK's and the meter's own affair. All
on one clock. Early is negative. Boundaries before which the meter itself ticked late are told
apart. With `--busy` so many processes do nothing but count meanwhile. What the engine did not send,
since it came to doubt its count or it would have been too late, is counted; where it is silent for
long the meter starts anew. On a computer that is busy besides, the meter's clock comes so late that
hardly anything is sent; with `--realtime` JACK and the meter have the priority that an instrument's
own crystal has by nature (this may need root), the engine that which JACK gives any client. With
`--held` the engine is stopped again and again for a twentieth of a second or so, whatever it is
doing, as a computer may that is held up: what would be late must not leave. None of this is a test.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.bench.bench_latency import (
    CLOCK,
    FIRST,
    PROGRAM,
    START,
    STOP,
    percentile,
    server_kind,
)
from tests.midi import jack
from tests.midi.players import Stage, until

BOUNDARIES, BUSY, BPM, LEAD_MS = 1000, 2, 174.0, 10
# Two sixteenths, six clocks each.
PASS_TICKS = 12
# With no change for so many passes, or after a start, the engine has come to doubt its count.
QUIET_PASSES = 8
# The meter kept time where none of a pass's ticks left later than this.
KEPT_MS = 5.0
# With `--held`: how long it runs in between, and stands still.
RUNS_S, STANDS_S = (0.2, 0.6), (0.01, 0.12)
# A change with a lead below a tick may leave an eighth of a beat after its boundary, one with a
# longer lead half of that before it (docs/faults.md).
LATE_TICKS = 3


def setlist(parts: int, bpm: float, lead_ms: int) -> str:
    """A set of that many parts of one pass each."""
    change = f"{{takes_effect: at once, send_before: {lead_ms} ms}}"
    lines = [
        "set: Tidewater",
        "instruments:",
        f'  pads: {{port: "*meter in*", channel: 1, change: {change}}}',
        "patterns:",
        "  ripple: {length: 2, phrase: 1 pass}",
        "songs:",
        "  - song: Slack water",
        f"    tempo: {bpm}",
        "    parts:",
    ]
    lines += [
        f"      - {{pattern: ripple, on: pads, program: {n % 128 + 1}, phrases: 1}}"
        for n in range(parts)
    ]
    return "\n".join(lines) + "\n"


class Meter:
    """Ticks, and times what comes back against the tick that it was for."""

    def __init__(self, bpm: float) -> None:
        import rtmidi

        self.period_ns = 60e9 / (bpm * 24)
        self.out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="meter")
        self.out.open_virtual_port("meter out")
        self.into = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="meter")
        self.into.set_callback(self._heard)
        self.into.open_virtual_port("meter in")
        self.came_ns: list[int] = []

    def _heard(self, event: tuple[list[int], float], _: Any = None) -> None:
        if event[0][0] == PROGRAM:
            self.came_ns.append(time.monotonic_ns())

    def run(self, boundaries: int) -> dict[str, Any]:
        """Tick over so many boundaries: when each was sent, and each program came back."""
        at_ns: list[int] = []
        kept: list[bool] = []
        slips: deque[float] = deque(maxlen=PASS_TICKS)
        quiet_ns = round(QUIET_PASSES * PASS_TICKS * self.period_ns)
        next_ns = float(time.monotonic_ns())
        tick, restarts, began_ns = -1, 0, time.monotonic_ns()
        self.out.send_message([START])
        while len(at_ns) < boundaries:
            next_ns += self.period_ns
            time.sleep(max(0.0, (next_ns - time.monotonic_ns()) / 1e9))
            tick += 1
            # Before it is sent: what leaves for it afterwards is never called too early.
            now_ns = time.monotonic_ns()
            self.out.send_message([CLOCK])
            slips.append((time.monotonic_ns() - next_ns) / 1e6)
            if tick and tick % PASS_TICKS == 0:
                at_ns.append(now_ns)
                kept.append(max(slips) < KEPT_MS)
                heard_ns = self.came_ns[-1] if self.came_ns else 0
                if now_ns - max(heard_ns, began_ns) > quiet_ns:
                    self.out.send_message([STOP])
                    self.out.send_message([START])
                    tick, restarts, began_ns = -1, restarts + 1, now_ns
        time.sleep(0.2)
        return {"at_ns": at_ns, "kept": kept, "came_ns": self.came_ns, "restarts": restarts}

    def close(self) -> None:
        """Leave without keeping the server waiting."""
        self.into.delete()
        self.out.delete()


def meter(boundaries: int, bpm: float) -> None:
    """Offer the ports, wait for a line, tick, and print what was timed."""
    made = Meter(bpm)
    print("ready", flush=True)
    sys.stdin.readline()
    print(json.dumps(made.run(boundaries)), flush=True)
    made.close()


def engine(times: Path, words: list[str]) -> None:
    """Be `companion engine`, and write down when each program had been handed to the driver."""
    from companion.cli.main import main as companion
    from companion.engine import ports

    left_ns: list[int] = []

    class Timed(ports.Output):
        def __init__(self, midi: Any, name: str) -> None:
            super().__init__(midi, name)
            hand = self.send

            def send(message: Sequence[int]) -> None:
                hand(message)
                if message[0] == PROGRAM:
                    left_ns.append(time.monotonic_ns())

            self.send = send

    ports.Output = Timed  # type: ignore[misc]
    sys.argv = ["companion", "engine", *words]
    try:
        companion()
    finally:
        times.write_text(json.dumps(left_ns))


def measure(
    boundaries: int, busy: int, bpm: float, lead_ms: int, realtime: bool, held: bool
) -> tuple[dict[str, Any], float]:
    """All that was timed beside `busy` processes that never rest, and the load before them."""
    with (
        jack.server(server_kind(realtime)) as name,
        tempfile.TemporaryDirectory() as folder,
        contextlib.ExitStack() as leaving,
    ):
        environment, times = jack.environment(name), Path(folder) / "left.json"
        stage = Stage(Path(folder), environment)

        def begin(*words: str, **more: Any) -> subprocess.Popen[str]:
            process = subprocess.Popen(words, text=True, **more)
            leaving.callback(process.kill)
            return process

        me = (sys.executable, "-m", __spec__.name, "--role")
        timer = begin(
            *(FIRST if realtime else jack.haste()),
            *(*me, "meter", "--boundaries", str(boundaries), "--bpm", str(bpm)),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
        )
        assert timer.stdin is not None
        assert timer.stdout is not None
        assert timer.stdout.readline().strip() == "ready"
        path = stage.write(setlist(2 * boundaries, bpm, lead_ms))
        ports = ("--api", "jack", "--in", "*meter out*", str(path))
        words = (*jack.haste(), *me, "engine", "--times", str(times), *ports)
        engine = begin(*words, env=stage.environment, stdout=subprocess.DEVNULL)
        until(lambda: stage.run("status", "--json").returncode == 0, "the engine answers")
        load = os.getloadavg()[0]
        for _ in range(busy):
            begin(sys.executable, "-c", "while True: pass")
        timer.stdin.write("go\n")
        timer.stdin.flush()
        if held:
            draw = random.Random(boundaries)
            while not select.select([timer.stdout], [], [], draw.uniform(*RUNS_S))[0]:
                engine.send_signal(signal.SIGSTOP)
                time.sleep(draw.uniform(*STANDS_S))
                engine.send_signal(signal.SIGCONT)
        found = json.loads(timer.stdout.readline())
        engine.terminate()
        engine.wait(timeout=20)
        return found | {"left_ns": json.loads(times.read_text())}, load


def late_ms(times_ns: list[int], at_ns: list[int]) -> list[tuple[int, float]]:
    """For each time the boundary that is nearest, and how many ms after it that is."""
    nearest = (min(range(len(at_ns)), key=lambda n: abs(at_ns[n] - t)) for t in times_ns)
    return [(n, (t - at_ns[n]) / 1e6) for n, t in zip(nearest, times_ns, strict=True)]


def run(boundaries: int, busy: int, bpm: float, lead_ms: int, realtime: bool, held: bool) -> None:
    """Measure, and print what was found."""
    found, load = measure(boundaries, busy, bpm, lead_ms, realtime, held)
    left, came = (late_ms(found[each], found["at_ns"]) for each in ("left_ns", "came_ns"))
    reached = len({n for n, _ in left})
    print(
        f"{boundaries} boundaries at {bpm:.0f} beats a minute, asked for {lead_ms} ms before each; "
        f"{busy} busy processes, {os.cpu_count()} cores, load {load:.1f} before, "
        f"{'real time' if realtime else 'no real time'}{', the engine held up' if held else ''}"
    )
    print(
        f"{len(left)} left and {len(came)} came, none for {boundaries - reached}, "
        f"{len(left) - reached} beyond one each, started anew {found['restarts']} times"
    )
    shares = (0.0, 0.01, 0.5, 0.99, 0.999, 1.0)
    tick_ms = 60e3 / (bpm * 24)
    latest_ms = LATE_TICKS * tick_ms if lead_ms < tick_ms else -lead_ms / 2
    print(f"{'ms after the boundary':<34}" + "".join(f"{100 * share:>8g}%" for share in shares))

    def row(name: str, ms: list[float]) -> None:
        if ms:
            figures = "".join(f"{percentile(ms, share):>9.2f}" for share in shares)
            print(f"{f'{name} ({len(ms)})':<34}{figures}")

    for name, times in (("left", left), ("came back", came)):
        for kept, how in ((True, "the meter kept time"), (False, "it ticked late")):
            row(f"{name}, {how}", [late for n, late in times if found["kept"][n] == kept])
        over = sum(late > latest_ms for _, late in times)
        print(f"  later than {latest_ms:.1f} ms, which is promised: {over}")
    if len(left) == len(came):
        pairs = zip(found["left_ns"], found["came_ns"], strict=True)
        row("under way, ms", [(came_ns - left_ns) / 1e6 for left_ns, came_ns in pairs])


def main() -> None:
    """Be the bench, or its meter."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boundaries", type=int, default=BOUNDARIES)
    parser.add_argument("--busy", type=int, default=BUSY)
    parser.add_argument("--bpm", type=float, default=BPM)
    parser.add_argument("--lead-ms", type=int, default=LEAD_MS)
    parser.add_argument("--realtime", action="store_true")
    parser.add_argument("--held", action="store_true")
    parser.add_argument("--role", choices=["meter", "engine"], help=argparse.SUPPRESS)
    parser.add_argument("--times", type=Path, help=argparse.SUPPRESS)
    options, words = parser.parse_known_args()
    if options.role == "engine":
        engine(options.times, words)
    elif words:
        parser.error(f"no such words: {' '.join(words)}")
    elif options.role == "meter":
        meter(options.boundaries, options.bpm)
    else:
        asked = options.boundaries, options.busy, options.bpm, options.lead_ms
        run(*asked, options.realtime, options.held)


if __name__ == "__main__":
    main()
