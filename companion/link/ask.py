"""One question to the engine, for a command that waits: its newest snapshot, or to take a wish.

Apart from the client because a command that only asks has no use for an event loop.
"""

from __future__ import annotations

import contextlib
import socket
import time

from companion.link.endpoint import Endpoint, NoEngine
from companion.link.messages import (
    MAX_LINE,
    BadMessage,
    LinkError,
    Snapshot,
    decode_snapshot,
    encode_hello,
    encode_wish,
)
from companion.wishes import Ask, Wish

HOST = "127.0.0.1"
# Little room in the kernel: what waits there while a screen sleeps is old news.
RECEIVE_BUFFER = 1 << 15
REFUSED = "the engine closed the connection; it may be of another version, or serve too many"


def ask_snapshot(endpoint: Endpoint, timeout: float = 2.0) -> Snapshot:
    """One fresh snapshot, within `timeout` seconds. Raises NoEngine or LinkError."""
    with _Call(endpoint, timeout) as call:
        return decode_snapshot(call.read_line())


def send_wish(endpoint: Endpoint, wish: Wish, timeout: float = 2.0) -> None:
    """Send a wish and wait until the engine has taken it; for `stop`, until it has ended.

    Raises NoEngine or LinkError, also when that takes longer than `timeout` seconds.
    """
    line = encode_wish(wish)
    with _Call(endpoint, timeout) as call:
        call.read_line()
        call.send(line)
        if wish.ask is not Ask.STOP:
            # The engine closes once it has read to the end, so its closing says it has read.
            call.hang_up()
        call.read_to_end()


class _Call:
    """One connection, made, used and closed in a thread that may wait."""

    def __init__(self, endpoint: Endpoint, timeout: float) -> None:
        self._endpoint = endpoint
        self._timeout = timeout
        self._deadline = time.monotonic() + timeout
        self._socket = new_socket()

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


def new_socket() -> socket.socket:
    """An unconnected socket set up for the link."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)
    made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return made
