"""The screen's end: it finds the engine again, takes only the newest, and says what is wrong."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from companion.link import client as client_module
from companion.link import server as server_module
from companion.link.client import Client, ask_snapshot, send_wish
from companion.link.endpoint import Endpoint, EngineLock, NoEngine, find_endpoint
from companion.link.messages import (
    MAX_LINE,
    BadMessage,
    LinkError,
    Snapshot,
    encode_snapshot,
)
from companion.link.server import Server
from companion.wishes import Wish
from tests.link.link_peers import PATIENCE_S, TOKEN, Engine, eventually, tidewater


class Screen:
    """What a screen would have drawn."""

    def __init__(self, find: Callable[[], Endpoint]) -> None:
        self.client = Client(find)
        self.drawn: list[Snapshot] = []
        self.states: list[bool] = []

    async def shows(self, holds: Callable[[Screen], bool]) -> None:
        await until(lambda: holds(self))


async def until(holds: Callable[[], bool]) -> None:
    """Let the loop run until `holds`; the limit only bounds a failing test."""
    async with asyncio.timeout(PATIENCE_S):
        while not holds():
            await asyncio.sleep(0.005)


@asynccontextmanager
async def screen_on(find: Callable[[], Endpoint]) -> AsyncIterator[Screen]:
    screen = Screen(find)
    task = asyncio.create_task(screen.client.run(screen.drawn.append, screen.states.append))
    try:
        yield screen
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def odd_engine(answer: bytes, read_on: bool = True) -> AsyncIterator[Endpoint]:
    """Something at the port that answers each hello with `answer` and then stays."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.closing(writer), contextlib.suppress(ConnectionError):
            await reader.readline()
            writer.write(answer)
            if not read_on:
                writer.transport.pause_reading()  # type: ignore[attr-defined]
            await reader.read()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield Endpoint(server.sockets[0].getsockname()[1], TOKEN)
    finally:
        server.close()


async def test_it_draws_what_the_engine_publishes_and_passes_wishes_back(engine: Engine) -> None:
    async with screen_on(lambda: engine.endpoint) as screen:
        assert not screen.client.wish(Wish.of("next"))
        await screen.shows(lambda s: s.states == [True])
        engine.at(96)
        await screen.shows(lambda s: s.drawn[-1].tick == 96)
        assert screen.client.wish(Wish.of("next phrase"))
        await screen.shows(lambda s: engine.wishes == [Wish.of("next phrase")])
        assert screen.client.trouble == ""
    assert not screen.client.wish(Wish.of("next"))
    await until(lambda: not engine.server._connections)


async def test_it_finds_an_engine_that_was_started_again_elsewhere(tmp_path: Path) -> None:
    async with screen_on(lambda: find_endpoint(tmp_path)) as screen:
        await screen.shows(lambda s: s.states == [False])
        assert screen.client.trouble == "no engine is running"
        for night, token in enumerate(("low-tide", "spring-tide")):
            with EngineLock(tmp_path) as lock:
                engine = Engine(token=token)
                lock.publish(engine.endpoint.port, token, "Tidewater")
                engine.at(1000 + night)
                await screen.shows(
                    lambda s, tick=1000 + night: s.drawn[-1:] and s.drawn[-1].tick == tick
                )
                engine.server.close()
                await screen.shows(
                    lambda s, night=night: s.states == [False, True] * (night + 1) + [False]
                )
        assert screen.states == [False, True, False, True, False]


async def test_of_many_waiting_snapshots_only_the_newest_is_drawn() -> None:
    backlog = b"".join(encode_snapshot(tidewater(tick)) for tick in range(100))
    async with odd_engine(backlog) as endpoint, screen_on(lambda: endpoint) as screen:
        await screen.shows(lambda s: bool(s.drawn) and s.drawn[-1].tick == 99)
        assert len(screen.drawn) < 10


async def test_a_snapshot_in_pieces_is_put_together() -> None:
    line = encode_snapshot(tidewater(96))

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.closing(writer):
            await reader.readline()
            for start in range(0, len(line), 97):
                writer.write(line[start : start + 97])
                await asyncio.sleep(0.001)
            writer.write(line + line[:50])
            await asyncio.sleep(0.01)
            writer.write(line[50:])
            await reader.read()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    endpoint = Endpoint(server.sockets[0].getsockname()[1], TOKEN)
    async with screen_on(lambda: endpoint) as screen:
        await screen.shows(lambda s: len(s.drawn) >= 2)
        assert {drawn.tick for drawn in screen.drawn} == {96}
        assert screen.states == [True]
    server.close()


@pytest.mark.parametrize(
    ("answer", "trouble"),
    [
        (b"220 ready\n", "not a message"),
        (b'{"snapshot":{}}\n', "at_ns"),
        (b"x" * (MAX_LINE + 1), "without end"),
        (b"", "silent"),
    ],
)
async def test_an_engine_that_makes_no_sense_is_said_to_be_lost(
    answer: bytes, trouble: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client_module, "LOOK_S", 0.05)
    async with odd_engine(answer) as endpoint, screen_on(lambda: endpoint) as screen:
        await screen.shows(lambda s: s.states == [False] and trouble in s.client.trouble)
        assert screen.drawn == []


async def test_an_engine_that_speaks_is_not_taken_for_gone(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client_module, "LOOK_S", 0.1)
    monkeypatch.setattr(server_module, "KEEP_ALIVE_S", 0.01)
    monkeypatch.setattr(server_module, "SNAPSHOT_S", 0.01)
    async with screen_on(lambda: engine.endpoint) as screen:
        # Longer than the six looks without a word that would end it.
        await screen.shows(lambda s: len(s.drawn) > 100)
        assert screen.states == [True]


