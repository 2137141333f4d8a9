"""What recording costs: a tick with and without it, and a night of eight hours.

Run: python -m tests.bench.bench_takes [--runs N] [--hours H]

Ticks go through the engine itself, the recorder writing beside it on its own thread to a real disk,
at the pace of a fast clock; engines with and without take turns at each tick, and the interval is
that of the mean difference over runs (Student's t). A night is played in simulated time and
written as the recorder writes it: how large the file becomes, whether memory grows, and how long a
review of it takes.
"""

from __future__ import annotations

import argparse
import random
import statistics
import tempfile
import time
import tracemalloc
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


def run(folder: Path, seed: int) -> dict[bool, tuple[float, float]]:
    """Median and 99th percentile of a tick in microseconds, with recording and without.

    Each tick is heard by two engines, of which one is recorded, first by the one and then by the
    other: what the machine does meanwhile happens to both.
    """
    (with_it, recorder), (without, _) = ready(folder), ready(None)
    assert recorder is not None
    rng = random.Random(seed)
    spent: dict[bool, list[int]] = {True: [], False: []}
    due = time.monotonic()
    for _ in range(TICKS):
        due += PACE_S
        time.sleep(max(due - time.monotonic(), 0))
        t_ns = round(due * 1e9 + abs(rng.gauss(0, 2e5)))
        pair = [(True, with_it), (False, without)]
        rng.shuffle(pair)
        for on, engine in pair:
            begin = time.perf_counter_ns()
            engine.hear("drum", t_ns, [0xF8])
            spent[on].append(time.perf_counter_ns() - begin)
    recorder.close()
    return {
        on: (statistics.median(each) / 1e3, sorted(each)[int(0.99 * TICKS)] / 1e3)
        for on, each in spent.items()
    }


def on_and_off(runs: int) -> None:
    """Print what recording costs a tick."""
    print(f"{TICKS} ticks a run, {runs} runs; microseconds")
    with tempfile.TemporaryDirectory() as name:
        found = [run(Path(name), seed) for seed in range(runs)]
    for at, name in ((0, "median"), (1, "99%")):
        on, off = [each[True][at] for each in found], [each[False][at] for each in found]
        differences = [a - b for a, b in zip(on, off, strict=True)]
        mean, base = statistics.mean(differences), statistics.mean(off)
        half = stats.t.ppf(0.975, runs - 1) * stats.sem(differences)
        low, high = 100 * (mean - half) / base, 100 * (mean + half) / base
        print(
            f"{name:8} with {statistics.mean(on):8.2f} without {base:8.2f}; "
            f"difference {100 * mean / base:+.2f}% (95%: {low:+.2f} to {high:+.2f}%)"
        )


def night(hours: float) -> None:
    """Print what a night comes to."""
    phrases = 64
    setlist = tidewater(1, phrases, muting(phrases))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        studio = Studio(setlist, folder, bpm=BPM, jitter_ns=400_000).start()
        tracemalloc.start()
        sizes = []
        for n in range(20):
            studio.clocks(round(hours * 60 * BPM * 24 / 20))
            studio.sent_ns.clear()
            if n % 5 == 4:
                sizes.append(tracemalloc.get_traced_memory()[0] / 1e6)
        tracemalloc.stop()
        studio.end()
        size = (folder / NAME).stat().st_size / 1e6
        print(f"{hours:g} hours at {BPM}: {size:.1f} MB on disk; memory in use after each quarter, "
              f"MB: {', '.join(f'{each:.2f}' for each in sizes)}")  # fmt: skip
        for what in ("review", "export .mid", "export .clock", "export .jsonl"):
            begin = time.perf_counter()
            with Store(folder) as store:
                take = store.take()
                if what == "review":
                    review(store, take)
                else:
                    export(store, take, folder / f"x{what.split()[1]}")
            print(f"{what:14} {time.perf_counter() - begin:6.2f} s")


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
