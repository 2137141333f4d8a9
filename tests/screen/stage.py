"""Snapshots of an evening with Tidewater, a feed that plays them, and eyes. No tests here."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import replace
from string import ascii_uppercase, digits
from typing import Any

from rich.segment import Segment
from textual.app import App
from textual.pilot import Pilot

from companion.link.messages import (
    Coming,
    Later,
    LayerView,
    MapRow,
    PatternMap,
    PlanPart,
    PlanSong,
    ProgramView,
    SetPlan,
    Snapshot,
    TrackView,
    Trouble,
    WhyNot,
)
from companion.screen.canvas import render_letters
from companion.wishes import Wish

SIZES = ((40, 12), (80, 24), (120, 40), (200, 60))
EDGES = ((40, 12), (40, 70), (60, 16), (80, 24), (100, 31), (120, 40), (240, 12), (240, 70))

COMING = (
    Coming(378, "step", "low drum, step 16", track="low drum", step=16),
    Coming(384, "cue", "unmute shaker", do="unmute", tracks=("shaker",), warn_ticks=192),
    Coming(480, "step", "reverse swell (shaker, step 5)", track="shaker", chance=0.5),
    Coming(600, "step", "gull, step 9", track="gull", chance=0.25),
    Coming(768, "cue", "open the filter", do="say", warn_ticks=96),
    Coming(900, "step", "low drum, step 16", track="low drum", step=16),
    Coming(1440, "fill", "hold the fill for 1 bar", hold_ticks=96, warn_ticks=96),
    Coming(
        1536,
        "change",
        "change to high water",
        "program 13 goes to drums",
        part=2,
        program=13,
        outcome="open",
        warn_ticks=96,
    ),
)
TRACKS = (
    TrackView("low drum", False),
    TrackView("tide bell", False),
    TrackView("shaker", True),
    TrackView("gull", False),
)


def slack_water(tick: int = 100, **changes: Any) -> Snapshot:
    """The first part of Tidewater at `tick`: two phrases of eight bars of 4/4 in sixteenths."""
    phrase, in_phrase = divmod(tick, 768)
    running = Snapshot(
        at_ns=0,
        tick_ns=0,
        set_name="Tidewater",
        state="running",
        sending=True,
        tempo=118.0,
        song="Slack water",
        songs=5,
        parts=9,
        pattern="slack water",
        name="slack water",
        instrument="drums",
        next_number=changes.get("part", 1) + 1,
        next_ticks=1536 - tick,
        tick=tick,
        pass_number=tick // 96 + 1,
        step=tick % 96 // 6 + 1,
        bar=tick // 96 + 1,
        beat=tick % 96 // 24 + 1,
        phrase=phrase + 1,
        phrase_pass=in_phrase // 96 + 1,
        phrase_ticks_left=768 - in_phrase,
        phrases_planned=2,
        part_ticks_left=1536 - tick,
        next_part="high water",
        change_ticks=1536 - tick,
        change_part=2,
        change_program=13,
        clock_port="drums",
        jitter_ms=0.3,
        tracks=TRACKS,
        coming=tuple(c for c in COMING if c.tick > tick - 24),
    )
    seen = replace(running, **changes)
    # What an engine would not do then, the most ordinary of it.
    idle = () if seen.wish else no("nothing", "there is no wish to undo", "undo")
    sure = no("sure", "the count is sure already", "confirm") if seen.sure else ()
    return replace(seen, refused=(*idle, *sure, *seen.refused))


def no(kind: str, words: str, *wishes: str) -> tuple[WhyNot, ...]:
    """That an engine would not do `wishes`, for one reason."""
    return tuple(WhyNot(wish, kind, words) for wish in wishes)


# Five songs, nine parts; the seconds are phrases of eight bars of 4/4 at the song's tempo.
SONGS = (
    ("Slack water", 118.0, (("slack water", 2), ("high water", 4))),
    ("Mudflat", 92.0, (("mudflat", 2), ("wading", 3))),
    ("Tar and rope", 126.0, (("tar", 4), ("rope", None))),
    ("Lantern", 100.0, (("lantern", 2),)),
    ("Spring tide", 140.0, (("making tide", 4), ("spring tide", 8))),
)


def tidewater_plan() -> SetPlan:
    """The whole night."""
    parts: list[PlanPart] = []
    for song, (_, tempo, patterns) in enumerate(SONGS, start=1):
        for pattern, phrases in patterns:
            seconds = (phrases or 1) * 768 * 60 / (24 * tempo)
            number = len(parts) + 1
            parts.append(
                PlanPart(
                    number, song, pattern, phrases, 768, 96, seconds, "drums", program=11 + number
                )
            )
    songs = tuple(PlanSong(title, tempo) for title, tempo, _ in SONGS)
    return SetPlan("Tidewater", 1, songs, tuple(parts))


def slack_water_map(first: int = 0) -> PatternMap:
    """The passes of slack water from pass `first` (0 is the first of the part) on."""

    def row(
        track: str, steps: tuple[int, ...], cycle: str, *, what: str = "", rare: bool = False
    ) -> MapRow:
        levels = "".join(cycle[at % len(cycle)] for at in range(first, first + 64))
        return MapRow(track, steps, what, rare, levels=levels)

    return PatternMap(
        part=1,
        pattern="slack water",
        first=first,
        passes=64,
        rows=(
            row("low drum", (1, 5, 9, 13), "9"),
            row("low drum", (16,), "0009", rare=True),
            row("snap", (5, 13), "9"),
            row("snap", (15,), "4"),
            row("shaker", (1, 4, 7), "9"),
            row("shaker", (10,), "7002000", what="reverse swell", rare=True),
            row("gull", (9,), "2", rare=True),
            MapRow("gull", (12,), "", True, True, "0" * 64),
            row("tide bell", (11,), "0900", what="bell"),
        ),
    )


UNSURE = {"sure": False, "doubt": "joined in the middle", "sending": False}
ALIGNS = ("align", "align bar", "align pass", "align phrase")
NUDGES = tuple(
    f"nudge {way} a {unit}" for way in ("forward", "back") for unit in ("pass", "phrase")
)
UNCOUNTED = no("uncounted", "nothing is counted yet: press play", "confirm", *NUDGES)
CLOCKLESS = no("clockless", "no clock is running: press play on the instrument", *ALIGNS)
LOST = {
    "state": "lost",
    "sure": False,
    "doubt": "the clock was lost",
    "sending": False,
    "refused": (
        *no("lost", "the clock is lost: nothing can be planned", "next", "next pass", "now"),
        *no("lost", "the clock is lost: nothing can be planned", "part", "stay"),
        *no("lost", "the clock is lost: wait until it is back", "confirm", *NUDGES),
        *CLOCKLESS,
    ),
}
STAYLESS = no("idle", "nothing runs: there is nothing to stay in", "stay")
WAITING = {
    "state": "waiting",
    "tempo": 0.0,
    "clock_port": "",
    "refused": (*CLOCKLESS, *UNCOUNTED, *STAYLESS),
}
READY = {
    "state": "ready",
    "sure": False,
    "doubt": "joined in the middle",
    "refused": (*UNCOUNTED, *STAYLESS),
}
STOPPED = {"state": "stopped", "refused": (*CLOCKLESS, *STAYLESS)}
SENDLESS = no("silent", "nothing can be sent: started without sending", "arm", "disarm")
NOT_SENDING = {
    "sending": False,
    "sending_note": "started without sending",
    "refused": SENDLESS,
}
DEMO = {"sending": False, "sending_note": "nothing to send to", "demo": True, "refused": SENDLESS}
TROUBLE = {
    "troubles": (
        Trouble("port", "the port of drums is gone: plug it in again"),
        Trouble("disk", "the take is not recorded"),
    )
}

# The shaker sounds though the plan has it muted; the instrument says that the gull is muted.
AMISS_TRACKS = (
    TrackView("low drum", False, heard_muted=False, likelihood=0.01),
    TrackView("tide bell", False),
    TrackView("shaker", True, heard_muted=False, likelihood=0.02),
    TrackView("gull", False, heard_muted=True, likelihood=1.0, told=True),
)


def amiss(tick: int) -> dict[str, Any]:
    """What is not as planned at `tick`, in the engine's words."""
    said = (
        ("mute", "shaker", "sounds, 98% likely; planned: muted"),
        ("unmute", "gull", "is muted; planned: sounding"),
    )
    differ = (
        Coming(tick, "differs", track, how, track=track, do=do, tracks=(track,), chance=0.98)
        for do, track, how in said
    )
    return {"tracks": AMISS_TRACKS, "coming": (*differ, *(c for c in COMING if c.tick > tick - 24))}


