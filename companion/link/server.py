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

from companion.link.board import Board, Make
from companion.link.guest import Gone, Guest
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
MAX_GUESTS = 16
# Connections that have not said hello yet; beyond that the one that has waited longest goes.
MAX_STRANGERS = 16
# A connection that finds the queue full is tried again only after a second.
BACKLOG = 128
PAUSE_S = 0.5

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
    ) -> None:
        """All callables are called in the server's thread and may raise; port 0 takes any."""
        self._make_snapshot = make_snapshot
        self._on_wish = on_wish
        self._token = token.encode()
        self._address = (host, port)
        self._board = Board(make_overview)
        # By file number, in the order they came.
        self._guests: dict[int, Guest] = {}
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
        for guest in self._guests.values():
            guest.socket.close()
        self._guests.clear()
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
        if self._accept_at is not None and now >= self._accept_at:
            self._selector.register(self._listener, _READ)
            self._accept_at = None
        for guest in self._strangers():
            if now >= guest.since + HELLO_S:
                self._drop(guest)
        self._publish(now)

    def _patience(self, now: float) -> float | None:
        """Seconds the thread may sleep, None for ever; also settles whether a poke must ring."""
        ends = [guest.since + HELLO_S for guest in self._strangers()]
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
            for guest in self._greeted():
                guest.stale = True
        ready = [g for g in self._greeted() if g.stale and not g.stuck]
        if not ready:
            return
        self._last_snapshot = now
        self._next_snapshot = now + SNAPSHOT_S
        self._next_keep_alive = now + KEEP_ALIVE_S
        line = self._build()
        if line is not None:
            self._board.refresh()
        for guest in ready:
            guest.stale = False
            if line is not None:
                # The snapshot comes first: it is what the eye waits for.
                news = self._board.news(guest.read)
                guest.read = self._board.number
                self._send(guest, memoryview(line + news))

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

    def _send(self, guest: Guest, line: memoryview) -> None:
        try:
            guest.send(line)
            if guest.stuck:
                self._selector.modify(guest.socket, _READ | _WRITE)
        except OSError:
            self._drop(guest)

    def _accept(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except (BlockingIOError, ConnectionError):
            return
        except OSError:
            # Out of file handles, most likely; asking again at once would spin.
            self._selector.unregister(self._listener)
            self._accept_at = time.monotonic() + PAUSE_S
            return
        try:
            guest = Guest(connection, time.monotonic())
            self._selector.register(connection, _READ)
        except OSError:
            connection.close()
            return
        strangers = self._strangers()
        if len(strangers) >= MAX_STRANGERS:
            self._drop(strangers[0])
        self._guests[connection.fileno()] = guest

    def _attend(self, guest: Guest, mask: int) -> None:
        try:
            if mask & _WRITE:
                guest.flush()
                if not guest.stuck:
                    self._selector.modify(guest.socket, _READ)
            if mask & _READ:
                for line in guest.receive():
                    if guest.greeted:
                        self._take_wish(guest, line)
                    else:
                        self._greet(guest, line)
        except (OSError, BadMessage, Gone):
            self._drop(guest)
        except Exception:
            _log.exception("a screen was let go")
            self._drop(guest)

    def _greet(self, guest: Guest, line: bytes) -> None:
        version, token = decode_hello(line)
        right = hmac.compare_digest(token.encode("utf-8", "replace"), self._token)
        if not right or version != PROTOCOL:
            raise BadMessage("wrong token or version")
        if len(self._greeted()) >= MAX_GUESTS:
            raise BadMessage("full")
        guest.greeted = guest.stale = True
        self._next_snapshot = min(self._next_snapshot, self._last_snapshot + WELCOME_S)

    def _take_wish(self, guest: Guest, line: bytes) -> None:
        wish = decode_wish(line)
        guest.count_wish(time.monotonic())
        try:
            self._on_wish(wish)
        except (Exception, SystemExit):
            _log.exception("the wish %s failed", wish.name)

    def _drop(self, guest: Guest) -> None:
        if self._guests.pop(guest.socket.fileno(), None) is not None:
            self._selector.unregister(guest.socket)
            guest.socket.close()

    def _greeted(self) -> list[Guest]:
        return [guest for guest in self._guests.values() if guest.greeted]

    def _strangers(self) -> list[Guest]:
        return [guest for guest in self._guests.values() if not guest.greeted]
