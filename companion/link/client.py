"""A screen's end of the link: a client that stays connected. Single questions are asked in ask."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

from companion.link.ask import HOST, REFUSED, ask_snapshot, new_socket, send_wish
from companion.link.endpoint import Endpoint, NoEngine, find_endpoint
from companion.link.messages import (
    MAP_LINE,
    MAX_LINE,
    PLAN_LINE,
    BadMessage,
    LinkError,
    PatternMap,
    SetPlan,
    Snapshot,
    decode_map,
    decode_plan,
    decode_snapshot,
    encode_hello,
    encode_wish,
)
from companion.printable import all_printable
from companion.wishes import Wish

__all__ = ["Client", "ask_snapshot", "send_wish"]

# The engine speaks at least every half second; not heard at six looks, it is taken for gone.
LOOK_S = 0.5
MISSES = 6
CONNECT_S = 2.0
FIRST_WAIT_S = 0.1
LONGEST_WAIT_S = 1.0
MAX_WAITING_WISHES = 1 << 14


class Client:
    """Follows the engine for as long as it is run, whichever engine that is.

    `trouble` says in plain words why there is no connection, "" while there is one. All of it is
    used in the thread of the event loop.
    """

    def __init__(self, find: Callable[[], Endpoint] = find_endpoint) -> None:
        """`find` is asked before each attempt and may raise LinkError."""
        self._find = find
        self._wire: _Wire | None = None
        self.trouble = ""

    async def run(
        self,
        on_snapshot: Callable[[Snapshot], None],
        on_state: Callable[[bool], None],
        on_overview: Callable[[SetPlan | PatternMap], None] = lambda overview: None,
    ) -> None:
        """Connect, hand over the newest snapshots, connect again; until cancelled.

        `on_state` hears True with the first snapshot of a connection and False when it is lost,
        and once at the beginning if there is no engine. `on_overview` hears the newest plan and map
        of the pattern. What the callables raise ends the run.
        """
        told: bool | None = None
        wait = FIRST_WAIT_S
        while True:
            wire: _Wire | None = None
            try:
                wire = await self._connect()
                while True:
                    for message in await wire.news():
                        if not isinstance(message, Snapshot):
                            on_overview(message)
                            continue
                        if told is not True:
                            told, wait = True, FIRST_WAIT_S
                            self._wire, self.trouble = wire, ""
                            on_state(True)
                        on_snapshot(message)
            except LinkError as error:
                self.trouble = str(error)
            finally:
                self._wire = None
                if wire is not None:
                    wire.close()
            if told is not False:
                told = False
                on_state(False)
            await asyncio.sleep(wait)
            wait = min(2 * wait, LONGEST_WAIT_S)

    def wish(self, wish: Wish) -> bool:
        """Send a wish if connected; whether it is on its way. Nothing is kept for later."""
        return self._wire is not None and self._wire.send(encode_wish(wish))

    async def _connect(self) -> _Wire:
        endpoint = self._find()
        loop = asyncio.get_running_loop()
        connection = new_socket()
        try:
            connection.setblocking(False)
            async with asyncio.timeout(CONNECT_S):
                await loop.sock_connect(connection, (HOST, endpoint.port))
                _, wire = await loop.create_connection(_Wire, sock=connection)
        except (OSError, TimeoutError) as error:
            connection.close()
            raise NoEngine("no engine answers; it may just have ended") from error
        except BaseException:
            connection.close()
            raise
        wire.send(encode_hello(endpoint.token))
        return wire


class _Wire(asyncio.Protocol):
    """One connection: keeps the newest whole line of each kind and nothing older."""

    def __init__(self) -> None:
        self._partial = b""
        self._newest: bytes | None = None
        self._plan: bytes | None = None
        self._map: bytes | None = None
        self._ended = ""
        self._heard = False
        self._changed = asyncio.Event()
        self._misses = 0
        self._loop = asyncio.get_running_loop()
        self._watch = self._loop.call_later(LOOK_S, self._look)
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        self._misses = 0
        *lines, self._partial = (self._partial + data).split(b"\n")
        for line in lines:
            if line.startswith(PLAN_LINE):
                self._plan = line
            elif line.startswith(MAP_LINE):
                self._map = line
            else:
                self._newest = line
        if lines:
            self._changed.set()
        if len(self._partial) > MAX_LINE:
            self._end("the engine sent a line without end")

    def connection_lost(self, exc: Exception | None) -> None:
        self._end("the engine has ended" if self._heard else REFUSED)

    async def news(self) -> list[Snapshot | SetPlan | PatternMap]:
        """The newest of each kind not yet handed over, the snapshot first.

        Raises LinkError when the connection ends. An overview that makes no sense is passed over:
        the count goes on without it.
        """
        while self._newest is None and self._plan is None and self._map is None:
            if self._ended:
                raise LinkError(self._ended)
            self._changed.clear()
            await self._changed.wait()
        newest, self._newest = self._newest, None
        plan, self._plan = self._plan, None
        found, self._map = self._map, None
        self._heard = True
        news: list[Snapshot | SetPlan | PatternMap] = []
        if newest is not None:
            news.append(all_printable(decode_snapshot(newest)))
        with contextlib.suppress(BadMessage):
            if plan is not None:
                news.append(all_printable(decode_plan(plan)))
        with contextlib.suppress(BadMessage):
            if found is not None:
                news.append(all_printable(decode_map(found)))
        return news

    def send(self, line: bytes) -> bool:
        transport = self._transport
        if transport is None or self._ended or transport.is_closing():
            return False
        if transport.get_write_buffer_size() > MAX_WAITING_WISHES:
            return False
        transport.write(line)
        return True

    def close(self) -> None:
        self._end("closed")

    def _look(self) -> None:
        # Looks are counted, not seconds: a screen that was itself suspended finds its timer long
        # run out and its news not yet read, and must not take the engine for gone.
        self._misses += 1
        if self._misses >= MISSES:
            self._end("the engine has gone silent")
        else:
            self._watch = self._loop.call_later(LOOK_S, self._look)

    def _end(self, why: str) -> None:
        self._ended = self._ended or why
        self._watch.cancel()
        self._changed.set()
        if self._transport is not None:
            self._transport.abort()