def filling(tick: int) -> Snapshot:
    """Within the last bar, for which a fill is to be held, as an engine lets go of what is due."""
    return slack_water(tick, fill=True, coming=tuple(c for c in COMING if c.tick > tick - 24))


# The end is open while a wish keeps it so: no change, and no cue that goes by the end.
OPEN_END: dict[str, Any] = {
    "staying": True,
    "part_ticks_left": None,
    "change_ticks": None,
    "change_part": None,
    "change_program": None,
    "next_ticks": None,
}
STAYING = {**OPEN_END, "wish": "stay", "coming": COMING[3:6]}
GOING = {"wish": "next", "change_ticks": 268, "part_ticks_left": 268, "next_ticks": 268}

# Each state a performer may look up to, with the tick it is seen at.
STATES: dict[str, Snapshot] = {
    "far": slack_water(100),
    "near": slack_water(580),
    "imminent": slack_water(700),
    "last beat": slack_water(755),
    "now": slack_water(770),
    "waiting": slack_water(0, **WAITING),
    "ready": slack_water(0, **READY),
    "stopped": slack_water(300, **STOPPED),
    "lost": slack_water(500, **LOST),
    "unsure": slack_water(400, **UNSURE),
    "not sending": slack_water(500, **NOT_SENDING),
    "demonstration": slack_water(100, **DEMO),
    "trouble": slack_water(500, **TROUBLE),
    "staying": slack_water(500, **STAYING),
    "going": slack_water(500, **GOING),
    "not as planned": slack_water(100, **amiss(100)),
    "filling": filling(1450),
}


