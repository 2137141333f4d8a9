"""Many simulated nights at once: what went wrong, what it did, and how fast they were played.

Run: python -m tests.bench.bench_nights --hours 1000
     python -m tests.bench.bench_nights --hours 100 --notes [--deaf]

Each hour is a night of its own, its seed its number. A night that goes wrong is replayed in words
by `python -m tests.nights SEED`.
"""

from __future__ import annotations

import argparse
import sys
import time
from functools import partial
from multiprocessing import Pool

from tests.nights.judge import Tally
from tests.nights.night import play_night
from tests.nights.table import table


def hour(seed: int, *, notes: bool, deaf: bool) -> Tally:
    """One night of one hour."""
    return play_night(seed, 1.0, notes=notes, deaf=deaf)


def main() -> None:
    """Play them and print the table; the exit status is 1 if anything was wrong."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_nights")
    parser.add_argument("--hours", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="seed of the first night")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--notes", action="store_true", help="the box sends what it plays")
    parser.add_argument("--deaf", action="store_true", help="nobody listens for the place")
    given = parser.parse_args()
    begin = time.perf_counter()
    whole = Tally()
    play = partial(hour, notes=given.notes, deaf=given.deaf)
    with Pool(given.processes) as pool:
        seeds = range(given.first, given.first + given.hours)
        for number, tally in enumerate(pool.imap_unordered(play, seeds), start=1):
            whole.add(tally)
            for charge in tally.first_wrong:
                print(charge, file=sys.stderr, flush=True)
            if number % 50 == 0:
                print(f"{number} hours, {sum(whole.wrong.values())} wrong", file=sys.stderr)
    print(table(whole, time.perf_counter() - begin))
    sys.exit(1 if whole.wrong else 0)


if __name__ == "__main__":
    main()
