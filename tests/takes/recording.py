"""A recorder at work in a process of its own, to be killed. Run: python -m tests.takes.recording

It plays ticks into a follower as they fall due, at 300 beats a minute, and records them as the
engine does. With `--most N` no file may become longer than N bytes. Says one line when it records:
the take, and the monotonic time at its beginning; at the end of its input it ends as it should, and
says what was not in order.
"""

from __future__ import annotations

import argparse
import resource
import sys
import threading
import time
from pathlib import Path

from companion.follow.follower import Follower
from companion.takes.record import Recorder
from tests.builders import three_parts

PERIOD_NS = round(60e9 / (24 * 300))


def main() -> None:
    """Record until the input ends."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--most", type=int)
    # So many notes with each tick.
    parser.add_argument("--notes", type=int, default=0)
    options = parser.parse_args()
    if options.most:
        resource.setrlimit(resource.RLIMIT_FSIZE, (options.most, options.most))
    setlist = three_parts()
    recorder = Recorder(
        setlist, kind="engine", set_file=Path("/nowhere.yaml"), folder=options.folder
    )
    began_ns = time.monotonic_ns()
    recorder.start()
    ended = threading.Event()

    def wait() -> None:
        sys.stdin.read()
        ended.set()

    threading.Thread(target=wait, daemon=True).start()
    follower = Follower(setlist)

    def hear(t_ns: int, *message: int) -> None:
        follower.hear("tide drum", t_ns, message)
        recorder.notes.look(follower, t_ns)
        recorder.notes.heard((t_ns, "tide drum", message, follower.conductor.ticks.ticks))

    due_ns = time.monotonic_ns()
    hear(due_ns, 0xFA)
    said = False
    while not ended.is_set():
        while (now_ns := time.monotonic_ns()) < due_ns:
            time.sleep((due_ns - now_ns) / 1e9)
        hear(due_ns, 0xF8)
        for n in range(options.notes):
            hear(due_ns, 0x90, n % 128, 100)
        due_ns += PERIOD_NS
        if not said and (recorder.take or recorder.trouble):
            said = True
            print(recorder.take, began_ns, flush=True)
    recorder.close()
    print(recorder.trouble, flush=True)


if __name__ == "__main__":
    main()
