"""Start-up and memory, each against a baseline of the same run.

Run: python -m tests.bench.bench_start [SET]

`--help` against a bare interpreter; the first painted countdown of `companion demo` and of one more
`companion screen` in a pseudo-terminal of 80x24; the engine's resident memory with Tidewater and
with a set of 50 songs of 16 tracks x 64 rule-bearing steps, against a bare interpreter.
"""

from __future__ import annotations

import os
import pty
import select
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROUNDS = 15
SCREEN_ROUNDS = 5
PATIENCE_S = 20.0
SETS = Path(__file__).parent.parent.parent / "setlists"


def seconds(command: list[str]) -> float:
    """Wall time of a command."""
    begin = time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begin


def first_paint(words: list[str], environment: dict[str, str]) -> float:
    """Seconds until a screen of 80x24 shows a pass count."""
    begin = time.perf_counter()
    child, terminal = pty.fork()
    if child == 0:
        os.environ.update(environment, TERM="xterm-256color", COLUMNS="80", LINES="24")
        os.execv(sys.executable, [sys.executable, "-m", "companion", *words])
    seen = b""
    try:
        while b"pass 1" not in seen:
            if time.perf_counter() - begin > PATIENCE_S:
                raise SystemExit(f"{words} never showed a count")
            if select.select([terminal], [], [], 0.05)[0]:
                seen = (seen + os.read(terminal, 65536))[-200_000:]
        return time.perf_counter() - begin
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(terminal)


def stop(environment: dict[str, str]) -> None:
    """End the engine, if any."""
    subprocess.run(
        [sys.executable, "-m", "companion", "stop"],
        env=os.environ | environment,
        capture_output=True,
        check=False,
    )


def big_file(path: Path) -> None:
    """A set list of 50 songs, each with a pattern of 16 tracks x 64 rule-bearing steps."""
    lines = ["set: Tidewater", "patterns:"]
    for p in range(50):
        lines += [f"  pattern {p}:", "    length: 64", "    tracks:"]
        for t in range(16):
            lines += [f"      track {t}:", "        steps:"]
            lines += [f"          {s}: pass {s % 7 + 1} of {s % 7 + 2}" for s in range(1, 65)]
    lines.append("songs:")
    for p in range(50):
        lines += [f"  - song: song {p}", f"    parts: [{{pattern: pattern {p}, phrases: 1}}]"]
    path.write_text("\n".join(lines) + "\n")


def resident_mb(pid: int) -> tuple[float, float]:
    """Resident memory of a process now and at its highest, in MB (10^6 bytes)."""
    status = Path(f"/proc/{pid}/status").read_text()
    found = {
        line.split(":")[0]: line.split()[1]
        for line in status.splitlines()
        if "VmRSS" in line or "VmHWM" in line
    }
    return int(found["VmRSS"]) * 1024 / 1e6, int(found["VmHWM"]) * 1024 / 1e6


def engine_memory(set_file: Path, environment: dict[str, str]) -> tuple[float, float]:
    """Resident memory of an engine that has run for some seconds with a client reading."""
    with subprocess.Popen(
        [sys.executable, "-m", "companion", "engine", str(set_file), "--internal-clock"],
        env=os.environ | environment,
        stdout=subprocess.PIPE,
    ) as engine:
        assert engine.stdout is not None
        engine.stdout.readline()
        for _ in range(5):
            time.sleep(0.5)
            subprocess.run(
                [sys.executable, "-m", "companion", "status"],
                env=os.environ | environment,
                capture_output=True,
                check=True,
            )
        found = resident_mb(engine.pid)
        stop(environment)
    return found


def main() -> None:
    """Print the table."""
    python = sys.executable
    bare = statistics.median(seconds([python, "-c", "pass"]) for _ in range(ROUNDS))
    helped = statistics.median(
        seconds([python, "-m", "companion", "--help"]) for _ in range(ROUNDS)
    )
    print(f"bare interpreter              {bare:7.3f} s")
    print(f"companion --help              {helped:7.3f} s   {helped - bare:+.3f} s")
    with tempfile.TemporaryDirectory() as folder:
        environment = {"COMPANION_STATE_DIR": folder}
        paints = []
        for _ in range(SCREEN_ROUNDS):
            paints.append(first_paint(["demo"], environment))
            stop(environment)
        middle, worst = statistics.median(paints), max(paints)
        print(f"companion demo counts after   {middle:7.3f} s   worst {worst:.3f} s")
        with subprocess.Popen(
            [python, "-c", "input()"], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL
        ) as process:
            time.sleep(0.3)
            print(f"memory of a bare interpreter  {resident_mb(process.pid)[0]:7.1f} MB")
            process.kill()
        big = Path(folder) / "big.yaml"
        big_file(big)
        for name, path in (
            ("Tidewater", SETS / "tidewater-full-night.yaml"),
            ("50 big songs", big),
        ):
            now, highest = engine_memory(path, environment)
            print(f"engine with {name:18}{now:7.1f} MB   highest {highest:.1f} MB")


if __name__ == "__main__":
    main()
