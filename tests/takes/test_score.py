"""The score of a simulated performer against scipy and against mir_eval's matching of onsets."""

from __future__ import annotations

from pathlib import Path

import mir_eval
import numpy as np
import pytest
from scipy import stats

from companion.counting import Pattern, Rule, Step, Track
from companion.setlist import (
    Action,
    Cue,
    Instrument,
    NoteKey,
    Part,
    ProgramChange,
    SetList,
    Song,
    Span,
    Unit,
    When,
    WhenKind,
)
from companion.takes.score import WITHIN, Review, document, review
from companion.takes.store import Store
from tests.nightly import one_in
from tests.takes.studio import Studio, telling

TRACKS = ("shaker", "conch")
PHRASE = 96
BEAT_S = 0.5


def every(phrases: int, action: Action, *tracks: str, first: int = 1) -> Cue:
    return (
        Cue(When(WhenKind.NTH, Span(first, Unit.PHRASES)), action, tracks)
        if not phrases
        else (Cue(When(WhenKind.EVERY, Span(phrases, Unit.PHRASES)), action, tracks))
    )


def tidewater(parts: int, phrases: int, cues: tuple[Cue, ...], *, tells: bool = True) -> SetList:
    """Parts of one-bar phrases; the instrument tells its mutes, or plays each sixteenth."""
    steps = tuple(Step(n, Rule()) for n in range(1, 17))
    tracks = tuple(Track(name, 16, 6, steps) for name in TRACKS)
    patterns = [
        Pattern(name, phrase_ticks=PHRASE, tracks=tracks)
        for name in ("slack water", "ebb line", "spring tide", "neap")[:parts]
    ]
    drums = Instrument("drums", channel=9, tells=telling(TRACKS) if tells else telling(()))
    made = tuple(
        Part(n + 1, 0, each, "drums", (ProgramChange("drums", n),), phrases, cues)
        for n, each in enumerate(patterns)
    )
    notes = {
        (each.name, name): NoteKey(9, 36 + n)
        for each in patterns
        for n, name in enumerate(TRACKS)
        if not tells
    }
    song = Song("Slack water", 120.0, range(1, parts + 1))
    return SetList("Tidewater", (song,), made, {"drums": drums}, notes=notes)


def perform(studio: Studio, ticks: int, acts: list[tuple[float, str, bool]]) -> None:
    """Play so many ticks; at each time (in ticks) a track is muted or not."""
    waiting = sorted(acts)
    begin = studio.tick + 1
    start_ns = studio.due_ns
    for tick in range(begin, begin + ticks):
        studio.clocks(1)
        while waiting and waiting[0][0] < tick + 1:
            at, track, muted = waiting.pop(0)
            studio.mute(track, muted, max(round(start_ns + (at - begin) * studio.period_ns), 0))


def reviewed(studio: Studio, within: Span = WITHIN) -> Review:
    with Store(studio.folder) as store:
        return review(store, store.take(studio.take), within)


def muting(phrases: int) -> tuple[Cue, ...]:
    """The shaker is muted and unmuted by turns, a phrase each."""
    at = [When(WhenKind.NTH, Span(n, Unit.PHRASES)) for n in range(2, phrases)]
    return tuple(
        Cue(when, Action.MUTE if n % 2 == 0 else Action.UNMUTE, ("shaker",))
        for n, when in enumerate(at)
    )


def test_the_score_recovers_a_performers_mean_and_spread(tmp_path: Path) -> None:
    phrases, mean_ms, sd_ms = 200, 35.0, 40.0
    setlist = tidewater(1, phrases, muting(phrases))
    studio = Studio(setlist, tmp_path, bpm=120.0, jitter_ns=300_000)
    rng = np.random.default_rng(5)
    late_ms = rng.normal(mean_ms, sd_ms, phrases - 2)
    tick_ms = studio.period_ns / 1e6
    due = np.arange(1, phrases - 1) * PHRASE
    acts = [
        (tick + late / tick_ms, "shaker", n % 2 == 0)
        for n, (tick, late) in enumerate(zip(due, late_ms, strict=True))
    ]
    studio.start()
    perform(studio, phrases * PHRASE, acts)
    studio.stop().end()
    found = reviewed(studio)
    told = np.array([each.late_ms for each in found.cues])
    assert len(told) == phrases - 2
    assert all(each.hit and each.by == "told" for each in found.cues)
    assert not found.unplanned
    # Each lateness to within the clock's own jitter, and so their mean and spread.
    assert np.max(np.abs(told - late_ms)) < 2.0
    assert stats.ttest_1samp(told, mean_ms).pvalue > 0.001
    low, high = stats.bootstrap((told,), np.std, rng=rng).confidence_interval
    assert low < np.std(late_ms) < high
    steps = np.array([each.late_steps for each in found.cues])
    assert np.max(np.abs(steps * 6 - np.floor(late_ms / tick_ms))) <= 1


@pytest.mark.parametrize("seed", one_in(4, range(8)))
def test_hits_and_misses_are_those_of_matched_onsets(tmp_path: Path, seed: int) -> None:
    # mir_eval.util.match_events: the most pairs within a window, each event at most once.
    phrases = 60
    rng = np.random.default_rng(seed)
    cues = tuple(
        Cue(When(WhenKind.NTH, Span(int(n), Unit.BEATS)), Action.MUTE, ("shaker",))
        for n in np.flatnonzero(rng.random(phrases * 4) < 0.3) + 1
    )
    setlist = tidewater(1, phrases, cues)
    studio = Studio(setlist, tmp_path, bpm=120.0)
    due_s = np.array([(c.when.span.count - 1) * BEAT_S for c in cues])  # type: ignore[union-attr]
    times = np.sort(rng.uniform(0.1, phrases * 2 - 0.1, len(due_s)))
    tick_s = studio.period_ns / 1e9
    # Off the ticks, so that no act stands on the edge of a window.
    times = (np.floor(times / tick_s) + 0.5) * tick_s
    studio.start()
    first_ns = round(studio.due_ns) - studio.began_ns
    # What toggles would be found once: each press mutes, with an un-mute that no cue is for.
    acts = [(t / tick_s, "shaker", True) for t in times]
    acts += [(t / tick_s - 0.3, "shaker", False) for t in times]
    perform(studio, phrases * PHRASE, acts)
    studio.stop().end()
    found = reviewed(studio)
    with Store(tmp_path) as store:
        seen = [e for e in store.events(1, ("mute",)) if e.body["muted"]]
    done_s = np.array([(each.at_ns - first_ns) / 1e9 for each in seen])
    # A mute half a tick after a tick is at that tick: the window is a beat either way.
    pairs = mir_eval.util.match_events(due_s, done_s - tick_s / 2, BEAT_S + tick_s / 4)
    hits = [each for each in found.cues if each.hit]
    assert len(found.cues) == len(due_s)
    assert len(hits) == len(pairs)
    unplanned = [each for each in found.unplanned if each.do == "mute"]
    firsts = sum(1 for e in seen if e.body.get("first"))
    assert len(seen) - len(pairs) - firsts <= len(unplanned) <= len(seen) - len(pairs)
    report = document(found)
    assert [each["result"] for each in report["cues"]].count("hit") == len(pairs)
    assert all(
        (each["done_tick"] is None) == (each["result"] == "missed") for each in report["cues"]
    )
