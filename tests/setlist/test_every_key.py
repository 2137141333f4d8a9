"""Every key of the set-list page, read into the value that the engine follows."""

from __future__ import annotations

from fractions import Fraction

import pytest

from companion.counting import ALWAYS, Cycle, Meter, Rule
from companion.setlist import (
    Action,
    Cue,
    Instrument,
    ProgramChange,
    SetList,
    Song,
    Span,
    Unit,
    When,
    WhenKind,
)
from companion.setlist.reading import read_set_list, read_text, read_with_places
from companion.setlist.yamltree import Places, parse_tree
from tests.setlist.sheets import TIDEWATER, TIDEWATER_FILE, faults, tidewater, two_songs


@pytest.fixture(scope="module")
def tide() -> SetList:
    return read_set_list(TIDEWATER_FILE)


def test_the_example_of_the_manual_reads_without_a_fault(tide: SetList) -> None:
    assert tide.name == "Tidewater"
    assert tide.songs == (Song("Slack water", 118.0, range(1, 2)),)
    assert tide.clock_from == "drums"
    assert tide.rare == Fraction(1, 3)


def test_an_instrument_holds_wire_values(tide: SetList) -> None:
    # Channel 10 on the panel is 9 on the wire (common practice, no source).
    assert tide.instruments == {
        "drums": Instrument(
            name="drums",
            port="*drum*",
            channel=9,
            programs_from=1,
            bank=0,
            at_once=False,
            lead=Span(1, Unit.BEATS),
            recount=True,
        )
    }


def test_a_pattern_and_its_tracks(tide: SetList) -> None:
    pattern = tide.parts[0].pattern
    # Eight passes of sixteen sixteenths: 8 x 16 x 6 ticks (24 clocks to the quarter).
    assert (pattern.name, pattern.length, pattern.step_ticks) == ("slack water", 16, 6)
    assert (pattern.meter, pattern.phrase_ticks) == (Meter(4, 4), 768)
    low, shaker = pattern.tracks
    assert (low.name, low.length, low.step_ticks) == ("low drum", 16, 6)
    assert [(step.number, step.rule) for step in low.steps] == [
        (1, ALWAYS),
        (7, Rule(chances=(Fraction(3, 5),))),
        (16, Rule(cycles=(Cycle(4, 4),))),
    ]
    assert (shaker.name, shaker.length, shaker.step_ticks) == ("shaker", 12, 6)
    swell = shaker.steps[1]
    assert (swell.number, swell.what, swell.watch) == (5, "reverse swell", True)
    assert swell.rule == Rule(cycles=(Cycle(3, 3),), chances=(Fraction(1, 2),))


def test_a_part_its_change_and_its_cues(tide: SetList) -> None:
    part = tide.parts[0]
    assert (part.number, part.song, part.instrument, part.phrases) == (1, 0, "drums", 2)
    # 12 on a display that counts from 1 is 11 on the wire (common practice, no source).
    assert part.changes == (ProgramChange("drums", 11, 0),)
    assert part.cues == (
        Cue(When(WhenKind.START), Action.MUTE, tracks=("shaker",)),
        Cue(
            When(WhenKind.NTH, Span(5, Unit.PASSES)),
            Action.UNMUTE,
            tracks=("shaker",),
            warn=Span(2, Unit.BARS),
        ),
        Cue(When(WhenKind.LAST, Span(1, Unit.BARS)), Action.FILL, hold=Span(1, Unit.BARS)),
        Cue(When(WhenKind.EVERY, Span(1, Unit.PHRASES)), Action.SAY, text="open the filter"),
        Cue(When(WhenKind.END), Action.RESTORE),
    )


SHORTEST = """\
set: Tidewater
patterns: {slack water: }
songs: [{song: Ebb, parts: [{pattern: slack water}]}]
"""


def test_what_is_left_out_has_the_pages_defaults() -> None:
    tide = read_text(SHORTEST, "ebb.yaml")
    part = tide.parts[0]
    # Defaults as on the set-list page: 1/16, 4/4, 8 bars (8 x 96 ticks).
    assert (part.pattern.step_ticks, part.pattern.meter) == (6, Meter(4, 4))
    assert part.pattern.phrase_ticks == 768
    assert (part.instrument, part.changes, part.phrases, part.cues) == (None, (), None, ())
    assert (tide.instruments, tide.clock_from, tide.songs[0].tempo) == ({}, None, None)
    assert tide.rare == Fraction(1, 3)


def test_an_instrument_with_nothing_written_has_the_defaults() -> None:
    tide = tidewater(("instruments:", "instruments:\n  bell:"))
    assert tide.instruments["bell"] == Instrument(
        "bell", None, 0, 1, None, False, Span(1, Unit.BEATS)
    )


@pytest.mark.parametrize(
    ("written", "ticks"),
    # The set-list page's table of steps.
    [("1/4", 24), ("1/8", 12), ("1/8T", 8), ("1/16", 6), ("1/16T", 4), ("1/32", 3), ("1/32T", 2)],
)
def test_every_step_for_a_pattern_and_for_a_track(written: str, ticks: int) -> None:
    of_pattern = tidewater(("step: 1/16 ", f"step: {written} "))
    assert of_pattern.parts[0].pattern.step_ticks == ticks
    assert [track.step_ticks for track in of_pattern.parts[0].pattern.tracks] == [ticks, ticks]
    of_track = tidewater(("length: 12 ", f"step: {written.lower()} "))
    assert [track.step_ticks for track in of_track.parts[0].pattern.tracks] == [6, ticks]
    assert of_track.parts[0].pattern.tracks[1].length == 16


