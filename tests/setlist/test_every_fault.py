"""Every fault: one edit of a good set list, and what the musician then reads, where."""
# ruff: noqa: E501 (tables, one case a line)

from __future__ import annotations

import pytest

from tests.setlist.sheets import TIDEWATER, TWO_SONGS, edited, faults

# What to replace, by what, and the one fault that must come of it: LINE:COLUMN and pieces of it.
ONE_FAULT = [
    # Keys.
    ("channel: 10", "chanel: 10", "5:5: an instrument has no key `chanel`; did you mean `channel`?"),
    ("port:", "Port:", "4:5: an instrument has no key `Port`; did you mean `port`?"),
    ("    recount", "    bank: 3\n    recount", "11:5: an instrument has no key `bank`; it belongs under `change`"),
    ("  slack water:", "  slack water:\n    tune: 3", "16:5: a pattern has no key `tune`; write `length`, `step`, `meter`, `phrase` or `tracks`"),
    ("rule:", "rul:", "30:15: a step has no key `rul`; did you mean `rule`?"),
    ("{at: start", "{at:start", "41:14: a cue has no key `at:start`; put a space after the colon: `at: start`"),
    ("      - pattern", "      - patern", "36:9: a part has no key `patern`; did you mean `pattern`?"),
    ("songs:", "song:", "32:1: a set list has no key `song`; did you mean `songs`?"),
    ("    length: 12", "    \xa0length: 12", "27:9: a track has no key `\\xa0length`; what looks like a space"),
    ("    length: 16", "    length: 16\n    length: 8", "17:5: `length` is here a second time, first on line 16"),
    # What must be there.
    ("set: Tidewater", "rare: 20%", "1:1: a set list needs `set`"),
    ("set: Tidewater  ", "set:  ", "1:1: nothing is written after `set:`"),
    ("pattern: slack water\n        on", "on", "36:9: a part needs `pattern`"),
    ("song: Slack water\n    ", "", "33:5: a song needs `song`"),
    ("{from: drums}", "{}", "12:1: `clock` needs `from`"),
    # Numbers and words.
    ("channel: 10", "channel: 17", "5:14: `17` will not do here; write a whole number from 1 to 16"),
    ("channel: 10", "channel: ten", "5:14: `ten` will not do here; write a whole number from 1 to 16"),
    ("channel: 10", "channel: 1.0", "5:14: `1.0` will not do here"),
    ("channel: 10", "channel: [10]", "5:14: a single value belongs here"),
    ("programs_from: 1", "programs_from: 2", "7:22: `2` will not do here; write 0 or 1"),
    ("bank: 0", "bank: 16384", "8:13: `16384` will not do here; write a whole number from 0 to 16383"),
    ("pattern end", "patern end", "9:21: `patern end` will not do here; did you mean `pattern end`?"),
    ("pattern end", "pattern-end", "9:21: `pattern-end` will not do here; did you mean `pattern end`?"),
    ("1 beat", "1 phrase", "10:20: `1 phrase` cannot be used here; write a whole number of steps"),
    ("1 beat", "0 beats", "10:20: `drums` takes a change at its pattern's end, so a change sent on the boundary comes a pass too late; write at least `1 step`"),
    ("recount: true", "recount: maybe", "11:14: `maybe` is neither true nor false; write true or false"),
    ("from: drums", "from: drum", "12:15: no instrument is called `drum`; did you mean `drums`?"),
    ("length: 16 ", "length: 0 ", "16:13: `0` will not do here; write a whole number from 1 to 1024"),
    ("step: 1/16", "step: 1/12", "17:11: `1/12` is no step; write `1/4`, `1/8`"),
    ("meter: 4/4", "meter: 4/5", "18:12: `4/5` is no meter"),
    ("8 passes", "8 ms", "19:13: `8 ms` cannot be used here"),
    ("1: always", "1: 1:4", "23:14: `1:4` is no play rule; write `pass 1 of 4`"),
    ("1: always", "1:", "23:11: nothing is written for this step; write `always` or its rule"),
    ("1: always", "1: [always]", "23:14: keys belong here"),
    ("chance 50%", "chnce 50%", "30:35: `chnce 50%` is no play rule; did you mean `chance 50%`?"),
    ("16: pass", "17: pass", "25:11: this pattern has 16 steps and no step 17; write 1 to 16"),
    ("  5: {", "  13: {", "30:11: this track has 12 steps and no step 13; write 1 to 12"),
    ("16: pass", "one: pass", "25:11: `one` is no step; write a step's number, from 1 to 16"),
    ("  5: {", "  01: {", "30:11: step 1 is here a second time"),
    ("watch: true", "watch: 2", "30:78: `2` is neither true nor false"),
    ("program: 12 ", "program: ", "38:9: nothing is written here; write a value, or leave the key out"),
    ("mute: [shaker]", "mute: ", "41:25: nothing is written here"),
    ("port: \"*drum*\"", "port: ~", "4:5: nothing is written here"),
    ("tempo: 118", "tempo: 401", "34:12: `401` will not do here; write a number from 20 to 400"),
    ("tempo: 118", "tempo: brisk", "34:12: `brisk` will not do here; write a number from 20 to 400"),
    ("program: 12", "program: 0", "38:18: there is no program 0; `drums` counts programs from 1 to 128"),
    ("program: 12", "program: 129", "38:18: there is no program 129"),
    ("phrases: 2", "phrases: two", "39:18: `two` will not do here; write a whole number from 1 to 9999"),
    # Names of things.
    ("pattern: slack water", "pattern: slack watr", "36:18: no pattern is called `slack watr`; did you mean `slack water`?"),
    ("on: drums", "on: drum", "37:13: no instrument is called `drum`; did you mean `drums`?"),
    ("on: drums", "on: organ", "37:13: no instrument is called `organ`; write `drums`"),
    ("[shaker]", "[shakr]", "41:32: pattern `slack water` has no track `shakr`; did you mean `shaker`?"),
    ("[shaker]", '"shaker,low drum"', "41:31: pattern `slack water` has no track `shaker,low drum`; write several tracks as a list: [shaker, low drum]"),
    ("[shaker]", "[shaker, Shaker]", "41:40: `shaker` is named twice here"),
    ("[shaker]", "[]", "41:25: no track is named here"),
    ("pass 4 of 4", "if shakr played", "25:15: no track of this pattern is called `shakr`; did you mean `shaker`?"),
    ("low drum:", "last:", "21:7: a track cannot be called `last`"),
    ("low drum:", "Shaker:", "26:7: the tracks `Shaker` and `shaker` differ only in capitals or spaces"),
    ("low drum:", '"low\\x1b":', "21:7: this name holds the control character U+001B"),
    ("low drum:", '" low drum":', "21:7: this name begins or ends with a space"),
    # Cues.
    ("at: start", "at: strat", "41:18: `strat` is no time in a part; did you mean `start`?"),
    ("at: start, ", "", "41:13: this cue does not say when; add `at:` or `every:`"),
    ("{at: end, do: restore}", "{at: end}", "45:13: this cue asks for nothing; add `mute`"),
    ("at: start,", "at: start, say: hush,", "41:36: this cue asks for `say` and `mute`; write one cue for each"),
    ("{every: phrase", "{at: end, every: phrase", "44:23: this cue has both `at` and `every`; keep one of the two"),
    ("{at: end", "{at: end, from: pass 2", "45:23: `from` goes with `every` only"),
    ("{every: phrase", "{every: phrase, from: 2", "44:35: `2` is no pass; write `pass 2`"),
    ("every: phrase", "every: 2", "44:21: `2` does not say of what; write `2 bars` or `2 passes`"),
    ("fill: 1 bar", "fill: ", "43:30: nothing is written here; write a value, or leave the key out"),
    ("do: restore", "do: restroe", "45:27: `restroe` will not do here; did you mean `restore`?"),
    ("do: restore", "do: reload", "45:27: `reload` will not do here; write `restore`"),
    ("last 1 bar", "last 17 bars", "43:18: `last 17 bars` begins before this part does; the part lasts 16 bars"),
    ('"open the filter"', '""', "44:34: this text is empty"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), ONE_FAULT, ids=lambda text: str(text)[:40])
