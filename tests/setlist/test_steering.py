"""Steering from the instrument: notes, what it tells, mutes to send, presses and their wishes."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.setlist import (
    Address,
    BadText,
    Binding,
    Kind,
    MuteControl,
    MuteTold,
    NoteKey,
    Press,
    SetList,
    SetListError,
    Tells,
)
from companion.setlist.loading import load_apart, packed, unpacked
from companion.setlist.reading import read_controls, read_set_list, read_text, with_controls
from companion.setlist.text import wish
from companion.wishes import Ask, Wish
from tests.setlist.sheets import two_songs

# Channel 10 on the panel is 9 on the wire (common practice,
# no source); so on for all channels below.
TIDE = """\
set: Tidewater
instruments:
  drums:
    port: "*drum*"
    channel: 10
    tells:
      fill: {controller: 80}
      mutes:
        Shaker: {controller: 21, muted_at: low}
        low drum: {note: 12, channel: 16}
        gull: {controller: 30, toggle: true}
    send_mutes:
      shaker: {controller: 21}
      low drum: {controller: 22, channel: 11, muted: 0, sounding: 100}
  sampler: {port: "*sampler*", channel: 3}
controls:
  - {press: {note: 60, channel: 16, port: "*pad*"}, wish: next}
  - {press: {note: 61, long: true}, wish: align phrase}
  - {press: {controller: 64, toggle: true}, wish: stay}
  - {press: {program: 128, channel: 5}, wish: part 2}
  - {press: {program: 0, programs_from: 0, channel: 5}, wish: nudge back a pass}
  - {press: controller 65, wish: fill}
patterns:
  neap:
    tracks:
      low drum: {note: 36, steps: {1: always}}
      shaker: {note: {number: 42, channel: 12}, steps: {1: always}}
      gull: {steps: {1: always}}
songs:
  - song: Neap
    parts:
      - {pattern: neap, on: drums}
      - {pattern: neap, on: sampler}
"""


def tide(*edits: tuple[str, str]) -> SetList:
    text = TIDE
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    return read_text(text, "tide.yaml")


def test_a_note_is_on_its_own_channel_or_that_of_the_parts_instrument() -> None:
    setlist = tide()
    assert setlist.notes == {
        ("neap", "low drum"): NoteKey(None, 36),
        ("neap", "shaker"): NoteKey(11, 42),
    }
    on_drums, on_sampler = (setlist.notes_of(part) for part in setlist.parts)
    assert on_drums == {"low drum": NoteKey(9, 36), "shaker": NoteKey(11, 42)}
    assert on_sampler == {"low drum": NoteKey(2, 36), "shaker": NoteKey(11, 42)}


def test_what_an_instrument_tells() -> None:
    drums = tide().instruments["drums"]
    shaker, low, gull = drums.tells.mutes
    assert drums.tells.fill == Address(Kind.CONTROLLER, 80, 9)
    # The name as its pattern has it, capitals aside.
    assert shaker == MuteTold("shaker", Address(Kind.CONTROLLER, 21, 9), muted_high=False)
    assert low == MuteTold("low drum", Address(Kind.NOTE, 12, 15))
    assert gull.toggles
    # A switch is on from 64 (MIDI 1.0 Detailed Specification 4.2.1, Control Change, from memory).
    assert [shaker.muted(value) for value in (0, 63, 64, 127)] == [True, True, False, False]
    assert [low.muted(value) for value in (0, 63, 64, 127)] == [False, False, True, True]


def test_mutes_are_sent_only_where_that_is_written() -> None:
    instruments = tide().instruments
    assert instruments["drums"].mute_sends == (
        MuteControl("shaker", 9, 21, 127, 0),
        MuteControl("low drum", 10, 22, 0, 100),
    )
    assert (instruments["sampler"].mute_sends, instruments["sampler"].tells) == ((), Tells())


def test_presses_and_their_wishes() -> None:
    assert tide().controls == (
        Binding(Press(Address(Kind.NOTE, 60, 15), "*pad*"), Wish(Ask.NEXT)),
        Binding(Press(Address(Kind.NOTE, 61), long=True), Wish(Ask.ALIGN, "phrase")),
        Binding(Press(Address(Kind.CONTROLLER, 64), toggle=True), Wish(Ask.STAY)),
        # Program 128 on a display that counts from 1 is 127 on the wire.
        Binding(Press(Address(Kind.PROGRAM, 127, 4)), Wish(Ask.PART, part=2)),
        Binding(Press(Address(Kind.PROGRAM, 0, 4)), Wish(Ask.NUDGE_BACK, "pass")),
        Binding(Press(Address(Kind.CONTROLLER, 65)), Wish(Ask.FILL)),
    )


def test_a_set_without_any_of_it_has_none() -> None:
    setlist = two_songs()
    assert (setlist.notes, setlist.controls) == ({}, ())
    assert setlist.notes_of(setlist.parts[0]) == {}


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("next", Wish(Ask.NEXT)),
        ("NOW", Wish(Ask.NOW)),
        ("stay", Wish(Ask.STAY)),
        ("align", Wish(Ask.ALIGN)),
        ("align bar", Wish(Ask.ALIGN, "bar")),
        ("align a pass", Wish(Ask.ALIGN, "pass")),
        ("align to the phrase", Wish(Ask.ALIGN, "phrase")),
        ("nudge forward pass", Wish(Ask.NUDGE_FORWARD, "pass")),
        ("nudge forward a phrase", Wish(Ask.NUDGE_FORWARD, "phrase")),
        ("nudge  back 1 pass", Wish(Ask.NUDGE_BACK, "pass")),
        ("nudge backward one phrase", Wish(Ask.NUDGE_BACK, "phrase")),
        ("arm", Wish(Ask.ARM)),
        ("disarm", Wish(Ask.DISARM)),
        ("undo", Wish(Ask.UNDO)),
        ("confirm", Wish(Ask.CONFIRM)),
        ("part 12", Wish(Ask.PART, part=12)),
        ("fill", Wish(Ask.FILL)),
    ],
)
def test_every_wish(text: str, wanted: Wish) -> None:
    assert wish(text) == wanted
    # What is shown for it is itself a way to write it.
    assert wish(str(wanted)) == wanted


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("nxt", "did you mean `next`?"),
        ("align beat", "did you mean `align bar`?"),
        ("nudge", "say by how much: `nudge forward a pass` or `nudge forward a phrase`"),
        ("nudge back", "say by how much: `nudge back a pass` or `nudge back a phrase`"),
        ("part", "write `part` and its number, such as `part 3`"),
        ("part 0", "write `part` and its number, from 1"),
        # One wish takes back, and it is called undo.
        ("back", "write `next`, `now`"),
        ("stop", "`companion stop` ends the engine"),
        ("Stop", "`companion stop` ends the engine"),
        ("fly", "write `next`, `now`"),
    ],
)
def test_a_wish_that_cannot_be_read(text: str, right: str) -> None:
    with pytest.raises(BadText) as caught:
        wish(text)
    assert caught.value.right.startswith(right)


PAD = """\
controls:
  - {press: note 61, wish: arm}
  - {press: {note: 70}, wish: part 2}
