"""The engine's end of the link: one thread that serves every screen. It knows no music.

It shares the interpreter with the MIDI thread, so it does little and seldom: nothing at all while
nobody is connected, one snapshot built and encoded for all, none for a screen that does not read.
`Server` has the policy, `Connection` the bytes of one screen and their limits, `Board` the newest
plan and map, encoded once.
"""

from __future__ import annotations

import contextlib
import hmac
import logging
import selectors
import socket
import threading
import time
from collections.abc import Callable

from companion.link.messages import (
    MAX_CLIENT_LINE,
    PROTOCOL,
    BadMessage,
    LinkError,
    PatternMap,
    SetPlan,
    Snapshot,
    UnknownWish,
    decode_hello,
    decode_wish,
    encode_map,
    encode_plan,
    encode_snapshot,
)
from companion.wishes import Wish

# Least time between two snapshots; screens interpolate, so more would be waste.
SNAPSHOT_S = 0.05
# Least time between two snapshots when somebody new comes in.
WELCOME_S = 0.005
KEEP_ALIVE_S = 0.5
HELLO_S = 2.0
MAX_CONNECTIONS = 16
# Connections that have not said hello yet; beyond that the one that has waited longest goes.
MAX_STRANGERS = 16
# A connection that finds the queue full is tried again only after a second.
BACKLOG = 128
PAUSE_S = 0.5

WISHES_A_SECOND = 200
# What the kernel may hold for a client that does not read is old news by the time it does. But a
# line that does not fit waits for the reader's delayed acknowledgement: 44 ms, measured on Linux.
SEND_BUFFER = 1 << 16

Make = Callable[[], tuple[SetPlan | None, PatternMap | None]]

_READ = selectors.EVENT_READ
_WRITE = selectors.EVENT_WRITE
_log = logging.getLogger(__name__)


