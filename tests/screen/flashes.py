"""An evening driven through reader and painter whole, and its flashes counted. No tests here.

Run: python -m tests.screen.flashes

prints, for each meter and tempo, the most flashes any half of any cell makes in one second.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from companion.link.messages import Coming, Snapshot, Trouble
from companion.screen.app import make_app
from companion.screen.canvas import ROLES, Row, Sheet
from companion.screen.extrapolation import seconds_to_step, spot, tick_seconds
from companion.screen.night import read_night
from companion.screen.painting import Painter
from companion.screen.passmap import MapReader
from companion.screen.reading import Reader
from companion.screen.sentences import Alarm, hold_on
from tests.screen.sight import Flashes, Lights, Palette, flashes, lights, seen
from tests.screen.stage import (
    TRACKS,
    Clock,
    Feed,
    slack_water,
    slack_water_map,
    tidewater_plan,
)

METERS = ((4, 4), (12, 8), (7, 16), (13, 16), (5, 8))
# Those of the table; the tests have more.
TABLE_SIZES = ((80, 24), (120, 40))
TEMPI = (60.0, 120.0, 174.0, 300.0, 400.0)
# An engine publishes at most twenty a second; a screen looks at least every 40 ms.
PUBLISHED_S, FRAME_S, AFTER_STEP_S = 0.05, 0.04, 0.001

Changing = Callable[[float, int], dict[str, Any]]
"""What is unusual so many seconds after the start, at a tick."""


@dataclass(frozen=True)
class Song:
    """What is played: the meter, the tempo, how long a phrase is and where one looks."""

    meter: tuple[int, int] = (4, 4)
    tempo: float = 120.0
    bars: int = 4
    step_ticks: int = 6
    seconds: float = 7.0

    def snapshot(self, seconds: float, **changes: Any) -> Snapshot:
        """What an engine publishes so long after the start, two and a half seconds and a bar
        before the boundary of a part of two phrases."""
        beat = 96 // self.meter[1]
        bar = beat * self.meter[0]
        phrase = bar * self.bars
        lead = min(phrase, bar + int(2.5 / tick_seconds(self.tempo)))
        exact = phrase - lead + seconds / tick_seconds(self.tempo)
        part, tick = divmod(int(exact), 2 * phrase)
        in_phrase = tick % phrase
        now_ns = int(seconds * 1e9)
        late_ns = int((exact - int(exact)) * tick_seconds(self.tempo) * 1e9)
        made = replace(
            slack_water(0),
            at_ns=now_ns,
            tick_ns=now_ns - late_ns,
            tempo=self.tempo,
            part=part + 1,
            pattern=f"water {part + 1}",
            next_part=f"water {part + 2}",
            tick=tick,
            pass_number=tick // bar + 1,
            step=tick % bar // self.step_ticks + 1,
            bar=tick // bar + 1,
            beat=tick % bar // beat + 1,
            step_ticks=self.step_ticks,
            beat_ticks=beat,
            bar_ticks=bar,
            pass_ticks=bar,
            phrase_ticks=phrase,
            phrase=tick // phrase + 1,
            phrase_pass=in_phrase // bar + 1,
            phrase_ticks_left=phrase - in_phrase,
            part_ticks_left=2 * phrase - tick,
            change_ticks=2 * phrase - tick,
            change_part=part + 2,
            coming=self._coming(tick, bar, phrase),
        )
        return replace(made, **changes)

    def _coming(self, tick: int, bar: int, phrase: int) -> tuple[Coming, ...]:
        beat = 96 // self.meter[1]
        said: list[Coming] = []
        for at in range(0, 2 * phrase, bar):
            said.append(
                Coming(at + beat, "step", "gull, step 9", track="gull", step=9, chance=0.25)
            )
            said.append(Coming(at, "step", "low drum, step 1", track="low drum", step=1))
        said.append(Coming(phrase, "cue", "open the filter", do="say", warn_ticks=96))
        said.append(Coming(2 * phrase, "change", "change to water", "program 13 goes to drums",
                           program=13, part=2, outcome="open", warn_ticks=96))  # fmt: skip
        kept = [c for c in said if c.tick > tick - (1 if c.kind == "step" else beat)]
        return tuple(sorted(kept, key=lambda c: c.tick)[:32])


def steady(seconds: float, tick: int) -> dict[str, Any]:
    """Nothing unusual."""
    return {}


def _unsure(**more: Any) -> dict[str, Any]:
    return {"sure": False, "doubt": "a tick came late", **more}


def doubted(seconds: float, tick: int) -> dict[str, Any]:
    """Every twelfth tick is held up, and the count doubted until those behind it are in place."""
    return _unsure() if tick % 12 >= 8 else {}


def flickering(seconds: float, tick: int) -> dict[str, Any]:
    """Sure and unsure in turn with every snapshot."""
    return _unsure() if int(seconds / PUBLISHED_S) % 2 else {}


def anything(seconds: float, tick: int) -> dict[str, Any]:
    """Whatever may come and go comes and goes, by chance but always the same."""
    at = int(seconds / PUBLISHED_S)
    odds = random.Random(f"{at}")
    changes: dict[str, Any] = _unsure() if odds.random() < 0.4 else {}
    if odds.random() < 0.3:
        changes["troubles"] = (
            odds.choice(
                (Trouble("port", "the port of drums is gone"), Trouble("disk", "the disk is full"))
            ),
        )
    if odds.random() < 0.3:
        changes |= {"sending": False, "sending_note": "switched off"}
    if odds.random() < 0.2:
        changes |= {"fill": True}
    if odds.random() < 0.2:
        changes |= {"wish": odds.choice(("next", "part 4"))}
    if odds.random() < 0.2:
        changes |= {"staying": True}
    if odds.random() < 0.15:
        changes |= {"state": odds.choice(("lost", "stopped"))}
    if odds.random() < 0.3:
        muted = odds.choice(TRACKS).name
        changes |= {"tracks": tuple(replace(t, heard_muted=t.name == muted) for t in TRACKS)}
    return changes


TRUST: dict[str, Changing] = {"steady": steady, "held up": doubted, "flickering": flickering}


@cache
def palettes() -> dict[str, Palette]:
    """Ink and ground of each role as the style sheet has them, in both themes."""
    return {name: asyncio.run(_palette(name == "light")) for name in ("dark", "light")}


async def _palette(light: bool) -> Palette:
    app = make_app(Feed(), light=light, now_ns=Clock())
    async with app.run_test(size=(40, 12)):
        sheet = app.query_one(Sheet)
        styles = {role: sheet.get_component_rich_style(f"sheet--{role}") for role in ROLES}
    looks = {}
    for role, style in styles.items():
        assert style.color is not None
        assert style.bgcolor is not None
        assert style.color.triplet is not None
        assert style.bgcolor.triplet is not None
        looks[role] = (style.color.triplet.hex, style.bgcolor.triplet.hex)
    return looks


@cache
def tables() -> dict[str, Lights]:
    """What each look weighs, in both themes."""
    return {name: lights(palette) for name, palette in palettes().items()}


def frames(
    song: Song,
    changing: Changing,
    size: tuple[int, int],
    *,
    calm: bool = False,
    view: str = "",
    notices: Callable[[float], str] = lambda seconds: "",
) -> Iterator[tuple[float, list[Row]]]:
    """What the screen shows, each time it draws, from the beginning of the song to its end.

    `view` is "set" or "map" for these, "" for the stage.
    """
    reader, painter, maps = Reader(False), Painter(calm), MapReader()
    now, published = 0.0, -1
    snapshot: Snapshot | None = None
    while now < song.seconds:
        if int(now / PUBLISHED_S + 1e-6) != published:
            published = int(now / PUBLISHED_S + 1e-6)
            at = published * PUBLISHED_S
            tick = song.snapshot(at).tick
            snapshot = hold_on(snapshot, song.snapshot(at, **changing(at, tick)))
        assert snapshot is not None
        now_ns = int(now * 1e9)
        reading = reader.read(snapshot, now_ns, True)
        notice = notices(now)
        said = (Alarm("", notice, urgent=False),) if notice else ()
        alarms = (*said, *reading.alarms, *reading.bands)
        if view:
            at = spot(snapshot, reading.tick)
            shown = (
                maps.read(replace(slack_water_map(), part=snapshot.part), snapshot, at)
                if view == "map"
                else read_night(tidewater_plan(), snapshot, at, now_ns)
            )
            yield now, painter.view(reading, alarms, shown, 0, *size, now_ns)[0]
        else:
            yield now, painter.stage(reading, alarms, *size, now_ns)[0]
        step = seconds_to_step(snapshot, now_ns)
        now += FRAME_S if step is None else min(FRAME_S, step + AFTER_STEP_S)


def watch(
    song: Song, changing: Changing, size: tuple[int, int], **choices: Any
) -> dict[str, Flashes]:
    """The flashes of a song by theme."""
    moments = [(now, seen(rows, *size)) for now, rows in frames(song, changing, size, **choices)]
    times, shown = zip(*moments, strict=True)
    return {name: flashes(times, shown, table) for name, table in tables().items()}


def worst(found: list[Flashes]) -> Flashes:
    """The most of each kind."""
    return Flashes(
        max(f.general for f in found),
        max(f.red for f in found),
        max(f.red_by_older for f in found),
        max(f.area for f in found),
    )


def _told(found: Flashes) -> str:
    red = max(found.red, found.red_by_older)
    return f"{found.general}/{red}" + (f" ({found.area:.0%})" if found.area else "")


def main() -> None:
    """Print the table: general and red flashes a second, and the share of the screen over three."""
    print("general/red flashes a second of the worst spot, share of the screen over three")
    tempi = ", ".join(f"{tempo:g}" for tempo in TEMPI)
    print(f"80x24 and 120x40, phrases of 1 and 4 bars, steps of 1/16; tempo: {tempi}")
    for theme in ("dark", "light"):
        for calm in (False, True):
            for trust in TRUST:
                for meter in METERS:
                    told = []
                    for tempo in TEMPI:
                        found = [
                            _watched(meter, tempo, bars, trust, size, calm)[theme]
                            for size in TABLE_SIZES
                            for bars in (1, 4)
                        ]
                        told.append(f"{_told(worst(found)):>12}")
                    name = f"{theme}{', calm' if calm else ''}, {trust}"
                    print(f"{name:26}{meter[0]:>3}/{meter[1]:<3}" + "".join(told), flush=True)


@cache
def _watched(
    meter: tuple[int, int], tempo: float, bars: int, trust: str, size: tuple[int, int], calm: bool
) -> dict[str, Flashes]:
    return watch(Song(meter, tempo, bars), TRUST[trust], size, calm=calm)


if __name__ == "__main__":
    main()
