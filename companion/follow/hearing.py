"""What may be heard of a pattern: every listed step in time, and its chance given what was heard.

Knows no mutes and draws no conclusions: those who listen are in `mutes` and `obeyed`. Ticks count
from the start of the part.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.counting.pattern import Pattern, Step

# Share of played notes that never arrive, and of silent steps at which a note of that number
# arrives all the same (a finger on the pad, noise). Presumed, no source; measured rates of sound
# cables are far lower, so that these leave room for other mishaps.
LOST = 1e-3
STRAY = 1e-4
# A note may be labelled with the tick before its own when it overtakes the clock; swing of two
# thirds delays a sixteenth by 2 ticks, of three quarters by 3 (common practice, no source).
EARLY, LATE = 1, 3
# A belief further from 0 and 1 than this is no ground to expect anything on.
_DOUBTFUL = 0.01


@dataclass(frozen=True, slots=True)
class Occasion:
    """A listed step at one of its passes: it may play at `tick`.

    `order` is its track's place in the file; `in_first` says that the part began during this pass
    of the track. A note of it is heard from `opens` to `closes`, both included.
    """

    tick: int
    order: int
    track: str
    step: Step
    pass_number: int
    in_first: bool
    opens: int
    closes: int


def window(step_ticks: int) -> tuple[int, int]:
    """How many ticks early and late a note may come, so that it cannot be the next step's."""
    early = min(EARLY, step_ticks - 1)
    return early, min(LATE, step_ticks - 1 - early)


def occasions(
    pattern: Pattern, from_tick: int, until_tick: int, carried_passes: int = 0
) -> list[Occasion]:
    """Every listed step with its tick in [from_tick, until_tick), in the order of decision.

    `carried_passes` are the passes that the instrument had counted when the part began. What its
    rule says does not matter here: a step that surely stays silent is listed too.
    """
    start = carried_passes * pattern.pass_ticks
    low, high = start + max(0, from_tick), start + until_tick
    found = []
    for order, track in enumerate(pattern.tracks):
        early, late = window(track.step_ticks)
        length = track.pass_ticks
        first = start // length
        for at in range(low // length, -(-high // length)):
            for step in track.steps:
                count = at * length + (step.number - 1) * track.step_ticks
                if low <= count < high:
                    tick = count - start
                    found.append(
                        Occasion(
                            tick,
                            order,
                            track.name,
                            step,
                            at + 1,
                            at == first,
                            tick - early,
                            tick + late,
                        )
                    )
    found.sort(key=lambda each: (each.tick, each.order))
    return found


class Memories:
    """What the latest conditional step of each track did, as far as hearing and counting tell.

    A belief is the chance that it played; None is unknown. Nothing is worked out for steps whose
    `if` looks at something unknown: their marginal chances hang together, and to take them for
    independent would make a run of silence look far less likely than it is.
    """

    def __init__(self, pattern: Pattern) -> None:
        self._tracks = tuple(track.name for track in pattern.tracks)
        # As a track sees itself, and as others see it: see `settle`.
        self._own: dict[str, float | None] = {}
        self._seen: dict[str, float | None] = {}
        self.begin()

    def begin(self) -> None:
        """The part begins: no earlier conditional step reads as silent."""
        self._own = dict.fromkeys(self._tracks, 0.0)
        self._seen = dict.fromkeys(self._tracks, 0.0)

    def forget(self) -> None:
        """The position moved: nothing is known of the steps before it."""
        self._own = dict.fromkeys(self._tracks, None)
        self._seen = dict.fromkeys(self._tracks, None)

    def chance(self, occasion: Occasion, fill: bool | None) -> float | None:
        """The chance that the step plays now, given all that was heard; None if unknown.

        `fill` says whether a fill is held, None if that is not known.
        """
        rule = occasion.step.rule
        if not rule.conditional:
            return 1.0
        if (
            rule.impossible
            or not all(cycle.holds(occasion.pass_number) for cycle in rule.cycles)
            or (rule.first is not None and rule.first != occasion.in_first)
            or (rule.fill is not None and fill is not None and rule.fill != fill)
        ):
            return 0.0
        chance = float(rule.chance)
        unknown = rule.fill is not None and fill is None
        for condition in rule.conditions:
            name = condition.track
            # A track that the pattern does not have never played.
            if name is None or name == occasion.track:
                belief = self._own[occasion.track]
            else:
                belief = self._seen.get(name, 0.0)
            if belief is None or _DOUBTFUL < belief < 1 - _DOUBTFUL:
                unknown = True
                continue
            chance *= belief if condition.played else 1.0 - belief
        if chance == 0.0:
            return 0.0
        return None if unknown else chance

    def settle(
        self, occasion: Occasion, chance: float | None, heard: bool | None, *, muted: float
    ) -> None:
        """Take in that the step is over: `chance` as told before, and whether a note was heard.

        `heard` is None for a track that is not listened to. `muted` is the likelihood that the
        track is muted, when its silence says nothing about the draw: other tracks reckon with that.
        The track itself is weighed as if it had sounded all along.
        """
        name = occasion.track
        if not occasion.step.rule.conditional:
            return
        if heard is None:
            self._own[name] = self._seen[name] = chance
            return
        prior = 0.5 if chance is None else chance
        # Bayes, with lost and stray notes.
        if heard:
            played, silent = prior * (1 - LOST), (1 - prior) * STRAY
        else:
            played, silent = prior * LOST, (1 - prior) * (1 - STRAY)
        sounding = played / (played + silent)
        self._own[name] = sounding
        self._seen[name] = (1 - muted) * sounding + muted * prior
