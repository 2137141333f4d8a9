"""Pictures of the screens for the manual. Run: python -m tests.screen.pictures [--png] FOLDER

Each is drawn from a hand-made moment of the set Tidewater, as SVG; with --png as PNG too, for which
Chromium must be at hand.
"""

from __future__ import annotations

import argparse
import asyncio
import shutil
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path

from companion.link.messages import Snapshot
from companion.screen.app import make_app
from tests.screen.picture import HIGH, WIDE, svg
from tests.screen.stage import NOT_SENDING, STAYING, UNSURE, Clock, Feed, amiss, slack_water

# In one of the later songs, two and a half minutes after the start.
WADING = {
    "started_ns": -150 * 10**9,
    "part": 4,
    "song_number": 2,
    "song": "Mudflat",
    "pattern": "wading",
    "next_part": "tar",
    "next_song": "Tar and rope",
    "phrases_planned": 3,
}


@dataclass(frozen=True)
class Picture:
    """What is photographed: a moment, a size, the keys pressed before."""

    snapshot: Snapshot
    size: tuple[int, int] = (100, 32)
    keys: tuple[str, ...] = ()
    light: bool = False
    look_only: bool = False


PICTURES = {
    "stage": Picture(slack_water(580)),
    "stage-far": Picture(slack_water(100)),
    "stage-last-bar": Picture(slack_water(700)),
    "stage-boundary": Picture(slack_water(770)),
    "stage-small": Picture(slack_water(580), (40, 12)),
    "stage-daylight": Picture(slack_water(580), light=True),
    "stage-unsure": Picture(slack_water(400, **UNSURE)),
    "stage-not-sending": Picture(slack_water(500, **NOT_SENDING)),
    "stage-staying": Picture(slack_water(500, **STAYING)),
    "stage-mutes": Picture(slack_water(100, **amiss(100))),
    "choose-part": Picture(slack_water(580), keys=("g", "4")),
    "set-list": Picture(replace(slack_water(580), **WADING), keys=("l",)),
    "pass-map": Picture(slack_water(580), keys=("m",)),
    "help": Picture(slack_water(580), keys=("h",)),
}


async def draw(picture: Picture) -> str:
    """The picture as SVG."""
    app = make_app(
        Feed(picture.snapshot),
        light=picture.light,
        look_only=picture.look_only,
        now_ns=Clock(),
    )
    async with app.run_test(size=picture.size) as pilot:
        await pilot.pause()
        await pilot.press(*picture.keys)
        await pilot.pause()
        return svg(app)


def photograph(chromium: str, drawn: Path, size: tuple[int, int]) -> None:
    """The PNG beside an SVG."""
    wide, high = size[0] * WIDE, size[1] * HIGH
    subprocess.run(
        [
            chromium,
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
            f"--window-size={wide},{high}",
            f"--screenshot={drawn.with_suffix('.png')}",
            drawn.resolve().as_uri(),
        ],
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def main(folder: Path, png: bool) -> None:
    """Draw all pictures into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") if png else None
    if png and chromium is None:
        raise SystemExit("there is no chromium here to make PNG pictures with; leave out --png")
    for name, picture in PICTURES.items():
        drawn = folder / f"{name}.svg"
        drawn.write_text(asyncio.run(draw(picture)), encoding="utf-8")
        print(f"{drawn} {drawn.stat().st_size / 1000:.0f} kB")
        if chromium is not None:
            photograph(chromium, drawn, picture.size)


if __name__ == "__main__":
    options = argparse.ArgumentParser(prog="python -m tests.screen.pictures")
    options.add_argument("--png", action="store_true", help="make PNG pictures too")
    options.add_argument("folder", type=Path)
    chosen = options.parse_args()
    main(chosen.folder, chosen.png)
