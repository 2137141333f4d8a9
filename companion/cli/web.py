"""`companion web`: the screen in a browser, for whoever has the link and nobody else.

Each page has a `companion screen` of its own; what that may ask of the engine is decided there.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import ipaddress
import json
import logging
import os
import re
import secrets
import signal
import socket
import sys
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

import textual_serve
from aiohttp import WSCloseCode, web
from aiohttp.typedefs import Handler, Middleware
from textual_serve.app_service import AppService
from textual_serve.download_manager import DownloadManager

from companion.cli.exits import Refused
from companion.cli.saying import engine_needed, say, say_json
from companion.link.endpoint import find_endpoint

COOKIE = "companion-screen"
# A screen is a process; more of them than this are no audience but a mistake.
MOST_PAGES = 8
# Characters across, down and in all: more than any wall shows, and drawn in no time.
MOST_COLUMNS, MOST_ROWS, MOST_CELLS = 500, 200, 40_000
# How long a screen that was told to end may take for it.
GRACE_S = 1.0
# What a page has to say is a key or a size.
MAX_MESSAGE = 1 << 16
SMALLEST_FONT, FONT, LARGEST_FONT = 6, 16, 60
# A window is filled by so many rows, where nobody chose a size.
ROWS = 24
_STATIC = Path(textual_serve.__file__).parent / "static"
_HOST = re.compile(r"[A-Za-z0-9.:\[\]-]{1,255}")


def serve(*, host: str, port: int, control: bool, calm: bool, light: bool, as_json: bool) -> None:
    """Serve the screen until Ctrl-C; the link is told once, with `as_json` as an object.

    Raises Refused if no engine runs or the port is taken.
    """
    with engine_needed():
        find_endpoint()
    # What goes wrong with one browser is no news for the terminal.
    for name in ("textual-serve", "aiohttp", "asyncio"):
        logging.getLogger(name).addHandler(logging.NullHandler())
        logging.getLogger(name).propagate = False
    pages = Pages(_command(control, calm, light), secrets.token_urlsafe(24))
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(pages, host, port, control, as_json))


class PageScreen(AppService):
    """The screen of one page: a process of its own, which ends with the page."""

    def __init__(self, command: list[str], socket: web.WebSocketResponse) -> None:
        async def close() -> None:
            await socket.close()

        super().__init__(
            "",
            write_bytes=socket.send_bytes,
            write_str=socket.send_str,
            close=close,
            download_manager=DownloadManager(),
        )
        self._words = command

    async def _open_app_process(self, width: int = 80, height: int = 24) -> Any:
        columns, rows = clamped(width, height)
        self._process = process = await asyncio.create_subprocess_exec(
            *self._words,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            env=self._build_environment(columns, rows),
        )
        self._stdin = process.stdin
        # The library says on our terminal whatever it finds here.
        process.stderr = asyncio.StreamReader()
        process.stderr.feed_eof()
        return process

    async def obey(self, message: str) -> object:
        """Do what the page says; returns what it is to be answered, None for nothing.

        Raises ValueError for what no page of ours says.
        """
        match json.loads(message):
            case ["stdin", str(keys)]:
                await self.send_bytes(keys.encode("utf-8", "replace"))
            case ["resize", {"width": int(width), "height": int(height)}]:
                await self.set_terminal_size(*clamped(width, height))
            case ["ping", data]:
                return ["pong", data]
            case ["blur", *_]:
                await self.blur()
            case ["focus", *_]:
                await self.focus()
            case _:
                raise ValueError("not a message of a page")
        return None

    async def end(self) -> None:
        """End the process, by force if it does not end by itself."""
        process = self._process
        if process is None:
            return
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(GRACE_S):
                await self.send_meta({"type": "quit"})
                await process.wait()
        self.kill()
        await process.wait()
        if self._task is not None:
            self._task.cancel()

    def kill(self) -> None:
        """End the process at once."""
        with contextlib.suppress(ProcessLookupError):
            if self._process is not None:
                self._process.kill()


class Pages:
    """The web server: one page, its static files, and a websocket for each screen."""

    def __init__(self, command: list[str], token: str) -> None:
        self._command = command
        self._token = token.encode()
        self._screens: set[PageScreen] = set()
        self._open = 0
        self._page = Template(files("companion.screen").joinpath("page.html").read_text("utf-8"))

    def application(self) -> web.Application:
        """What is served; nothing of it to strangers."""
        served = web.Application(middlewares=[self._guard()])
        served.add_routes(
            [
                web.get("/", self._index),
                web.get("/ws", self._websocket),
                web.static("/static", _STATIC, show_index=False),
            ]
        )
        return served

    def link(self, address: str, port: int) -> str:
        """The link that lets a browser in."""
        named = f"[{address}]" if ":" in address else address
        return f"http://{named}:{port}/?token={self._token.decode()}"

    def _guard(self) -> Middleware:
        @web.middleware
        async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
            by_link = request.path == "/" and self._right(request.query.get("token", ""))
            if not by_link and not self._right(request.cookies.get(COOKIE, "")):
                return web.Response(status=403)
            response = await handler(request)
            if by_link:
                response.set_cookie(
                    COOKIE, self._token.decode(), httponly=True, samesite="Strict", path="/"
                )
            return response

        return guard

    def _right(self, token: str) -> bool:
        return hmac.compare_digest(token.encode("utf-8", "replace"), self._token)

    async def _index(self, request: web.Request) -> web.Response:
        host = request.headers.get("Host", "")
        if not _HOST.fullmatch(host):
            return web.Response(status=400)
        nonce = secrets.token_urlsafe(16)
        scheme = "wss" if request.scheme == "https" else "ws"
        page = self._page.substitute(
            nonce=nonce,
            socket=f"{scheme}://{host}/ws",
            size=_font_size(request),
            chosen=str("fontsize" in request.query).lower(),
            rows=ROWS,
            most=LARGEST_FONT,
        )
        return web.Response(
            text=page,
            content_type="text/html",
            headers={
                "Cache-Control": "no-store",
                "Referrer-Policy": "no-referrer",
                "X-Frame-Options": "DENY",
                "Content-Security-Policy": (
                    f"default-src 'self'; script-src 'self' 'nonce-{nonce}'; "
                    "style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
                    f"connect-src 'self' {scheme}://{host}; frame-ancestors 'none'"
                ),
            },
        )

    async def _websocket(self, request: web.Request) -> web.StreamResponse:
        # Browsers let any page open a websocket to any host; they do say which page it is.
        origin = request.headers.get("Origin", "")
        if origin.partition("://")[2] != request.headers.get("Host", ""):
            return web.Response(status=403)
        if self._open >= MOST_PAGES:
            return web.Response(status=503)
        self._open += 1
        socket = web.WebSocketResponse(heartbeat=15, max_msg_size=MAX_MESSAGE)
        screen = PageScreen(self._command, socket)
        self._screens.add(screen)
        try:
            await socket.prepare(request)
            await screen.start(_whole(request, "width", 80), _whole(request, "height", 24))
            async for message in socket:
                answer = await screen.obey(message.data)
                if answer is not None:
                    await socket.send_json(answer)
        except (ValueError, TypeError, RecursionError):
            await socket.close(code=WSCloseCode.POLICY_VIOLATION)
        except ConnectionError:
            pass
        finally:
            # Its place is free once its process is gone.
            await screen.end()
            self._screens.discard(screen)
            self._open -= 1
        return socket

    def close(self) -> None:
        """Leave no screen behind."""
        for screen in self._screens:
            screen.kill()


async def _serve(pages: Pages, host: str, port: int, control: bool, as_json: bool) -> None:
    ended = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        # Windows has no signal handlers in the loop; Ctrl-C ends it there all the same.
        with contextlib.suppress(NotImplementedError):
            asyncio.get_running_loop().add_signal_handler(number, ended.set)
    runner = web.AppRunner(pages.application(), access_log=None, shutdown_timeout=2.0)
    await runner.setup()
    try:
        try:
            await web.TCPSite(runner, host, port).start()
        except (OSError, UnicodeError) as error:
            why = _why(error)
            raise Refused(
                f"cannot serve at {host}, port {port}: {why.lower()}; "
                "give another: --host ADDRESS, --port NUMBER"
            ) from error
        _say(pages, host, runner.addresses[0][1], control, as_json)
        await ended.wait()
    finally:
        pages.close()
        await runner.cleanup()


def _why(error: OSError | UnicodeError) -> str:
    """What is wrong with the address or port, without what asyncio says around it."""
    if isinstance(error, OSError) and error.errno and not isinstance(error, socket.gaierror):
        return os.strerror(error.errno)
    return getattr(error, "strerror", None) or str(error)


def _say(pages: Pages, host: str, port: int, control: bool, as_json: bool) -> None:
    link = pages.link(_reachable(host), port)
    if as_json:
        say_json({"version": 1, "link": link, "host": host, "port": port, "control": control})
        sys.stdout.flush()
        return
    may = "look and ask" if control else "look"
    say(f"Whoever has this link may {may}; it is told only once:")
    say(f"  {link}")
    if not _is_loopback(host):
        say("It travels unencrypted: give it away only on a network you trust.")
    say("End with Ctrl-C; the engine goes on.")
    sys.stdout.flush()


def _reachable(host: str) -> str:
    """`host`, or for "any address" the one that other machines most likely reach us by."""
    with contextlib.suppress(ValueError):
        address = ipaddress.ip_address(host)
        if address.is_unspecified:
            family = socket.AF_INET6 if address.version == 6 else socket.AF_INET
            # Addresses set aside for documentation (RFC 5737, RFC 3849): nothing is sent.
            far = "2001:db8::1" if address.version == 6 else "192.0.2.1"
            with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.connect((far, 9))
                return str(probe.getsockname()[0])
            return "localhost"
    return host


def _is_loopback(host: str) -> bool:
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(host).is_loopback
    return host == "localhost"


def _font_size(request: web.Request) -> int:
    return max(SMALLEST_FONT, min(_whole(request, "fontsize", FONT), LARGEST_FONT))


def clamped(width: int, height: int) -> tuple[int, int]:
    """The columns and rows that a page gets which asks for so many."""
    columns = max(1, min(width, MOST_COLUMNS))
    return columns, max(1, min(height, MOST_ROWS, MOST_CELLS // columns))


def _whole(request: web.Request, name: str, default: int) -> int:
    """A whole number out of the address, or what counts without one."""
    asked = request.query.get(name, "")
    return int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 19 else default


def _command(control: bool, calm: bool, light: bool) -> list[str]:
    """The command line of each page's own screen."""
    words = [sys.executable, "-m", "companion", "screen"]
    options = {"--look-only": not control, "--calm": calm, "--light": light}
    return words + [option for option, wanted in options.items() if wanted]