def test_a_meter_and_a_phrase_in_bars_of_it() -> None:
    pattern = tidewater(("meter: 4/4", "meter: 7/8"), ("8 passes", "3 bars")).parts[0].pattern
    # Seven eighths are 84 ticks, three bars 252 (24 clocks to the quarter).
    assert (pattern.meter, pattern.phrase_ticks) == (Meter(7, 8), 252)


def test_an_instrument_that_changes_at_once_has_a_lead_of_one_tick() -> None:
    assert two_songs().instruments["sampler"] == Instrument(
        "sampler", None, 1, 0, None, True, Span(1, Unit.TICKS)
    )
    assert two_songs(("at once", "at once, send_before: 3 ms")).instruments["sampler"].lead == Span(
        3, Unit.MILLISECONDS
    )
    assert two_songs(("at once", "at once, send_before: 0 steps")).instruments[
        "sampler"
    ].lead == Span(0, Unit.STEPS)


def test_parts_are_numbered_through_the_set_and_programs_are_wire_values() -> None:
    tide = two_songs()
    assert [(part.number, part.song) for part in tide.parts] == [(1, 0), (2, 0), (3, 1)]
    assert [song.parts for song in tide.songs] == [range(1, 3), range(3, 4)]
    # drums count from 1, the sampler from 0: 2 is 1 on the wire, 5 is 5 (common practice,
    # no source).
    assert tide.parts[1].changes == (ProgramChange("drums", 1, None),)
    assert tide.parts[2].changes == (ProgramChange("sampler", 5, None),)
    assert tide.instruments["sampler"].shown(5) == 5


def test_a_part_may_have_a_bank_of_its_own_and_tell_further_instruments() -> None:
    tide = two_songs(
        ("program: 2,", "program: 2, bank: 16383, also: [{on: Sampler, program: 0, bank: 3}],"),
        ("send_before: 1 beat", "send_before: 1 beat, bank: 7"),
    )
    assert tide.parts[0].changes == (ProgramChange("drums", 0, 7),)
    assert tide.parts[1].changes == (
        ProgramChange("drums", 1, 16383),
        ProgramChange("sampler", 0, 3),
    )


def test_with_one_instrument_a_part_is_on_it_without_saying_so() -> None:
    part = tidewater(("        on: drums\n", "")).parts[0]
    assert (part.instrument, part.changes[0].instrument) == ("drums", "drums")


def test_recount_rare_watch_and_every_from() -> None:
    tide = tidewater(
        ("recount: true", "recount: no"),
        ("set: Tidewater", "set: Tidewater\nrare: 1 in 8"),
        ("watch: true", "watch: false"),
        ("{every: phrase, say", "{every: 2 bars, from: pass 3, sweep"),
    )
    assert tide.instruments["drums"].recount is False
    assert tide.rare == Fraction(1, 8)
    assert tide.parts[0].pattern.tracks[1].steps[1].watch is False
    cue = tide.parts[0].cues[3]
    assert cue.when == When(WhenKind.EVERY, Span(2, Unit.BARS), from_pass=3)
    assert (cue.action, cue.text) == (Action.SWEEP, "open the filter")


def test_mute_takes_one_track_or_a_list_capitals_aside() -> None:
    cue = tidewater(("mute: [shaker]", "mute: [Shaker, low  DRUM]")).parts[0].cues[0]
    assert cue.tracks == ("shaker", "low drum")


def test_keys_keep_their_yaml_traps_out() -> None:
    """YAML 1.1 reads `on` and `yes` as true, 1:30 as ninety and 012 as ten; names stay names."""
    text = TIDEWATER.replace("shaker", "yes").replace("low drum", "1:30")
    assert faults(text) == []
    tide = tidewater(("shaker:", "off:"), ("[shaker]", "[off]"), ("unmute: shaker", "unmute: off"))
    assert [track.name for track in tide.parts[0].pattern.tracks] == ["low drum", "off"]
    assert tidewater(("channel: 10", "channel: 010")).instruments["drums"].channel == 9


def test_anchors_aliases_and_merges_are_yaml_as_usual() -> None:
    tide = two_songs(
        ("  drums:\n", "  drums: &box\n"),
        ("  sampler:\n    channel: 2\n", "  sampler:\n    <<: *box\n    channel: 2\n"),
    )
    assert tide.instruments["sampler"].channel == 1
    merged = two_songs(
        ("  drums:\n", "  drums: &box\n"), ("  sampler:\n", "  bell: *box\n  sampler:\n")
    )
    assert merged.instruments["bell"].channel == 9


def test_places_of_things_in_the_file() -> None:
    _, places = read_with_places(TIDEWATER_FILE)
    lines = TIDEWATER.splitlines()
    for path, begins in {
        ("set",): "set: Tidewater",
        ("instruments", "drums", "change"): "change:",
        ("patterns", "slack water", "tracks", "low drum", "steps", 7): "7: chance 60%",
        ("patterns", "slack water", "tracks", "shaker", "steps", 5): "5: {rule",
        ("songs", 0): "song: Slack water",
        ("songs", 0, "parts", 0): "pattern: slack water",
        ("songs", 0, "parts", 0, "cues", 2): "{at: last 1 bar",
    }.items():
        line, column = places.at(path)
        assert lines[line - 1][column - 1 :].startswith(begins), path
    line, column = places.value(("songs", 0, "tempo"))
    assert lines[line - 1][column - 1 :].startswith("118")


def test_steps_may_be_written_with_zeros_to_line_up() -> None:
    text = TIDEWATER.replace("          7: chance", "          07: chance")
    assert faults(text) == []
    path = ("patterns", "slack water", "tracks", "low drum", "steps", 7)
    assert Places(parse_tree(text).root).at(path) == (24, 11)
