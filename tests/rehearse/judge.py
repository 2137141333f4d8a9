"""An instrument of the tests' own: it reads a set list itself and says which notes must sound.

It shares no line with the program: YAML by its own library, rules by the words of docs/setlist.md,
played step by step in time order. Chances are drawn by whoever is judged: what is heard decides
them, and is counted; everything that hangs on them must then fit.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

import yaml

# docs/setlist.md, "Play rules": ticks per step.
STEP_TICKS = {"1/4": 24, "1/8": 12, "1/8T": 8, "1/16": 6, "1/16T": 4, "1/32": 3, "1/32T": 2}


@dataclass
class Track:
    """A track as written; `steps` are the terms of each step by its number."""

    name: str
    note: int | None
    length: int
    ticks: int
    steps: dict[int, list[str]]


@dataclass
class Pattern:
    """A pattern as written, in ticks."""

    name: str
    ticks: int
    phrase: int
    tracks: list[Track]


@dataclass
class Tally:
    """How often a step by chance might have played, and did."""

    chance: float
    might: int = 0
    played: int = 0


@dataclass
class Judge:
    """Judges what is heard of a set list whose text is `text`."""

    text: str
    wrong: list[str] = field(default_factory=list)
    tallies: dict[tuple[str, str, int], Tally] = field(default_factory=dict)
    sounded: int = 0

    def __post_init__(self) -> None:
        written = yaml.safe_load(self.text)
        self.patterns = {n: _pattern(n, p) for n, p in written["patterns"].items()}
        self.parts = [
            (self.patterns[part["pattern"]], part.get("phrases"))
            for song in written["songs"]
            for part in song["parts"]
        ]
        self.begin(1)

    def begin(self, number: int, tick: int = 0, carried: int = 0) -> None:
        """Part `number` begins, at `tick` of it; `carried` passes were counted before it."""
        self.number = number
        self.pattern, _ = self.parts[number - 1]
        self.tick = tick
        self.start = carried * self.pattern.ticks
        # What each track's latest step with a rule did.
        self.last: dict[str, bool] = defaultdict(bool)

    def last_phrase(self, number: int) -> int:
        """The tick at which the last phrase of a part begins; an open one has a single phrase."""
        pattern, phrases = self.parts[number - 1]
        return ((phrases or 1) - 1) * pattern.phrase

    def hear(self, notes: set[int], fill: bool = False) -> None:
        """On the next tick these notes began, and no others."""
        expected = set()
        at = self.start + self.tick
        for track in self.pattern.tracks:
            number, inside = divmod(at, track.length * track.ticks)
            step, off = divmod(inside, track.ticks)
            terms = track.steps.get(step + 1)
            if off or terms is None:
                continue
            assert track.note is not None
            first = number == self.start // (track.length * track.ticks)
            heard = track.note in notes
            plays = self._plays(track, step + 1, number + 1, first, terms, fill, heard)
            if terms != ["always"]:
                self.last[track.name] = plays
            if plays:
                expected.add(track.note)
        if expected != notes:
            self.wrong.append(
                f"part {self.number} tick {self.tick}: {sorted(notes)}, not {sorted(expected)}"
            )
        self.sounded += len(expected)
        self.tick += 1

    def _plays(
        self,
        track: Track,
        step: int,
        number: int,
        first: bool,
        terms: list[str],
        fill: bool,
        heard: bool,
    ) -> bool:
        chance = 1.0
        for term in terms:
            if found := re.fullmatch(r"chance (\d+)%", term):
                chance *= int(found[1]) / 100
            elif found := re.fullmatch(r"chance (\d+) in (\d+)", term):
                chance *= int(found[1]) / int(found[2])
            elif not self._holds(track, number, first, term, fill):
                return False
        if chance == 1.0:
            return True
        tally = self.tallies.setdefault((self.pattern.name, track.name, step), Tally(chance))
        tally.might += 1
        tally.played += heard
        return heard

    def _holds(self, track: Track, number: int, first: bool, term: str, fill: bool) -> bool:
        if found := re.fullmatch(r"(not )?pass (\d+) of (\d+)", term):
            meets = number % int(found[3]) == int(found[2]) % int(found[3])
            return meets is (found[1] is None)
        if found := re.fullmatch(r"if (.+) (played|silent)", term):
            name = track.name if found[1] == "last" else found[1]
            return self.last[name] is (found[2] == "played")
        return {
            "always": True,
            "first pass": first,
            "after first pass": not first,
            "fill": fill,
            "no fill": not fill,
        }[term]


def _pattern(name: str, written: dict[str, Any]) -> Pattern:
    length, ticks = written.get("length", 16), STEP_TICKS[written.get("step", "1/16")]
    count, unit = re.fullmatch(r"(\d+) (bar|pass)e?s?", written.get("phrase", "8 bars")).groups()
    beats, of = map(int, written.get("meter", "4/4").split("/"))
    unit_ticks = beats * 96 // of if unit == "bar" else length * ticks
    tracks = [
        Track(
            track,
            each.get("note"),
            each.get("length", length),
            STEP_TICKS[each["step"]] if "step" in each else ticks,
            {
                number: [term.strip() for term in rule.split(",")]
                for number, rule in each["steps"].items()
            },
        )
        for track, each in written["tracks"].items()
    ]
    return Pattern(name, length * ticks, int(count) * unit_ticks, tracks)
