"""Which tracks of the running part are muted, as its instrument tells or its notes show. Pure.

Between the conductor, who knows which part and tick it is, and `mutes`, which weighs the notes of
one part. What screens say of it is elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from companion.follow.agenda import planned_mutes
from companion.follow.conductor import Conductor
from companion.follow.mutes import MuteWatch, TrackState
from companion.follow.noted import Noted, noted
from companion.follow.taken import Matches
from companion.follow.tellings import told_by
from companion.follow.timeline import Stretch
from companion.follow.transport import State
from companion.setlist.controls import Kind
from companion.setlist.model import Action, Instrument, Part, SetList

NOBODY: Mapping[str, TrackState] = {}


class HeardMutes:
    """Listens for the mutes of one set, part by part. Not thread-safe: one caller at a time.

    `matches` tells whether a glob fits a port's name. `states` is what is known of each track of
    the running part, `found` the tick at which that was last found to have changed.
    """

    def __init__(self, setlist: SetList, matches: Matches) -> None:
        self._setlist = setlist
        self._matches = matches
        self._notes = {part.number: setlist.notes_of(part) for part in setlist.parts}
        # What an instrument itself said of its tracks, and whether it ever sent a note of them.
        self._told: dict[str, dict[str, bool]] = {}
        self._sends_notes: set[str] = set()
        self._watch: MuteWatch | None = None
        self._stretch: Stretch | None = None
        self._part: Part | None = None
        self._planned: frozenset[str] = frozenset()
        self._plans = False
        self._tick = -1
        self._feeds = False
        self._fill: bool | None = None
        # Notes since the latest tick: one that overtakes the clock belongs to the next part.
        self._latest: list[Noted] = []
        self.found: dict[str, int] = {}

    @property
    def states(self) -> Mapping[str, TrackState]:
        """What is known of every track of the running part; empty where nothing can be heard."""
        return NOBODY if self._watch is None else self._watch.states()

    @property
    def muted(self) -> dict[str, bool]:
        """The tracks of which it is known whether they are muted."""
        return {name: s.muted for name, s in self.states.items() if s.muted is not None}

    def take_over(self, before: HeardMutes) -> None:
        """Know what instruments said while `before` listened, for another version of the set."""
        self._told = before._told
        self._sends_notes = before._sends_notes
        if before._watch is not None and before._watch.hears and before._part is not None:
            self._sends_notes.add(before._part.instrument or "")

    def hear(self, port: str, message: Sequence[int], conductor: Conductor) -> None:
        """Take one channel message that arrived on `port`."""
        watch, part = self._watch, self._part
        if watch is None or part is None or part is not conductor.part:
            return
        instrument = self._setlist.instruments.get(part.instrument or "")
        if instrument is not None and not self._is_on(instrument, port):
            return
        if instrument is not None and instrument.tells.mutes:
            self._hear_told(instrument, message, conductor)
        heard = noted(message)
        if heard is None or heard.kind is not Kind.NOTE or not heard.on:
            return
        self._latest.append(heard)
        if self._feeds:
            watch.heard(max(conductor.tick, 0), heard.channel, heard.number)

    def ticked(self, conductor: Conductor, fill: bool | None) -> None:
        """Tell that `conductor` may have counted a tick.

        `fill` says whether a fill is held, None if nobody can tell.
        """
        stretch, tick = conductor.stretch, conductor.tick
        if stretch is not self._stretch:
            self._begin(conductor, fill)
        elif tick == self._tick:
            return
        watch, part = self._watch, self._part
        self._tick = tick
        if watch is None or part is None:
            return
        feeds = conductor.sure and conductor.state is State.RUNNING and tick >= 0
        if not feeds:
            self._feeds = False
            self._latest.clear()
            return
        if not self._feeds:
            self._feeds = True
            watch.moved(tick)
            self._replay(watch, tick)
        if fill != self._fill:
            self._fill = fill
            watch.hold_fill(tick, fill)
        if self._plans and tick % part.pattern.step_ticks == 0:
            self._follow_plan(watch, part, conductor, tick)
        self._latest.clear()
        for change in watch.passed(tick):
            self.found[change.track] = tick
            conductor.count += 1

    # -- inside ------------------------------------------------------------------------------

    def _begin(self, conductor: Conductor, fill: bool | None) -> None:
        """Another stretch has begun."""
        before = self._watch
        if before is not None and before.hears and self._part is not None:
            self._sends_notes.add(self._part.instrument or "")
        part, stretch = conductor.part, conductor.stretch
        follows_on = self._stretch is not None and conductor.tick == 0
        self._stretch, self._part, self._feeds, self._fill = stretch, part, False, fill
        self.found = {}
        if not follows_on:
            self._latest.clear()
        name = part.instrument or ""
        instrument = self._setlist.instruments.get(name)
        notes = self._notes[part.number]
        if not notes and (instrument is None or not instrument.tells.mutes):
            self._watch = None
            return
        self._watch = watch = MuteWatch(
            part.pattern,
            notes,
            carried_passes=stretch.carried_passes,
            fill=fill,
            hears=name in self._sends_notes,
        )
        tracks = {track.name for track in part.pattern.tracks}
        for track, muted in self._told.get(name, {}).items():
            if track in tracks:
                watch.told(track, muted)
        self._plans = any(cue.action in (Action.MUTE, Action.UNMUTE) for cue in part.cues)
        self._planned = frozenset()

    def _replay(self, watch: MuteWatch, tick: int) -> None:
        if tick == 0:
            for heard in self._latest:
                watch.heard(0, heard.channel, heard.number)

    def _follow_plan(self, watch: MuteWatch, part: Part, conductor: Conductor, tick: int) -> None:
        """Open what the performer means to change now."""
        planned = planned_mutes(part, conductor.planned_end, tick)
        for track in planned ^ self._planned:
            watch.due(track)
        self._planned = planned

    def _hear_told(
        self, instrument: Instrument, message: Sequence[int], conductor: Conductor
    ) -> None:
        assert self._watch is not None
        known = self._watch.states()
        for track, muted in told_by(instrument.tells, message).mutes:
            if track not in known:
                # Of another pattern; what is said of it is kept for then.
                if muted is not None:
                    self._told.setdefault(instrument.name, {})[track] = muted
                continue
            self._watch.told(track, muted)
            now = self._watch.state(track)
            if now.muted is not None and now.told:
                self._told.setdefault(instrument.name, {})[track] = now.muted
            self.found[track] = max(conductor.tick, 0)
            conductor.count += 1

    def _is_on(self, instrument: Instrument, port: str) -> bool:
        return instrument.port is None or self._matches(instrument.port, port)
