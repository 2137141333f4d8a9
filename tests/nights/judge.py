"""The judge of a night: holds every message and every program change against what the box did."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

from companion.follow.conductor import Send
from companion.follow.follower import Follower
from companion.follow.transport import State
from companion.setlist.model import SetList, Unit
from tests.nights.box import Box
from tests.nights.line import Arrival

# A quarter of a beat, and the two looks of the watch it may take to see that it has passed.
SILENT_TICKS, LOOKS_NS = 6, 20_000_000
# Song position, start, continue, stop (MIDI 1.0).
MOVES = ((0xF2,), (0xFA,), (0xFB,), (0xFC,))
# A doubt that follows a fault this closely is laid at its door.
CAUSE_NS = 4_000_000_000


@dataclass
class Tally:
    """What came out of one or more nights. Times in seconds."""

    hours: float = 0.0
    ticks: int = 0
    sure_ticks: int = 0
    messages: int = 0
    # The same by kind of night.
    nights: Counter[str] = field(default_factory=Counter)
    nights_sure: Counter[str] = field(default_factory=Counter)
    # Ticks at each kind of jitter, and those of them at which the count was sure.
    jitter: Counter[str] = field(default_factory=Counter)
    jitter_sure: Counter[str] = field(default_factory=Counter)
    faults: Counter[str] = field(default_factory=Counter)
    doubts: Counter[str] = field(default_factory=Counter)
    # How long each doubt lasted that cleared by itself; how many a person had to clear.
    cleared: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    by_person: Counter[str] = field(default_factory=Counter)
    # Ticks that arrived while the count was unsure, by the doubt that was shown.
    unsure_ticks: Counter[str] = field(default_factory=Counter)
    boundaries: int = 0
    made: int = 0
    by_hand: int = 0
    sends: int = 0
    wrong: Counter[str] = field(default_factory=Counter)
    first_wrong: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Take in another tally."""
        for name in ("hours", "ticks", "sure_ticks", "messages", "boundaries", "made", "by_hand"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.sends += other.sends
        for name in (
            "nights",
            "nights_sure",
            "jitter",
            "jitter_sure",
            "faults",
            "doubts",
            "by_person",
            "wrong",
            "unsure_ticks",
        ):
            getattr(self, name).update(getattr(other, name))
        for kind, times in other.cleared.items():
            self.cleared[kind] += times
        self.first_wrong += other.first_wrong


class Judge:
    """Watches one follower and one box."""

    def __init__(self, setlist: SetList, follower: Follower, box: Box, tally: Tally) -> None:
        self._setlist = setlist
        self._follower = follower
        self._conductor = follower.conductor
        self._box = box
        self._tally = tally
        self.where = self.night = ""
        self.jitter = "steady"
        # The latest message of the box that arrived, and how many ticks did since it was set going.
        self.truth = Arrival(0, "", (), False, box.part, -1)
        self._ticks_heard = 0
        self._last_tick_ns = 0
        self._slowest_ns = 0
        self._sure = False
        self._is_wrong = ""
        self._cause = ""
        self._cause_ns = -CAUSE_NS
        self._doubt_ns = 0
        self.person_ns = -CAUSE_NS
        # Sends so far by instrument for the running stretch, and what they should lead to.
        self._sent: set[tuple[int, str, int]] = set()
        self._due: tuple[int, int, int] | None = None
        # Whether the box was set going or moved, and word of it is still on its way.
        self._unheard = False

    # -- what happens ------------------------------------------------------------------------

    def fault(self, kind: str, t_ns: int) -> None:
        """A fault has begun."""
        self._tally.faults[kind] += 1
        self._cause, self._cause_ns = kind, t_ns

    def heard(self, arrival: Arrival, period_ns: int) -> None:
        """A message of the box was taken by the follower."""
        tally, conductor = self._tally, self._conductor
        tally.messages += 1
        self.truth = arrival
        is_tick, is_start = arrival.message == (0xF8,), arrival.message == (0xFA,)
        if arrival.message[:1] in MOVES or (is_tick and arrival.tick <= self._box.tick):
            self._unheard = False
        if is_tick:
            self._ticks_heard += 1
            self._last_tick_ns = arrival.t_ns
            # What the tempo was a moment ago is forgotten a little with each tick.
            self._slowest_ns = max(period_ns, self._slowest_ns * 15 // 16)
        elif is_start or arrival.message == (0xFB,):
            self._ticks_heard = 0
        sure = conductor.sure
        if sure is not self._sure:
            self._turned(sure, arrival.t_ns)
        if is_tick and arrival.running and not (sure and conductor.state is State.RUNNING):
            tally.unsure_ticks[conductor.doubt or conductor.state.value] += 1
        # Only a tick or a start says where the box is: others may follow one that was lost.
        if not sure or conductor.state is not State.RUNNING or not (is_tick or is_start):
            return
        if not arrival.running:
            self.wrong("runs, and the box does not", arrival)
            return
        if conductor.tick != arrival.tick or conductor.part.number != arrival.part:
            self.wrong("wrong and sure", arrival)
            return
        if is_tick:
            tally.sure_ticks += 1
            tally.jitter_sure[self.jitter] += 1
            tally.nights_sure[self.night] += 1
        self._is_wrong = ""

    def looked(self, now_ns: int) -> None:
        """The watch has looked at the time."""
        conductor = self._conductor
        sure = conductor.sure
        if sure is not self._sure:
            self._turned(sure, now_ns)
        if (
            sure
            and conductor.state is State.RUNNING
            and self._ticks_heard >= 3
            and now_ns - self._last_tick_ns > SILENT_TICKS * self._slowest_ns + LOOKS_NS
        ):
            self.wrong("silence not noticed")

    def sent(self, send: Send, end: int, period_ns: int) -> None:
        """A program change for the boundary at tick `end` has left; the box has not got it yet."""
        box, conductor, tally = self._box, self._conductor, self._tally
        tally.sends += 1
        if not conductor.sure:
            self.wrong("sent while unsure")
        if not (conductor.armed and conductor.sends):
            self.wrong("sent while disarmed")
        if not box.running:
            return
        instrument = self._setlist.instruments[send.change.instrument]
        key = (box.stretch, instrument.name, send.part)
        if key in self._sent:
            self.wrong("sent twice")
        self._sent.add(key)
        if self._unheard:
            # It crossed with the start: nobody could know.
            return
        # The box is where it is now, not where it was when it sent the tick.
        left = end - box.tick
        length = box.length
        if instrument.lead.unit is Unit.MILLISECONDS:
            lead = -(-instrument.lead.count * 1_000_000 // period_ns)
            # The tempo is only known within some percent while a hand is on it.
            lead -= 1 + lead // 8
        else:
            lead = instrument.lead.ticks(self._setlist.parts[max(box.part, 1) - 1].pattern)
        if not instrument.at_once:
            lead = min(lead, length)
        if left < (0 if instrument.at_once else 1):
            self.wrong(f"sent late: {left} ticks left")
        elif 2 * send.ticks_left < lead:
            self.wrong(f"sent late: {send.ticks_left} ticks left of {lead}")
        elif not instrument.at_once and left > length:
            self.wrong(f"sent a pass early: {left} ticks left of {length}")
        if instrument.name == "drums":
            self._due = (box.stretch, send.part, end)

    def entered(self, before: tuple[int, int, int], part: int) -> None:
        """The box has begun another part; `before` was its stretch, part and tick + 1."""
        due, self._due = self._due, None
        if due is None or due[0] != before[0]:
            return
        if due[1:] != (part, before[2]):
            self.wrong(f"part {part} at {before[2]}, was to be part {due[1]} at {due[2]}")
        else:
            self._tally.made += 1

    def moved(self) -> None:
        """The box stopped or moved: the boundary that was announced may be another now."""
        self._due = None
        self._unheard = True

    def wrong(self, what: str, arrival: Arrival | None = None) -> None:
        """Write a charge."""
        kind = what.split(":")[0]
        self._tally.wrong[kind if kind[:4] != "part" else "not where announced"] += 1
        was, self._is_wrong = self._is_wrong, kind
        # A count that goes on being wrong is told once.
        if was != kind and len(self._tally.first_wrong) < 20:
            c, truth = self._conductor, arrival or self.truth
            self._tally.first_wrong.append(
                f"{self.where}: {what}; counted part {c.part.number} tick {c.tick}, box part "
                f"{truth.part} tick {truth.tick}, {truth.t_ns / 1e9:.3f} s, last: {self._cause} "
                f"at {self._cause_ns / 1e9:.3f}"
            )

    def _turned(self, sure: bool, t_ns: int) -> None:
        """The count has become sure, or unsure."""
        self._sure = sure
        tally = self._tally
        if not sure:
            self._doubt_ns = t_ns
            if t_ns - self._cause_ns > CAUSE_NS:
                self._cause = f"jitter ({self.jitter})"
            tally.doubts[self._cause] += 1
        elif self._doubt_ns:
            if self.person_ns >= self._doubt_ns:
                tally.by_person[self._cause] += 1
            else:
                tally.cleared[self._cause].append((t_ns - self._doubt_ns) / 1e9)
