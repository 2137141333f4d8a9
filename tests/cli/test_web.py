"""The screen in a browser: for whoever has the link, and for looking unless told otherwise."""

from __future__ import annotations

import asyncio
import errno
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest
from aiohttp import (
    ClientSession,
    ClientWebSocketResponse,
    CookieJar,
    WSCloseCode,
    WSMsgType,
    WSServerHandshakeError,
)
from yarl import URL

from companion.cli.web import MOST_CELLS, MOST_COLUMNS, MOST_PAGES, MOST_ROWS, clamped
from tests.cli.conftest import PATIENCE_S, Program

# Played slowly, the part lasts longer than any of these tests.
SLOW = """\
set: Tidewater
patterns:
  slack water:
    phrase: 8 bars
    tracks:
      low drum: {steps: {1: always, 16: pass 4 of 4}}
songs:
  - song: Slack water
    tempo: 300
    parts:
      - {pattern: slack water, phrases: 64}
      - {pattern: slack water}
"""


# What the server has to say for itself.
OWN_WORDS = ("End with Ctrl-C", "It travels unencrypted")


@contextmanager
def served(program: Program, *options: str) -> Iterator[URL]:
    """An engine and `companion web`; the link that it told."""
    engine = program.start(program.write("slow.yaml", SLOW), "--internal-clock")
    process = subprocess.Popen(
        [sys.executable, "-m", "companion", "web", "--port", "0", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=program.environment,
        cwd=program.folder,
    )
    assert process.stdout is not None
    try:
        lines = [process.stdout.readline() for _ in range(2)]
        yield URL(lines[1].strip())
        assert engine.poll() is None, "the engine ended with the page"
    finally:
        process.terminate()
        rest, _ = process.communicate(timeout=PATIENCE_S)
        engine.terminate()
        engine.communicate(timeout=PATIENCE_S)
    # What goes wrong with a page is no news for this terminal.
    assert [line for line in rest.splitlines() if not line.startswith(OWN_WORDS)] == []
    assert process.returncode == 0


class Site(NamedTuple):
    """An engine and a page of it for all who only look."""

    program: Program
    link: URL


@pytest.fixture(scope="module")
def whole_site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """One for the whole file."""
    program = Program(tmp_path_factory.mktemp("site"))
    with served(program) as link:
        yield Site(program, link)


@pytest.fixture
def site(whole_site: Site) -> Iterator[Site]:
    """The same, with no page open before or after."""
    yield whole_site
    if sys.platform == "linux":
        deadline = time.monotonic() + PATIENCE_S
        while open_ := screens(whole_site.program.folder):
            assert time.monotonic() < deadline, open_
            time.sleep(0.05)


@asynccontextmanager
async def browser() -> AsyncIterator[ClientSession]:
    """Somebody with a browser, who keeps cookies of an address too."""
    async with ClientSession(cookie_jar=CookieJar(unsafe=True)) as session:
        yield session


@asynccontextmanager
async def page(
    session: ClientSession, link: URL, width: int = 80, height: int = 24
) -> AsyncIterator[ClientWebSocketResponse]:
    """The screen in an opened page."""
    async with session.get(link) as answer:
        assert answer.status == 200
    socket = link.with_path("/ws").with_query(width=width, height=height).with_scheme("ws")
    async with session.ws_connect(socket, origin=str(link.origin())) as opened:
        yield opened


async def shows(screen: ClientWebSocketResponse, holds: Callable[[str], bool]) -> str:
    """Read on until what has come holds."""
    seen = ""
    async with asyncio.timeout(PATIENCE_S):
        while not holds(seen):
            message = await screen.receive()
            assert message.type in (WSMsgType.BINARY, WSMsgType.TEXT), f"it closed after {seen!r}"
            if message.type is WSMsgType.BINARY:
                seen += message.data.decode()
    return seen


async def press(screen: ClientWebSocketResponse, key: str) -> None:
    await screen.send_json(["stdin", key])


def test_with_no_engine_it_says_so_in_one_line(program: Program) -> None:
    done = program.run("web")
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr == ("companion: no engine is running; start one: companion play SET\n")


def test_a_port_that_is_taken_is_one_line(site: Site) -> None:
    done = site.program.run("web", "--port", str(site.link.port))
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "--port NUMBER" in done.stderr


def test_an_address_that_is_nobodys_is_one_line(site: Site) -> None:
    # Set aside for documentation (RFC 5737), so no machine has it.
    done = site.program.run("web", "--host", "192.0.2.77", "--port", "0")
    assert done.returncode == 1
    # EADDRNOTAVAIL, in the words of this machine (POSIX: strerror).
    why = os.strerror(errno.EADDRNOTAVAIL).lower()
    assert done.stderr.startswith(f"companion: cannot serve at 192.0.2.77, port 0: {why}; ")
    assert done.stderr.count("\n") == 1


async def test_a_stranger_gets_403_and_nothing(site: Site) -> None:
    async with browser() as stranger:
        for path in ("/", "/?token=", "/?token=guess", "/static/js/textual.js", "/nowhere"):
            async with stranger.get(site.link.origin().join(URL(path))) as answer:
                assert answer.status == 403
                assert await answer.read() == b""
                assert not answer.cookies
        with pytest.raises(WSServerHandshakeError) as refused:
            await stranger.ws_connect(site.link.with_path("/ws"), origin=str(site.link.origin()))
        assert refused.value.status == 403
        # The token opens the page only: nothing else takes it from an address.
        async with stranger.get(
            site.link.with_path("/static/js/textual.js").with_query(site.link.query)
        ) as answer:
            assert answer.status == 403


async def test_who_has_the_link_gets_a_cookie_that_scripts_and_other_sites_do_not(
    site: Site,
) -> None:
    async with browser() as session:
        async with session.get(site.link) as answer:
            assert answer.status == 200
            cookie = answer.headers["Set-Cookie"]
            assert "HttpOnly" in cookie
            assert "SameSite=Strict" in cookie
            assert answer.headers["Cache-Control"] == "no-store"
            assert answer.headers["Referrer-Policy"] == "no-referrer"
            assert "http" not in (await answer.text()).replace("<!DOCTYPE html>", "")
        for path in ("/", "/static/js/textual.js", "/static/css/xterm.css"):
            async with session.get(site.link.origin().join(URL(path))) as answer:
                assert answer.status == 200


async def test_a_page_of_another_site_cannot_open_the_screen(site: Site) -> None:
    async with browser() as session:
        async with session.get(site.link) as answer:
            assert answer.status == 200
        for origin in ("http://example.org", "null", f"http://localhost:{site.link.port}"):
            with pytest.raises(WSServerHandshakeError) as refused:
                await session.ws_connect(site.link.with_path("/ws"), origin=origin)
            assert refused.value.status == 403


async def test_the_page_counts_on_and_only_looks(site: Site) -> None:
    async with browser() as session, page(session, site.link) as screen:
        await shows(screen, lambda seen: len(set(re.findall(r"pass (\d) of 8", seen))) >= 3)
        await press(screen, "n")
        await shows(screen, lambda seen: "This screen only looks" in seen)
        assert site.program.status()["next_change"]["ticks"] > 768
        await press(screen, "q")
        async with asyncio.timeout(PATIENCE_S):
            async for _ in screen:
                pass
    assert site.program.status()["state"] == "running"


async def test_with_control_the_page_may_ask(program: Program) -> None:
    with served(program, "--control") as link:
        async with browser() as session, page(session, link) as screen:
            await shows(screen, lambda seen: "pass" in seen)
            await press(screen, "n")
            await shows(screen, lambda seen: "u undoes it" in seen)
            assert program.status()["next_change"]["ticks"] <= 768


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
async def test_a_page_that_is_closed_leaves_no_process_behind(site: Site) -> None:
    async with browser() as session:
        async with page(session, site.link) as screen:
            await shows(screen, lambda seen: "pass" in seen)
            assert len(screens(site.program.folder)) == 1
        await gone(site.program)


async def gone(program: Program) -> None:
    """Wait until no screen runs any more."""
    async with asyncio.timeout(PATIENCE_S):
        while screens(program.folder):
            await asyncio.sleep(0.05)


def megabytes(process: str) -> float:
    """What a process takes of the computer's memory."""
    status = Path("/proc", process, "status").read_text()
    return int(re.findall(r"VmHWM:\s+(\d+) kB", status)[0]) / 1024


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        ((80, 24), (80, 24)),
        ((999_999_999, 999_999_999), (MOST_COLUMNS, MOST_CELLS // MOST_COLUMNS)),
        ((2000, 1000), (MOST_COLUMNS, MOST_CELLS // MOST_COLUMNS)),
        ((1, 10**18), (1, MOST_ROWS)),
        ((0, -5), (1, 1)),
    ],
)
def test_no_page_is_larger_than_anybody_can_see(
    asked: tuple[int, int], given: tuple[int, int]
) -> None:
    assert clamped(*asked) == given


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
async def test_a_page_that_asks_for_a_gigantic_screen_gets_one_that_can_be_drawn_and_ended(
    site: Site,
) -> None:
    async with browser() as session:
        async with page(session, site.link, 999_999_999, 1) as screen:
            await shows(screen, lambda seen: len(seen) > 100)
            (process,) = screens(site.program.folder)
            environment = Path("/proc", process, "environ").read_bytes().split(b"\0")
            assert f"COLUMNS={MOST_COLUMNS}".encode() in environment
            for width, height in ((100_000, 100_000), (2000, 1000), (80, 24)):
                await screen.send_json(["resize", {"width": width, "height": height}])
            await shows(screen, lambda seen: "pass" in seen)
            # As much as any other screen takes, give or take a half.
            assert megabytes(process) < 300
        await gone(site.program)


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
async def test_no_screen_outlives_the_server(program: Program, how: signal.Signals) -> None:
    engine = program.start(program.write("slow.yaml", SLOW), "--internal-clock")
    server = subprocess.Popen(
        [sys.executable, "-m", "companion", "web", "--port", "0"],
        stdout=subprocess.PIPE,
        text=True,
        env=program.environment,
        cwd=program.folder,
    )
    assert server.stdout is not None
    link = URL([server.stdout.readline() for _ in range(2)][1].strip())
    async with browser() as session, page(session, link, 500, 80) as screen:
        await shows(screen, lambda seen: "pass" in seen)
        # In the middle of a lot of drawing.
        for width in range(60, 500, 20):
            await screen.send_json(["resize", {"width": width, "height": 80}])
        assert screens(program.folder)
        server.send_signal(how)
        await gone(program)
    server.communicate(timeout=PATIENCE_S)
    engine.terminate()
    engine.communicate(timeout=PATIENCE_S)


NONSENSE = (
    "no JSON",
    "[" * 30_000,
    "null",
    "[]",
    '["resize"]',
    '["resize", {"width": "80", "height": 24}]',
    '["resize", {"width": 1e400, "height": 24}]',
    '["stdin", 7]',
    '["tide"]',
)


async def test_a_page_that_talks_nonsense_is_closed_and_that_is_all(site: Site) -> None:
    # That nothing of it lands on the server's terminal `served` sees at the end.
    for said in NONSENSE:
        async with browser() as session, page(session, site.link) as screen:
            await screen.send_str(said)
            async with asyncio.timeout(PATIENCE_S):
                async for _ in screen:
                    pass
            assert screen.close_code == WSCloseCode.POLICY_VIOLATION, said
        await gone(site.program)


async def test_a_screen_keeps_its_place_until_its_process_is_gone(site: Site) -> None:
    async with browser() as session, AsyncExitStack() as pages:
        for _ in range(MOST_PAGES):
            await pages.enter_async_context(page(session, site.link))
        with pytest.raises(WSServerHandshakeError) as refused:
            await pages.enter_async_context(page(session, site.link))
        assert refused.value.status == 503
        assert len(screens(site.program.folder)) <= MOST_PAGES
    await gone(site.program)


def screens(folder: Path) -> list[str]:
    """The screens that run in that folder."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            words = (process / "cmdline").read_bytes().split(b"\0")
            if (
                b"--look-only" in words
                and b"-c" not in words
                and (process / "cwd").resolve() == folder.resolve()
            ):
                found.append(process.name)
        except OSError:
            continue
    return found


def test_another_address_is_served_only_when_asked_for(site: Site, program: Program) -> None:
    assert site.link.host == "127.0.0.1"
    with served(program, "--host", "0.0.0.0") as link:
        assert len(link.query["token"]) >= 32
