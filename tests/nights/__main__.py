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
    parser.add_argument("--notes", action="store_true", help="the box sends what it plays")
    parser.add_argument("--deaf", action="store_true", help="nobody listens for the place")
    given = parser.parse_args()
    tell = None if given.quiet else print
    tally = play_night(given.seed, given.hours, tell, notes=given.notes, deaf=given.deaf)
    print(table(tally))


if __name__ == "__main__":
    main()