async def test_a_wrong_token_is_said_in_plain_words(engine: Engine) -> None:
    wrong = Endpoint(engine.endpoint.port, "high-tide")
    async with screen_on(lambda: wrong) as screen:
        await screen.shows(lambda s: "closed the connection" in s.client.trouble)
        assert screen.states == [False]


async def test_wishes_to_an_engine_that_does_not_read_are_refused_not_hoarded() -> None:
    answer = encode_snapshot(tidewater())
    async with odd_engine(answer, read_on=False) as endpoint, screen_on(lambda: endpoint) as screen:
        await screen.shows(lambda s: s.states == [True])
        wish = Wish.of("next phrase")
        async with asyncio.timeout(PATIENCE_S):
            while screen.client.wish(wish):
                pass


async def test_a_fault_in_the_screen_is_the_screens_to_hear_of(engine: Engine) -> None:
    def draw(snapshot: Snapshot) -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        await Client(lambda: engine.endpoint).run(draw, lambda state: None)
    await until(lambda: not engine.server._connections)


CHILD = """
import asyncio, sys
from companion.link.client import Client
from companion.link.endpoint import Endpoint
endpoint = Endpoint(int(sys.argv[1]), sys.argv[2])
def draw(snapshot):
    print("tick", snapshot.tick, flush=True)
asyncio.run(Client(lambda: endpoint).run(draw, lambda state: print("state", state, flush=True)))
"""


@pytest.mark.skipif(os.name != "posix", reason="stop signals are POSIX")
def test_a_screen_that_was_suspended_wakes_to_the_present() -> None:
    engine = Engine(items=64)
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(engine.endpoint.port), TOKEN],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert child.stdout is not None
        said: list[str] = []
        reader = threading.Thread(target=lambda: said.extend(iter(child.stdout.readline, "")))
        reader.start()
        eventually(lambda: "tick 0\n" in said)
        child.send_signal(signal.SIGSTOP)
        # Four seconds, longer than the silence after which an engine is taken for gone.
        for tick in range(1, 145):
            engine.at(tick)
            threading.Event().wait(1 / 48)
        stuck = engine.built
        threading.Event().wait(1.0)
        assert engine.built == stuck
        engine.tick = 5000
        asleep = len(said)
        child.send_signal(signal.SIGCONT)
        eventually(lambda: "tick 5000\n" in said)
        woken = said[asleep:]
        assert "state False\n" not in woken
        # Twenty a second for three seconds would be sixty; of those it draws next to none.
        assert woken.index("tick 5000\n") < 10
    finally:
        child.kill()
        child.wait()
        reader.join()
        child.stdout.close()
        engine.server.close()


def test_a_command_asks_for_one_fresh_snapshot(engine: Engine) -> None:
    engine.tick = 96
    assert ask_snapshot(engine.endpoint).tick == 96
    engine.tick = 97
    assert ask_snapshot(engine.endpoint).tick == 97


def test_a_command_returns_once_its_wish_has_been_taken(engine: Engine) -> None:
    for count in range(1, 21):
        send_wish(engine.endpoint, Wish.of("next"))
        assert len(engine.wishes) == count


def test_stop_returns_once_the_engine_has_closed(engine: Engine) -> None:
    send_wish(engine.endpoint, Wish.of("stop"))
    assert engine.wishes == [Wish.of("stop")]
    with pytest.raises(NoEngine, match="no engine answers"):
        send_wish(engine.endpoint, Wish.of("stop"))


def test_stop_that_is_not_heeded_is_said_in_plain_words() -> None:
    taken: list[Wish] = []
    server = Server(tidewater, taken.append, TOKEN)
    endpoint = Endpoint(server.start(), TOKEN)
    with pytest.raises(LinkError, match=r"did not answer within 0\.3 s"):
        send_wish(endpoint, Wish.of("stop"), timeout=0.3)
    assert taken == [Wish.of("stop")]
    server.close()


def test_a_wish_that_lasts_while_a_key_is_held_never_leaves(engine: Engine) -> None:
    with pytest.raises(BadMessage, match="held"):
        send_wish(engine.endpoint, Wish.of("fill"))


def test_commands_say_in_plain_words_what_is_wrong(engine: Engine) -> None:
    with pytest.raises(LinkError, match="closed the connection"):
        ask_snapshot(Endpoint(engine.endpoint.port, "high-tide"))
    with pytest.raises(LinkError, match="closed the connection"):
        send_wish(Endpoint(engine.endpoint.port, "high-tide"), Wish.of("stop"))
    engine.server.close()
    with pytest.raises(NoEngine, match="no engine answers"):
        ask_snapshot(engine.endpoint)


@pytest.mark.parametrize(
    ("answer", "error", "words"),
    [
        (None, LinkError, r"did not answer within 0\.2 s"),
        (b"220 ready\n", BadMessage, "not a message"),
        (b"220 rea", LinkError, "closed the connection"),
        (b"x" * (MAX_LINE + 70_000), BadMessage, "without end"),
    ],
)
def test_commands_are_not_kept_waiting_by_something_else_at_the_port(
    answer: bytes | None, error: type[LinkError], words: str
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            with listener.accept()[0] as peer:
                peer.recv(4096)
                with contextlib.suppress(ConnectionError):
                    if answer is None:
                        peer.recv(4096)
                    else:
                        peer.sendall(answer)

        thread = threading.Thread(target=serve)
        thread.start()
        limit = 0.2 if answer is None else PATIENCE_S
        with pytest.raises(error, match=words):
            ask_snapshot(Endpoint(listener.getsockname()[1], TOKEN), timeout=limit)
        thread.join()
