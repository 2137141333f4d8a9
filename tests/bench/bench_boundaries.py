"""When the change of an instrument that changes at once left, relative to its boundary.

Run: python -m tests.bench.bench_boundaries [--boundaries N] [--busy N] [--bpm B] [--lead-ms M]

A meter, in a process of its own, ticks through JACK's dummy driver, notes when it sent each tick
that is a boundary, and when the program for it came back from the engine, whose set asks for it so
many milliseconds before. Early is negative. Where the meter itself ticked late, neither says much
of the engine: those boundaries are told apart. With `--busy` so many processes do nothing but count
meanwhile. What the engine did not send, since it came to doubt its count or it would have been too
late, is counted; then the meter starts anew. None of this is a test.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import deque
from pathlib import Path
from typing import Any

from tests.bench.bench_latency import CLOCK, PROGRAM, START, STOP, percentile
from tests.midi import jack
from tests.midi.players import Stage

BOUNDARIES, BUSY, BPM, LEAD_MS = 1000, 2, 174.0, 10
# Two sixteenths, six clocks each.
PASS_TICKS = 12
# With no change for so many passes the engine has come to doubt its count.
QUIET_PASSES = 8
# The meter kept time where none of a pass's ticks left later than this.
KEPT_MS = 5.0
# A change may come an eighth of a beat after its boundary (docs/faults.md).
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
        self.came: list[tuple[int, int]] = []

    def _heard(self, event: tuple[list[int], float], _: Any = None) -> None:
        if event[0][0] == PROGRAM:
            self.came.append((time.perf_counter_ns(), event[0][1]))

    def run(self, boundaries: int) -> dict[str, Any]:
        """Tick over so many boundaries; ms from each to its program, by pass."""
        period_ns = self.period_ns
        at_ns: list[int] = []
        kept: list[bool] = []
        slips: deque[float] = deque(maxlen=PASS_TICKS)
        next_ns = float(time.perf_counter_ns())
        tick, restarts, last = -1, 0, 0
        self.out.send_message([START])
        while len(at_ns) < boundaries:
            next_ns += period_ns
            time.sleep(max(0.0, (next_ns - time.perf_counter_ns()) / 1e9))
            tick += 1
            self.out.send_message([CLOCK])
            slips.append((time.perf_counter_ns() - next_ns) / 1e6)
            if tick and tick % PASS_TICKS == 0:
                at_ns.append(time.perf_counter_ns())
                kept.append(max(slips) < KEPT_MS)
                last = len(self.came) and at_ns[-1] - self.came[-1][0]
                if last > QUIET_PASSES * PASS_TICKS * period_ns or (
                    not self.came and len(at_ns) > 2 * QUIET_PASSES
                ):
                    self.out.send_message([STOP])
                    self.out.send_message([START])
                    tick, restarts = -1, restarts + 1
        time.sleep(0.2)
        lateness: dict[bool, list[float]] = {True: [], False: []}
        matched = set[int]()
        for came_ns, _ in self.came:
            nearest = min(range(len(at_ns)), key=lambda n: abs(at_ns[n] - came_ns))
            lateness[kept[nearest]].append((came_ns - at_ns[nearest]) / 1e6)
            matched.add(nearest)
        return {
            "kept_ms": lateness[True],
            "slipped_ms": lateness[False],
            "missed": len(at_ns) - len(matched),
            "twice": len(self.came) - len(matched),
            "restarts": restarts,
        }

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


def run(boundaries: int, busy: int, bpm: float, lead_ms: int) -> None:
    """Measure beside `busy` processes that never rest, and print what was found."""
    with jack.server(jack.SYNCHRONOUS) as name, tempfile.TemporaryDirectory() as folder:
        environment = jack.environment(name)
        stage = Stage(Path(folder), environment)
        words = ("--role", "meter", "--boundaries", str(boundaries), "--bpm", str(bpm))
        timer = subprocess.Popen(
            [*jack.haste(), sys.executable, "-m", __spec__.name, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
        )
        assert timer.stdin is not None
        assert timer.stdout is not None
        counting: list[subprocess.Popen[bytes]] = []
        try:
            assert timer.stdout.readline().strip() == "ready"
            stage.engine(setlist(2 * boundaries, bpm, lead_ms), "--in", "*meter out*")
            load = os.getloadavg()[0]
            for _ in range(busy):
                counting.append(subprocess.Popen([sys.executable, "-c", "while True: pass"]))
            timer.stdin.write("go\n")
            timer.stdin.flush()
            found = json.loads(timer.stdout.readline())
        finally:
            stage.close()
            for process in (timer, *counting):
                process.kill()
    kept_ms, slipped_ms = found["kept_ms"], found["slipped_ms"]
    print(
        f"{boundaries} boundaries at {bpm:.0f} beats a minute, asked for {lead_ms} ms before each; "
        f"{busy} busy processes, {os.cpu_count()} cores, load {load:.1f} before"
    )
    print(
        f"{len(kept_ms) + len(slipped_ms)} came, {found['missed']} did not, "
        f"{found['twice']} beyond one each, started anew {found['restarts']} times"
    )
    shares = (0.0, 0.01, 0.5, 0.99, 0.999, 1.0)
    latest_ms = LATE_TICKS * 60e3 / (bpm * 24)
    print(f"{'ms after the boundary':<30}" + "".join(f"{100 * share:>8g}%" for share in shares))
    for name, late_ms in (("the meter kept time", kept_ms), ("it ticked late", slipped_ms)):
        if late_ms:
            figures = "".join(f"{percentile(late_ms, share):>9.2f}" for share in shares)
            print(f"{name + f' ({len(late_ms)})':<30}{figures}")
            late = sum(each > latest_ms for each in late_ms)
            print(f"  later than an eighth of a beat, {latest_ms:.1f} ms: {late}")


def main() -> None:
    """Be the bench, or its meter."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boundaries", type=int, default=BOUNDARIES)
    parser.add_argument("--busy", type=int, default=BUSY)
    parser.add_argument("--bpm", type=float, default=BPM)
    parser.add_argument("--lead-ms", type=int, default=LEAD_MS)
    parser.add_argument("--role", choices=["meter"], help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.role == "meter":
        meter(options.boundaries, options.bpm)
    else:
        run(options.boundaries, options.busy, options.bpm, options.lead_ms)


if __name__ == "__main__":
    main()
