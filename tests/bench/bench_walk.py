"""Through how many files a tick, a boundary's tick, a snapshot and a wish go, traced while running.

Run: python -m tests.bench.bench_walk [--names]

The walk begins where the driver calls back, or where a screen's wish is put into a line, and ends
where the driver is told to send, or where a screen has read the line. Each is walked after a bar of
the same, so that nothing counts that happens once. A file counts when one of its functions runs.
What a screen draws from a snapshot is walked too, in Textual's own terminal without a terminal.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

import companion
from companion.engine.checkpointfile import Memory
from companion.engine.engine import Engine, Options
from companion.engine.ports import Input, Output
from companion.link.messages import (
    decode_snapshot,
    decode_wish,
    encode_snapshot,
    encode_wish,
)
from companion.screen.app import make_app
from companion.wishes import Wish
from tests.builders import PORT, TICK_NS, three_parts
from tests.screen.stage import Feed

HOUSE = str(Path(companion.__file__).parent)
BAR = 96


class Driver:
    """The one client of a driver that has a port, which hands on what it is told to."""

    def __init__(self) -> None:
        self.callback: Callable[..., None] = lambda *_: None
        self.sent: list[bytes] = []

    def set_callback(self, callback: Callable[..., None]) -> None:
        self.callback = callback

    def get_ports(self) -> list[str]:
        return [PORT]

    def open_port(self, number: int, name: str) -> None:
        pass

    def send_message(self, message: bytes) -> None:
        self.sent.append(bytes(message))


@contextmanager
def walked(into: set[str]) -> Iterator[None]:
    """The files of the package in which anything is called meanwhile, on this thread."""

    def see(frame: FrameType, event: str, _: Any) -> None:
        name = frame.f_code.co_filename
        if event == "call" and name.startswith(HOUSE):
            into.add(name[len(HOUSE) + 1 :])

    sys.setprofile(see)
    try:
        yield
    finally:
        sys.setprofile(None)


def walks() -> dict[str, set[str]]:
    """The files of each walk, by its name."""
    found: dict[str, set[str]] = {}
    setlist = three_parts()
    driver, out = Driver(), Driver()
    with tempfile.TemporaryDirectory() as folder:
        memory = Memory(Path(folder), "tidewater.yaml", "digest")
        system: Any = object()  # its keeper is never started, so that nothing is asked of it
        engine = Engine(setlist, Options(), system, memory)
        memory.play(setlist, "digest")
        memory.start()
        Input(driver, PORT, engine.hear)
        engine._keeper.routes.table = {"drums": Output(out, PORT)}
        start_ns = time.monotonic_ns()

        def hear(byte: int, tick: int) -> set[str]:
            # In real time, so that what is due leaves now.
            due_ns = start_ns + tick * TICK_NS
            time.sleep(max(0, due_ns - time.monotonic_ns()) / 1e9)
            files: set[str] = set()
            with walked(files):
                driver.callback(((byte,), TICK_NS / 1e9))
            return files

        hear(0xFA, 0)
        ticks = [hear(0xF8, tick) for tick in range(1, BAR // 2)]
        found["tick"] = ticks[-1]
        before = 0
        for tick in range(BAR // 2, 2 * BAR + 2):
            files = hear(0xF8, tick)
            if len(out.sent) > before:
                found["tick that sends"] = files
                before = len(out.sent)
            if tick == 2 * BAR + 1:
                found["boundary tick"] = files
        assert out.sent, "no change was sent: this would be another walk"

        engine.snapshot()
        files = found["snapshot"] = set()
        with walked(files):
            snapshot = decode_snapshot(encode_snapshot(engine.snapshot()).strip())
        files = found["wish"] = set()
        with walked(files):
            engine.wish(decode_wish(encode_wish(Wish.of("stay")).strip()))
        assert "stay" in engine.snapshot().notice or engine.snapshot().notice
        memory.close(forget=True)

    files = found["a snapshot drawn"] = set()

    async def draw() -> None:
        feed = Feed(snapshot)
        app = make_app(feed, look_only=True)
        async with app.run_test(size=(120, 40)) as pilot:
            await pilot.pause()
            with walked(files):
                feed.say(snapshot)
                app.refresh()
                await pilot.pause()
                await pilot.pause()

    asyncio.run(draw())
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--names", action="store_true", help="tell the files, too")
    names = parser.parse_args().names
    for walk, files in walks().items():
        print(f"{walk:18} {len(files):3} files")
        if names:
            print(*(f"    {name}" for name in sorted(files)), sep="\n")


if __name__ == "__main__":
    main()
