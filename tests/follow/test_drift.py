"""Steps that do not play as the set list says are told; nothing that a performer does raises that.

The instrument is `NoisyDrum`, which reads the rules by itself and knows nothing of the listeners.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import pytest

from companion.counting import Pattern, Rule, Step, Track
from companion.follow.drift import PatternDrift
from companion.follow.notes import MuteWatch
from companion.setlist import NoteKey
from tests.builders import Rehearsal, SetBuilder
from tests.follow.noisy import NoisyDrum, notes_of, rule, typical

BAR, PASS_MS, TICK_MS = 96, 2000.0, 2000.0 / 96
TRACKS = tuple(track.name for track in typical().tracks)


def changed(track: str, step: int, to: Rule | None) -> Pattern:
    """The typical pattern with one step put in, changed, or taken out."""
    tracks = []
    for each in typical().tracks:
        steps = {s.number: s for s in each.steps}
        if each.name == track:
            steps.pop(step, None)
            if to is not None:
                steps[step] = Step(step, to)
        tracks.append(replace(each, steps=tuple(steps[n] for n in sorted(steps))))
    return Pattern("slack water", tracks=tuple(tracks))


@dataclass
class Evening:
    """`plays` is on the instrument, the typical pattern is in the list, and a watch listens."""

    plays: Pattern = field(default_factory=typical)
    seed: int = 1
    listed: Pattern = field(default_factory=typical)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.drum = NoisyDrum(self.plays, notes_of(self.listed), self.seed, swing=0)
        self.drift = PatternDrift(self.listed)
        self.watch = MuteWatch(self.listed, notes_of(self.listed), drift=self.drift)
        self.passes = 0

    def play(self, passes: int, by_hand: dict[tuple[str, int], float] | None = None) -> Evening:
        """So many passes; a hand plays these steps too, each with a chance."""
        for _ in range(passes):
            begin = self.passes * BAR
            # The drum's notes vary by whole ticks; a sequencer's do not.
            coming = [
                ((tick + 1) // 6 * 6.0, note)
                for tick, _, note in self.drum.play(begin + BAR, begin)
            ]
            coming += self._hand(by_hand or {}, begin)
            coming.sort()
            for tick in range(begin, begin + BAR):
                self.watch.passed(tick)
                while coming and coming[0][0] < tick + 1:
                    at, note = coming.pop(0)
                    late = self.rng.gauss(3.0, 1.0) + (at % 1) * TICK_MS
                    self.watch.heard(int(at), 9, note, late, TICK_MS)
            self.passes += 1
        return self

    def _hand(self, steps: dict[tuple[str, int], float], begin: int) -> Iterator[tuple[float, int]]:
        for (track, step), chance in steps.items():
            if self.rng.random() < chance:
                off = self.rng.gauss(0.0, 12.0) / TICK_MS
                yield max(0.0, begin + (step - 1) * 6 + off), notes_of(self.listed)[track].number

    @property
    def said(self) -> list[str]:
        return [each.text for each in self.drift.misfits]


@pytest.mark.parametrize(
    ("track", "step", "to", "said"),
    [
        ("bell", 7, rule(), "step 7 of bell was to be silent"),
        ("low drum", 9, None, "step 9 of low drum was to play"),
        ("snap", 6, rule(), "step 6 of snap was to be silent"),
        ("low drum", 16, rule(), "step 16 of low drum was to play on fewer passes"),
        ("hat", 2, rule(0.1), "step 2 of hat was to play"),
    ],
)
def test_a_step_that_was_changed_is_named_and_no_other(
    track: str, step: int, to: Rule | None, said: str
) -> None:
    evening = Evening(changed(track, step, to)).play(60)
    assert evening.said == [said]


def test_a_step_that_is_wrong_on_each_pass_is_found_within_twenty() -> None:
    evening = Evening(changed("bell", 7, rule())).play(14)
    assert evening.said == []
    assert evening.play(6).said


def test_another_chance_is_found_in_time() -> None:
    beside = Track("shaker", 16, 6, (Step(1), Step(3, rule(0.9)), Step(9)))
    listed = replace(beside, steps=(Step(1), Step(3, rule(0.3)), Step(9)))
    evening = Evening(
        Pattern("slack water", tracks=(beside,)), 3, Pattern("slack water", tracks=(listed,))
    )
    assert evening.play(40).said == ["step 3 of shaker was to play on fewer passes"]


def test_what_is_put_right_is_believed() -> None:
    evening = Evening(changed("low drum", 9, None)).play(40)
    assert evening.said
    evening.drum.pattern = typical()
    assert evening.play(20).said == []


def test_what_was_heard_before_a_part_ended_is_not_forgotten() -> None:
    evening = Evening(changed("bell", 7, rule()))
    for _ in range(4):
        # Eight passes a time, as often as the pattern comes up; the count begins anew with each.
        evening.watch = MuteWatch(typical(), notes_of(typical()), drift=evening.drift)
        evening.watch.moved(0)
        evening.passes = 0
        evening.drum.latest.clear()
        evening.play(8)
    assert evening.said == ["step 7 of bell was to be silent"]


def test_a_track_that_is_muted_raises_nothing() -> None:
    evening = Evening()
    for _ in range(40):
        evening.drum.muted = {t for t in TRACKS if evening.rng.random() < 0.4}
        evening.play(evening.rng.randint(1, 12))
        assert evening.said == []


def test_a_hand_that_plays_along_raises_nothing_however_long() -> None:
    backbeat = {("snap", 13): 1.0, ("bell", 3): 0.9, ("low drum", 8): 0.5}
    assert Evening().play(300, backbeat).said == []


def test_a_fill_that_nobody_tells_of_raises_nothing() -> None:
    fill = changed("snap", 15, rule())
    evening = Evening()
    for _ in range(60):
        evening.drum.pattern = typical()
        evening.play(3)
        evening.drum.pattern = fill
        evening.play(1)
    assert evening.said == []


def test_a_roll_is_no_step_of_its_own() -> None:
    listed = Pattern("slack water", tracks=(Track("bell", 16, 6, (Step(1), Step(5))),))
    evening = Evening(listed, 1, listed)
    for _ in range(60):
        begin = evening.passes * BAR
        roll = [begin + 24 + late for late in (0, 1, 3, 5)]
        for tick in range(begin, begin + BAR):
            evening.watch.passed(tick)
            if tick == begin or tick in roll:
                evening.watch.heard(tick, 9, 36, 0.0, TICK_MS)
        evening.passes += 1
    assert evening.said == []


def test_a_follower_tells_it_and_counts_on() -> None:
    listed = Pattern("slack water", phrase_ticks=8 * BAR, tracks=typical().tracks[:2])
    book = SetBuilder().instrument("drums", channel=9).part(listed, phrases=None)
    keys = {name: NoteKey(9, n) for name, n in (("low drum", 36), ("snap", 40))}
    notes = {("slack water", name): key for name, key in keys.items()}
    on_stage = Rehearsal(replace(book.build(), notes=notes)).start()
    plays = replace(listed, tracks=(listed.tracks[0], Track("snap", 16, 6, (Step(5), Step(7)))))
    drum = NoisyDrum(plays, keys, 1, lost=0, stray=0, swing=0)
    for tick in range(24 * BAR):
        on_stage.clock()
        for _, channel, note in drum.play(tick + 1, tick):
            on_stage.hear(0x90 | channel, note, 100)
    assert [each.text for each in on_stage.follower.misfits] == ["step 7 of snap was to be silent"]
    assert on_stage.conductor.sure
    assert on_stage.where[1] == 24 * BAR - 1


def false_alarms(seed: int, hours: float) -> int:
    """Alarms while a performer mutes, plays along and holds fills that nobody tells of.

    The instrument plays as the list says, with notes lost and stray ones.
    """
    rng = random.Random(seed)
    evening = Evening(seed=seed)
    hands: dict[tuple[str, int], float] = {}
    for _ in range(round(hours * 3_600_000 / PASS_MS)):
        if rng.random() < 0.1:
            evening.drum.muted ^= {rng.choice(TRACKS)}
        if rng.random() < 0.05:
            spots = [(rng.choice(TRACKS), rng.randint(1, 16)) for _ in range(rng.randint(0, 3))]
            hands = {spot: rng.choice((1.0, 0.8, 0.4)) for spot in spots}
        if evening.passes % 8 == 7 and rng.random() < 0.5:
            spot = rng.choice(TRACKS), rng.randint(1, 16)
            evening.drum.pattern = changed(*spot, rng.choice((rule(), None)))
        elif rng.random() < 0.7:
            evening.drum.pattern = evening.listed
        evening.play(1, hands)
    return evening.drift.count


@pytest.mark.parametrize("seed", range(2))
def test_an_hour_of_playing_raises_nothing(seed: int) -> None:
    assert false_alarms(seed, 1.0) == 0


@pytest.mark.nightly
@pytest.mark.timeout(3600)
def test_a_hundred_hours_of_playing_raise_one_alarm_at_most() -> None:
    seed = random.SystemRandom().randrange(1 << 30)
    print(f"seed {seed}")
    assert sum(false_alarms(seed + at, 10.0) for at in range(10)) <= 1
