"""What the screen costs, and how soon a tick is seen, each against a baseline of the same run.

Run: python -m tests.bench.bench_screen

Processor: an engine plays the full night at 174 beats a minute by its internal clock, and a screen
of 120x40 shows it in a pseudo-terminal; its share of one core is compared with that of an empty
Textual app which only wakes as often.

From tick to figure: a set whose pass is one beat long, so that the pass count on the terminal
changes with each beat. When a tick comes is taken from the engine's snapshots (tick and its time on
the host's monotonic clock, a straight line through them); when the changed figure arrives is when
the pseudo-terminal has its bytes. The baseline is a bare process that prints at the same ticks.
"""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from companion.link.ask import ask_snapshot
from companion.link.endpoint import find_endpoint

SETS = Path(__file__).parent.parent.parent / "setlists"
TEMPO = 174.0
TICK_NS = 60e9 / (24 * TEMPO)
WARM_S, WATCHED_S = 4.0, 20.0
BEATS = 120

ONE_BEAT_PASSES = """
set: Tidewater
patterns:
  ripple:
    length: 4
    phrase: 512 passes
    tracks:
      low drum:
        steps: {1: always}
songs:
  - song: Slack water
    parts: [{pattern: ripple, phrases: 2}]
"""

EMPTY_APP = """
from textual.app import App
class Empty(App):
    def on_mount(self):
        self.set_interval(1 / 25, lambda: None)
Empty().run()
"""

BARE_PRINTER = """
import sys, time
begin, tick, beats = int(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3])
for beat in range(1, beats):
    time.sleep(max(0.0, (begin + 24 * tick * beat - time.monotonic_ns()) / 1e9))
    sys.stdout.write(f"pass {beat + 1} of 512\\n")
    sys.stdout.flush()
"""


@contextmanager
def in_terminal(command: list[str], width: int, height: int) -> Iterator[tuple[int, int]]:
    """The command in a pseudo-terminal: its process and the terminal's other end."""
    child, terminal = pty.fork()
    if child == 0:
        os.environ.update(TERM="xterm-256color", COLORTERM="truecolor")
        fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))
        os.execv(command[0], command)
    try:
        yield child, terminal
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(terminal)


@contextmanager
def engine(set_file: Path, *options: str) -> Iterator[None]:
    """A running engine with the internal clock."""
    command = [sys.executable, "-m", "companion", "engine", str(set_file), "--internal-clock"]
    with subprocess.Popen([*command, *options], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        try:
            yield
        finally:
            process.terminate()


def read_for(terminal: int, seconds: float) -> Iterator[tuple[int, bytes]]:
    """What comes from the terminal, each time with when it came, for so long."""
    end = time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0:
        if select.select([terminal], [], [], min(left, 0.2))[0]:
            try:
                data = os.read(terminal, 1 << 16)
            except OSError:
                # On Linux the end of the process on the other side reads as an error.
                return
            yield time.monotonic_ns(), data


def processor_s(pid: int) -> float:
    """Seconds of processor time that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def share_of_a_core(command: list[str], keys: bytes = b"") -> tuple[float, float]:
    """Percent of one core that the command uses once it runs, and kB a second it writes."""
    with in_terminal(command, 120, 40) as (child, terminal):
        for _ in read_for(terminal, WARM_S):
            pass
        os.write(terminal, keys)
        for _ in read_for(terminal, 1.0):
            pass
        before, begin = processor_s(child), time.monotonic()
        written = sum(len(data) for _, data in read_for(terminal, WATCHED_S))
        took = time.monotonic() - begin
        return 100 * (processor_s(child) - before) / took, written / took / 1000


class Ticks:
    """When ticks come, by the engine's own snapshots."""

    def __init__(self) -> None:
        self._points: list[tuple[int, int]] = []
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._look)

    def __enter__(self) -> Ticks:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._done.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._done.wait(0.25):
            snapshot = ask_snapshot(find_endpoint())
            if snapshot.state == "running" and snapshot.tick > 0:
                self._points.append((snapshot.tick, snapshot.tick_ns))

    def at(self, tick: int) -> float:
        """When the tick came, in monotonic ns."""
        slope, intercept = statistics.linear_regression(*zip(*self._points, strict=True))
        return slope * tick + intercept


def tick_to_figure(command: list[str], passes: re.Pattern[bytes]) -> list[tuple[int, int]]:
    """For each beat that was seen, the number of its pass and when its bytes came."""
    seen: dict[int, int] = {}
    with in_terminal(command, 80, 24) as (_, terminal):
        for at, data in read_for(terminal, WARM_S + BEATS * 24 * TICK_NS / 1e9):
            for found in passes.finditer(data):
                seen.setdefault(int(found[1]), at)
    return sorted(seen.items())


def lateness(seen: list[tuple[int, int]], ticks: Ticks) -> list[float]:
    """Milliseconds from each beat's tick to its figure; the first ones are start-up."""
    return sorted((at - ticks.at(24 * (number - 1))) / 1e6 for number, at in seen[4:])


def row(name: str, values: list[float]) -> str:
    """One line of the table of times."""
    late = values[int(0.95 * len(values))]
    return f"{name:44}{statistics.median(values):8.1f}{late:8.1f}{values[-1]:8.1f}{len(values):8d}"


def main() -> None:
    """Print both tables."""
    python = sys.executable
    screen = [python, "-m", "companion", "screen"]
    with tempfile.TemporaryDirectory() as folder:
        os.environ["COMPANION_STATE_DIR"] = folder
        print(f"share of one core over {WATCHED_S:.0f} s at 120x40, full night at {TEMPO:.0f}")
        print(f"{'':44}{'percent':>8}{'kB/s':>8}")
        cost, written = share_of_a_core([python, "-c", EMPTY_APP])
        print(f"{'baseline: an empty app that wakes as often':44}{cost:8.1f}{written:8.1f}")
        with engine(SETS / "tidewater-full-night.yaml", "--tempo", f"{TEMPO:g}"):
            for name, keys in (("stage", b""), ("set list", b"l"), ("pass map", b"m")):
                cost, written = share_of_a_core(screen, keys)
                print(f"{name:44}{cost:8.1f}{written:8.1f}")
        print()
        print(f"from tick to figure, a beat apart at {TEMPO:.0f} beats a minute, 80x24")
        print(f"{'':44}{'median':>8}{'95%':>8}{'worst':>8}{'beats':>8}   ms")
        begin = time.monotonic_ns() + 2_000_000_000
        bare = [python, "-c", BARE_PRINTER, str(begin), str(TICK_NS), str(BEATS)]
        seen = tick_to_figure(bare, re.compile(rb"pass (\d+) of"))
        late = sorted((at - begin - 24 * TICK_NS * (n - 1)) / 1e6 for n, at in seen)
        print(row("baseline: a bare process that prints", late))
        ripple = Path(folder) / "ripple.yaml"
        ripple.write_text(ONE_BEAT_PASSES)
        with engine(ripple, "--tempo", f"{TEMPO:g}"), Ticks() as ticks:
            seen = tick_to_figure(screen, re.compile(rb"pass (\d+) of 512"))
            print(row("stage", lateness(seen, ticks)))


if __name__ == "__main__":
    main()