class Server:
    """Publishes snapshots on the loopback address and passes wishes on. Serves once."""

    def __init__(
        self,
        make_snapshot: Callable[[], Snapshot],
        on_wish: Callable[[Wish], None],
        token: str,
        host: str = "127.0.0.1",
        port: int = 0,
        make_overview: Make = lambda: (None, None),
        on_refused: Callable[[str], None] = lambda _: None,
    ) -> None:
        """All callables are called in the server's thread and may raise; port 0 takes any.

        `on_refused` is told in words of a wish that has a word in it which nobody here knows.
        """
        self._make_snapshot = make_snapshot
        self._on_wish = on_wish
        self._on_refused = on_refused
        self._token = token.encode()
        self._address = (host, port)
        self._board = Board(make_overview)
        # By file number, in the order they came.
        self._connections: dict[int, Connection] = {}
        self._thread = threading.Thread(target=self._run, name="companion-link", daemon=True)
        self._closing = False
        self._poked = False
        self._wants_bell = False
        self._failing = False
        self._last_snapshot = 0.0
        self._next_snapshot = 0.0
        self._next_keep_alive = 0.0
        # When to accept again after a failure; None while accepting.
        self._accept_at: float | None = None

    def start(self) -> int:
        """Listen and serve in a daemon thread; the port. Raises LinkError if it cannot listen."""
        try:
            self._bell, self._ear = socket.socketpair()
            with contextlib.ExitStack() as undo:
                undo.callback(self._bell.close)
                undo.callback(self._ear.close)
                self._bell.setblocking(False)
                self._ear.setblocking(False)
                self._listen()
                undo.pop_all()
        except OSError as error:
            raise LinkError(f"cannot open the link to screens: {error.strerror}") from error
        self._thread.start()
        return self._address[1]

    def poke(self) -> None:
        """Ask for a fresh snapshot soon.

        From any thread. Costs an assignment and a look, and one small write if the server sleeps:
        never while nobody listens nor between two snapshots.
        """
        self._poked = True
        if self._wants_bell:
            self._wants_bell = False
            self._ring()

    def close(self) -> None:
        """Close every connection and end the thread; may be called from on_wish, and twice."""
        self._closing = True
        if self._thread.ident is not None:
            self._ring()
            if threading.current_thread() is not self._thread:
                self._thread.join(2.0)

    def _ring(self) -> None:
        # A full pipe has woken it already, a closed one has nobody to wake.
        with contextlib.suppress(OSError):
            self._bell.send(b"\0")

    def _listen(self) -> None:
        self._listener = socket.create_server(self._address, backlog=BACKLOG)
        self._listener.setblocking(False)
        self._address = self._listener.getsockname()[:2]
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._ear, _READ)
        self._selector.register(self._listener, _READ)
        self._accept_at = None

    def _run(self) -> None:
        while not self._closing:
            try:
                if self._listener.fileno() < 0:
                    self._listen()
                while not self._closing:
                    self._turn()
            except Exception:
                _log.exception("the link to screens failed and starts again")
                self._shut()
                time.sleep(PAUSE_S)
        self._shut()
        self._bell.close()
        self._ear.close()

    def _shut(self) -> None:
        # First the listener: who sees his connection close finds nobody at the port either.
        self._listener.close()
        for connection in self._connections.values():
            connection.socket.close()
        self._connections.clear()
        self._selector.close()

    def _turn(self) -> None:
        for key, mask in self._selector.select(self._patience(time.monotonic())):
            if key.fileobj is self._ear:
                with contextlib.suppress(BlockingIOError):
                    self._ear.recv(4096)
            elif key.fileobj is self._listener:
                self._accept()
            elif key.fd in self._connections:
                self._attend(self._connections[key.fd], mask)
        self._wants_bell = False
        now = time.monotonic()
        if self._accept_at is not None and now >= self._accept_at:
            self._selector.register(self._listener, _READ)
            self._accept_at = None
        for connection in self._strangers():
            if now >= connection.since + HELLO_S:
                self._drop(connection)
        self._publish(now)

    def _patience(self, now: float) -> float | None:
        """Seconds the thread may sleep, None for ever; also settles whether a poke must ring."""
        ends = [connection.since + HELLO_S for connection in self._strangers()]
        if self._accept_at is not None:
            ends.append(self._accept_at)
        greeted = self._greeted()
        if greeted:
            ready = any(g.stale and not g.stuck for g in greeted)
            if ready or now < self._next_snapshot:
                ends.append(self._next_snapshot)
            else:
                ends.append(self._next_keep_alive)
                # A screen that is stale already is woken for by its own socket.
                self._wants_bell = not all(g.stale for g in greeted)
                # Looked at after the bell is wanted: a poke in between would be missed.
                if self._wants_bell and self._poked:
                    self._wants_bell = False
                    return 0.0
        return max(0.0, min(ends) - now) if ends else None

    def _publish(self, now: float) -> None:
        if now < self._next_snapshot:
            return
        if self._poked or now >= self._next_keep_alive:
            self._poked = False
            self._next_keep_alive = now + KEEP_ALIVE_S
            for connection in self._greeted():
                connection.stale = True
        ready = [g for g in self._greeted() if g.stale and not g.stuck]
        if not ready:
            return
        self._last_snapshot = now
        self._next_snapshot = now + SNAPSHOT_S
        self._next_keep_alive = now + KEEP_ALIVE_S
        line = self._build()
        if line is not None:
            self._board.refresh()
        for connection in ready:
            connection.stale = False
            if line is not None:
                # The snapshot comes first: it is what the eye waits for.
                news = self._board.news(connection.read)
                connection.read = self._board.number
                self._send(connection, memoryview(line + news))

    def _build(self) -> bytes | None:
        try:
            line = encode_snapshot(self._make_snapshot())
        except (Exception, SystemExit):
            # Once, not twenty times a second.
            if not self._failing:
                _log.exception("no snapshot for the screens")
            self._failing = True
            return None
        self._failing = False
        return line

    def _send(self, connection: Connection, line: memoryview) -> None:
        try:
            connection.send(line)
            if connection.stuck:
                self._selector.modify(connection.socket, _READ | _WRITE)
        except OSError:
            self._drop(connection)

    def _accept(self) -> None:
        try:
            accepted, _ = self._listener.accept()
        except (BlockingIOError, ConnectionError):
            return
        except OSError:
            # Out of file handles, most likely; asking again at once would spin.
            self._selector.unregister(self._listener)
            self._accept_at = time.monotonic() + PAUSE_S
            return
        try:
            connection = Connection(accepted, time.monotonic())
            self._selector.register(accepted, _READ)
        except OSError:
            accepted.close()
            return
        strangers = self._strangers()
        if len(strangers) >= MAX_STRANGERS:
            self._drop(strangers[0])
        self._connections[accepted.fileno()] = connection

    def _attend(self, connection: Connection, mask: int) -> None:
        try:
            if mask & _WRITE:
                connection.flush()
                if not connection.stuck:
                    self._selector.modify(connection.socket, _READ)
            if mask & _READ:
                for line in connection.receive():
                    if connection.greeted:
                        self._take_wish(connection, line)
                    else:
                        self._greet(connection, line)
        except (OSError, BadMessage, Gone):
            self._drop(connection)
        except Exception:
            _log.exception("a screen was let go")
            self._drop(connection)

    def _greet(self, connection: Connection, line: bytes) -> None:
        version, token = decode_hello(line)
        right = hmac.compare_digest(token.encode("utf-8", "replace"), self._token)
        if not right or version != PROTOCOL:
            raise BadMessage("wrong token or version")
        if len(self._greeted()) >= MAX_CONNECTIONS:
            raise BadMessage("full")
        connection.greeted = connection.stale = True
        self._next_snapshot = min(self._next_snapshot, self._last_snapshot + WELCOME_S)

    def _take_wish(self, connection: Connection, line: bytes) -> None:
        connection.count_wish(time.monotonic())
        try:
            self._on_wish(decode_wish(line))
        except UnknownWish as error:
            self._on_refused(str(error))
        except BadMessage:
            raise
        except (Exception, SystemExit):
            _log.exception("a wish failed")

    def _drop(self, connection: Connection) -> None:
        if self._connections.pop(connection.socket.fileno(), None) is not None:
            self._selector.unregister(connection.socket)
            connection.socket.close()

    def _greeted(self) -> list[Connection]:
        return [connection for connection in self._connections.values() if connection.greeted]

    def _strangers(self) -> list[Connection]:
        return [connection for connection in self._connections.values() if not connection.greeted]


