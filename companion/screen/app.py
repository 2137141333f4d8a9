"""The stage app: takes snapshots from a feed, draws readings, passes wishes back.

No counting, wording or layout here. `make_app` is what the command line and the tests call.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import ClassVar, Protocol

from textual.app import App, ComposeResult, SystemCommand
from textual.binding import Binding, BindingType
from textual.command import CommandPalette
from textual.events import Resize
from textual.filter import LineFilter
from textual.screen import Screen

from companion.link.messages import LinkError, PatternMap, SetPlan, Snapshot
from companion.screen.asking import Asking
from companion.screen.canvas import Sheet
from companion.screen.dialogs import KEEP, ChoosePart, Help, Leave
from companion.screen.extrapolation import seconds_to_step, spot
from companion.screen.keys import (
    ANYTHING,
    KEY,
    KEYS,
    LOOK_ONLY,
    LOOKING,
    Key,
    KeyProvider,
    KeyRow,
    refusal,
)
from companion.screen.layout import View
from companion.screen.night import Night, read_night
from companion.screen.painting import Painter, scroll_range
from companion.screen.passmap import MapReader, PassMap
from companion.screen.reading import Reader, Reading
from companion.screen.sentences import Alarm, hold_on, sentence
from companion.screen.terminal import end_with_terminal
from companion.screen.theme import DARK, DARK_VARIABLES, LIGHT, PLAIN_LINES
from companion.wishes import Ask, Wish

# What does not fall on a step is at most this late; the eye takes about as long to see it.
FRAME_S = 0.04
# Late enough to be on the right side of the step.
AFTER_STEP_S = 0.001
# By this name the framework knows that it is open.
_PALETTE = "--command-palette"


class Feed(Protocol):
    """Where snapshots come from and wishes go, such as link.client.Client."""

    async def run(
        self,
        on_snapshot: Callable[[Snapshot], None],
        on_state: Callable[[bool], None],
        on_overview: Callable[[SetPlan | PatternMap], None],
    ) -> None:
        """Hand over what the engine says until cancelled; `on_state(False)`: it is gone."""
        ...

    def wish(self, wish: Wish) -> object:
        """Ask something of the engine; False when it cannot be asked."""
        ...


class StageApp(App[str]):
    """The stage screen. Its return value is what becomes of the engine: "keep" or "stop"."""

    CSS_PATH = "stage.tcss"
    TITLE = "companion"
    COMMANDS: ClassVar[set[type[KeyProvider]]] = {KeyProvider}  # type: ignore[assignment]
    BINDINGS: ClassVar[list[BindingType]] = [
        *(key.binding() for key in KEYS if key.key),
        Binding("pagedown", "scroll(10)", show=False),
        Binding("pageup", "scroll(-10)", show=False),
    ]
    ALLOW_SELECT = False

    def __init__(
        self,
        feed: Feed,
        *,
        calm: bool,
        light: bool,
        look_only: bool,
        plain: bool,
        now_ns: Callable[[], int],
        of_day: Callable[[], datetime] | None,
    ) -> None:
        super().__init__()
        self.look_only = look_only
        self._plain = plain
        self._feed = feed
        self._now_ns = now_ns
        self._of_day = of_day
        self._asking = Asking(feed.wish, now_ns)
        self._snapshot: Snapshot | None = None
        self._plan = SetPlan()
        self._map: PatternMap | None = None
        self._reader = Reader(look_only)
        self._map_reader = MapReader()
        self._painter = Painter(calm)
        self._sheet = Sheet()
        # A screen that cannot ask for anything offers no key that would.
        self._offered = LOOKING if look_only else KEYS
        self._keys = KeyRow(self._offered)
        self._view = View.STAGE
        self._scroll = 0
        # None until the engine was heard or missed for the first time: nothing to say yet.
        self._connected: bool | None = None
        self._drawn: tuple[object, ...] = ()
        self.register_theme(DARK)
        self.register_theme(LIGHT)
        self.theme = LIGHT.name if light else DARK.name
        if calm:
            self.animation_level = "none"

    def get_line_filters(self) -> Sequence[LineFilter]:
        """What every drawn line goes through, whichever widget it is from."""
        filters = super().get_line_filters()
        return [*filters, PLAIN_LINES] if self._plain else filters

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """The dark palette, where a theme leaves a colour open."""
        return DARK_VARIABLES

    def get_system_commands(self, screen: Screen[object]) -> Iterator[SystemCommand]:
        """None: the palette offers the screen's own keys only."""
        yield from ()

    def compose(self) -> ComposeResult:
        """All that is drawn, and the keys under it."""
        yield self._sheet
        yield self._keys

    def on_mount(self) -> None:
        """Start listening and drawing."""
        if not self.is_headless:
            end_with_terminal()
        self.run_worker(self._listen())
        self.run_worker(self._keep_drawing())

    def on_resize(self, event: Resize) -> None:
        """Draw anew in the new size."""
        self._drawn = ()
        self.call_after_refresh(self.draw)

    async def _keep_drawing(self) -> None:
        """Draw now and then, and right after each step: then the figures change."""
        while True:
            self.draw()
            await asyncio.sleep(self._patience())

    def _patience(self) -> float:
        step = None
        if self._snapshot is not None:
            step = seconds_to_step(self._snapshot, self._now_ns())
        return FRAME_S if step is None else min(FRAME_S, step + AFTER_STEP_S)

    async def _listen(self) -> None:
        try:
            await self._feed.run(self._take, self._state, self._look)
        except LinkError as error:
            self._asking.say(f"{error}.")
        finally:
            self._connected = False

    def _take(self, snapshot: Snapshot) -> None:
        self._asking.hear(self._snapshot, snapshot)
        first = self._connected is None
        self._snapshot = hold_on(self._snapshot, snapshot)
        self._connected = True
        if isinstance(self.screen, ChoosePart):
            self.screen.hear(snapshot)
        if first:
            self.draw()

    def _look(self, overview: SetPlan | PatternMap) -> None:
        if isinstance(overview, SetPlan):
            self._plan = overview
        else:
            self._map = overview

    def _state(self, connected: bool) -> None:
        self._connected = connected

    # -- drawing -----------------------------------------------------------------------------

    @property
    def stage(self) -> Screen[object]:
        """The screen under whatever is laid over it."""
        return self.screen_stack[0]

    def reading(self) -> Reading:
        """What the screen says now."""
        now = self._now_ns()
        return self._reader.read(self._snapshot or Snapshot(at_ns=now), now, bool(self._connected))

    def draw(self) -> None:
        """Draw what changed since the last time."""
        if not self.is_running or not self.stage.is_mounted or self._connected is None:
            return
        now = self._now_ns()
        reading = self.reading()
        notice = self._asking.notice
        shown = self._shown_beside(reading)
        above = self.screen
        key = (self._view, reading, shown, self._scroll, notice, self.size, above)
        if key == self._drawn and not self._painter.waits:
            return
        self._drawn = key
        width, height = self.size
        # An answer to a key comes first: that is what is looked for, and it is soon gone.
        said = (Alarm("", notice, urgent=False),) if notice else ()
        alarms = (*said, *reading.alarms, *reading.bands)
        if isinstance(above, Help):
            rows, has_keys = self._painter.over(reading, width, height, now), False
            above.leave_free(len(rows))
        elif shown is None:
            rows, has_keys = self._painter.stage(reading, alarms, width, height, now)
        else:
            rows, has_keys = self._painter.view(
                reading, alarms, shown, self._scroll, width, height, now
            )
        self._sheet.show(rows)
        self._keys.display = has_keys
        self._keys.show_working(self.keys_now(settled=True), self._view)

    def _shown_beside(self, reading: Reading) -> Night | PassMap | None:
        """What the view shows under the strip; None on the stage."""
        if self._view is View.STAGE:
            return None
        snapshot = self._snapshot or Snapshot(at_ns=self._now_ns())
        at = spot(snapshot, reading.tick)
        if self._view is View.MAP:
            return self._map_reader.read(self._map, snapshot, at)
        day = None if self._of_day is None else self._of_day()
        return read_night(self._plan, snapshot, at, self._now_ns(), day)

    def say(self, text: str) -> None:
        """Say `text` for a few seconds, as an answer to a key is said."""
        if text:
            self._asking.say(sentence(text))

    # -- keys --------------------------------------------------------------------------------

    def keys_now(self, *, settled: bool = False) -> list[Key]:
        """The keys that would do something now; if `settled`, by what the screen shows."""
        return [key.at(self._snapshot) for key in self._offered if not self._why(key, settled)]

    def _why(self, key: Key, settled: bool = False) -> str:
        """Why `key` would do nothing now, or ""."""
        snapshot = self._snapshot
        if settled and snapshot is not None:
            snapshot = self._reader.settled(snapshot, self._now_ns())
        return refusal(key, snapshot, bool(self._connected), self._view, look_only=self.look_only)

    def _ask(self, key: Key, wish: Wish) -> None:
        """Ask for a wish of `key`, if it would do anything."""
        self._asking.ask(key, wish, self._why(key))
        self.draw()

    def action_ask(self, key_id: str) -> None:
        """Ask the engine for what the key stands for."""
        key = KEY[key_id].at(self._snapshot)
        if key.asks is not None:
            self._ask(key, key.asks)

    def action_put_away(self) -> None:
        """Show the troubles of now no more, until they change."""
        key = KEY["put away"]
        why = self._why(key)
        if why or self._snapshot is None:
            self._asking.say(why)
        else:
            self._reader.put_away(self._snapshot)
        self.draw()

    def action_choose_part(self) -> None:
        """Choose a part, and ask to go there."""
        key, snapshot = KEY["part"], self._snapshot
        why = self._why(key)
        if why or snapshot is None:
            self._asking.say(why)
            self.draw()
            return

        def chosen(number: int | None) -> None:
            if number is not None:
                self._ask(key, Wish(Ask.PART, part=number))

        self.push_screen(ChoosePart(self._plan, snapshot), chosen)

    def action_command_palette(self) -> None:
        """Find something by name, from the stage and the views; a question is answered first."""
        if len(self.screen_stack) == 1:
            self.push_screen(CommandPalette(placeholder=ANYTHING, id=_PALETTE))

    def action_show(self, name: str) -> None:
        """Show a view; the same key again goes back to the stage."""
        view = View[name]
        self._view = View.STAGE if view is self._view else view
        self._scroll = 0
        self.draw()

    def action_scroll(self, by: int) -> None:
        """Move what the view shows on by so many lines, or back."""
        shown = self._shown_beside(self.reading())
        if shown is not None:
            low, high = scroll_range(shown)
            self._scroll = max(low, min(self._scroll + by, high))
            self.draw()

    def action_help(self) -> None:
        """Show keys and cautions."""
        offered = (key for key in self._offered if key.offered(self._snapshot))
        keys = [(key.at(self._snapshot), self._why(key)) for key in offered]
        self.push_screen(Help(self._view, keys, LOOK_ONLY if self.look_only else ""))
        self.draw()

    def action_leave(self) -> None:
        """Ask whether the engine goes on, then close; a screen that only looks just closes."""
        if self.look_only:
            self.exit(KEEP)
            return

        def answered(answer: str | None) -> None:
            if answer:
                self.exit(answer)

        self.push_screen(Leave(), answered)


def make_app(
    feed: Feed,
    *,
    calm: bool = False,
    light: bool = False,
    look_only: bool = False,
    plain: bool = False,
    now_ns: Callable[[], int] = time.monotonic_ns,
    of_day: Callable[[], datetime] | None = None,
) -> StageApp:
    """The stage app on `feed`.

    `calm` takes out all pulsing, `light` is for daylight, `look_only` asks nothing of the engine
    whatever is pressed, `plain` draws in ASCII, `now_ns` is the clock that snapshots are stamped
    by, `of_day` tells the time of day, which is not shown without it. `run()` returns "keep" or
    "stop": what the performer chose for the engine.
    """
    return StageApp(
        feed,
        calm=calm,
        light=light,
        look_only=look_only,
        plain=plain,
        now_ns=now_ns,
        of_day=of_day,
    )
