"""Whether the instruments took the changes that were sent to them, part after part. Pure.

Between the conductor and `obeyed`, which weighs one change. An instrument that did not is a doubt:
nobody knows any more whether it plays the part that is counted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from companion.follow.arrivals import Announced
from companion.follow.conductor import Conductor, Send
from companion.follow.noted import Noted, noted
from companion.follow.obeyed import ObeyedWatch, Side, Verdict
from companion.follow.taken import Matches
from companion.follow.timeline import Stretch
from companion.follow.transport import State
from companion.setlist.controls import Kind
from companion.setlist.model import Part, SetList


class Obeying:
    """Watches the first pass after each change that was sent. One caller at a time."""

    def __init__(self, setlist: SetList, matches: Matches) -> None:
        self._setlist = setlist
        self._matches = matches
        # What was sent for the boundary ahead: (instrument, number of the part).
        self._sent: set[tuple[str, int]] = set()
        # The instrument that said it stays where it is, though it was told to go on.
        self._stays = ""
        self._stretch: Stretch | None = None
        self._tick = -1
        self._watch: ObeyedWatch | None = None
        # The tick at which the first pass is over, and its last notes are in.
        self._until = 0
        self._programs: tuple[int, int] | None = None
        self._latest: list[Noted] = []
        self._ignored = ""

    def trouble(self, conductor: Conductor) -> str:
        """A sentence on an instrument that did not take its change, "" if all is well."""
        return "" if conductor.sure or conductor.stretch is not self._stretch else self._ignored

    def sent(self, send: Send) -> None:
        """Take note of a program change that has left."""
        self._sent.add((send.change.instrument, send.part))

    def announced(self, announced: Announced, conductor: Conductor) -> bool:
        """Take an instrument's word, no echo of ours; whether it is that it did not change."""
        watch = self._watch
        if watch is None or announced.instrument != conductor.part.instrument:
            return False
        if self._programs is None or announced.program != self._programs[0]:
            return False
        if watch.verdict is Verdict.OBEYED:
            return False
        watch.announced(announced.program)
        self._blame(conductor)
        return True

    def stays(self, announced: Announced, conductor: Conductor) -> None:
        """An instrument that was told to go on says that it is where it was."""
        self._stays = announced.instrument
        shown = self._setlist.instruments[announced.instrument].shown(announced.program)
        conductor.notice = f"{announced.instrument} says that it stays on program {shown}"
        conductor.count += 1

    def hear(self, port: str, message: Sequence[int], conductor: Conductor) -> None:
        """Take one channel message that arrived on `port`."""
        heard = noted(message)
        if heard is None or heard.kind is not Kind.NOTE or not heard.on:
            return
        instrument = self._setlist.instruments.get(conductor.part.instrument or "")
        if instrument is None:
            return
        if instrument.port is None or self._matches(instrument.port, port):
            self._latest.append(heard)
            if self._watch is not None:
                self._watch.heard(conductor.tick, heard.channel, heard.number)

    def ticked(self, conductor: Conductor, muted: Mapping[str, bool], fill: bool | None) -> None:
        """Tell that `conductor` may have counted a tick; `muted` is what is known of mutes."""
        stretch, tick = conductor.stretch, conductor.tick
        if stretch is not self._stretch:
            self._begin(conductor, muted, fill)
        elif tick == self._tick:
            return
        before, self._tick = self._tick, tick
        self._latest.clear()
        watch = self._watch
        if watch is None:
            return
        if not conductor.sure or conductor.state is not State.RUNNING:
            self._watch = None
            return
        undecided = watch.verdict is Verdict.OPEN
        if tick >= self._until and (not undecided or tick > before + 1):
            self._watch = None
        elif undecided and watch.passed(tick) is Verdict.IGNORED:
            self._blame(conductor)

    # -- inside ------------------------------------------------------------------------------

    def _begin(self, conductor: Conductor, muted: Mapping[str, bool], fill: bool | None) -> None:
        before, last = self._stretch, self._tick
        part, stretch = conductor.part, conductor.stretch
        self._stretch, self._watch, self._ignored, self._programs = stretch, None, "", None
        name = part.instrument or ""
        was_sent, self._sent = (name, part.number) in self._sent, set()
        stayed, self._stays = self._stays == name != "", ""
        if not (was_sent and conductor.sure and conductor.tick == 0 and before is not None):
            return
        if stretch.start != before.start + last + 1:
            return
        old = self._setlist.parts[before.part_index]
        if old.instrument != part.instrument:
            # What it played before, nobody wrote down.
            return
        programs = _program(old), _program(part)
        if None not in programs and programs[0] == programs[1]:
            return
        if programs[0] is not None and programs[1] is not None:
            self._programs = programs[0], programs[1]
        if stayed:
            self._blame(conductor)
            return
        watch = self._watch = self._watch_of(old, part, before, last + 1, muted, fill)
        for heard in self._latest:
            # What overtook the clock belongs here.
            watch.heard(0, heard.channel, heard.number)

    def _watch_of(
        self,
        old: Part,
        part: Part,
        before: Stretch,
        end: int,
        muted: Mapping[str, bool],
        fill: bool | None,
    ) -> ObeyedWatch:
        assert self._stretch is not None
        self._until = max(old.pattern.pass_ticks, part.pattern.pass_ticks) + part.pattern.step_ticks
        return ObeyedWatch(
            Side(
                old.pattern,
                self._setlist.notes_of(old),
                end,
                before.carried_passes,
                _program(old),
                muted,
            ),
            Side(
                part.pattern,
                self._setlist.notes_of(part),
                0,
                self._stretch.carried_passes,
                _program(part),
            ),
            fill=fill,
        )

    def _blame(self, conductor: Conductor) -> None:
        part = conductor.part
        assert part.instrument is not None
        program = _program(part)
        instrument = self._setlist.instruments[part.instrument]
        what = "the change" if program is None else f"program {instrument.shown(program)}"
        self._ignored = f"{part.instrument} did not take {what} and plays on as before"
        self._watch = None
        conductor.suspect(self._ignored)
        conductor.notice = f"{self._ignored}: change it by hand, then say that the count is right"


def _program(part: Part) -> int | None:
    """The wire program of the part's own instrument."""
    own = (change.program for change in part.changes if change.instrument == part.instrument)
    return next(own, None)