def test_one_slip_makes_one_fault(old: str, new: str, said: str) -> None:
    found = faults(edited(TIDEWATER, (old, new)))
    assert len(found) == 1, found
    assert found[0].startswith(said)


TWO_INSTRUMENTS = [
    ("on: drums, program: 1", "program: 1", "24:32: this program is for one of several instruments; write `on:`"),
    ("on: drums, program: 1", "on: drums, bank: 1", "24:43: a bank is sent with a program only; write `program:` too"),
    ("program: 2,", "program: 2, also: [{on: drums, program: 1}],", "25:60: `drums` is told twice at the start of this part"),
    ("program: 2,", "program: 2, also: [{on: drum, program: 1}],", "25:60: no instrument is called `drum`; did you mean `drums`?"),
    ("program: 2,", "program: 2, also: [{on: sampler, program: 128}],", "25:78: there is no program 128; `sampler` counts programs from 0 to 127"),
    ("program: 2,", "program: 2, also: [{on: sampler}],", "25:55: an entry of `also` needs `program`"),
    ("  sampler:", "  Drums:", "6:3: the instruments `drums` and `Drums` differ only in capitals or spaces"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), TWO_INSTRUMENTS, ids=lambda text: str(text)[:40])
def test_one_slip_among_several_instruments(old: str, new: str, said: str) -> None:
    found = faults(edited(TWO_SONGS, (old, new)))
    assert [fault for fault in found if fault.startswith(said)], found