"""


def written(tmp_path: Path, text: str, name: str = "pad.yaml") -> Path:
    file = tmp_path / name
    file.write_text(text, encoding="utf-8")
    return file


def test_a_file_of_its_own_for_a_pad(tmp_path: Path) -> None:
    pad = written(tmp_path, PAD)
    arm = Binding(Press(Address(Kind.NOTE, 61)), Wish(Ask.ARM))
    jump = Binding(Press(Address(Kind.NOTE, 70)), Wish(Ask.PART, part=2))
    assert read_controls(pad) == (arm, jump)
    # A short press of note 61 beside the set's long one; nothing else gets in the way.
    assert with_controls(tide(), pad).controls == (arm, jump, *tide().controls)


def test_a_pads_own_file_wins_over_the_set(tmp_path: Path) -> None:
    pad = written(tmp_path, "controls: [{press: controller 65, wish: undo}]\n")
    controls = with_controls(tide(), pad).controls
    assert len(controls) == len(tide().controls)
    assert controls[0].wish == Wish(Ask.UNDO)
    assert Wish(Ask.FILL) not in [binding.wish for binding in controls]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "1:1: this file of controls is empty; begin with `controls:` and a list under it"),
        ("- note 3\n", "1:1: this is no file of controls; it begins with `controls:`"),
        ("set: Ebb\ncontrols: []\n", "1:1: a file of controls has no key `set`; write `controls`"),
        ("controls:\n", "1:1: nothing is written after `controls:`; write `controls:` and under"),
        (PAD.replace("part 2", "part 3"), "3:31: there is no part 3; write `part 1` to `part 2`"),
        (
            PAD.replace("note: 70", "note: 36"),
            "3:20: note 36 on channel 10 is what `low drum` plays; take another",
        ),
    ],
)
def test_a_pads_file_is_checked_like_the_set(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SetListError) as caught:
        read_controls(written(tmp_path, text), tide())
    assert [str(fault).startswith(said) for fault in caught.value.faults] == [True], caught.value


def test_without_the_set_nobody_can_tell_which_parts_and_notes_there_are(tmp_path: Path) -> None:
    text = PAD.replace("part 2", "part 3").replace("note: 70", "note: 36")
    assert len(read_controls(written(tmp_path, text))) == 2


def test_read_apart_all_of_it_comes_back_the_same(tmp_path: Path) -> None:
    file, pad = written(tmp_path, TIDE, "tide.yaml"), written(tmp_path, PAD)
    assert load_apart(file) == read_set_list(file) == unpacked(packed(tide()))
    assert load_apart(file, controls=pad) == with_controls(tide(), pad)
    bad = written(tmp_path, "controls: [{press: note 3, wish: nxt}]\n", "bad.yaml")
    with pytest.raises(SetListError) as caught:
        load_apart(file, controls=bad)
    assert caught.value.path == bad
