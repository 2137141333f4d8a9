"""A small engine and raw connections for the rehearsals of the link. No tests here."""

from __future__ import annotations

import time
from collections.abc import Callable

from hypothesis import HealthCheck, settings

from companion.link.ask import new_socket
from companion.link.endpoint import Endpoint
from companion.link.messages import (
    MAP_LINE,
    PLAN_LINE,
    Coming,
    PatternMap,
    SetPlan,
    Snapshot,
    TrackView,
    decode_map,
    decode_plan,
    decode_snapshot,
    encode_hello,
)
from companion.link.server import Server
from companion.wishes import Ask, Wish

# A busy machine must not fail a property.
steady = settings(
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)

TOKEN = "low-tide"
PATIENCE_S = 20.0


class Engine:
    """A count that goes up with every snapshot built, and the wishes it was told."""

    def __init__(self, notice: str = "", items: int = 4, token: str = TOKEN) -> None:
        self.built = 0
        self.tick = 0
        self.wishes: list[Wish] = []
        self.refused: list[str] = []
        self.notice = notice
        self.items = items
        self.snapshot_trouble: BaseException | None = None
        self.wish_trouble: BaseException | None = None
        self.plan: SetPlan | None = None
        self.map: PatternMap | None = None
        self.overview_trouble: BaseException | None = None
        self.server = Server(
            self.make,
            self.take,
            token,
            make_overview=self.overview,
            on_refused=self.refused.append,
        )
        self.endpoint = Endpoint(self.server.start(), token)

    def make(self) -> Snapshot:
        self.built += 1
        if self.snapshot_trouble is not None:
            raise self.snapshot_trouble
        return tidewater(self.tick, self.items, self.notice)

    def overview(self) -> tuple[SetPlan | None, PatternMap | None]:
        if self.overview_trouble is not None:
            raise self.overview_trouble
        return self.plan, self.map

    def take(self, wish: Wish) -> None:
        self.wishes.append(wish)
        if wish.ask is Ask.STOP:
            self.server.close()
        if self.wish_trouble is not None:
            raise self.wish_trouble

    def at(self, tick: int) -> None:
        """The clock has come to `tick`."""
        self.tick = tick
        self.server.poke()


class Peer:
    """A connection that says exactly what it is told to."""

    def __init__(self, engine: Engine, hello: bytes | None = encode_hello(TOKEN)) -> None:
        self.socket = new_socket()
        self.socket.settimeout(PATIENCE_S)
        try:
            self.socket.connect(("127.0.0.1", engine.endpoint.port))
        except OSError:
            self.socket.close()
            raise
        self.received = b""
        self.overviews: list[SetPlan | PatternMap] = []
        if hello is not None:
            self.say(hello)

    def say(self, line: bytes) -> None:
        """Send; an engine that has hung up already is no fault of the speaker."""
        try:
            self.socket.sendall(line)
        except ConnectionError:
            return

    def hear(self) -> Snapshot:
        """The next snapshot; overviews before it are kept in `overviews`."""
        while True:
            while b"\n" not in self.received:
                arrived = self.socket.recv(1 << 16)
                assert arrived, "the engine closed the connection"
                self.received += arrived
            line, _, self.received = self.received.partition(b"\n")
            if line.startswith(PLAN_LINE):
                self.overviews.append(decode_plan(line))
            elif line.startswith(MAP_LINE):
                self.overviews.append(decode_map(line))
            else:
                return decode_snapshot(line)

    def hear_tick(self, tick: int) -> Snapshot:
        """The first snapshot at or after `tick`."""
        while (snapshot := self.hear()).tick < tick:
            pass
        return snapshot

    def hear_out(self) -> bytes:
        """Everything until the engine hangs up."""
        heard = self.received
        try:
            while arrived := self.socket.recv(1 << 16):
                heard += arrived
        except ConnectionError:
            pass
        return heard

    def leave(self) -> None:
        self.socket.close()


def tidewater(tick: int = 0, items: int = 4, notice: str = "") -> Snapshot:
    """A snapshot of the set Tidewater with so many items coming (about 140 bytes each)."""
    coming = tuple(
        Coming(
            tick=tick + 24 * n,
            kind="step",
            text=f"low drum, step {n % 16 + 1}: one pass in five",
            track="low drum",
            step=n % 16 + 1,
            chance=0.2,
            warn_ticks=96,
        )
        for n in range(items)
    )
    return Snapshot(
        at_ns=time.monotonic_ns(),
        set_name="Tidewater",
        state="running",
        tempo=118.0,
        song="Slack water",
        pattern="slack water",
        tick=tick,
        coming=coming,
        notice=notice,
        tracks=(TrackView("low drum", False), TrackView("shaker", True)),
    )


def eventually(holds: Callable[[], bool]) -> None:
    """Wait until `holds`; the limit only bounds a failing test."""
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.005)
