"""What all tests of the screen share: quick frames, and pictures that fetch nothing."""

from __future__ import annotations

import asyncio
import re
from typing import Any

import pytest
from textual.app import App

# The export names fonts on the web; a reader's own will do. Its remark names a page.
_FROM_THE_WEB = re.compile(r"\s*@font-face \{.*?\}|<!--.*?-->", re.DOTALL)


@pytest.fixture(autouse=True)
def no_fonts_from_the_web(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the fonts out of every exported picture."""
    export = App.export_screenshot

    def exported(self: App[Any], **choices: Any) -> str:
        return _FROM_THE_WEB.sub("", export(self, **choices))

    monkeypatch.setattr(App, "export_screenshot", exported)


# A frame of the framework's, which takes a sixtieth of a second by itself.
FRAME_S = 0.002


async def settled(*_: float) -> None:
    """Let two frames go by, each with all that comes of it."""
    loop: Any = asyncio.get_running_loop()
    for _frame in range(2):
        await asyncio.sleep(2 * FRAME_S)
        while loop._ready:
            await asyncio.sleep(0)


@pytest.fixture(autouse=True)
def quick_frames(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait for what is to be done, and no longer.

    The framework waits until the process did nothing for 20 ms, which one that draws every 40 ms
    seldom does: a tenth of a second a key.
    """
    monkeypatch.setattr("textual.screen.UPDATE_PERIOD", FRAME_S)
    for module in ("textual.app", "textual.pilot"):
        monkeypatch.setattr(f"{module}.wait_for_idle", settled)
