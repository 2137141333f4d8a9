"""How much the share of sure ticks depends on the rates that nobody measured.

Run: python -m tests.bench.bench_sensitivity [--ticks 12000] [--seeds 1] [--rows held "all faults"]

Each rate of `companion.follow.count.Rates` is multiplied and divided by three. A line is a rate;
the columns are how many percentage points more of the ticks were sure than with the rates as they
are, over all rows, and in the row that it moved the most; and how many ticks were called sure and
were off by one, and by more.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import dataclass
from multiprocessing import Pool

from companion.follow.count import RATES, Count, Rates
from tests.follow.streams import ROWS, Stream, stream

BY = 3.0
SOME = "held 1/60, 128", "held 1/60, lost 1/200", "held 1/10", "turned, held", "faults, 70", "300"


@dataclass(frozen=True, slots=True)
class Share:
    """How many of the ticks of some streams were sure, and off by one or more and yet sure."""

    heard: int
    sure: int
    one: int
    more: int

    @property
    def percent(self) -> float:
        """Of all ticks, those that were sure."""
        return 100 * self.sure / self.heard


def share(rates: Rates, streams: Iterable[Stream]) -> Share:
    """What a count with these rates makes of the streams."""
    heard = sure = one = more = 0
    for each in streams:
        count = Count(rates)
        count.begin()
        for t_ns, truth in zip(each.t_ns.tolist(), each.tick.tolist(), strict=True):
            off = abs(count.hear(t_ns) - truth)
            heard += 1
            if count.sure:
                sure += 1
                one += off == 1
                more += off > 1
    return Share(heard, sure, one, more)


Task = tuple[Rates, str, int, int]


def row_share(task: Task) -> Share:
    """The same for one row, in streams of so many ticks, with so many seeds from 1 on."""
    rates, row, ticks, seeds = task
    return share(rates, (stream(ROWS[row], seed, ticks) for seed in range(1, seeds + 1)))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_sensitivity")
    parser.add_argument("--ticks", type=int, default=12_000, help="ticks a stream")
    parser.add_argument("--seeds", type=int, default=1, help="streams a row")
    parser.add_argument("--rows", nargs="*", default=SOME, help="rows that contain one of these")
    parser.add_argument("--rates", nargs="*", default=RATES._fields, choices=RATES._fields)
    parser.add_argument("--processes", type=int, default=1)
    given = parser.parse_args()
    rows = [row for row in ROWS if any(part in row for part in given.rows)]
    tried = [("as they are", RATES)]
    for name in given.rates:
        value = getattr(RATES, name)
        tried += [
            (f"{name} {sign} 3 = {new:.3g}", RATES._replace(**{name: new}))
            for sign, new in (("x", value * BY), ("/", value / BY))
        ]
    print(f"{'':26}{'sure':>8}{'mean':>8}{'most':>8}  {'in':26}{'off by 1':>9}{'by more':>9}")
    plain: list[float] = []
    with Pool(given.processes) as pool:
        for title, rates in tried:
            tasks = [(rates, row, given.ticks, given.seeds) for row in rows]
            shares = pool.map(row_share, tasks, chunksize=1)
            percents = [each.percent for each in shares]
            plain = plain or percents
            moved = [new - old for new, old in zip(percents, plain, strict=True)]
            at = max(range(len(rows)), key=lambda i: abs(moved[i]))
            print(
                f"{title:26}{sum(percents) / len(rows):7.2f}%{sum(moved) / len(rows):+8.2f}"
                f"{moved[at]:+8.2f}  {rows[at] if moved[at] else '':26}"
                f"{sum(each.one for each in shares):9}{sum(each.more for each in shares):9}",
                flush=True,
            )


if __name__ == "__main__":
    main()
