"""The page in a real browser: Chromium without a window, driven by its debugging protocol."""

from __future__ import annotations

import asyncio
import base64
import json
import re
import shutil
import subprocess
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from itertools import count
from math import atan, degrees
from threading import Thread
from typing import Any

import pytest
from aiohttp import ClientSession, ClientWebSocketResponse, WSMsgType

from companion.screen.canvas import letters_width
from companion.screen.layout import letter_dots
from tests.cli.conftest import PATIENCE_S
from tests.cli.test_web import Site, site, whole_site

__all__ = ["site", "whole_site"]

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")


class Tab:
    """One tab in a profile of its own, and what happened in it."""

    def __init__(self, wire: ClientWebSocketResponse) -> None:
        self._wire = wire
        self._numbers = count(1)
        self.session = ""
        self.events: list[dict[str, Any]] = []

    async def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One command of the protocol, and its result."""
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": parameters}
        if self.session:
            message["sessionId"] = self.session
        await self._wire.send_json(message)
        while True:
            heard = await self.hear()
            if heard.get("id") == number:
                assert "error" not in heard, heard
                result = heard["result"]
                assert isinstance(result, dict)
                return result

    async def hear(self) -> dict[str, Any]:
        """The next message; events are kept."""
        async with asyncio.timeout(PATIENCE_S):
            message = await self._wire.receive()
        assert message.type is WSMsgType.TEXT, message
        heard = message.json()
        assert isinstance(heard, dict)
        if "method" in heard:
            self.events.append(heard)
        return heard

    def happened(self, method: str) -> list[dict[str, Any]]:
        """The parameters of all events of a kind."""
        return [event["params"] for event in self.events if event["method"] == method]

    def passes(self) -> set[str]:
        """The pass numbers that the page was sent so far."""
        frames = self.happened("Network.webSocketFrameReceived")
        data = b"".join(
            base64.b64decode(frame["response"]["payloadData"])
            for frame in frames
            if frame["response"]["opcode"] == 2
        )
        return set(re.findall(r"pass (\d) of 8", data.decode(errors="replace")))


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A browser without a window; where its debugging protocol is spoken."""
    folder = tmp_path_factory.mktemp("chromium")
    assert CHROMIUM is not None
    process = subprocess.Popen(
        [
            CHROMIUM,
            "--headless=new",
            # Inside a container as root there is no sandbox to be had.
            "--no-sandbox",
            "--disable-gpu",
            "--remote-debugging-port=0",
            f"--user-data-dir={folder / 'profile'}",
            "--window-size=1000,600",
            "about:blank",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith("DevTools listening on "):
                # What it goes on to say must go somewhere.
                Thread(target=process.stderr.read, daemon=True).start()
                yield line.removeprefix("DevTools listening on ").strip()
                break
        else:
            raise AssertionError("chromium did not start")
    finally:
        process.terminate()
        process.wait(timeout=PATIENCE_S)


@asynccontextmanager
async def tab(address: str) -> AsyncIterator[Tab]:
    """A tab of somebody new: no cookies from anybody else."""
    async with ClientSession() as session, session.ws_connect(address, max_msg_size=0) as wire:
        made = Tab(wire)
        context = (await made.ask("Target.createBrowserContext"))["browserContextId"]
        target = await made.ask(
            "Target.createTarget",
            url="about:blank",
            browserContextId=context,
            width=1000,
            height=600,
        )
        attached = await made.ask(
            "Target.attachToTarget", targetId=target["targetId"], flatten=True
        )
        made.session = attached["sessionId"]
        for domain in ("Page", "Network", "Log", "Runtime"):
            await made.ask(f"{domain}.enable")
        yield made
        # The page is closed with it.
        made.session = ""
        await made.ask("Target.disposeBrowserContext", browserContextId=context)


async def picture(shown: Tab) -> bytes:
    return base64.b64decode((await shown.ask("Page.captureScreenshot", format="png"))["data"])


async def test_the_figures_move_and_nothing_is_fetched_from_elsewhere(
    site: Site, chromium: str
) -> None:
    async with tab(chromium) as shown:
        await shown.ask("Page.navigate", url=str(site.link))
        while len(shown.passes()) < 1:
            await shown.hear()
        before = await picture(shown)
        while len(shown.passes()) < 3:
            await shown.hear()
        after = await picture(shown)
        assert before != after
        # A page that is drawn is no small picture; an empty one of this size has under 6 kB.
        assert min(len(before), len(after)) > 6000
        asked = [event["request"]["url"] for event in shown.happened("Network.requestWillBeSent")]
        assert asked
        assert all(url.startswith((str(site.link.origin()), "data:")) for url in asked)
        assert shown.happened("Runtime.exceptionThrown") == []
        # Anything the page's own rules forbid, or that is not there, is logged by these.
        logged = [event["entry"] for event in shown.happened("Log.entryAdded")]
        assert [e for e in logged if e["source"] in ("security", "network")] == []
        place = await shown.ask("Runtime.evaluate", expression="location.href")
        assert place["result"]["value"] == f"{site.link.origin()}/"
        cookies = await shown.ask("Runtime.evaluate", expression="document.cookie")
        assert cookies["result"]["value"] == ""


async def test_on_a_tablet_the_letters_are_read_at_two_metres(site: Site, chromium: str) -> None:
    """1024x768 on a screen of 9.7 inches, 4 to 3: 148 mm high."""
    async with tab(chromium) as shown:
        size = {"width": 1024, "height": 768, "deviceScaleFactor": 1, "mobile": False}
        await shown.ask("Emulation.setDeviceMetricsOverride", **size)
        await shown.ask("Page.navigate", url=str(site.link))
        while not shown.passes():
            await shown.hear()
        sent = [
            json.loads(frame["response"]["payloadData"])
            for frame in shown.happened("Network.webSocketFrameSent")
            if frame["response"]["opcode"] == 1
        ]
        rows = [data["height"] for kind, data in sent if kind == "resize"][-1]
        columns = [data["width"] for kind, data in sent if kind == "resize"][-1]
    high_mm = 148 / rows * letter_dots(rows) / 2
    # ISO 9241-303 asks for 20 minutes of arc (from memory).
    assert 60 * degrees(2 * atan(high_mm / 2 / 2000)) >= 20
    # "Unmute shaker" in those letters has one line.
    assert letters_width("IN 3 BARS: UNMUTE", letter_dots(rows)) <= columns


async def test_without_the_token_the_browser_shows_nothing(site: Site, chromium: str) -> None:
    async with tab(chromium) as stranger:
        await stranger.ask("Page.navigate", url=str(site.link.origin()))
        while not stranger.happened("Network.responseReceived"):
            await stranger.hear()
        (answer, *_) = stranger.happened("Network.responseReceived")
        assert answer["response"]["status"] == 403
        assert stranger.passes() == set()


async def test_a_reloaded_page_needs_the_link_no_more(site: Site, chromium: str) -> None:
    async with tab(chromium) as shown:
        await shown.ask("Page.navigate", url=str(site.link))
        while not shown.passes():
            await shown.hear()
        shown.events.clear()
        await shown.ask("Page.reload")
        while not shown.passes():
            await shown.hear()
