"""Search all sequences of events up to a depth, on one toy set or on each.

python -m tests.search --depth 7 [--set names] [--workers 2]
"""

from __future__ import annotations

import argparse
import sys

from companion.follow import Follower
from tests.search.search import TOYS, search, stories, story


def main() -> int:
    """Search, and tell each failing sequence as a story."""
    parser = argparse.ArgumentParser(prog="python -m tests.search")
    parser.add_argument("--depth", type=int, default=4)
    parser.add_argument("--set", choices=TOYS, action="append", help="all of them unless given")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--stories", type=int, default=10, help="so many are told for each set")
    options = parser.parse_args()
    failed = False
    for name in options.set or TOYS:
        book = TOYS[name]
        found = search(book, Follower, options.depth, workers=options.workers)
        print(f"{name}: depth {options.depth}, {found}", flush=True)
        told = stories(book, Follower, found)
        for events in told[: options.stories]:
            print(f"\n{events}\n{story(book, Follower, events)}", flush=True)
        if told:
            print(f"\n{len(told)} stories\n", flush=True)
        failed |= bool(found.charges)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