def test_all_faults_come_at_once_in_the_order_of_the_file() -> None:
    found = faults(
        edited(
            TIDEWATER,
            ("channel: 10", "channel: 0"),
            ("bank: 0", "bnak: 0"),
            ("from: drums", "from: drum"),
            ("pass 4 of 4", "pass 5 of 4"),
            ("last 1 bar", "last 99 bars"),
            ("length: 12", "length: none"),
            ("tempo: 118", "tempo: fast"),
            ("at: start", "at: strat"),
            ("do: restore", "doo: restore"),
        )
    )
    lines = [int(fault.split(":")[0]) for fault in found]
    assert lines == [5, 8, 12, 25, 27, 34, 41, 43, 45]


@pytest.mark.parametrize(
    ("old", "new", "lines"),
    [
        # A value of the wrong shape is one fault, whatever hangs on it.
        ("    change:\n", "    change: quick\n    chang:\n", [6, 7]),
        ("patterns:\n", "patterns: none\npattern:\n", [14, 15]),
        ("songs:\n", "songs: none\nsong:\n", [32, 33]),
        ("instruments: ", "instruments: 3\ninstrument:  ", [2, 3]),
        ("clock: {from: drums}", "clock: drums", [12]),
        ("        cues:\n", "        cues: none\n        cue:\n", [40, 41]),
        ("    parts:\n", "    parts: none\n    part:\n", [35, 36]),
        (
            "      - pattern: slack water\n",
            "      -\n      - 3\n      - pattern: slack water\n",
            [36, 37],
        ),
    ],
)
def test_a_wrong_shape_brings_no_faults_in_its_train(old: str, new: str, lines: list[int]) -> None:
    found = faults(edited(TIDEWATER, (old, new)))
    assert [int(fault.split(":")[0]) for fault in found] == lines, found


def test_a_program_beyond_all_is_told_though_its_instrument_is_unknown() -> None:
    text = edited(TIDEWATER, ("on: drums", "on: drum"), ("program: 12", "program: 129"))
    assert [fault.split(";")[0] for fault in faults(text)] == [
        "37:13: no instrument is called `drum`",
        "38:18: there is no program 129",
    ]


def test_an_empty_list_of_songs_or_parts_and_a_set_without_patterns() -> None:
    head = "set: Tidewater\npatterns: {neap: {}}\n"
    assert faults(head + "songs: []\n") == [
        "3:1: there is no song; write at least one under `songs:`"
    ]
    assert faults(head + "songs: [{song: Ebb, parts: []}]\n") == [
        "3:21: this song has no part; write `parts:` and at least one `- pattern:` under it"
    ]
    assert faults(
        "set: Tidewater\npatterns: {}\nsongs: [{song: Ebb, parts: [{pattern: neap}]}]\n"
    ) == ["2:1: there is no pattern; write at least one under `patterns:`"]


def test_a_program_with_no_instrument_declared() -> None:
    text = "set: Ebb\npatterns: {neap: {}}\nsongs: [{song: Ebb, parts: [{pattern: neap, program: 3}]}]\n"
    assert faults(text) == [
        "3:45: this program is for an instrument, and none is declared; "
        "write `instruments:` and the instrument at the top of the set list"
    ]


def test_a_fault_in_a_shared_piece_is_told_once() -> None:
    text = edited(
        TWO_SONGS,
        ("  drums:\n    channel: 10\n", "  drums: &box\n    channel: 99\n"),
        ("  sampler:\n    channel: 2\n", "  bell: *box\n  sampler:\n    channel: 2\n"),
    )
    assert [fault for fault in faults(text) if "99" in fault] == [
        "4:14: `99` will not do here; write a whole number from 1 to 16"
    ]


def test_a_line_is_shown_as_it_is_and_cannot_garble_a_terminal() -> None:
    found = faults(edited(TIDEWATER, ("channel: 10", '"cha\\x1b[31mnel\\n": 10')))
    assert found == [
        "5:5: an instrument has no key `cha\\x1b[31mnel\\n`; did you mean `channel`?",
    ]
