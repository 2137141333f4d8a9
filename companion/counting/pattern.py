"""What counting is about, as values: meters in ticks, play rules, patterns, where a tick lies.

Positions are whole MIDI clock ticks, never seconds. Reading any of it from text is setlist's; what
a rule comes to over many passes belongs in `compiled` and `chances`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from math import prod

# MIDI 1.0 Detailed Specification 4.2.1, System Real Time Messages, and RFC 6295, Appendix B.3, both
# from memory: 24 timing clocks to the quarter note, so 96 to the whole note.
TICKS_PER_QUARTER = 24
TICKS_PER_WHOLE = 4 * TICKS_PER_QUARTER
# MIDI 1.0 Detailed Specification 4.2.1, System Common Messages, from memory: a song position counts
# sixteenth notes, which are 6 clocks.
TICKS_PER_SONG_POSITION = 6

STEP_TICKS = {
    "1/4": 24,
    "1/8": 12,
    "1/8T": 8,
    "1/16": 6,
    "1/16T": 4,
    "1/32": 3,
    "1/32T": 2,
}


@dataclass(frozen=True, slots=True)
class Meter:
    """A meter such as 7/8: `beats` beats to the bar, each a 1/`unit` note.

    `unit` divides 96 (1, 2, 4, 8, 16 or 32 in practice), so a beat is a whole number of ticks.
    """

    beats: int = 4
    unit: int = 4

    @property
    def beat_ticks(self) -> int:
        """Ticks in one beat."""
        return TICKS_PER_WHOLE // self.unit

    @property
    def bar_ticks(self) -> int:
        """Ticks in one bar."""
        return self.beats * self.beat_ticks

    def __str__(self) -> str:
        return f"{self.beats}/{self.unit}"


@dataclass(frozen=True, slots=True)
class Cycle:
    """`pass K of N`: holds on passes K, K+N, K+2N ...; negated, on all the others.

    `more` are the further passes of `pass 1, 3 of 4`, each as K.
    """

    k: int
    n: int
    negated: bool = False
    more: tuple[int, ...] = ()

    @property
    def every_k(self) -> tuple[int, ...]:
        """The passes of N that are named."""
        return (self.k, *self.more)

    def holds(self, pass_number: int) -> bool:
        """Whether the term holds on that pass (1 is the first)."""
        return any((pass_number - k) % self.n == 0 for k in self.every_k) != self.negated

    def __str__(self) -> str:
        passes = ", ".join(map(str, self.every_k))
        return f"{'not ' if self.negated else ''}pass {passes} of {self.n}"


@dataclass(frozen=True, slots=True)
class If:
    """`if last played`, `if TRACK silent`: what the latest conditional step did.

    `track` is None for the step's own track.
    """

    track: str | None
    played: bool

    def __str__(self) -> str:
        return f"if {self.track or 'last'} {'played' if self.played else 'silent'}"


@dataclass(frozen=True, slots=True)
class Rule:
    """One or more terms, all of which must hold. A rule with no term is `always`.

    `chances` keeps each chance term (0 to 1); they are drawn apart, so they multiply.
    `first` is True for `first pass`, False for `after first pass`; `fill` likewise for `fill` and
    `no fill`. Terms that contradict (`fill, no fill`) set `impossible`.
    """

    cycles: tuple[Cycle, ...] = ()
    chances: tuple[Fraction, ...] = ()
    first: bool | None = None
    fill: bool | None = None
    conditions: tuple[If, ...] = ()
    impossible: bool = False

    @property
    def conditional(self) -> bool:
        """Whether the rule is anything but `always`: only such steps are seen by `if` terms."""
        return bool(
            self.cycles
            or self.chances
            or self.first is not None
            or self.fill is not None
            or self.conditions
            or self.impossible
        )

    @property
    def chance(self) -> Fraction:
        """The product of the chance terms, 1 if there is none."""
        return prod(self.chances, start=Fraction(1))


ALWAYS = Rule()


@dataclass(frozen=True, slots=True)
class Step:
    """One step that may play. `number` counts from 1.

    `watch` True keeps it on the agenda, False keeps it off, None leaves that to its rarity.
    """

    number: int
    rule: Rule = ALWAYS
    what: str = ""
    watch: bool | None = None


@dataclass(frozen=True, slots=True)
class Track:
    """A track with its own length in steps and its own step in ticks; `steps` ascend by number."""

    name: str
    length: int
    step_ticks: int
    steps: tuple[Step, ...] = ()

    @property
    def pass_ticks(self) -> int:
        """Ticks in one pass of this track."""
        return self.length * self.step_ticks


@dataclass(frozen=True, slots=True)
class Pattern:
    """A pattern; `tracks` in the order of the file. `phrase_ticks` is a whole number of ticks."""

    name: str
    length: int = 16
    step_ticks: int = 6
    meter: Meter = field(default_factory=Meter)
    phrase_ticks: int = 768
    tracks: tuple[Track, ...] = ()

    @property
    def pass_ticks(self) -> int:
        """Ticks in one pass of the pattern."""
        return self.length * self.step_ticks


@dataclass(frozen=True, slots=True)
class Position:
    """Where a tick lies, all numbers from 1 but `phrase_ticks_left` (1 to phrase_ticks)."""

    pass_number: int
    step: int
    bar: int
    beat: int
    phrase: int
    phrase_pass: int
    phrase_ticks_left: int


def position(
    pattern: Pattern, tick: int, carried_passes: int = 0, carried_phrases: int = 0
) -> Position:
    """Where `tick` (ticks from the start of the part, 0 or more) lies in `pattern`.

    `carried_passes` and `carried_phrases` are what an instrument that does not restart its count
    had already counted when the part began.
    """
    passes, in_pass = divmod(tick, pattern.pass_ticks)
    phrases, in_phrase = divmod(tick, pattern.phrase_ticks)
    bars, in_bar = divmod(tick, pattern.meter.bar_ticks)
    return Position(
        pass_number=carried_passes + passes + 1,
        step=in_pass // pattern.step_ticks + 1,
        bar=bars + 1,
        beat=in_bar // pattern.meter.beat_ticks + 1,
        phrase=carried_phrases + phrases + 1,
        phrase_pass=passes - (tick - in_phrase) // pattern.pass_ticks + 1,
        phrase_ticks_left=pattern.phrase_ticks - in_phrase,
    )
