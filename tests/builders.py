"""Builders for sets and an instrument that plays them, so that tests read like a rehearsal.

`Drum` is an independent judge: a drum machine that queues pattern changes and takes them when its
running pattern ends, with a count of its own.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from companion.counting import Meter, Pattern
from companion.follow.conductor import Conductor, Send
from companion.follow.follower import Follower
from companion.setlist import Cue, Instrument, Part, ProgramChange, SetList, Song, Span, Unit
from companion.wishes import Wish

SETS = Path(__file__).parent.parent / "setlists"
SHIPPED = sorted(SETS.glob("*.yaml"))
PORT = "tide drum"
# 120 beats a minute: 60 / (120 x 24) s a clock (24 clocks to the quarter note).
TICK_NS = 20_833_333


def bar_pattern(name: str = "slack water", phrase_bars: int = 2, **more: object) -> Pattern:
    """One bar of 4/4 in sixteen sixteenths, with short phrases."""
    return Pattern(name=name, phrase_ticks=96 * phrase_bars, **more)  # type: ignore[arg-type]


def waltz_pattern(name: str = "neap") -> Pattern:
    """One bar of 3/4 in twelve sixteenths, phrases of four bars."""
    return Pattern(name=name, length=12, meter=Meter(3, 4), phrase_ticks=288)


@dataclass
class SetBuilder:
    """Collects parts; `build` makes the set of one song."""

    instruments: dict[str, Instrument] = field(default_factory=dict)
    parts: list[Part] = field(default_factory=list)
    tempo: float | None = 120.0

    def instrument(self, name: str = "drums", **more: object) -> SetBuilder:
        self.instruments[name] = Instrument(name=name, **more)  # type: ignore[arg-type]
        return self

    def part(
        self,
        pattern: Pattern,
        *,
        on: str | None = "drums",
        program: int | None = None,
        phrases: int | None = 1,
        also: Sequence[ProgramChange] = (),
        cues: Sequence[Cue] = (),
    ) -> SetBuilder:
        if on is not None and on not in self.instruments:
            self.instrument(on)
        own = () if program is None or on is None else (ProgramChange(on, program),)
        self.parts.append(
            Part(
                number=len(self.parts) + 1,
                song=0,
                pattern=pattern,
                instrument=on,
                changes=(*own, *also),
                phrases=phrases,
                cues=tuple(cues),
            )
        )
        return self

    def build(self) -> SetList:
        song = Song("Slack water", self.tempo, range(1, len(self.parts) + 1))
        return SetList("Tidewater", (song,), tuple(self.parts), dict(self.instruments))


ONE_BEAT = Span(1, Unit.BEATS)


def three_parts(lead: Span = ONE_BEAT, **instrument: object) -> SetList:
    """Three one-phrase parts of two bars, programs 1, 2 and 3 on the wire, the last one open."""
    return (
        SetBuilder()
        .instrument("drums", lead=lead, **instrument)
        .part(bar_pattern("slack water"), program=1)
        .part(bar_pattern("ebb line"), program=2)
        .part(bar_pattern("spring tide"), program=3, phrases=None)
        .build()
    )


def ask(conductor: Conductor, words: str) -> tuple[Send, ...]:
    """Ask for what `words` say; returns what is due."""
    return conductor.grant(Wish.of(words), conductor.now_ns)


class Rehearsal:
    """Feeds a follower as a port would and keeps all that went out, with the tick it left at."""

    def __init__(self, setlist: SetList, *, sends: bool = True) -> None:
        self.follower = Follower(setlist, can_send=sends)
        self.conductor = self.follower.conductor
        self.now_ns = 1_000_000_000
        self.clocks = 0
        self.sent: list[tuple[int, Send]] = []

    def hear(self, *message: int, port: str = PORT) -> None:
        self.sent += [
            (self.clocks, send) for send in self.follower.hear(port, self.now_ns, message)
        ]

    def fail(self, send: Send) -> Rehearsal:
        """Its port does not take it."""
        self.sent += [(self.clocks, each) for each in self.follower.failed(send, self.now_ns)]
        return self

    def start(self) -> Rehearsal:
        self.hear(0xFA)
        return self

    def stop(self) -> Rehearsal:
        self.hear(0xFC)
        return self

    def go_on(self) -> Rehearsal:
        self.hear(0xFB)
        return self

    def position(self, sixteenths: int) -> Rehearsal:
        self.hear(0xF2, sixteenths & 0x7F, sixteenths >> 7)
        return self

    def clock(self, times: int = 1, *, every_ns: int = TICK_NS, port: str = PORT) -> Rehearsal:
        for _ in range(times):
            self.now_ns += every_ns
            self.hear(0xF8, port=port)
            self.clocks += 1
        return self

    def silence(self, ns: int) -> Rehearsal:
        """Time passes as the engine's watch sees it, ten milliseconds at a time."""
        until = self.now_ns + ns
        while self.now_ns < until:
            self.now_ns = min(self.now_ns + 10_000_000, until)
            self.follower.passed(self.now_ns)
        return self

    def ask(self, words: str) -> Rehearsal:
        """A wish, in the words of the set-list page."""
        self.sent += [(self.clocks, send) for send in self.follower.wish(words, self.now_ns)]
        return self

    def passed(self, reached: Sequence[str] | None = None) -> Rehearsal:
        """The engine looks at the time; `reached` as for the follower."""
        self.sent += [(self.clocks, s) for s in self.follower.passed(self.now_ns, reached)]
        return self

    def killed(self, away_ns: int = 50_000_000) -> Rehearsal:
        """The engine is killed now, and another takes up its place after a while."""
        kept = json.loads(json.dumps(self.follower.checkpoint(self.now_ns)))
        self.now_ns += away_ns
        self.follower = Follower.resume(self.follower.setlist, kept, self.now_ns)
        self.conductor = self.follower.conductor
        return self

    @property
    def where(self) -> tuple[int, int]:
        """Part number and tick, as a screen would show them."""
        standing = self.conductor.standing()
        return standing.part.number, standing.tick

    @property
    def programs(self) -> list[int]:
        """Wire programs sent, in order."""
        return [send.change.program for _, send in self.sent]
