"""How long until a cable that comes back is heard, and until a killed engine is right and sure.

Run: python -m tests.bench.bench_survival [--rounds N]

Both over JACK's dummy driver, the instrument a process of its own. The baseline of the first is
the time that the operating system needs to list the port again, of the second a bare start of the
same engine. None of this is a test.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from companion.engine.ports import MidiSystem
from companion.link.ask import ask_snapshot
from companion.link.endpoint import find_endpoint
from companion.link.messages import LinkError, Snapshot
from tests.engine.conftest import Players
from tests.engine.test_cables import Desk, connections, pull
from tests.engine.test_killed_live import ONE_PART, House
from tests.midi import jack

GIVEN_UP_S = 15.0


def seconds_until(condition: Callable[[], object]) -> float:
    """How long until `condition` is true; infinite if it takes too long."""
    begin = time.perf_counter()
    while not condition():
        if time.perf_counter() - begin > GIVEN_UP_S:
            return float("inf")
        time.sleep(0.002)
    return time.perf_counter() - begin


def told(name: str, times_s: list[float]) -> None:
    """Print median and largest."""
    middle, most = statistics.median(times_s), max(times_s)
    print(f"{name:58}{middle:8.2f}{most:8.2f}")


def cables(players: Players, rounds: int) -> None:
    """Pull and put back; disconnect behind everybody's back."""
    listed, pulled, unseen = [], [], []
    for _ in range(rounds):
        desk, names = Desk(), MidiSystem("jack")
        drum = players.drum()
        drum.do("start")
        desk.hears_clock()
        pull(drum)
        seconds_until(lambda desk=desk: desk.gone)  # type: ignore[misc]
        drum = players.drum("--idle-clock")
        before = len(desk.heard)
        begin = time.perf_counter()
        seconds_until(names.inputs)
        listed.append(time.perf_counter() - begin)
        seconds_until(lambda desk=desk, n=before: len(desk.heard) > n)  # type: ignore[misc]
        pulled.append(time.perf_counter() - begin)
        time.sleep(1 + random.random())
        for ours in connections(players):
            ends = ["jack_disconnect", "tide drum:tide drum out", ours]
            subprocess.run(ends, env=players.environment, capture_output=True, check=False)
        time.sleep(0.05)
        before = len(desk.heard)
        unseen.append(
            0.05 + seconds_until(lambda desk=desk, n=before: len(desk.heard) > n)  # type: ignore[misc]
        )
        desk.keeper.close()
        names.close()
        players.close()
    told("cable back: listed again", listed)
    told("cable back: heard again", pulled)
    told("cable back before anybody looked: heard again", unseen)


def kills(rounds: int) -> None:
    """Kill and start again, at any moment of the part."""
    with tempfile.TemporaryDirectory() as folder:
        house = House(Path(folder))
        house.set_file.write_text(ONE_PART)
        begin = time.perf_counter()
        house.engine()
        bare = time.perf_counter() - begin
        house.plays()
        ready, right, sure = [], [], []
        unsure: list[str] = []

        def look() -> Snapshot | None:
            with contextlib.suppress(LinkError):
                return ask_snapshot(find_endpoint(house.state))
            return None

        for _ in range(rounds):
            time.sleep(4 + 2 * random.random())
            house.engines[-1].process.kill()
            house.engines[-1].process.wait()
            begin = time.perf_counter()
            house.engine()
            ready.append(time.perf_counter() - begin)
            seconds_until(lambda: (s := look()) is not None and s.state == "running")
            right.append(time.perf_counter() - begin)
            house.agrees()
            if seconds_until(lambda: (s := look()) is not None and s.sure) < GIVEN_UP_S:
                sure.append(time.perf_counter() - begin)
                continue
            found = look()
            unsure.append("" if found is None else found.doubt)
            house.engines[-1].close()
            house.drum.do("stop")
            house.engine()
            house.plays()
        told("engine started: can be reached", [bare])
        told("engine killed and started: can be reached", ready)
        told("engine killed and started: counts in the right place", right)
        if sure:
            told(f"engine killed and started: sure ({len(sure)} of {rounds})", sure)
        for doubt in unsure:
            print(f"  unsure: {doubt}")
        for line in Path(f"/proc/{house.engines[-1].process.pid}/status").read_text().split("\n"):
            if line.startswith(("VmRSS", "RssAnon")):
                print(f"  engine's memory, {' '.join(line.split())}")
        house.close()


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=10)
    parser.add_argument("--cables", action="store_true", help="cables only")
    options = parser.parse_args()
    rounds = options.rounds
    with contextlib.ExitStack() as leaving:
        environment = jack.environment(leaving.enter_context(jack.server(jack.ASYNCHRONOUS)))
        os.environ.update(environment)
        print(f"{rounds} rounds each{'seconds, median':>46}{'largest':>14}")
        players = Players(environment)
        leaving.callback(players.close)
        cables(players, rounds)
        if not options.cables:
            kills(rounds)


if __name__ == "__main__":
    main()
