"""What plays beside a part is listened to and muted as the part itself is.

The instruments are `NoisyDrum`s, one a pattern, which read the rules by themselves: the drone plays
on through the parts by a count of its own.
"""

from __future__ import annotations

import pytest

from companion.engine.snapshot import EngineStatus, Viewer
from companion.follow.follower import MuteSend
from companion.link.messages import Snapshot, TrackView
from companion.setlist import SetList, SetListError
from companion.setlist.reading import read_text
from tests.builders import PORT, Rehearsal
from tests.follow.noisy import NoisyDrum

# Bars of 96 ticks; phrases of two; the drone's pass is five beats.
PHRASE, DRONE = 192, 120

NIGHT = """
set: Tidewater
instruments:
  box: {channel: 1, port: "*drum*"}
  pads:
    channel: 2
    port: "*pad*"
    send_mutes: {hum: {controller: 20}}
    tells: {mutes: {bell: {controller: 30}}}
patterns:
  slack water:
    phrase: 2 bars
    tracks:
      low drum: {note: 36, steps: {"1, 5, 9, 13": always}}
      hum: {note: 50, steps: {3: always}}
  ebb line: {phrase: 2 bars, tracks: {low drum: {note: 36, steps: {"1, 9": always}}}}
  drone:
    length: 20
    tracks:
      hum: {note: 60, steps: {1: always, 9: pass 2 of 3}}
      swell: {note: 62, steps: {5: always, 13: always}}
      bell: {note: 64, steps: {17: pass 1 of 2}}
songs:
  - song: Slack water
    on: box
    parts:
      - pattern: slack water
        program: 1
        phrases: 4
        with: [{pattern: drone, on: pads, program: 3}]
        cues: []
      - pattern: ebb line
        program: 2
        with: [{pattern: drone, on: pads}]
"""


def night(*cues: str) -> SetList:
    return read_text(NIGHT.replace("cues: []", f"cues: [{', '.join(cues)}]"), "night.yaml")


class Band(Rehearsal):
    """Both instruments play; notes come a little before the tick that follows them."""

    def __init__(self, setlist: SetList) -> None:
        super().__init__(setlist)
        self.box = NoisyDrum(setlist.parts[0].pattern, setlist.notes_of(setlist.parts[0]), 1)
        layer = setlist.parts[0].layers[0]
        self.pads = NoisyDrum(layer.pattern, setlist.notes_of(layer), 2, lost=0.0, stray=0.0)
        self.viewer, self.played = Viewer(setlist), 0
        self.start()

    def play(self, ticks: int) -> Band:
        for tick in range(self.played, self.played + ticks):
            self.clock()
            if tick == 4 * PHRASE:
                ebb = self.follower.setlist.parts[1]
                self.box = NoisyDrum(ebb.pattern, self.follower.setlist.notes_of(ebb), 3)
            for drum, port, own in (
                (self.box, "tide drum", tick % (4 * PHRASE)),
                (self.pads, "tide pad", tick),
            ):
                drum.swing = 0
                for _, channel, note in drum.play(own + 1, own):
                    self.hear(0x90 | channel, note, 100, port=port)
                    self.hear(0x80 | channel, note, 0, port=port)
        self.played += ticks
        return self

    def heard(self, track: str) -> bool | None:
        return self.follower.heard[track].muted

    def look(self) -> Snapshot:
        heard, found = self.follower.heard, self.follower.found
        at = self.now_ns, self.now_ns, 120.0, 0.0, PORT, 0, False, "", (), ""
        return self.viewer.snapshot(
            self.follower.standing(), EngineStatus(*at, heard=heard, found=found)
        )

    @property
    def tracks(self) -> dict[str, TrackView]:
        return {track.name: track for track in self.look().tracks}


def test_the_tracks_of_a_layer_are_told_by_its_own_count() -> None:
    band = Band(night()).play(2 * DRONE + 30)
    assert {name: band.heard(name) for name in band.follower.heard} == {
        **dict.fromkeys(("low drum", "hum", "hum on pads", "swell on pads"), False),
        "bell on pads": False,
    }