class Gone(LinkError):
    """The other end has closed."""


class Connection:
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

    def __init__(self, made: socket.socket, now: float) -> None:
        """`now` is the monotonic time in seconds. Raises OSError if it is gone already."""
        made.setblocking(False)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
        made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.socket = made
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


class Board:
    """Asks for plan and map, and keeps the lines of those that changed. One thread only."""

    def __init__(self, make: Make) -> None:
        """`make` hands out the same objects again while nothing changes; None says nothing yet."""
        self._make = make
        self.number = 0
        self._plan: SetPlan | None = None
        self._map: PatternMap | None = None
        # By kind, with the number each was hung up under.
        self._lines: dict[str, tuple[int, bytes]] = {}
        self._failing = False

    def refresh(self) -> None:
        """Look for something new; what goes wrong is said once and costs nobody the snapshot."""
        try:
            plan, pattern_map = self._make()
            if plan is not None and plan is not self._plan:
                self._hang("plan", encode_plan(plan))
                self._plan = plan
            if pattern_map is not None and pattern_map is not self._map:
                self._hang("map", encode_map(pattern_map))
                self._map = pattern_map
        except (Exception, SystemExit):
            if not self._failing:
                _log.exception("no overview for the screens")
            self._failing = True
        else:
            self._failing = False

    def news(self, read: int) -> bytes:
        """The lines hung up after number `read`."""
        return b"".join(line for number, line in self._lines.values() if number > read)

    def _hang(self, kind: str, line: bytes) -> None:
        self.number += 1
        self._lines[kind] = (self.number, line)
