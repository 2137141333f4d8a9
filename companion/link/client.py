"""A screen's end of the link: a client that stays connected, and two questions for the commands."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from collections.abc import Callable

from companion.link.endpoint import Endpoint, NoEngine, find_endpoint
from companion.link.messages import (
    MAX_LINE,
    BadMessage,
    LinkError,
    Snapshot,
    Wish,
    decode_snapshot,
    encode_hello,
    encode_wish,
)

HOST = "127.0.0.1"
# The engine speaks at least every half second; six misses and it is taken for gone.
SILENCE_S = 3.0
FIRST_WAIT_S = 0.1
LONGEST_WAIT_S = 1.0
# Little room in the kernel: what waits there while a screen sleeps is old news.
RECEIVE_BUFFER = 1 << 15
MAX_WAITING_WISHES = 1 << 14

REFUSED = "the engine closed the connection; it may be of another version, or serve too many"


class Client:
    """Follows the engine for as long as it is run, whichever engine that is.

    `trouble` says in plain words why there is no connection, "" while there is one. All of it is
    used in the thread of the event loop.
    """

    def __init__(self, find: Callable[[], Endpoint] = find_endpoint) -> None:
        """`find` is asked before each attempt and may raise LinkError."""
        self._find = find
        self._line: _Wire | None = None
        self.trouble = ""

    async def run(
        self, on_snapshot: Callable[[Snapshot], None], on_state: Callable[[bool], None]
    ) -> None:
        """Connect, hand over the newest snapshots, connect again; until cancelled.

        `on_state` hears True with the first snapshot of a connection and False when it is lost,
        and once at the beginning if there is no engine. What the callables raise ends the run.
        """
        told: bool | None = None
        wait = FIRST_WAIT_S
        while True:
            wire: _Wire | None = None
            try:
                wire = await self._connect()
                while True:
                    snapshot = await wire.newest()
                    if told is not True:
                        told, wait = True, FIRST_WAIT_S
                        self._line, self.trouble = wire, ""
                        on_state(True)
                    on_snapshot(snapshot)
            except LinkError as error:
                self.trouble = str(error)
            finally:
                self._line = None
                if wire is not None:
                    wire.close()
            if told is not False:
                told = False
                on_state(False)
            await asyncio.sleep(wait)
            wait = min(2 * wait, LONGEST_WAIT_S)

    def wish(self, wish: Wish) -> bool:
        """Send a wish if connected; whether it is on its way. Nothing is kept for later."""
        return self._line is not None and self._line.send(encode_wish(wish))

    async def _connect(self) -> _Wire:
        endpoint = self._find()
        loop = asyncio.get_running_loop()
        connection = _new_socket()
        try:
            connection.setblocking(False)
            async with asyncio.timeout(SILENCE_S):
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
    """One connection: keeps the newest whole line and nothing older."""

    def __init__(self) -> None:
        self._partial = b""
        self._newest: bytes | None = None
        self._ended = ""
        self._heard = False
        self._changed = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        self._last = self._loop.time()
        self._watch = self._loop.call_later(SILENCE_S, self._look)
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        self._last = self._loop.time()
        whole, newline, partial = data.rpartition(b"\n")
        if newline:
            _, earlier, newest = whole.rpartition(b"\n")
            self._newest = newest if earlier else self._partial + newest
            self._partial = partial
            self._changed.set()
        else:
            self._partial += data
        if len(self._partial) > MAX_LINE:
            self._end("the engine sent a line without end")

    def connection_lost(self, exc: Exception | None) -> None:
        self._end("the engine has ended" if self._heard else REFUSED)

    async def newest(self) -> Snapshot:
        """The newest snapshot not yet handed over; raises LinkError when the connection ends."""
        while self._newest is None:
            if self._ended:
                raise LinkError(self._ended)
            self._changed.clear()
            await self._changed.wait()
        line, self._newest = self._newest, None
        self._heard = True
        return decode_snapshot(line)

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
        # Measured from the latest bytes, not by a timeout on waiting: a screen that was itself
        # asleep finds its timer run out and its news waiting, and must not give up on those.
        quiet = self._loop.time() - self._last
        if quiet >= SILENCE_S:
            self._end("the engine has gone silent")
        else:
            self._watch = self._loop.call_later(SILENCE_S - quiet, self._look)

    def _end(self, why: str) -> None:
        self._ended = self._ended or why
        self._watch.cancel()
        self._changed.set()
        if self._transport is not None:
            self._transport.abort()


def ask_snapshot(endpoint: Endpoint, timeout: float = 2.0) -> Snapshot:
    """One fresh snapshot, within `timeout` seconds. Raises NoEngine or LinkError."""
    with _Call(endpoint, timeout) as call:
        return decode_snapshot(call.read_line())


def send_wish(endpoint: Endpoint, wish: Wish, timeout: float = 2.0) -> None:
    """Send a wish and wait until the engine has taken it; for `stop`, until it has ended.

    Raises NoEngine or LinkError, also when that takes longer than `timeout` seconds.
    """
    with _Call(endpoint, timeout) as call:
        call.read_line()
        call.send(encode_wish(wish))
        if wish.name != "stop":
            # The engine closes once it has read to the end, so its closing says it has read.
            call.hang_up()
        call.read_to_end()


class _Call:
    """One connection, made, used and closed in a thread that may wait."""

    def __init__(self, endpoint: Endpoint, timeout: float) -> None:
        self._endpoint = endpoint
        self._timeout = timeout
        self._deadline = time.monotonic() + timeout
        self._socket = _new_socket()

    def __enter__(self) -> _Call:
        try:
            self._socket.settimeout(self._left())
            self._socket.connect((HOST, self._endpoint.port))
            self.send(encode_hello(self._endpoint.token))
        except LinkError:
            self._socket.close()
            raise
        except OSError as error:
            self._socket.close()
            raise NoEngine("no engine answers; it may just have ended") from error
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def send(self, line: bytes) -> None:
        self._socket.settimeout(self._left())
        try:
            self._socket.sendall(line)
        except TimeoutError as error:
            raise self._late() from error
        except OSError as error:
            raise LinkError(REFUSED) from error

    def read_line(self) -> bytes:
        received = b""
        while b"\n" not in received:
            arrived = self._receive()
            received += arrived
            if not arrived:
                raise LinkError(REFUSED)
            if len(received) > MAX_LINE:
                raise BadMessage("the engine sent a line without end")
        return received.partition(b"\n")[0]

    def hang_up(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_WR)

    def read_to_end(self) -> None:
        while self._receive():
            pass

    def _receive(self) -> bytes:
        self._socket.settimeout(self._left())
        try:
            return self._socket.recv(1 << 16)
        except TimeoutError as error:
            raise self._late() from error
        except OSError:
            # A reset is an end like any other: the engine was killed, or closed with bytes unread.
            return b""

    def _left(self) -> float:
        left = self._deadline - time.monotonic()
        if left <= 0:
            raise self._late()
        return left

    def _late(self) -> LinkError:
        return LinkError(f"the engine did not answer within {self._timeout:g} s")


def _new_socket() -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)
    made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return made