def test_a_muted_track_of_a_layer_is_found_and_stays_so_through_the_next_part() -> None:
    band = Band(night()).play(2 * DRONE)
    band.pads.muted.add("swell")
    band.play(2 * DRONE)
    assert (band.heard("swell on pads"), band.heard("hum on pads")) == (True, False)
    assert band.tracks["swell on pads"].heard_muted is True
    # The part's boundary is none of the layer's.
    band.play(4 * PHRASE - band.played + 1)
    assert band.where == (2, 0)
    assert band.conductor.sure
    assert band.heard("swell on pads") is True
    band.pads.muted.clear()
    band.play(DRONE)
    assert band.heard("swell on pads") is False


def test_a_name_that_both_have_is_the_parts_own_and_the_layers_is_called_by_its_instrument() -> (
    None
):
    setlist = night("{at: start, mute: hum}", "{at: bar 3, mute: [hum on pads, swell]}")
    assert [cue.tracks for cue in setlist.parts[0].cues] == [
        ("hum",),
        ("hum on pads", "swell on pads"),
    ]
    band = Band(setlist)
    band.box.muted.add("hum")
    band.play(PHRASE)
    assert (band.tracks["hum"].muted, band.tracks["hum on pads"].muted) == (True, False)
    band.pads.muted |= {"hum", "swell"}
    band.play(3 * DRONE)
    assert {t.name for t in band.tracks.values() if t.muted} == {
        *("hum", "hum on pads", "swell on pads"),
    }
    assert band.heard("hum on pads") is True
    # Then the next part, whose plan has them sound: what is so is marked.
    band.play(4 * PHRASE - band.played + 180)
    amiss = [item.text for item in band.look().coming if item.kind == "differs"]
    assert amiss == ["hum on pads", "swell on pads"]


def test_the_mute_of_a_layers_track_is_sent_to_its_instrument() -> None:
    band = Band(night("{at: bar 2, mute: hum on pads}")).play(PHRASE)
    sent = [send for _, send in band.sent if isinstance(send, MuteSend)]
    # A controller is three bytes: status, number, value (MIDI 1.0, from memory).
    assert [(send.instrument, send.messages) for send in sent] == [
        ("pads", (bytes((0xB1, 20, 127)),))
    ]


def test_what_the_layers_instrument_says_itself_is_believed() -> None:
    band = Band(night()).play(30)
    band.hear(0xB1, 30, 127, port="tide pad")
    assert band.heard("bell on pads") is True
    assert band.follower.heard["bell on pads"].told


def test_a_layer_that_begins_again_is_listened_to_anew() -> None:
    goes_on = "with: [{pattern: drone, on: pads}]"
    text = NIGHT.replace(goes_on, goes_on.replace("}", ", again: true}"))
    band = Band(read_text(text, "night.yaml")).play(2 * DRONE)
    assert band.heard("hum on pads") is False
    band.play(4 * PHRASE - band.played + 1)
    assert band.heard("hum on pads") is None


@pytest.mark.parametrize(
    ("cue", "said"),
    [
        ("{at: start, mute: hun on pads}", "no layer of this part has it"),
        ("{at: start, mute: hum on box}", "no layer of this part has it"),
    ],
)
def test_a_track_that_nothing_beside_has_is_a_fault(cue: str, said: str) -> None:
    with pytest.raises(SetListError) as raised:
        night(cue)
    assert said in str(raised.value)


def test_a_name_that_two_layers_have_is_asked_which() -> None:
    more = NIGHT.replace("  pads:\n", "  bass: {channel: 3}\n  pads:\n").replace(
        "on: pads, program: 3}]", "on: pads, program: 3}, {pattern: drone, on: bass}]"
    )
    with pytest.raises(SetListError) as raised:
        read_text(more.replace("cues: []", "cues: [{at: start, mute: swell}]"), "night.yaml")
    assert "plays more than once beside this part" in str(raised.value)
    assert "`swell on pads` or `swell on bass`" in str(raised.value)
