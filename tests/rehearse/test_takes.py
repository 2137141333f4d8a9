"""Rehearsals as takes: what was played where, written out for others and reviewed."""

from __future__ import annotations

from itertools import accumulate
from pathlib import Path

import mido
import pytest

from companion.rehearse import Loop
from companion.setlist.reading import read_text
from companion.takes.asplayed import as_played
from companion.takes.export import export
from companion.takes.score import Review, review
from companion.takes.store import Store
from tests.rehearse.hall import HEAD, Hall, Opened

CUED = (
    HEAD
    + """\
      low drum: {note: 36, steps: {1: always}}
      bell: {note: 56, steps: {5: pass 3 of 3}}
  drone:
    length: 20
    phrase: 1 passes
    tracks:
      hum: {note: 60, steps: {1: always}}
songs:
  - song: Slack water
    tempo: 120
    parts:
      - pattern: slack water
        name: still
        on: drums
        program: 1
        phrases: 2
        with: [{pattern: drone, on: pads}]
        cues: [{at: start, say: breathe}, {at: last 1 pass, say: look up}]
      - pattern: ebb line
        on: drums
        program: 2
        phrases: 2
        with: [{pattern: drone, on: pads}]
        cues: [{at: start, mute: bell}]
"""
)
# Phrases of 2 x 48 and 3 x 48 ticks.
LAST, FIRST = 96, 144


@pytest.fixture
def looped(opened: Opened, tmp_path: Path) -> Hall:
    hall = opened(CUED, takes=tmp_path / "data", now=True, loop=Loop(1, 4)).until_over()
    return hall.recorded()


def reviewed(hall: Hall) -> Review:
    with Store(hall.takes) as store:
        return review(store, store.take())


def test_each_round_of_a_loop_is_two_parts_with_the_transition_between(looped: Hall) -> None:
    found = reviewed(looped)
    assert looped.rehearsing.played == [[1, LAST], [2, FIRST]] * 4
    assert [(p.part, p.name, p.played_ticks) for p in found.parts] == [
        (1, "still", LAST),
        (2, "ebb line", FIRST),
    ] * 4
    # What was planned from where it was entered.
    assert [p.planned_ticks for p in found.parts] == [LAST, 2 * FIRST] * 4
    begins = [0, *accumulate([LAST, FIRST] * 4)][:-1]
    assert [p.clock for p in found.parts] == begins
    assert [(t.before, t.after, t.takes) for t in found.transitions] == [(1, 2, 1)]
    # The start of part 1 is never played, its last pass and the start of part 2 each round.
    assert [(c.part, c.due_tick, c.clock) for c in found.cues] == [
        pair
        for begin in begins[::2]
        for pair in ((1, 144, begin + LAST - 48), (2, 0, begin + LAST))
    ]
    with Store(looped.takes) as store:
        bounds = store.events(1, ("boundary",))
    assert [(e.part, e.body["played_ticks"]) for e in bounds] == [(1, LAST), (2, FIRST)] * 3 + [
        (1, LAST)
    ]


def test_layers_stand_in_the_take_with_how_far_they_had_counted(looped: Hall) -> None:
    found = reviewed(looped)
    # In the set the drone has counted 96 ticks where the last phrase begins, 192 at the boundary.
    assert [each.layers for each in found.parts] == [
        (("drone", "pads", 96),),
        (("drone", "pads", 192),),
    ] * 4


def test_an_exported_loop_has_its_markers_and_notes_where_they_sounded(
    looped: Hall, tmp_path: Path
) -> None:
    path = tmp_path / "take.mid"
    with Store(looped.takes) as store:
        export(store, store.take(), path)
        text = as_played(store, store.take())
    first, *tracks = mido.MidiFile(path).tracks
    now, markers, tempi = 0, [], []
    for message in first:
        now += message.time
        if message.type == "marker":
            markers.append((now // 20, message.text))
        elif message.type == "set_tempo":
            tempi.append(mido.tempo2bpm(message.tempo))
    begins = [0, *accumulate([LAST, FIRST] * 4)][:-1]
    assert markers == list(zip(begins, ["1 still", "2 ebb line"] * 4, strict=True))
    assert tempi
    assert all(abs(bpm - 120) < 0.01 for bpm in tempi)
    # By the listener at the end of the cable.
    played = [
        (tick, note) for tick, notes in enumerate(looped.listener.ticks) for note in sorted(notes)
    ]
    onsets = []
    for track in tracks:
        now = 0
        for message in track:
            now += message.time
            if message.type == "note_on" and message.velocity:
                onsets.append((now // 20, message.note))
    assert sorted(onsets) == played
    assert [track.name for track in tracks] == ["drums", "pads"]
    again = read_text(text, "played.yaml")
    assert [(p.pattern.name, p.phrases) for p in again.parts] == [
        ("slack water", 1),
        ("ebb line", 1),
    ] * 4
    assert all(part.layers for part in again.parts)


def test_only_a_word_tells_whether_a_cue_was_done_for_the_virtual_instrument(
    opened: Opened, tmp_path: Path
) -> None:
    hall = opened(CUED, takes=tmp_path / "data", now=True).tick(192 + 9)
    assert hall.wish("done") == "done: mute bell"
    hall.until_over().recorded()
    *_, mute = reviewed(hall).cues
    assert (mute.do, mute.audible, mute.by, mute.done_tick) == ("mute", False, "done", 8)
    # What was done is heard: the bell is silent from then on, in passes 3 and 6.
    assert 56 not in set().union(*hall.listener.ticks)


def test_pads_say_done_and_mark_a_moment(opened: Opened, tmp_path: Path) -> None:
    text = CUED + (
        "controls:\n"
        "  - {press: {note: 60, channel: 16}, wish: done}\n"
        "  - {press: {note: 61, channel: 16}, wish: mark}\n"
    )
    hall = opened(text, takes=tmp_path / "data", now=True).tick(192 + 13)
    for note, after in ((60, 20), (61, 1)):
        hall.engine.press("tide buttons", hall.now_ns, (0x9F, note, 100))
        hall.engine.press("tide buttons", hall.now_ns, (0x8F, note, 0))
        hall.tick(after)
    found = reviewed(hall.until_over().recorded())
    assert [c.done_tick for c in found.cues if c.by == "done"] == [12]
    assert [(mark.part, mark.tick) for mark in found.marks] == [(2, 32)]
    # A pad is no instrument: what it sends is in no track of notes.
    path = tmp_path / "take.mid"
    with Store(hall.takes) as store:
        export(store, store.take(), path)
    assert [track.name for track in mido.MidiFile(path).tracks[1:]] == ["drums", "pads"]
