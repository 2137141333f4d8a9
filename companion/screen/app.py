"""The stage app: takes snapshots from a feed, draws readings, passes wishes back.

No counting, wording or layout here. `make_app` is what the command line and the tests call.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import ClassVar, Protocol

from textual.app import App, ComposeResult, SystemCommand
from textual.binding import BindingType
from textual.events import Resize
from textual.screen import Screen

from companion.link.messages import LinkError, Snapshot, Wish
from companion.screen import drawing
from companion.screen.canvas import blank
from companion.screen.dial import draw_dial
from companion.screen.dialogs import Help, Leave
from companion.screen.keyrow import KeyRow
from companion.screen.keys import KEYS, NO_ENGINE, Key, refusal
from companion.screen.layout import most_alarm_rows, plan
from companion.screen.palette import KeyProvider
from companion.screen.reading import Reading, read
from companion.screen.sheet import Sheet
from companion.screen.theme import DARK, DARK_VARIABLES, LIGHT
from companion.screen.wording import Alarm

# A figure is at most this late; the eye takes about as long to see it.
FRAMES_A_SECOND = 25
NOTICE_NS = 4_000_000_000


class Feed(Protocol):
    """Where snapshots come from and wishes go, such as link.client.Client."""

    async def run(
        self, on_snapshot: Callable[[Snapshot], None], on_state: Callable[[bool], None]
    ) -> None:
        """Hand over snapshots until cancelled; `on_state(False)` says that the engine is gone."""
        ...

    def wish(self, wish: Wish) -> object:
        """Ask something of the engine; False when it cannot be asked."""
        ...


class StageApp(App[str]):
    """The stage screen. Its return value is what becomes of the engine: "keep" or "stop"."""

    CSS_PATH = "stage.tcss"
    TITLE = "companion"
    COMMANDS: ClassVar[set[type[KeyProvider]]] = {KeyProvider}  # type: ignore[assignment]
    BINDINGS: ClassVar[list[BindingType]] = [key.binding() for key in KEYS]
    ALLOW_SELECT = False

    def __init__(self, feed: Feed, *, calm: bool, light: bool, now_ns: Callable[[], int]) -> None:
        super().__init__()
        self._feed = feed
        self._calm = calm
        self._now_ns = now_ns
        self._snapshot: Snapshot | None = None
        # None until the engine was heard or missed for the first time: nothing to say yet.
        self._connected: bool | None = None
        self._shown: tuple[int, int] = (-1, -1)
        self._drawn: tuple[object, ...] = ()
        self._notice = ("", 0)
        self.register_theme(DARK)
        self.register_theme(LIGHT)
        self.theme = LIGHT.name if light else DARK.name
        if calm:
            self.animation_level = "none"

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """The dark palette, where a theme leaves a colour open."""
        return DARK_VARIABLES

    def get_system_commands(self, screen: Screen[object]) -> Iterator[SystemCommand]:
        """None: the palette offers the screen's own keys only."""
        yield from ()

    def compose(self) -> ComposeResult:
        """The regions, top to bottom."""
        for region in _REGIONS:
            yield Sheet(id=region)
        yield KeyRow()

    def on_mount(self) -> None:
        """Start listening and drawing."""
        self.run_worker(self._listen())
        self.set_interval(1 / FRAMES_A_SECOND, self.draw)

    def on_resize(self, event: Resize) -> None:
        """Draw anew in the new size."""
        self._drawn = ()
        self.call_after_refresh(self.draw)

    async def _listen(self) -> None:
        try:
            await self._feed.run(self._take, self._state)
        except LinkError as error:
            self._say(f"{error}.")
        finally:
            self._connected = False

    def _take(self, snapshot: Snapshot) -> None:
        before = self._snapshot
        if before is not None and snapshot.notice and snapshot.notice != before.notice:
            self._say(snapshot.notice)
        first = self._connected is None
        self._snapshot = snapshot
        self._connected = True
        if first:
            self.draw()

    def _state(self, connected: bool) -> None:
        self._connected = connected

    def _say(self, notice: str) -> None:
        self._notice = (notice, self._now_ns() + NOTICE_NS)

    # -- drawing -----------------------------------------------------------------------------

    @property
    def stage(self) -> Screen[object]:
        """The screen under whatever is laid over it."""
        return self.screen_stack[0]

    def reading(self) -> Reading:
        """What the screen says now."""
        snapshot = self._snapshot or Snapshot(at_ns=self._now_ns())
        now = self._now_ns()
        part, tick = self._shown
        shown = tick if part == snapshot.part else -1
        reading = read(snapshot, now, connected=bool(self._connected), shown_tick=shown)
        self._shown = (snapshot.part, reading.tick)
        return reading

    def draw(self) -> None:
        """Draw what changed since the last time."""
        if not self.is_running or not self.stage.is_mounted or self._connected is None:
            return
        reading = self.reading()
        notice, until = self._notice
        notice = notice if self._now_ns() < until else ""
        key = (reading, notice, self.size)
        if key == self._drawn:
            return
        self._drawn = key
        width, height = self.size
        alarms = (*reading.alarms, Alarm("", notice, urgent=False)) if notice else reading.alarms
        alarm_rows = drawing.draw_alarms(alarms, width, most_alarm_rows(height))
        shares = plan(width, height, len(alarm_rows))
        pictures = {
            "alarms": alarm_rows,
            "countdown": draw_dial(reading, width, shares.countdown, self._calm),
            "above-action": blank(shares.above_action),
            "action": drawing.draw_action(reading, width, shares.action),
            "above-agenda": blank(shares.above_agenda),
            "agenda": drawing.draw_agenda(reading, width, shares.agenda),
            "tracks": drawing.draw_tracks(reading, width, shares.tracks),
            "quiet": drawing.draw_quiet(reading, width, shares.quiet),
        }
        heights = shares.heights()
        for sheet in self.stage.query(Sheet):
            region = str(sheet.id)
            sheet.set_height(heights[region])
            sheet.show(pictures[region])
        keys = self.stage.query_one(KeyRow)
        keys.display = shares.keys > 0
        keys.show_working(self.keys_now())

    # -- keys --------------------------------------------------------------------------------

    def keys_now(self) -> list[Key]:
        """The keys that would do something now."""
        return [k for k in KEYS if not refusal(k, self._snapshot, bool(self._connected))]

    def _wish(self, key_id: str, wish: Wish) -> None:
        key = next(k for k in KEYS if k.id == key_id)
        why = refusal(key, self._snapshot, bool(self._connected))
        if not why and self._feed.wish(wish) is False:
            why = NO_ENGINE
        if why:
            self._say(why)
        self.draw()

    def action_ask_next(self) -> None:
        """Ask for the next part."""
        self._wish("next", Wish("next"))

    def action_ask_back(self) -> None:
        """Withdraw that."""
        self._wish("back", Wish("back"))

    def action_ask_send(self) -> None:
        """Turn sending on or off."""
        sending = self._snapshot is not None and self._snapshot.sending
        self._wish("send", Wish("disarm" if sending else "arm"))

    def action_ask_align(self) -> None:
        """The one of a phrase is now."""
        self._wish("align", Wish("align", "phrase"))

    def action_ask_restart(self) -> None:
        """The part starts now."""
        self._wish("restart", Wish("align"))

    def action_ask_confirm(self) -> None:
        """The count is right."""
        self._wish("confirm", Wish("confirm"))

    def action_help(self) -> None:
        """Show keys and cautions."""
        self.push_screen(Help())

    def action_leave(self) -> None:
        """Ask whether the engine goes on, then close."""

        def answered(answer: str | None) -> None:
            if answer:
                self.exit(answer)

        self.push_screen(Leave(), answered)


_REGIONS = (
    "alarms",
    "countdown",
    "above-action",
    "action",
    "above-agenda",
    "agenda",
    "tracks",
    "quiet",
)


def make_app(
    feed: Feed,
    *,
    calm: bool = False,
    light: bool = False,
    now_ns: Callable[[], int] = time.monotonic_ns,
) -> StageApp:
    """The stage app on `feed`.

    `calm` takes out all pulsing, `light` is for daylight, `now_ns` is the clock that snapshots
    are stamped by. `run()` returns "keep" or "stop": what the performer chose for the engine.
    """
    return StageApp(feed, calm=calm, light=light, now_ns=now_ns)