WANTS = (ProgramView("drums", 12), ProgramView("pads", 3))
LAYERS = (LayerView("drone", "pads", tick=460, pass_number=7, step=5, pass_ticks=72),)
BESIDE = (TrackView("swell on pads", False, True, 0.99), TrackView("hum on pads", False))
# What a whole night brings besides: the large words are the thing to do then.
STATES |= {
    "nothing to do": slack_water(100, coming=()),
    "wanted": slack_water(0, **WAITING, wants=WANTS),
    "stopped unsure": slack_water(
        300,
        **STOPPED,
        sure=False,
        doubt="drums may be on slack water or high water",
        doubt_kind="part",
        help="choose program 12 on drums, or press c if it plays slack water",
        wants=WANTS,
    ),
    "ends in silence": slack_water(
        900, stop_at_end=True, next_part="mudflat", next_song="Mudflat", coming=()
    ),
    "song over": slack_water(
        1540, stop_at_end=True, song_over=True, next_part="mudflat", next_song="Mudflat", coming=()
    ),
    "open": slack_water(500, **OPEN_END | {"staying": False}, about=4),
    "last part": slack_water(
        900, next_part="", next_number=0, change_ticks=None, change_part=None, coming=()
    ),
    "late": slack_water(760, later=(Later("next", 776),), coming=()),
    "ignored": slack_water(
        100,
        sure=False,
        doubt="drums did not take program 13 and plays on as before",
        doubt_kind="part",
        help="choose program 13 on drums, then press c",
        coming=(),
    ),
    "other tempo": slack_water(100, tempo=126.4, planned_tempo=118.0, song_part=1, coming=()),
    "layers": slack_water(100, layers=LAYERS, tracks=(*TRACKS, *BESIDE)),
    # An early send, and a stop before its boundary; and a port that came back.
    "told ahead": slack_water(300, **STOPPED, wants=(WANTS[0], replace(WANTS[1], other=True))),
    "port is back": slack_water(300, wants=WANTS, back=("pads",)),
    "song notes": slack_water(100, song_notes="D minor; pads patch: low light", coming=()),
}


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.ns = 0

    def __call__(self) -> int:
        return self.ns


