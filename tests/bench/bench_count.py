"""How much of a clock can be counted, and called sure: ours, the gate before it, and the ideal.

Run: python -m tests.bench.bench_count [--ticks 1000000] [--rows held] [--processes 2]

Each row is a law of `tests.follow.streams`, in streams of 12,000 ticks that begin anew, or a
recording. Beside the ticks that were off and called sure stands what the model's own error
probabilities over the sure ticks add up to. Three counts hear the same:

- "gate": the gate that decided before there was a posterior, from the history (commit BEFORE);
- "ideal": the forward filter of `tests.bench.ideal` by the generator's true laws, "fine": the same
  twice as fine (only if asked for: slow), and "wary": the same where it must expect each kind of
  fault at least as often as WARY has it, as ours must;
- "count": `companion.follow.count`.

`--cost` prints what a tick costs instead, in processor time.
"""

from __future__ import annotations

import argparse
import importlib
import json
import re
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from itertools import chain
from multiprocessing import Pool
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.bench.ideal import know
from tests.follow.recordings import recordings
from tests.follow.streams import ROWS, Laws, stream

BEFORE = "1709c50"
TICKS = 12_000
IDEALS = ("ideal", "fine", "wary")
# What an ideal filter must reckon with that is not told which faults there are.
WARY = Laws(bpm=0, held=1 / 1000, lost=1 / 1000, doubled=1 / 2000)

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Heard:
    """What one count made of one stream: ticks, whether sure, and its own chances of error."""

    ticks: Ints
    sure: NDArray[np.bool_]
    by_one: Floats
    by_more: Floats


@dataclass(slots=True)
class Sums:
    """Figures of one row and one count, over all its streams."""

    heard: int = 0
    sure: int = 0
    one: int = 0
    more: int = 0
    own_one: float = 0.0
    own_more: float = 0.0
    streams: int = 0
    ends_off: int = 0
    worst_end: int = 0
    worst: int = 0

    def add(self, other: Sums) -> None:
        """Take in another's."""
        for name in (field.name for field in fields(self)):
            mine, its = getattr(self, name), getattr(other, name)
            setattr(self, name, max(mine, its) if name.startswith("worst") else mine + its)


def judged(heard: Heard, off: Ints) -> Sums:
    """Figures of one stream; `off` is how far its count was off after each message."""
    sure, end = heard.sure, int(off[-1])
    return Sums(
        len(off),
        int(sure.sum()),
        int((off[sure] == 1).sum()),
        int((off[sure] > 1).sum()),
        float(heard.by_one[sure].sum()),
        float(heard.by_more[sure].sum()),
        1,
        int(end > 0),
        end,
        int(off.max()),
    )


# -- who counts --------------------------------------------------------------------------------


def before(t_ns: Ints) -> Heard:
    """The gate of the history, and the trust that was put into it."""
    gate = _old("gate")
    finding = gate.Finding
    counting = gate.Gate(_old("tempo").TempoTracker())
    tick, sure, lost = -1, True, False
    ticks, sures = [], []
    for t in t_ns.tolist():
        if tick < 0:
            counting.first(t)
            moved, found = 1, finding.NOTHING
        else:
            moved, found = counting.hear(t)
        tick += moved
        # As its conductor heeded it: what is given up only a person or a start mends.
        lost = lost or found is finding.GIVEN_UP
        if found is not finding.NOTHING:
            sure = found is finding.CLEARED and not lost
        ticks.append(tick)
        sures.append(sure)
    nothing = np.zeros(len(ticks))
    return Heard(np.array(ticks), np.array(sures), nothing, nothing)


def _old(module: str) -> Any:
    """`gate` or `tempo` of `companion.follow` as it was, under a package of its own."""
    package = f"companion_{BEFORE}"
    if package not in sys.modules:
        tree = subprocess.run(
            ["git", "archive", BEFORE, "companion"], check=True, capture_output=True
        ).stdout
        with tempfile.TemporaryDirectory(prefix="companion-before-") as name:
            folder = Path(name)
            subprocess.run(["tar", "-x", "-C", folder], input=tree, check=True)
            (folder / "companion").rename(folder / package)
            imports = re.compile(r"(?m)^(\s*(?:from|import) )companion\b")
            for path in (folder / package).rglob("*.py"):
                path.write_text(imports.sub(rf"\1{package}", path.read_text()))
            sys.path.insert(0, name)
            for each in ("gate", "tempo"):
                importlib.import_module(f"{package}.follow.{each}")
            sys.path.remove(name)
    return sys.modules[f"{package}.follow.{module}"]


def ours(t_ns: Ints) -> Heard:
    """`Count`."""
    from companion.follow.count import Count

    count = Count()
    count.begin()
    told = []
    for t in t_ns.tolist():
        tick = count.hear(t)
        told.append((tick, count.sure, count.wrong_by_one, count.wrong_by_more))
    ticks, sure, one, more = zip(*told, strict=True)
    return Heard(np.array(ticks), np.array(sure), np.array(one), np.array(more))


def wary(laws: Laws) -> Laws:
    """Laws with each fault as often as in WARY at least."""
    rates = {name: max(getattr(laws, name), getattr(WARY, name)) for name in ("held", "lost")}
    return replace(laws, doubled=max(laws.doubled, WARY.doubled), **rates)


# -- rows --------------------------------------------------------------------------------------

Task = tuple[str, str, int, int]


