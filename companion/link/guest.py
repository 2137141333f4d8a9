"""One connection at the engine's end: bytes to lines, lines to bytes, and its limits. No policy."""

from __future__ import annotations

import socket

from companion.link.messages import MAX_CLIENT_LINE, BadMessage, LinkError

WISHES_A_SECOND = 200
# What the kernel may hold for a client that does not read is old news by the time it does. But a
# line that does not fit waits for the reader's delayed acknowledgement: 44 ms, measured on Linux.
SEND_BUFFER = 1 << 16


class Gone(LinkError):
    """The other end has closed."""


class Guest:
    """A connection that never waits.

    `greeted` once it has said the right hello; `stale` while there is something newer than what
    it was last sent; `read` is how much of the board it has. Its memory is at most a snapshot and
    what is new on the board in one direction, one line in the other.
    """

    __slots__ = (
        "_received",
        "_rest",
        "_second",
        "_wishes",
        "greeted",
        "read",
        "since",
        "socket",
        "stale",
    )

    def __init__(self, connection: socket.socket, now: float) -> None:
        """`now` is the monotonic time in seconds. Raises OSError if it is gone already."""
        connection.setblocking(False)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.socket = connection
        self.since = now
        self.greeted = False
        self.stale = False
        self.read = 0
        self._received = b""
        self._rest: memoryview | None = None
        self._second = now
        self._wishes = 0

    @property
    def stuck(self) -> bool:
        """Whether part of a line still waits for the other end to read."""
        return self._rest is not None

    def send(self, line: memoryview) -> None:
        """Send what goes out at once and keep the rest; only when not stuck. Raises OSError."""
        self._rest = line
        self.flush()

    def flush(self) -> None:
        """Send more of the rest. Raises OSError."""
        if self._rest is None:
            return
        try:
            sent = self.socket.send(self._rest)
        except BlockingIOError:
            return
        self._rest = self._rest[sent:] if sent < len(self._rest) else None

    def receive(self) -> list[bytes]:
        """The lines that have become whole.

        Raises Gone at the end (what is unfinished then is no line), BadMessage for a line that is
        too long, OSError.
        """
        try:
            arrived = self.socket.recv(MAX_CLIENT_LINE)
        except BlockingIOError:
            return []
        if not arrived:
            raise Gone("closed")
        *lines, self._received = (self._received + arrived).split(b"\n")
        if max(map(len, lines), default=0) > MAX_CLIENT_LINE:
            raise BadMessage("too long")
        if len(self._received) > MAX_CLIENT_LINE:
            raise BadMessage("too long")
        return lines

    def count_wish(self, now: float) -> None:
        """Raises BadMessage if wishes come faster than anybody can press keys."""
        if now >= self._second + 1.0:
            self._second, self._wishes = now, 0
        self._wishes += 1
        if self._wishes > WISHES_A_SECOND:
            raise BadMessage("too many wishes")
