"""`companion web`: the screen in a browser, for whoever has the link and nobody else.

Each page has a `companion screen` of its own; what that may ask of the engine is decided there.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import ipaddress
import logging
import os
import re
import secrets
import shlex
import signal
import socket
import subprocess
import sys
from importlib.resources import files
from string import Template

import click
from aiohttp import web
from aiohttp.typedefs import Handler, Middleware
from textual_serve.server import Server

from companion.cli.exits import Refused
from companion.cli.needed import engine_needed
from companion.link.endpoint import find_endpoint

COOKIE = "companion-screen"
# A screen is a process; more of them than this are no audience but a mistake.
MOST_PAGES = 8
SMALLEST_FONT, FONT, LARGEST_FONT = 6, 16, 60
_HOST = re.compile(r"[A-Za-z0-9.:\[\]-]{1,255}")


def serve(*, host: str, port: int, control: bool, calm: bool, light: bool) -> None:
    """Serve the screen until Ctrl-C. Raises Refused if no engine runs or the port is taken."""
    with engine_needed():
        find_endpoint()
    # What goes wrong with one browser is no news for the terminal.
    logging.getLogger("textual-serve").addHandler(logging.NullHandler())
    logging.getLogger("aiohttp").addHandler(logging.NullHandler())
    pages = Pages(_command(control, calm, light), secrets.token_urlsafe(24))
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(pages, host, port, control))


class Pages(Server):
    """The web server: one page, its static files, and a websocket for each screen."""

    def __init__(self, command: str, token: str) -> None:
        super().__init__(command, title="companion")
        self._token = token.encode()
        self._open = 0
        self._page = Template(files("companion.screen").joinpath("page.html").read_text("utf-8"))

    def application(self) -> web.Application:
        """What is served; nothing of it to strangers."""
        served = web.Application(middlewares=[self._guard()])
        served.add_routes(
            [
                web.get("/", self._index),
                web.get("/ws", self._websocket),
                web.static("/static", self.statics_path, show_index=False),
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
            nonce=nonce, socket=f"{scheme}://{host}/ws", size=_font_size(request)
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
        try:
            return await self.handle_websocket(request)
        finally:
            self._open -= 1


async def _serve(pages: Pages, host: str, port: int, control: bool) -> None:
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
        _say(pages, host, runner.addresses[0][1], control)
        await ended.wait()
    finally:
        await runner.cleanup()


def _why(error: OSError | UnicodeError) -> str:
    """What is wrong with the address or port, without what asyncio says around it."""
    if isinstance(error, OSError) and error.errno and not isinstance(error, socket.gaierror):
        return os.strerror(error.errno)
    return getattr(error, "strerror", None) or str(error)


def _say(pages: Pages, host: str, port: int, control: bool) -> None:
    may = "look and ask" if control else "look"
    click.echo(f"Whoever has this link may {may}; it is told only once:")
    click.echo(f"  {pages.link(_reachable(host), port)}")
    if not _is_loopback(host):
        click.echo("It travels unencrypted: give it away only on a network you trust.")
    click.echo("End with Ctrl-C; the engine goes on.")
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
    asked = request.query.get("fontsize", "")
    size = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 4 else FONT
    return max(SMALLEST_FONT, min(size, LARGEST_FONT))


def _command(control: bool, calm: bool, light: bool) -> str:
    """The command line of each page's own screen, as a shell reads it."""
    words = [sys.executable, "-m", "companion", "screen"]
    options = {"--look-only": not control, "--calm": calm, "--light": light}
    words += [option for option, wanted in options.items() if wanted]
    return subprocess.list2cmdline(words) if sys.platform == "win32" else shlex.join(words)