def figures(task: Task) -> tuple[str, str, Sums]:
    """One stream of one row, heard by one count."""
    row, who, seed, ticks = task
    heard: Callable[[Ints], Heard] = before if who == "gate" else ours
    if row not in ROWS:
        recorded = next(each for each in recordings() if each.name == row)
        told = heard(recorded.t_ns)
        return row, who, judged(told, recorded.off(told.ticks))
    laws = ROWS[row]
    truth = stream(laws, seed, ticks)
    if who in IDEALS:
        known = know(truth, wary(laws) if who == "wary" else laws, 2 if who == "fine" else 1)
        told = Heard(known.tick, known.sure, known.by_one, known.by_more)
    else:
        told = heard(truth.t_ns)
    return row, who, judged(told, np.abs(told.ticks - truth.tick))


def tasks(rows: list[str], who: list[str], ticks: int, ideal_ticks: int, first: int) -> list[Task]:
    """What there is to do: ticks in streams of TICKS."""
    found = []
    for row in rows:
        for each in who:
            if row not in ROWS:
                if each in ("gate", "count"):
                    found.append((row, each, 0, 0))
                continue
            most = ideal_ticks if each in IDEALS else ticks
            streams = max(1, round(most / TICKS))
            found += [(row, each, first + n, min(most, TICKS)) for n in range(streams)]
    return found


HEAD = (
    f"{'':34}{'':6}{'ticks':>10}{'sure':>9}{'off by 1':>10}{'own':>9}{'by more':>9}{'own':>9}"
    + (f"{'ends off':>10}{'by':>4}{'worst':>6}")
)


def line(row: str, who: str, sums: Sums) -> str:
    """A row of the table."""
    own = f"{sums.own_one:9.2f}", f"{sums.own_more:9.1e}"
    if who == "gate":
        own = f"{'':9}", f"{'':9}"
    return (
        f"{row:34}{who:6}{sums.heard:10}{100 * sums.sure / sums.heard:8.2f}%"
        f"{sums.one:10}{own[0]}{sums.more:9}{own[1]}"
        f"{sums.ends_off:6}/{sums.streams:<3}{sums.worst_end:4}{sums.worst:6}"
    )


# -- cost --------------------------------------------------------------------------------------


def cost(row: str, ticks: int) -> str:
    """What a tick costs in one stream, in microseconds of processor time."""
    from companion.follow.count import Count

    count = Count()
    count.begin()
    times, most = [], 0
    for t in stream(ROWS[row], 1, ticks).t_ns.tolist():
        begin = time.thread_time_ns()
        count.hear(t)
        times.append(time.thread_time_ns() - begin)
        most = max(most, alive(count))
    ordered = np.sort(times) / 1e3
    middle, late, last = ordered[ticks // 2], ordered[int(len(ordered) * 0.999)], ordered[-1]
    return f"{row:30}{middle:10.1f}{late:10.1f}{last:10.1f}{most:10}"


def alive(count: Any) -> int:
    """How many hypotheses a count keeps."""
    return int(count.alive)


def silences() -> None:
    """The first tick after a silence, and what is remembered after many ticks."""
    from companion.follow.count import Count

    print(f"\n{'first tick after a silence of':30}{'us':>10}")
    period = round(2.5e9 / 122)
    for seconds in (0.2, 1, 5, 20, 60, 600, 7200):
        took = []
        for seed in range(9):
            count = Count()
            count.begin()
            times = stream(replace(ROWS["held 1/60, 128"], bpm=122), seed, 1000).t_ns
            for t in times.tolist():
                count.hear(t)
            back = int(times[-1]) + round(seconds * 1e9 / period) * period
            begin = time.thread_time_ns()
            count.hear(back)
            took.append((time.thread_time_ns() - begin) / 1e3)
        print(f"{seconds:>27} s {sorted(took)[4]:10.0f}   (most {max(took):.0f})")
    print(f"\n{'after ticks':30}{'KiB':>10}{'as JSON':>10}")
    times = stream(ROWS["held, lost, doubled, 40"], 1, 100_000).t_ns.tolist()
    tracemalloc.start()
    count = Count()
    count.begin()
    for n, t in enumerate(times, 1):
        count.hear(t)
        if n in (100, 1000, 10_000, 50_000, len(times)):
            kept = len(json.dumps(count.dump())) / 1024
            print(f"{n:30}{tracemalloc.get_traced_memory()[0] / 1024:10.1f}{kept:10.1f}")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_count")
    parser.add_argument("--ticks", type=int, default=TICKS, help="ticks a row")
    parser.add_argument("--ideal-ticks", type=int, default=TICKS, help="the same for the ideal")
    parser.add_argument("--rows", nargs="*", default=[], help="only rows that contain one of these")
    parser.add_argument("--who", nargs="*", default=["gate", "ideal", "wary", "count"])
    parser.add_argument("--first", type=int, default=1, help="seed of the first stream")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--cost", action="store_true")
    given = parser.parse_args()
    names = chain(ROWS, (each.name for each in recordings()))
    rows = [n for n in names if not given.rows or any(part in n for part in given.rows)]
    if given.cost:
        print(f"{'us a tick':30}{'median':>10}{'99.9 %':>10}{'most':>10}{'alive':>10}")
        for row in rows:
            if row in ROWS:
                print(cost(row, given.ticks), flush=True)
        silences()
        return
    print(HEAD)
    work = tasks(rows, given.who, given.ticks, given.ideal_ticks, given.first)
    sums: dict[tuple[str, str], Sums] = {}
    left = {(row, who): 0 for row, who, _, _ in work}
    for row, who, _, _ in work:
        left[row, who] += 1
    with Pool(given.processes) as pool:
        for row, who, one in pool.imap(figures, work):
            sums.setdefault((row, who), Sums()).add(one)
            left[row, who] -= 1
            if not left[row, who]:
                print(line(row, who, sums[row, who]), flush=True)


if __name__ == "__main__":
    main()
