"""The judge of a night: holds every message and every program change against what the box did."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from math import lcm
from typing import TYPE_CHECKING, Any

from companion.counting import Pattern
from companion.follow.conductor import (
    CLOCK_BROKE,
    CLOCK_LOST,
    CLOCK_WAS_LOST,
    ELSEWHERE,
    JOINED,
    MOVED,
    NOWHERE,
    OTHER_PORT,
    RESTARTED,
    ends_by_plan,
)
from companion.follow.follower import Status
from companion.setlist import Unit
from tests.nights.line import Arrival

if TYPE_CHECKING:
    from tests.nights.night import Stage

# A quarter of a beat, and the two looks of the watch it may take to see that it has passed.
SILENT_TICKS, LOOKS_NS = 6, 20_000_000
# Song position, start, continue, stop (MIDI 1.0 Detailed Specification 4.2.1, System Messages, from
# memory).
MOVES = ((0xF2,), (0xFA,), (0xFB,), (0xFC,))
# A doubt that follows a fault this closely is laid at its door.
CAUSE_NS = 4_000_000_000
# A change for an instrument that changes at once may come an eighth of a beat after its boundary;
# of where the boundary is, a tick more or less is nobody's fault.
LATE_TICKS, OFF = 3, 1
# Doubts that no count can help, by what is shown; all others are the count's or the belief's own.
OTHERS = {
    JOINED: "joined",
    MOVED: "moved",
    ELSEWHERE: "moved",
    NOWHERE: "moved",
    OTHER_PORT: "other port",
    CLOCK_LOST: "lost line",
    CLOCK_WAS_LOST: "lost line",
    CLOCK_BROKE: "lost line",
    RESTARTED: "away",
}
NOT_COUNTED = frozenset(OTHERS.values()) | {"waiting", "stopped"}


def _turn(pattern: Pattern) -> int:
    """The ticks after which all of a pattern comes again, passes and phrases."""
    ticks = pattern.phrase_ticks
    for track in pattern.tracks:
        passes = lcm(*(cycle.n for step in track.steps for cycle in step.rule.cycles))
        ticks = lcm(ticks, track.length * track.step_ticks * passes)
    return ticks


def doubt_of(seen: Status) -> str:
    """What sort of doubt is shown, in a word or two."""
    return OTHERS.get(seen.doubt) or seen.doubt_kind or seen.state


@dataclass
class Tally:
    """What came out of one or more nights. Times in seconds."""

    hours: float = 0.0
    ticks: int = 0
    sure_ticks: int = 0
    # Of these, off by one; and changes that left while the status said unsure, and withdrawn.
    by_one: int = 0
    sent_unsure: int = 0
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
    # The same by kind of night and sort of doubt.
    unsure: Counter[tuple[str, str]] = field(default_factory=Counter)
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
        for name in ("sends", "by_one", "sent_unsure"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
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
            "unsure",
        ):
            getattr(self, name).update(getattr(other, name))
        for kind, times in other.cleared.items():
            self.cleared[kind] += times
        self.first_wrong += other.first_wrong


class Judge:
    """Watches the follower and the box of one stage."""

    def __init__(self, stage: Stage, where: str, tally: Tally) -> None:
        self._stage = stage
        self._box = stage.box
        self._tally = tally
        self._where = where
        # By part: a pattern is slow to hash.
        self._turns = [_turn(part.pattern) for part in stage.setlist.parts]
        self.jitter = "steady"
        # The latest message of the box that arrived, and how many ticks did since it was set going.
        self.truth = Arrival(0, "", (), False, stage.box.part, -1)
        self._ticks_heard = 0
        self._last_tick_ns = 0
        self._slowest_ns = 0
        self._sure = False
        self._is_wrong = ""
        self._cause = ""
        self._cause_ns = -CAUSE_NS
        self._doubt_ns = 0
        self.person_ns = -CAUSE_NS
        # Sends so far by boundary and instrument, and what they should lead to.
        self._sent: set[tuple[int, int, str, int]] = set()
        self._due: tuple[int, int, int, int] | None = None
        # Whether the box was set going or moved, and word of it is still on its way.
        self._unheard = False

    # -- what happens ------------------------------------------------------------------------

    def fault(self, kind: str, t_ns: int) -> None:
        """A fault has begun."""
        self._tally.faults[kind] += 1
        self._cause, self._cause_ns = kind, t_ns

    def unheard(self, arrival: Arrival) -> None:
        """A message of the box came while the engine was away."""
        self.truth = arrival
        self._note_heard(arrival)

    def heard(self, arrival: Arrival, period_ns: int) -> None:
        """A message of the box was taken by the follower."""
        tally, seen = self._tally, self._stage.status
        tally.messages += 1
        self.truth = arrival
        self._note_heard(arrival)
        is_tick, is_start = arrival.message == (0xF8,), arrival.message == (0xFA,)
        if is_tick:
            self._ticks_heard += 1
            self._last_tick_ns = arrival.t_ns
            # What the tempo was a moment ago is forgotten a little with each tick.
            self._slowest_ns = max(period_ns, self._slowest_ns * 15 // 16)
        elif is_start or arrival.message == (0xFB,):
            self._ticks_heard = 0
        if seen.sure is not self._sure:
            self._turned(seen.sure, arrival.t_ns)
        runs = seen.state == "running"
        if is_tick and arrival.running and not arrival.again:
            self._count(seen, runs)
        # Only a tick or a start says where the box is: others may follow one that was lost.
        if not seen.sure or not (is_tick or is_start):
            return
        if not runs:
            if is_tick and arrival.running and seen.state == "stopped":
                self.wrong("stands, and the box plays", arrival)
            return
        if not arrival.running:
            self.wrong("runs, and the box does not", arrival)
            return
        shown = self._heard_as(seen.part, seen.tick)
        if shown == self._heard_as(arrival.part, max(arrival.tick, 0)):
            self._is_wrong = ""
        elif shown in {self._heard_as(*place) for place in (arrival.before, arrival.after)}:
            tally.by_one += is_tick and not arrival.again
        else:
            self.wrong("wrong and sure", arrival)

    def looked(self, now_ns: int) -> None:
        """The watch has looked at the time."""
        seen = self._stage.status
        if seen.sure is not self._sure:
            self._turned(seen.sure, now_ns)
        if (
            seen.sure
            and seen.state == "running"
            and self._ticks_heard >= 3
            and now_ns - self._last_tick_ns > SILENT_TICKS * self._slowest_ns + LOOKS_NS
        ):
            self.wrong("silence not noticed")

    def came_back(self) -> None:
        """Another engine has taken over."""
        self._ticks_heard = 0

    def sent(self, send: Any, end: int, period_ns: int) -> None:
        """A program change for the boundary at tick `end` has left; the box has not got it yet."""
        box, tally, stage = self._box, self._tally, self._stage
        tally.sends += 1
        tally.sent_unsure += not stage.status.sure
        if not stage.armed:
            self.wrong("sent while disarmed")
        instrument = stage.setlist.instruments[send.instrument]
        # After a jump it is told what the plan has on it by then, from whichever part before.
        so_far = [c for p in stage.setlist.parts[: send.part] for c in p.changes]
        meant = [c.program for c in so_far if c.instrument == instrument.name][-1:]
        if tuple(send.messages[-1]) not in [(0xC0 | instrument.channel, p) for p in meant]:
            self.wrong("sent what is not in the set")
        if not box.running:
            return
        if self._unheard:
            # It crossed with the start, and was for what played before: nobody could know.
            return
        key = (box.stretch, end, instrument.name, send.part)
        if key in self._sent:
            self.wrong("sent twice")
        self._sent.add(key)
        if send.wanted:
            # It is for the part that plays, and so for no boundary.
            return
        # The box is where it is now, not where it was when it sent the tick.
        left = end - box.tick
        length = box.length
        if instrument.lead.unit is Unit.MILLISECONDS:
            lead = -(-instrument.lead.count * 1_000_000 // period_ns)
            # The tempo is only known within some percent while a hand is on it.
            slack = OFF + 1 + lead // 8
        else:
            lead = instrument.lead.ticks(stage.setlist.parts[max(box.part, 1) - 1].pattern)
            slack = OFF
        if not instrument.at_once:
            lead = min(lead, length)
        if left < (-LATE_TICKS - OFF if instrument.at_once else 1):
            self.wrong(f"sent late: {left} ticks left")
        elif send.lead_ticks and 2 * (send.ticks_left + slack) < lead:
            self.wrong(f"sent late: {send.ticks_left} ticks left of {lead}")
        elif not instrument.at_once and left > length:
            self.wrong(f"sent a pass early: {left} ticks left of {length}")
        elif send.lead_ticks and left > lead + 2 * slack:
            self.wrong(f"sent early: {left} ticks left of {lead}")
        if instrument.name == "drums":
            # Where the count said that it is unsure, what is told ahead is right wherever within
            # half the lead the boundary lies.
            off = OFF if stage.status.sure else max(OFF, lead // 2)
            self._due = (box.stretch, send.part, end, off)

    def entered(self, before: tuple[int, int, int], part: int) -> None:
        """The box has begun another part; `before` was its stretch, part and tick + 1."""
        due, self._due = self._due, None
        if due is None or due[0] != before[0]:
            return
        _, meant, end, off = due
        most = max(OFF + LATE_TICKS * self._box.kind.at_once, off)
        if meant != part or not -off <= before[2] - end <= most:
            self.wrong(f"part {part} at {before[2]}, was to be part {meant} at {end}")
        else:
            self._tally.made += 1

    def moved(self) -> None:
        """The box stopped or moved: the boundary that was announced may be another now."""
        self._due = None
        self._unheard = True

    def picked(self) -> None:
        """A pattern was chosen on the box, and what was sent for this boundary is nothing now."""
        self._due = None
        self._sent.clear()

    def wrong(self, what: str, arrival: Arrival | None = None) -> None:
        """Write a charge."""
        kind = what.split(":")[0]
        self._tally.wrong[kind if kind[:4] != "part" else "not where announced"] += 1
        was, self._is_wrong = self._is_wrong, kind
        # A count that goes on being wrong is told once.
        if was != kind and len(self._tally.first_wrong) < 20:
            seen, truth = self._stage.status, arrival or self.truth
            self._stage.say(f"CHARGE {what}")
            self._tally.first_wrong.append(
                f"{self._where} ({self._stage.night}): {what}; counted part {seen.part} tick "
                f"{seen.tick}, box part {truth.part} tick {truth.tick}, {truth.t_ns / 1e9:.3f} s, "
                f"last: {self._cause} at {self._cause_ns / 1e9:.3f}"
            )

    # -- inside ------------------------------------------------------------------------------

    def _note_heard(self, arrival: Arrival) -> None:
        is_tick = arrival.message == (0xF8,)
        if arrival.message[:1] in MOVES or (is_tick and arrival.tick <= self._box.tick):
            self._unheard = False

    def _heard_as(self, part: int, tick: int) -> tuple[int, int]:
        """A place as notes tell it: where no end is planned, by whole turns of what is played."""
        if self._stage.plays and part and ends_by_plan(self._stage.setlist, part) is None:
            tick %= self._turns[part - 1]
        return part, tick

    def _count(self, seen: Status, runs: bool) -> None:
        """Count a tick of the box that arrived."""
        tally, night = self._tally, self._stage.night
        tally.ticks += 1
        tally.jitter[self.jitter] += 1
        tally.nights[night] += 1
        if seen.sure and runs:
            tally.sure_ticks += 1
            tally.jitter_sure[self.jitter] += 1
            tally.nights_sure[night] += 1
        else:
            tally.unsure_ticks[seen.doubt or seen.state] += 1
            tally.unsure[night, doubt_of(seen)] += 1

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
