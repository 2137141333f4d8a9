"""The engine's end of the link: one thread that serves every screen. It knows no music.

It shares the interpreter with the MIDI thread, so it does little and seldom: nothing at all while
nobody is connected, one snapshot built and encoded for all, none for a screen that does not read.
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
from dataclasses import dataclass

from companion.link.messages import (
    PROTOCOL,
    BadMessage,
    LinkError,
    Snapshot,
    Wish,
    decode_hello,
    decode_wish,
    encode_snapshot,
)

# Least time between two snapshots; screens interpolate, so more would be waste.
SNAPSHOT_S = 0.05
# Least time between two snapshots when somebody new comes in.
WELCOME_S = 0.005
KEEP_ALIVE_S = 0.5
HELLO_S = 2.0
# Longest line a client may send: a hello or a wish is about 100 bytes.
MAX_CLIENT_LINE = 4096
MAX_GUESTS = 16
# Connections that have not said hello yet; beyond that the one that has waited longest goes.
MAX_STRANGERS = 16
WISHES_A_SECOND = 200
# What the kernel may hold for a client that does not read: old news by the time it does.
SEND_BUFFER = 1 << 15
PAUSE_S = 0.5

_log = logging.getLogger(__name__)


@dataclass(slots=True, eq=False)
class _Guest:
    """One connection. `rest` is what is still unsent of the line it is being sent."""

    socket: socket.socket
    since: float
    greeted: bool = False
    received: bytes = b""
    rest: memoryview | None = None
    stale: bool = False
    second: float = 0.0
    wishes: int = 0


class Server:
    """Publishes snapshots on the loopback address and passes wishes on. Serves once."""

    def __init__(
        self,
        make_snapshot: Callable[[], Snapshot],
        on_wish: Callable[[Wish], None],
        token: str,
        host: str = "127.0.0.1",
        port: int = 0,
    ) -> None:
        """Both callables are called in the server's thread and may raise; port 0 takes any."""
        self._make_snapshot = make_snapshot
        self._on_wish = on_wish
        self._token = token.encode()
        self._address = (host, port)
        self._guests: dict[int, _Guest] = {}
        self._thread = threading.Thread(target=self._run, name="companion-link", daemon=True)
        self._closing = False
        self._poked = False
        self._wants_bell = False
        self._next_snapshot = 0.0
        self._next_keep_alive = 0.0
        self._last_snapshot = 0.0
        self._accept_at = 0.0
        self._accepting = False
        self._failing = False

    def start(self) -> int:
        """Listen and serve in a daemon thread; the port. Raises LinkError if it cannot listen."""
        try:
            self._bell, self._ear = socket.socketpair()
            self._listener = self._listen()
        except OSError as error:
            raise LinkError(f"cannot open the link to screens: {error.strerror}") from error
        self._bell.setblocking(False)
        self._ear.setblocking(False)
        self._address = self._listener.getsockname()[:2]
        self._selector = selectors.DefaultSelector()
        self._thread.start()
        return self._address[1]

    def poke(self) -> None:
        """Ask for a fresh snapshot soon.

        From any thread. Costs two assignments, and one small write if the server sleeps: never
        while nobody listens nor between two snapshots.
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

    def _listen(self) -> socket.socket:
        listener = socket.create_server(self._address, backlog=MAX_STRANGERS)
        listener.setblocking(False)
        return listener

    def _run(self) -> None:
        while not self._closing:
            try:
                self._open()
                while not self._closing:
                    self._turn()
            except Exception:
                _log.exception("the link to screens failed and starts again")
                self._shut()
                time.sleep(PAUSE_S)
        self._shut()
        self._bell.close()
        self._ear.close()

    def _open(self) -> None:
        if self._listener.fileno() < 0:
            self._listener = self._listen()
            self._selector = selectors.DefaultSelector()
        self._selector.register(self._ear, selectors.EVENT_READ)
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._accepting = True

    def _shut(self) -> None:
        for guest in self._guests.values():
            guest.socket.close()
        self._guests.clear()
        self._listener.close()
        self._selector.close()

    def _turn(self) -> None:
        for key, mask in self._selector.select(self._patience(time.monotonic())):
            if key.fileobj is self._ear:
                with contextlib.suppress(BlockingIOError):
                    self._ear.recv(4096)
            elif key.fileobj is self._listener:
                self._accept()
            elif key.fd in self._guests:
                self._attend(self._guests[key.fd], mask)
        self._wants_bell = False
        now = time.monotonic()
        if not self._accepting and now >= self._accept_at:
            self._selector.register(self._listener, selectors.EVENT_READ)
            self._accepting = True
        for guest in list(self._guests.values()):
            if not guest.greeted and now >= guest.since + HELLO_S:
                self._drop(guest)
        self._publish(now)

    def _patience(self, now: float) -> float | None:
        """Seconds the thread may sleep; also decides whether a poke must ring."""
        ends = [g.since + HELLO_S for g in self._guests.values() if not g.greeted]
        if not self._accepting:
            ends.append(self._accept_at)
        greeted = [g for g in self._guests.values() if g.greeted]
        if greeted:
            if any(g.stale and g.rest is None for g in greeted) or now < self._next_snapshot:
                ends.append(self._next_snapshot)
            else:
                ends.append(self._next_keep_alive)
                # A screen that is stale already is woken for by its own socket.
                self._wants_bell = not all(g.stale for g in greeted)
                # After the bell is wanted, not before: a poke in between would be missed.
                if self._poked and self._wants_bell:
                    self._wants_bell = False
                    return 0.0
        return max(0.0, min(ends) - now) if ends else None

    def _publish(self, now: float) -> None:
        if now < self._next_snapshot:
            return
        if self._poked or now >= self._next_keep_alive:
            self._poked = False
            self._next_keep_alive = now + KEEP_ALIVE_S
            for guest in self._guests.values():
                guest.stale = guest.greeted
        ready = [g for g in self._guests.values() if g.stale and g.rest is None]
        if not ready:
            return
        self._next_keep_alive = now + KEEP_ALIVE_S
        self._next_snapshot, self._last_snapshot = now + SNAPSHOT_S, now
        line = self._build()
        for guest in ready:
            guest.stale = False
            if line is not None:
                self._send(guest, line)

    def _build(self) -> memoryview | None:
        try:
            line = memoryview(encode_snapshot(self._make_snapshot()))
        except (Exception, SystemExit):
            if not self._failing:
                _log.exception("no snapshot for the screens")
            self._failing = True
            return None
        self._failing = False
        return line

    def _send(self, guest: _Guest, line: memoryview) -> None:
        try:
            sent = guest.socket.send(line)
        except BlockingIOError:
            sent = 0
        except OSError:
            self._drop(guest)
            return
        waited = guest.rest is not None
        guest.rest = line[sent:] if sent < len(line) else None
        if waited != (guest.rest is not None):
            wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if guest.rest else 0)
            self._selector.modify(guest.socket, wanted)

    def _accept(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except (BlockingIOError, ConnectionError):
            return
        except OSError:
            # Out of file handles, most likely; asking again at once would spin.
            self._selector.unregister(self._listener)
            self._accepting = False
            self._accept_at = time.monotonic() + PAUSE_S
            return
        try:
            connection.setblocking(False)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._selector.register(connection, selectors.EVENT_READ)
        except OSError:
            connection.close()
            return
        strangers = [g for g in self._guests.values() if not g.greeted]
        if len(strangers) >= MAX_STRANGERS:
            self._drop(strangers[0])
        self._guests[connection.fileno()] = _Guest(connection, time.monotonic())

    def _attend(self, guest: _Guest, mask: int) -> None:
        try:
            if mask & selectors.EVENT_WRITE and guest.rest is not None:
                self._send(guest, guest.rest)
            if mask & selectors.EVENT_READ and guest.socket.fileno() >= 0:
                self._receive(guest)
        except BlockingIOError:
            return
        except (OSError, BadMessage):
            self._drop(guest)
        except Exception:
            _log.exception("a screen was let go")
            self._drop(guest)

    def _receive(self, guest: _Guest) -> None:
        arrived = guest.socket.recv(MAX_CLIENT_LINE)
        *lines, guest.received = (guest.received + arrived).split(b"\n")
        for line in lines:
            if len(line) > MAX_CLIENT_LINE:
                raise BadMessage("too long")
            if guest.greeted:
                self._take_wish(guest, line)
            else:
                self._greet(guest, line)
        if not arrived or len(guest.received) > MAX_CLIENT_LINE:
            self._drop(guest)

    def _greet(self, guest: _Guest, line: bytes) -> None:
        version, token = decode_hello(line)
        right = hmac.compare_digest(token.encode("utf-8", "replace"), self._token)
        if not right or version != PROTOCOL:
            raise BadMessage("wrong token or version")
        if sum(g.greeted for g in self._guests.values()) >= MAX_GUESTS:
            raise BadMessage("full")
        guest.greeted = guest.stale = True
        self._next_snapshot = min(self._next_snapshot, self._last_snapshot + WELCOME_S)

    def _take_wish(self, guest: _Guest, line: bytes) -> None:
        wish = decode_wish(line)
        now = time.monotonic()
        if now >= guest.second + 1.0:
            guest.second, guest.wishes = now, 0
        guest.wishes += 1
        if guest.wishes > WISHES_A_SECOND:
            raise BadMessage("too many wishes")
        try:
            self._on_wish(wish)
        except (Exception, SystemExit):
            _log.exception("the wish %s failed", wish.name)

    def _drop(self, guest: _Guest) -> None:
        number = guest.socket.fileno()
        if number >= 0 and self._guests.pop(number, None) is not None:
            self._selector.unregister(guest.socket)
            guest.socket.close()
