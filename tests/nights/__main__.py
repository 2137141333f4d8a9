"""Replay one night in words: python -m tests.nights SEED [--hours H] [--set N]."""

from __future__ import annotations

import argparse

from tests.nights.night import play_night
from tests.nights.table import table


def main() -> None:
    """Play the night and print what happened and what came out."""
    parser = argparse.ArgumentParser(prog="python -m tests.nights", description=__doc__)
    parser.add_argument("seed", type=int)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--quiet", action="store_true", help="only the table")
    given = parser.parse_args()
    tally = play_night(given.seed, given.hours, None if given.quiet else print)
    print(table(tally))


if __name__ == "__main__":
    main()
