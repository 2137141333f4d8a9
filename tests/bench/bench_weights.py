"""What depends on the weights of the belief, which nobody measured.

Run: python -m tests.bench.bench_weights [--seconds 150] [--nights 6] [--weights line hand]

The odds of each weight of `companion.follow.belief.Weights` (of the line, too) are multiplied and
divided by ten. A line of the table is a weight; the columns are how many of the stories are
charged, in how many of the plain ones the count is not sure, and, in simulated nights with hands
on the instrument and kills, the ticks that were sure and the charges.

Measured with --seconds 100 --nights 3, which is little: 23 of the 24 lines are as the first.

                                  charged   unsure     sure  charges
    as they are                         0        0   92.47%        0
    ignored x 10 = 0.00991              0       12   87.83%        0
"""

from __future__ import annotations

import argparse
from itertools import count, islice

from companion.follow import Follower, belief
from companion.follow.belief import WEIGHTS, Weights
from tests.nights.judge import Tally
from tests.nights.night import Fate, Stage, play_set
from tests.search.search import charge_of, replay
from tests.search.stories import PLAIN, STORIES

BY = 10.0


def turned(name: str, by: float) -> Weights:
    """The weights with the odds of one times `by`, shares kept below one together."""
    value = getattr(WEIGHTS, name)
    odds = by * value / (1 - value)
    new = odds / (1 + odds)
    if name.startswith("taken"):
        new = min(new, 1 - WEIGHTS.dropped)
    if name == "dropped":
        new = min(new, 1 - WEIGHTS.taken_by_start)
    return WEIGHTS._replace(**{name: new})


def nights(many: int, seconds: float) -> list[Fate]:
    """The first nights with hands on the instrument or kills."""
    fates = (Fate(f"{n}.0", seconds) for n in count(1))
    return list(islice((f for f in fates if Stage(f, Tally()).night in ("hands", "kills")), many))


def line(title: str, weights: Weights, fates: list[Fate]) -> str:
    """One line of the table."""
    belief.WEIGHTS = weights
    belief.SHOWN, belief.BESIDES = 1 - weights.besides, weights.besides
    charged = sum(bool(charge_of(s.book, Follower, s.events, keeps=True)) for s in STORIES)
    unsure = sum(
        not replay(s.book, Follower, s.events, keeps=True).follower.status().sure for s in PLAIN
    )
    tally = Tally()
    for fate in fates:
        play_set(fate, tally)
    sure = 100 * tally.sure_ticks / tally.ticks
    charges = len(tally.first_wrong)
    return f"{title:28}{charged:9}{unsure:9}{sure:8.2f}%{charges:9}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_weights")
    parser.add_argument("--seconds", type=float, default=150.0, help="seconds a night")
    parser.add_argument("--nights", type=int, default=6)
    parser.add_argument("--weights", nargs="*", default=WEIGHTS._fields, choices=WEIGHTS._fields)
    given = parser.parse_args()
    fates = nights(given.nights, given.seconds)
    print(f"{'':28}{'charged':>9}{'unsure':>9}{'sure':>9}{'charges':>9}")
    print(line("as they are", WEIGHTS, fates), flush=True)
    for name in given.weights:
        for sign, by in (("x", BY), ("/", 1 / BY)):
            weights = turned(name, by)
            title = f"{name} {sign} 10 = {getattr(weights, name):.3g}"
            print(line(title, weights, fates), flush=True)


if __name__ == "__main__":
    main()
