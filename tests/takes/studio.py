"""A studio in simulated time: an instrument that plays and is played, a follower, and a recorder.

The instrument is an independent judge: it keeps its own ticks, with jitter that is never negative,
and knows when each thing was done on it. What is written goes into real files, as the recorder's
thread would write it, every half second of simulated time.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from companion.follow.follower import Follower, Sends
from companion.setlist import Address, Kind, MuteTold, SetList, Tells
from companion.takes.record import COMMIT_S, Writer
from companion.takes.store import Beginning
from companion.takes.story import Notes, Story
from companion.wishes import Wish

PORT = "tide drum"
BEGAN = "2031-05-02T21:04:11+02:00"
# Controllers by which the instrument tells of its mutes, from this number on.
FIRST_CONTROLLER = 20
LOOK_NS = 10_000_000


def telling(tracks: Iterable[str]) -> Tells:
    """An instrument that tells each of these tracks' mutes by a controller of its own."""
    return Tells(
        mutes=tuple(
            MuteTold(track, Address(Kind.CONTROLLER, FIRST_CONTROLLER + n, 0))
            for n, track in enumerate(tracks)
        )
    )


@dataclass
class Studio:
    """One take. `jitter_ns` is the scale of a half-normal delay of each clock."""

    setlist: SetList
    folder: Path
    bpm: float = 120.0
    jitter_ns: float = 0.0
    kind: str = "play"
    seed: int = 1
    set_file: Path = Path("/tmp/tidewater.yaml")
    # When each of the instrument's own ticks was sent, in ns from the beginning of the take.
    sent_ns: list[int] = field(default_factory=list)
    # What it played: its own tick, channel and note.
    played: list[tuple[int, int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.follower = Follower(self.setlist)
        self.notes = Notes()
        self.began_ns = self.now_ns = self.looked_ns = self.wrote_ns = 5_000_000_000
        text = self.set_file.read_bytes() if self.set_file.exists() else b""
        instruments = tuple((i.name, i.port, i.channel) for i in self.setlist.instruments.values())
        beginning = Beginning(
            self.kind, self.setlist.name, str(self.set_file), BEGAN, instruments, text
        )
        self.writer = Writer(beginning, Story(self.setlist), self.began_ns, self.folder)
        self.take = self.writer.take
        self.due_ns = float(self.now_ns) + 100_000_000
        self.tick = -1
        self.programs: list[tuple[int, int]] = []

    # -- the instrument ----------------------------------------------------------------------

    @property
    def period_ns(self) -> float:
        return 60e9 / (24 * self.bpm)

    def start(self) -> Studio:
        self.hear(round(self.due_ns) - 1_000_000, 0xFA)
        return self

    def go_on(self) -> Studio:
        self.hear(round(self.due_ns) - 1_000_000, 0xFB)
        return self

    def stop(self) -> Studio:
        self.hear(round(self.due_ns) - 1_000_000, 0xFC)
        return self

    def clocks(
        self, times: int, each: Callable[[int], Iterable[tuple[int, int]]] | None = None
    ) -> Studio:
        """So many ticks; `each` gives channel and note of what sounds at its own tick."""
        for _ in range(times):
            self.tick += 1
            self.sent_ns.append(round(self.due_ns) - self.began_ns)
            delay = abs(self.rng.gauss(0, self.jitter_ns)) if self.jitter_ns else 0.0
            at_ns = max(round(self.due_ns + delay), self.now_ns)
            self.hear(at_ns, 0xF8)
            for channel, note in () if each is None else each(self.tick):
                self.played.append((self.tick, channel, note))
                self.hear(at_ns, 0x90 | channel, note, 100)
                self.hear(at_ns + round(self.period_ns / 2), 0x80 | channel, note, 0)
            self.due_ns += self.period_ns
        return self

    def silence(self, seconds: float) -> Studio:
        self.pass_by(self.now_ns + round(seconds * 1e9))
        self.due_ns = max(self.due_ns, float(self.now_ns))
        return self

    def mute(self, track: str, muted: bool, at_ns: int) -> None:
        """The instrument tells of a mute that was pressed at `at_ns`."""
        own = next(iter(self.setlist.instruments.values()))
        told = next(each for each in own.tells.mutes if each.track == track)
        self.hear(at_ns, 0xB0, told.address.number, 127 if muted else 0)

    # -- everybody else ----------------------------------------------------------------------

    def hear(self, t_ns: int, *message: int, port: str = PORT) -> None:
        self.pass_by(t_ns)
        self.let_out(self.follower.hear(port, t_ns, message))
        self.notes.look(self.follower, t_ns)
        self.notes.heard((t_ns, port, message, self.follower.conductor.ticks.ticks))

    def wish(self, words: str) -> None:
        self.let_out(self.follower.grant(Wish.of(words), self.now_ns))
        self.notes.look(self.follower, self.now_ns)

    def let_out(self, sends: Sends) -> None:
        if sends:
            self.notes.due(self.follower, sends, self.now_ns)
            for send in sends:
                self.notes.left(send, max(send.at_ns, self.now_ns))
                self.programs += [(self.tick, m[1]) for m in send.messages if m[0] & 0xF0 == 0xC0]

    def pass_by(self, until_ns: int) -> None:
        """Time goes by, and the watch and the recorder see it."""
        while self.looked_ns + LOOK_NS <= until_ns:
            self.looked_ns += LOOK_NS
            self.now_ns = self.looked_ns
            self.let_out(self.follower.passed(self.now_ns))
            self.notes.look(self.follower, self.now_ns)
            if self.now_ns - self.wrote_ns >= COMMIT_S * 1e9:
                self.write()
        self.now_ns = max(self.now_ns, until_ns)

    def write(self) -> None:
        """One commit of the recorder."""
        items = self.notes.items
        self.writer.write([items.popleft() for _ in range(len(items))], self.now_ns)
        self.wrote_ns = self.now_ns

    def end(self) -> Studio:
        """The engine ends as it should."""
        self.write()
        self.writer.end(self.now_ns)
        self.writer.close(full=False)
        return self
