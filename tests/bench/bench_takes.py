"""What recording costs: a tick with and without it, and a night of eight hours.

Run: python -m tests.bench.bench_takes [--runs N] [--hours H]

Ticks go through the engine itself, the recorder writing beside it on its own thread to a real disk,
as fast as they are taken, and at the pace of a fast clock, where the processor has slept and its
caches are cold; engines with and without it take turns at each tick. What a tick costs
more with it is told pair by pair, apart for pairs in which it came first and those in which it came
second, which finds the caches warm; the interval is that of the mean over runs (Student's t). A
night is played in simulated time and written as the recorder writes it: how large the file becomes,
whether memory grows, how long a review of it takes, and until it stands on a terminal.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import pty
import random
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import time
from pathlib import Path

from scipy import stats

from companion.engine.engine import Engine, Options
from companion.takes.export import export
from companion.takes.record import Recorder
from companion.takes.score import review
from companion.takes.store import NAME, Store
from tests.bench.bench_tick import big_set
from tests.takes.studio import Studio
from tests.takes.test_score import muting, tidewater

TICKS = 2000
# As fast as they are taken, so many.
FAST_TICKS = 20_000
# Between two ticks, in s: 24 to the quarter at 300 beats a minute.
PACE_S = 60 / (24 * 300)
BPM = 120


def ready(folder: Path | None) -> tuple[Engine, Recorder | None]:
    """An engine that plays, recorded into `folder` if one is given."""
    setlist = big_set(5)
    recorder = None
    if folder is not None:
        recorder = Recorder(setlist, kind="engine", set_file=Path("x"), folder=folder)
        recorder.start()
    engine = Engine(setlist, Options(send=False), None, recorder=recorder)
    engine.hear("drum", time.monotonic_ns(), (0xFA,))
    return engine, recorder


def run(folder: Path, seed: int, *, paced: bool) -> tuple[float, float]:
    """Median time of a tick without recording, and what it costs more with it, in microseconds.

    Each tick is heard by two engines, of which one is recorded, first by the one and then by the
    other: what the machine does meanwhile happens to both.
    """
    (with_it, recorder), (without, _) = ready(folder), ready(None)
    assert recorder is not None
    rng = random.Random(seed)
    # By whether the recorded one came first: time with recording and without.
    spent: dict[bool, list[tuple[int, int]]] = {True: [], False: []}
    due = time.monotonic()
    for _ in range(TICKS if paced else FAST_TICKS):
        due += PACE_S
        if paced:
            time.sleep(max(due - time.monotonic(), 0))
        t_ns = round(due * 1e9 + abs(rng.gauss(0, 2e5)))
        pair = [(True, with_it), (False, without)]
        rng.shuffle(pair)
        took = {}
        for on, engine in pair:
            begin = time.perf_counter_ns()
            engine.hear("drum", t_ns, [0xF8])
            took[on] = time.perf_counter_ns() - begin
        spent[pair[0][0]].append((took[True], took[False]))
    recorder.close()
    more = [statistics.median(a - b for a, b in each) for each in spent.values()]
    base = statistics.median(b for each in spent.values() for _, b in each)
    return base / 1e3, statistics.mean(more) / 1e3


def on_and_off(runs: int) -> None:
    """Print what recording costs a tick."""
    for paced, ticks, what in (
        (False, FAST_TICKS, "a tick as fast as they are taken"),
        (True, TICKS, "a tick at the pace of a clock"),
    ):
        print(f"{ticks} ticks a run, {runs} runs; microseconds")
        with tempfile.TemporaryDirectory() as name:
            found = [run(Path(name), seed, paced=paced) for seed in range(runs)]
        print_difference(what, [base for base, _ in found], [more for _, more in found], "us")


def print_difference(what: str, base: list[float], more: list[float], unit: str) -> None:
    """Print what recording costs over runs: `base` without it, `more` with it."""
    without, mean = statistics.mean(base), statistics.mean(more)
    half = stats.t.ppf(0.975, len(more) - 1) * stats.sem(more)
    low, high = 100 * (mean - half) / without, 100 * (mean + half) / without
    print(
        f"{what}: {without:.3f} {unit} without recording, {mean:+.3f} with it: "
        f"{100 * mean / without:+.2f}% (95%: {low:+.2f} to {high:+.2f}%)"
    )


def opened_s(folder: Path) -> tuple[float, float]:
    """Seconds from `companion review`, typed on a terminal, to the first page in sight.

    By the clock, and what of it the processor was at work: all of it on a computer that has nothing
    else to do.
    """
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    begin = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "companion", "review"],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=os.environ | {"COMPANION_DATA_DIR": str(folder), "TERM": "xterm-256color"},
    )
    os.close(theirs)
    seen = b""
    while b"Sure for" not in seen:
        seen += os.read(ours, 1 << 16)
    found = time.perf_counter() - begin
    process.kill()
    _, _, used = os.wait4(process.pid, 0)
    os.close(ours)
    return found, used.ru_utime + used.ru_stime


def resident_mb() -> float:
    """What of this process is in memory now (proc(5), statm)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def night(hours: float) -> None:
    """Print what a night comes to."""
    phrases = 64
    setlist = tidewater(1, phrases, muting(phrases))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        studio = Studio(setlist, folder, bpm=BPM, jitter_ns=400_000).start()
        sizes = []
        for n in range(20):
            studio.clocks(round(hours * 60 * BPM * 24 / 20))
            studio.sent_ns.clear()
            if n % 5 == 4:
                sizes.append(resident_mb())
        studio.end()
        size = (folder / NAME).stat().st_size / 1e6
        print(f"{hours:g} hours at {BPM}: {size:.1f} MB on disk; resident after each quarter, "
              f"MB: {', '.join(f'{each:.1f}' for each in sizes)}")  # fmt: skip
        for what in ("review", "export .mid", "export .clock", "export .jsonl"):
            begin = time.perf_counter()
            with Store(folder) as store:
                take = store.take()
                if what == "review":
                    review(store, take)
                else:
                    export(store, take, folder / f"x{what.split()[1]}")
            print(f"{what:14} {time.perf_counter() - begin:6.2f} s")
        opening = sorted(opened_s(folder) for _ in range(5))
        (first, _), (middle, work), (last, _) = opening[0], opening[2], opening[-1]
        print(f"companion review, until its first page is seen: {middle:.2f} s "
              f"({first:.2f} to {last:.2f} s), {work:.2f} s of it at work")  # fmt: skip


def main() -> None:
    """Print all of it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--hours", type=float, default=8.0)
    options = parser.parse_args()
    if options.runs:
        on_and_off(options.runs)
    if options.hours:
        night(options.hours)


if __name__ == "__main__":
    main()