class Feed:
    """Plays what it is given and remembers the wishes."""

    def __init__(
        self,
        *snapshots: Snapshot,
        connected: bool = True,
        answers: bool = True,
        overviews: tuple[SetPlan | PatternMap, ...] | None = None,
    ) -> None:
        self._snapshots = snapshots
        self._overviews = (tidewater_plan(), slack_water_map()) if overviews is None else overviews
        self._connected = connected
        self._answers = answers
        self.wishes: list[Wish] = []
        self.say: Callable[[Snapshot], None] = lambda snapshot: None
        self.state: Callable[[bool], None] = lambda connected: None
        self.show: Callable[[SetPlan | PatternMap], None] = lambda overview: None

    async def run(
        self,
        on_snapshot: Callable[[Snapshot], None],
        on_state: Callable[[bool], None],
        on_overview: Callable[[SetPlan | PatternMap], None],
    ) -> None:
        self.say, self.state, self.show = on_snapshot, on_state, on_overview
        for overview in self._overviews:
            on_overview(overview)
        for snapshot in self._snapshots:
            on_snapshot(snapshot)
        on_state(self._connected)
        await asyncio.Event().wait()

    def wish(self, wish: Wish) -> bool:
        self.wishes.append(wish)
        return self._answers


@contextlib.asynccontextmanager
async def shown(
    app: App[Any], *keys: str, size: tuple[int, int] = (80, 24)
) -> AsyncIterator[Pilot[Any]]:
    """The screen in a terminal of that size, drawn, and once more after `keys` were pressed."""
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        if keys:
            await pilot.press(*keys)
            await pilot.pause()
        yield pilot


async def resized(pilot: Pilot[Any], size: tuple[int, int]) -> None:
    """The window has another size, and all of it is drawn."""
    await pilot.resize_terminal(*size)
    await pilot.pause()
    # On a busy machine the first frame may still be to come.
    pilot.app.draw()
    await pilot.pause()


def segments(app: App[Any]) -> list[list[Segment]]:
    """What stands on the terminal, row by row, with its colours."""
    return [list(strip) for strip in app.screen._compositor.render_strips()]


def seen(app: App[Any]) -> list[str]:
    """What stands on the terminal, row by row."""
    return ["".join(segment.text for segment in row) for row in segments(app)]


def words(app: App[Any]) -> str:
    """All words on the terminal, a line break being a space."""
    return " ".join(" ".join(seen(app)).split())


def large(app: App[Any], dots: int) -> list[str]:
    """The lines that stand on the terminal in letters so many dots high, read letter by letter."""
    return read_letters(seen(app), dots)


def read_letters(rows: Sequence[str], dots: int) -> list[str]:
    """Every run of three letters or more in letters `dots` high, top to bottom."""
    bits = []
    for row in rows:
        bits += [[c in "█▀" for c in row], [c in "█▄" for c in row]]
    shapes = {each: _columns(render_letters([each], dots), dots) for each in _LETTERS}
    found = []
    for top in range(len(bits) - dots + 1):
        columns = list(zip(*bits[top : top + dots], strict=True))
        text, blank, x = "", 99, 0
        while x < len(columns):
            if not any(columns[x]):
                x, blank = x + 1, blank + 1
                continue
            fits = [
                c
                for c, shape in shapes.items()
                if columns[x : x + len(shape)] == shape
                and not any(any(after) for after in columns[x + len(shape) : x + len(shape) + 1])
            ]
            if not fits:
                text = ""
                break
            widest = max(fits, key=lambda c: len(shapes[c]))
            text += " " * (2 < blank < 99) + widest
            x, blank = x + len(shapes[widest]), 0
        if len(text.strip(".,:; ")) > 2:
            found.append(text)
    return found


_LETTERS = ascii_uppercase + digits + ":,;."


def _columns(lines: list[str], dots: int) -> list[tuple[bool, ...]]:
    rows = [[c in inked for c in line] for line in lines for inked in ("█▀", "█▄")][:dots]
    return list(zip(*rows, strict=True))
