"""What an engine did, as a row of events. Pure: no port, clock, file or thread.

The engine puts down (`Notes`), in the order of time, what arrived and, whenever more happened than
a plain tick, one immutable look at the follower (`Moment`), wishes, sends and troubles. `Story`
makes the events of a take from that, on another thread, so that whoever follows a clock pays
nothing for them: parts and boundaries, tempo and jitter bar by bar, cues as they fall due, mutes
from the note or the silence that showed them, doubts and faults.

Every event has a number of its own; one that comes again under the same number replaces the first.
A take's own ticks count the clocks while the instrument plays, from the first of the take, through
stops and starts. Times are ns of one monotonic clock.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import sqrt
from typing import Any

from companion.counting import Pattern
from companion.follow.conductor import Send, Standing, Stretch
from companion.follow.follower import Follower, MuteSend, Sends
from companion.follow.notes import TrackState, occasions
from companion.follow.presses import parse
from companion.follow.transport import State
from companion.midi import CLOCK
from companion.setlist import Action, Kind, Layer, Part, SetList, WhenKind, cue_ticks
from companion.wishes import Ask, Wish

_PLAYS = frozenset((State.RUNNING, State.LOST))
_MUTES = (Action.MUTE, Action.UNMUTE)
# A tick that lies so many standard deviations behind the line of its bar was held up on its way and
# says nothing about the tempo: of a thousand that were not, fewer than one does.
HELD_UP = 3.5
# A part whose change did not leave after all is taken back within so many ticks.
TAKEN_BACK = 6
# A step that plays less often than this says little by its silence.
EXPECTED = 0.5

# What arrived: when, on which port, the message, and the count of the clock after it.
Arrival = tuple[int, str, Sequence[int], int]


@dataclass(frozen=True, slots=True)
class Moment:
    """One look at a follower at `t_ns`, taken whenever more happened than a plain tick.

    `clock` is the count of the clock then, -1 before the first after a start; `start` is that at
    which the running part began, None while that is not known. `muted` is what is known of the
    mutes of its tracks.
    """

    t_ns: int
    standing: Standing
    stretch: Stretch
    clock: int
    start: int | None
    fill: bool
    muted: Mapping[str, TrackState]


@dataclass(frozen=True, slots=True)
class Wished:
    """A wish, and whether anything came of it."""

    t_ns: int
    wish: Wish
    taken: bool


@dataclass(frozen=True, slots=True)
class SendDue:
    """A send that the follower returned at `tick` of the running part."""

    send: Send | MuteSend
    tick: int

    @property
    def at(self) -> int:
        """The tick that it is for: its boundary, or the cue of a mute."""
        return max(self.tick, 0) + self.send.ticks_left


@dataclass(frozen=True, slots=True)
class Left:
    """A send that left at `t_ns`, or did not and `why`."""

    t_ns: int
    send: Send | MuteSend
    why: str = ""


@dataclass(frozen=True, slots=True)
class Troubles:
    """All that is not in order at `t_ns`, in sentences."""

    t_ns: int
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Adopted:
    """Another version of the set list is played from here on."""

    setlist: SetList


Happening = Arrival | Moment | Wished | SendDue | Left | Troubles | Adopted


# What waits while a disk does not answer: an hour of clocks. Beyond that the oldest is lost.
MOST_WAITING = 1 << 17


class Notes:
    """What is put down while a follower follows, in the order of time: `items`.

    Each call only appends, and waits for nobody. One caller at a time; who takes items away may be
    another.
    """

    def __init__(self) -> None:
        self.items: deque[Happening] = deque(maxlen=MOST_WAITING)
        # Puts down a message that the follower has just taken in, after what came of it (`look`).
        self.heard: Callable[[Arrival], None] = self.items.append
        self._count = -1

    def look(self, follower: Follower, t_ns: int) -> None:
        """Put down where the follower stands, if more happened than plain ticks."""
        conductor = follower.conductor
        wished = follower.wished
        if conductor.count == self._count and not wished:
            return
        self._count = conductor.count
        held = conductor.situation
        moment = Moment(
            t_ns,
            conductor.standing(),
            held.stretches[-1],
            conductor.ticks.ticks,
            held.plan.start,
            follower.fill,
            dict(follower.heard),
        )
        self.items.append(moment)
        while wished:
            self.items.append(Wished(*wished.popleft()))

    def due(self, follower: Follower, sends: Sends, t_ns: int) -> None:
        """Put down what the follower has just returned."""
        self.look(follower, t_ns)
        self.items.extend(SendDue(send, follower.conductor.tick) for send in sends)

    def left(self, send: Send | MuteSend, t_ns: int, why: str = "") -> None:
        """Put down that a send has left, or that it has not and `why`."""
        self.items.append(Left(t_ns, send, why))

    def troubles(self, texts: Sequence[str], t_ns: int) -> None:
        """Put down all that is not in order."""
        self.items.append(Troubles(t_ns, tuple(texts)))

    def adopt(self, setlist: SetList) -> None:
        """Put down that another version of the set list is played from here on."""
        self.items.append(Adopted(setlist))


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened. `kind` "" takes back the event of that `number`.

    `clock` counts the take's own ticks, `tick` those of part `part`. `body` is plain JSON values.
    """

    number: int
    at_ns: int
    clock: int
    part: int
    tick: int
    kind: str
    body: Mapping[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class _Ear:
    """The notes of one track of the running part or of a layer, whose count is `ahead` of the
    part's: tick and time of the latest, and of the first since the track was last found muted; what
    is known of its mute.
    """

    track: str
    pattern: Pattern
    ahead: int = 0
    carried_passes: int = 0
    last: tuple[int, int] | None = None
    first: tuple[int, int] | None = None
    muted: bool | None = None


class Story:
    """Makes the events of one take. One caller at a time.

    `played` says how far the take has come in its own ticks; `parts` are the numbers of those that
    were played, in the order of their first time.
    """

    def __init__(self, setlist: SetList, *, listens: bool = True) -> None:
        """`listens` says that what instruments play is heard; in a rehearsal nothing of it is."""
        self._setlist = setlist
        self._listens = listens
        self._number = 0
        self._state = State.WAITING
        self._standing: Standing | None = None
        self._stretch: Stretch | None = None
        # The count at which the running part began.
        self._start: int | None = None
        # The take's own tick at count 0, None before the first; the latest count, and when it came.
        self._base: int | None = None
        self._last, self._last_ns, self._period_ns = -1, 0, 0.0
        self._bar: list[tuple[int, int]] = []
        self._bar_tick = 0
        self._next_cue: float = -1
        self._cued = -1
        self._ears: dict[str, _Ear] = {}
        self._by_note: dict[tuple[int | None, int], str] = {}
        # Notes since the latest clock: one that overtakes it belongs to the next part.
        self._fresh: list[tuple[int, int, int]] = []
        self._fill = False
        self._doubt: Event | None = None
        self._troubles: tuple[str, ...] = ()
        self._due: list[SendDue] = []
        # Parts that began, when by the take's own ticks, and with what events, so that one may be
        # taken back.
        self._begun: list[tuple[Stretch, int, list[Event]]] = []
        # The tick at which the running part was entered.
        self._first = 0
        self._closing: list[Event] = []
        self.parts: list[int] = []

    @property
    def played(self) -> int:
        """How many ticks of its own the take has by now."""
        return max(self._clock + 1, 0)

    @property
    def plays(self) -> bool:
        """Whether the instrument plays, or did when its clock was lost."""
        return self._state in _PLAYS

    def hear(self, item: Happening) -> list[Event]:
        """Take in what comes next. Returns the events that this makes."""
        if isinstance(item, tuple):
            return self._arrived(*item)
        return list(self._other(item))

    def close(self, t_ns: int) -> list[Event]:
        """The take ends."""
        events = [] if self._doubt is None else [self._undoubted(t_ns)]
        if self._state in _PLAYS:
            events += self._ended(t_ns)
            events.append(self._event(t_ns, "stop"))
        return events

    # -- what arrives ------------------------------------------------------------------------

    def _arrived(self, t_ns: int, port: str, message: Sequence[int], count: int) -> list[Event]:
        if self._state not in _PLAYS:
            return []
        events: list[Event] = []
        status = message[0]
        if count < 0 and self._last >= 0:
            self._begin_count()
        elif status == CLOCK and count != self._last and count >= 0:
            events = self._ticked(t_ns, count)
        elif status & 0xE0 == 0x80:
            self._note(t_ns, message)
        return events

    def _begin_count(self) -> None:
        """The next clock is number 0 again."""
        if self._base is not None:
            self._base += self._last + 1
        self._last, self._bar = -1, []

    def _ticked(self, t_ns: int, count: int) -> list[Event]:
        if self._base is None:
            self._base = -count
        before, before_ns, self._last, self._last_ns = self._last, self._last_ns, count, t_ns
        self._fresh.clear()
        if 0 <= before < count and not self._period_ns:
            self._period_ns = (t_ns - before_ns) / (count - before)
        if self._start is None:
            return []
        tick = count - self._start
        if tick < 0 or self._standing is None:
            return []
        pattern = self._standing.part.pattern
        events = []
        bar_ticks = pattern.meter.bar_ticks
        first = tick - tick % bar_ticks
        if first != self._bar_tick or not self._bar:
            events = self._barred()
            self._bar, self._bar_tick = [], first
        self._bar.append((count, t_ns))
        if tick >= self._next_cue:
            events += self._cues(tick, t_ns)
        return events

    def _barred(self) -> list[Event]:
        """The tempo and jitter of the bar that is over, if it was heard whole."""
        points, standing = self._bar, self._standing
        if standing is None or self._start is None or self._base is None:
            return []
        bar_ticks = standing.part.pattern.meter.bar_ticks
        if len(points) < max(3, 3 * bar_ticks // 4):
            return []
        at_ns, period_ns, jitter_ns = line(points)
        self._period_ns = period_ns
        first = self._bar_tick + self._start
        begun_ns = round(at_ns + (first - points[0][0]) * period_ns)
        body = {"bpm": round(60e9 / (24 * period_ns), 4), "jitter_ms": round(jitter_ns / 1e6, 4)}
        return [self._at(begun_ns, self._bar_tick, "bar", body)]

    def _note(self, t_ns: int, message: Sequence[int]) -> None:
        heard = parse(message)
        if heard is None or heard.kind is not Kind.NOTE or not heard.on:
            return
        self._fresh.append((t_ns, heard.channel, heard.number))
        self._sounded(t_ns, self._tick, heard.channel, heard.number)

    def _sounded(self, t_ns: int, tick: int, channel: int, number: int) -> None:
        track = self._by_note.get((channel, number)) or self._by_note.get((None, number))
        if track is None:
            return
        ear = self._ears[track]
        ear.last = tick, t_ns
        ear.first = ear.first or ear.last

    # -- what else happens -------------------------------------------------------------------

    def _other(self, item: Happening) -> Iterator[Event]:
        match item:
            case Moment():
                yield from self._looked(item)
            case Wished():
                said = {"wish": str(item.wish), "taken": item.taken}
                yield self._event(item.t_ns, "wish", said)
                if item.wish.ask is Ask.MARK:
                    yield self._event(item.t_ns, "mark")
            case SendDue():
                self._due = [*self._due[-63:], item]
            case Left():
                yield from self._gone(item)
            case Troubles():
                for text in item.texts:
                    if text not in self._troubles:
                        yield self._event(item.t_ns, "fault", {"text": text})
                self._troubles = item.texts
            case Adopted():
                self._setlist = item.setlist
                self._listen()

    def _gone(self, left: Left) -> Iterator[Event]:
        due = next((each for each in self._due if each.send is left.send), None)
        tick = self._tick if due is None else max(due.tick, self._tick)
        said: dict[str, Any] = {
            "instrument": left.send.instrument,
            "bytes": b"".join(left.send.messages).hex(),
            "due_tick": tick + left.send.ticks_left if due is None else due.at,
        }
        if left.why:
            yield self._at(left.t_ns, tick, "fault", {"text": left.why, **said})
            return
        if isinstance(left.send, MuteSend):
            order = left.send.order
            said |= {"track": self._called(order.instrument, order.send.track)}
            said |= {"muted": order.muted}
        yield self._at(left.t_ns, tick, "sent", said)

    def _called(self, instrument: str, track: str) -> str:
        """The track as cues call it."""
        layers = () if self._standing is None else self._standing.part.layers
        found = (each.called(track) for each in layers if each.instrument == instrument)
        return next(found, track)

    def _looked(self, moment: Moment) -> Iterator[Event]:
        t_ns, standing, stretch = moment.t_ns, moment.standing, moment.stretch
        was, plays = self._state in _PLAYS, standing.state in _PLAYS
        before = self._stretch
        anew = was and before is not None and stretch.begun != before.begun
        # The clock went on: our own instrument was put there, or a person said where it stands.
        placed = anew and moment.clock >= self._last >= 0
        if was and not plays:
            yield from self._ended(t_ns)
            yield self._event(t_ns, "stop")
            self._begin_count()
        elif placed and self._start is not None:
            yield from self._bounded(t_ns, moment.clock - self._start)
        elif anew:
            # Started anew while it played: what was played so far ends here.
            yield from self._ended(t_ns)
            self._begin_count()
        elif was and before is not None and stretch != before:
            yield from self._bounded(t_ns, stretch.start - before.start)
        self._state, self._standing = standing.state, standing
        if self._start != moment.start:
            self._start, self._bar = moment.start, []
        if plays and (not was or stretch != before):
            goes_on = bool(self._begun) and self._begun[-1][0] == stretch
            started = not was or (anew and not placed)
            if started and standing.state is State.RUNNING:
                said = {"continue": True} if goes_on else {}
                yield self._at(t_ns, self._next_tick, "start", said)
            if not goes_on:
                yield from self._entered(moment, placed=placed)
        self._stretch = stretch
        self._next_cue = self._cue_after(self._cued)
        if plays:
            if not self._fresh_start:
                yield from self._cues(self._tick, self._last_ns)
            yield from self._muted(moment)
        if moment.fill != self._fill:
            self._fill = moment.fill
            told = any(each.tells.fill for each in self._setlist.instruments.values())
            by = "told" if told else "wish"
            yield self._event(t_ns, "fill", {"held": moment.fill, "by": by})
        yield from self._doubted(t_ns, standing)

    # -- parts -------------------------------------------------------------------------------

    def _entered(self, moment: Moment, *, placed: bool) -> Iterator[Event]:
        begun, t_ns, stretch, part = self._begun, moment.t_ns, moment.stretch, moment.standing.part
        self._stretch = stretch
        if len(begun) > 1 and begun[-2][0] == stretch and self._clock - begun[-1][1] <= TAKEN_BACK:
            # A change that was to leave on the boundary did not: the part before goes on.
            for each in begun.pop()[2]:
                yield Event(each.number, each.at_ns, each.clock, each.part, each.tick, "")
            self._listen()
            return
        pattern = part.pattern
        tick = 0 if self._start is None else max(max(moment.clock, 0) - self._start, 0)
        self._first = tick
        said: dict[str, Any] = {
            "name": part.name,
            "song": self._setlist.songs[part.song].title,
            "planned_ticks": self._from_here(part.planned_ticks),
            "step_ticks": pattern.step_ticks,
            "beat_ticks": pattern.meter.beat_ticks,
            "bar_ticks": pattern.meter.bar_ticks,
            "pass_ticks": pattern.pass_ticks,
            "phrase_ticks": pattern.phrase_ticks,
        }
        if part.layers:
            said["layers"] = [
                {"pattern": each.pattern.name, "on": each.instrument, "tick": ticks + tick}
                for each, ticks in zip(part.layers, stretch.layers, strict=True)
            ]
        if placed:
            said["placed"] = True
        if part.number not in self.parts:
            self.parts.append(part.number)
        event = self._at(t_ns, tick, "part", said)
        self._cued = tick - 1
        self._begun = [*begun[-3:], (stretch, self._clock, [*self._closing, event])]
        self._closing = []
        self._listen()
        for when_ns, channel, number in self._fresh:
            self._sounded(when_ns, 0, channel, number)
        yield event

    def _from_here(self, planned: int | None) -> int | None:
        """What of a planned length is left where the running part was entered."""
        return None if planned is None else max(planned - self._first, 0)

    def _ended(self, t_ns: int) -> Iterator[Event]:
        """What plays ends here, in the middle of its part or not."""
        standing = self._standing
        if standing is not None and len(self._bar) >= standing.part.pattern.meter.bar_ticks:
            yield from self._barred()
        self._bar = []

    def _bounded(self, t_ns: int, length: int) -> Iterator[Event]:
        """The running part has ended `length` ticks after its top, and another has begun."""
        standing = self._standing
        self._closing = []
        if standing is None:
            return
        yield from self._barred()
        self._bar = []
        if length <= 0:
            # Back to the part before, or elsewhere by a jump.
            return
        planned = self._from_here(standing.part.planned_ticks)
        for event in self._cues_at_end(length, t_ns):
            self._closing.append(event)
        said = {"planned_ticks": planned, "played_ticks": max(length - self._first, 0)}
        self._closing.append(self._at(t_ns, length, "boundary", said))
        yield from self._closing

    # -- cues --------------------------------------------------------------------------------

    def _cue_after(self, tick: int) -> float:
        """The tick of the first cue of the running part after `tick`."""
        standing = self._standing
        if standing is None or self._start is None or self._state not in _PLAYS:
            return float("inf")
        part, end = standing.part, standing.planned_end
        most = tick + 1 + 64 * part.pattern.phrase_ticks
        found = (
            next(cue_ticks(cue.when, part.pattern, end, tick + 1, most), None) for cue in part.cues
        )
        return min((each for each in found if each is not None), default=float(most))

    def _cues(self, tick: int, t_ns: int) -> list[Event]:
        """The cues that have fallen due by `tick`."""
        standing = self._standing
        events: list[Event] = []
        if standing is None or self._start is None or tick <= self._cued:
            return events
        part, end = standing.part, standing.planned_end
        if tick >= self._next_cue:
            due = [
                (at, order)
                for order, cue in enumerate(part.cues)
                for at in cue_ticks(cue.when, part.pattern, end, self._cued + 1, tick + 1)
            ]
            events = [self._cue(part, order, at, t_ns, tick) for at, order in sorted(due)]
        self._cued = tick
        self._next_cue = self._cue_after(tick)
        return events

    def _cues_at_end(self, length: int, t_ns: int) -> list[Event]:
        """Those between the latest tick and the end; at the end itself only what is due there."""
        standing = self._standing
        assert standing is not None
        part = standing.part
        due = [
            (at, order)
            for order, cue in enumerate(part.cues)
            for at in cue_ticks(cue.when, part.pattern, length, self._cued + 1, length + 1)
            if at < length or cue.when.kind is WhenKind.END
        ]
        return [self._cue(part, order, at, t_ns, length) for at, order in sorted(due)]

    def _cue(self, part: Part, order: int, at: int, t_ns: int, tick: int) -> Event:
        cue = part.cues[order]
        said: dict[str, Any] = {"do": cue.action.value, "tracks": list(cue.tracks)}
        if cue.text:
            said["text"] = cue.text
        if cue.action in _MUTES:
            said["heard"] = self._listens and all(track in self._ears for track in cue.tracks)
        return self._at(round(t_ns - (tick - at) * self._period_ns), at, "cue", said)

    # -- mutes -------------------------------------------------------------------------------

    def _listen(self) -> None:
        """Tell the notes of the running part by its tracks."""
        standing = self._standing
        self._ears, self._by_note = {}, {}
        if standing is None:
            return
        part, stretch = standing.part, self._stretch
        ahead = (0,) * len(part.layers) if stretch is None else stretch.layers
        played: list[tuple[Part | Layer, int]] = [(part, 0), *zip(part.layers, ahead, strict=True)]
        for what, ticks in played:
            carried = standing.carried_passes if what is part else 0
            notes = self._setlist.notes_of(what)
            own = self._setlist.instruments.get(what.instrument or "")
            told = () if own is None else own.tells.mutes
            for track in (*notes, *(each.track for each in told)):
                name = what.called(track) if isinstance(what, Layer) else track
                self._ears.setdefault(name, _Ear(track, what.pattern, ticks, carried))
                if track in notes:
                    key = notes[track]
                    self._by_note.setdefault((key.channel, key.number), name)

    def _muted(self, moment: Moment) -> Iterator[Event]:
        """What was found of mutes, from when it could be heard."""
        for track, state in moment.muted.items():
            ear = self._ears.setdefault(track, _Ear(track, moment.standing.part.pattern))
            if state.muted is None or state.muted is ear.muted:
                continue
            said = {"track": track, "muted": state.muted, "by": "told" if state.told else "heard"}
            if ear.muted is None:
                said["first"] = True
            ear.muted = state.muted
            if state.told:
                yield self._event(moment.t_ns, "mute", said)
                continue
            tick, at_ns = self._tick, moment.t_ns
            if state.muted:
                tick = self._silent_from(ear, tick)
                at_ns = round(self._last_ns - (self._tick - tick) * self._period_ns)
                ear.first = None
            elif ear.first is not None:
                tick, at_ns = ear.first
            yield self._at(at_ns, tick, "mute", said)

    def _silent_from(self, ear: _Ear, tick: int) -> int:
        """The tick at which the track should have sounded first and did not, `tick` at most."""
        first = 0 if ear.last is None else ear.last[0] + 2
        for each in occasions(ear.pattern, first + ear.ahead, tick + ear.ahead, ear.carried_passes):
            rule = each.step.rule
            if (
                each.track == ear.track
                and not rule.impossible
                and all(cycle.holds(each.pass_number) for cycle in rule.cycles)
                and rule.first in (None, each.in_first)
                and rule.fill in (None, self._fill)
                and not rule.conditions
                and rule.chance >= EXPECTED
            ):
                return each.tick - ear.ahead
        return tick

    # -- doubts ------------------------------------------------------------------------------

    def _doubted(self, t_ns: int, standing: Standing) -> Iterator[Event]:
        counts = standing.state not in (State.WAITING, State.READY)
        why = standing.doubt if counts else ""
        if self._doubt is not None and self._doubt.body["why"] != why:
            yield self._undoubted(t_ns)
        if why and self._doubt is None:
            self._doubt = self._event(t_ns, "doubt", {"why": why, "seconds": None})
            yield self._doubt

    def _undoubted(self, t_ns: int) -> Event:
        doubt = self._doubt
        assert doubt is not None
        self._doubt = None
        said = {**doubt.body, "seconds": round((t_ns - doubt.at_ns) / 1e9, 3)}
        return Event(
            doubt.number, doubt.at_ns, doubt.clock, doubt.part, doubt.tick, doubt.kind, said
        )

    # -- where we are ------------------------------------------------------------------------

    @property
    def _tick(self) -> int:
        """The latest tick of the running part, 0 before its first or where that is not known."""
        if self._start is None:
            return 0
        return max(self._last - self._start, 0)

    @property
    def _fresh_start(self) -> bool:
        """Whether the running part's first tick has not come yet."""
        return self._start is None or self._last < self._start

    @property
    def _next_tick(self) -> int:
        """The tick of the running part that the next clock is."""
        return 0 if self._start is None else max(self._last + 1 - self._start, 0)

    @property
    def _clock(self) -> int:
        return -1 if self._base is None else self._base + self._last

    def _event(self, at_ns: int, kind: str, body: Mapping[str, Any] | None = None) -> Event:
        """Something that happens now."""
        part = 1 if self._standing is None else self._standing.part.number
        self._number += 1
        return Event(self._number, at_ns, max(self._clock, 0), part, self._tick, kind, body or {})

    def _at(self, at_ns: int, tick: int, kind: str, body: Mapping[str, Any]) -> Event:
        """Something at `tick` of the running part."""
        part = 1 if self._standing is None else self._standing.part.number
        self._number += 1
        start = self._last + 1 if self._start is None else self._start
        clock = 0 if self._base is None else max(self._base + start + tick, 0)
        return Event(self._number, at_ns, clock, part, tick, kind, body)


def line(points: Sequence[tuple[int, int]]) -> tuple[float, float, float]:
    """The straight line through (count, time in ns): time at the first, period and jitter in ns.

    The variance of the period is 12 s^2 / (N (N^2 - 1)) for N ticks in a row (the Cramer-Rao bound
    for a line in white noise; Kay 1993). Ticks that were held up are left out.
    """
    kept = list(points)
    for _ in range(4):
        n = len(kept)
        first, first_ns = kept[0]
        x = [count - first for count, _ in kept]
        y = [t_ns - first_ns for _, t_ns in kept]
        mean_x, mean_y = sum(x) / n, sum(y) / n
        spread = sum((each - mean_x) ** 2 for each in x)
        slope = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / spread
        off = [b - mean_y - slope * (a - mean_x) for a, b in zip(x, y, strict=True)]
        jitter = sqrt(sum(each * each for each in off) / max(n - 2, 1))
        # The median of what is off, either way, stays where it is whatever a few are.
        usual = 1.4826 * sorted(map(abs, off))[n // 2]
        most = HELD_UP * usual or max(off)
        good = [p for p, each in zip(kept, off, strict=True) if each <= most]
        if len(good) == n or len(good) < 3:
            break
        kept = good
    at_first = mean_y - slope * mean_x + first_ns + slope * (points[0][0] - first)
    return at_first, slope, jitter
