"""Broken YAML: what the musician reads, where, and how much of the file is still checked."""
# ruff: noqa: E501 (tables, one case a line)

from __future__ import annotations

import pytest
import yaml

from companion.setlist import yamltree
from tests.setlist.sheets import TIDEWATER, edited, faults

LOADERS = [getattr(yaml, "CSafeLoader", yaml.SafeLoader), yaml.SafeLoader]


@pytest.fixture(params=LOADERS, ids=["fast", "plain"])
def loader(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """PyYAML's fast parser and the one in plain Python, which words its complaints otherwise."""
    monkeypatch.setattr(yamltree, "_LOADER", request.param)


BROKEN = [
    ("    recount", "\trecount", "11:1: a tab cannot be used for indentation; use spaces"),
    ("    recount", "  \trecount", "11:3: a tab cannot be used for indentation; use spaces"),
    ('"*drum*"', "*drum*", "4:16: an asterisk at the start reads as a reference; put it in quotes"),
    ('"*drum*"', "*drum", "4:11: `*drum` refers to an anchor `&drum` not set above; put text that begins with an asterisk in quotes"),
    ("    tempo", "  \u00a0 tempo", "34:3: the space U+00A0 cannot be used for indentation; type plain spaces"),
    ("set: Tidewater", "set:Tidewater", "1:5: there is no space after `set:`"),
    ("1: always", "1:always", "23:13: there is no space after `1:`"),
    ("chance 60%", "chance: 60%", "24:20: this line has a second colon; put text with a colon in quotes"),
    ('"open the filter"', '"open the filter', '44:34: a quote is opened here and not closed on this line; close it with "'),
    ('"open the filter"', "'open the filter", "44:34: a quote is opened here and not closed on this line; close it with '"),
    ("set: Tidewater", 'set: "Tidewater', "1:6: a quote is opened here"),
    ("Slack water\n    tempo", '"Slack water\n    tempo', "33:11: a quote is opened here"),
    ("[shaker]", "[shaker", "41:38: a list in [ ] is not closed, or lacks a comma"),
    ("[shaker]", "@shaker", "41:31: text cannot begin with `@`; put it in quotes"),
    ("chance 60%", "%60", "24:14: text cannot begin with `%`; put it in quotes"),
    ("chance 60%", "`60`", "24:14: text cannot begin with"),
    ("do: restore}", "do: restore", "45:13: a { is opened here and not closed; close it with }"),
    ("        on: drums", "       on: drums", "37:8: this line does not line up with the "),
    ("        on: drums", "          on: drums", "37:11: this line does not line up with the line above it"),
    ("mute: [shaker]}", "mute: shaker", "41:13: a { is opened here and not closed; close it with }"),
    ("mute: [shaker]}", "mute: [shaker", "41:31: a [ is opened here and not closed; close it with ]"),
    ("{at: start, mute: [shaker]}", "{at: start,\n             mute: shaker\n             say: go}", "43:17: an entry in { } is not closed, or lacks a comma"),
    ("patterns:", "  patterns:", "14:3: this line does not line up with the keys above it"),
    ("1: always", '1: "alw\\qays"', "23:14: \\ and this letter mean nothing in double quotes"),
    ("1: always", "1: &", "23:"),
    ("1: always", "1: !!python/object:os.system ls", "23:14: the tag `tag:yaml.org,2002:python/object:os.system` means nothing here; leave it out"),
    ("1: always", "1: ? x", "23:"),
    ("songs:", "---\nsongs:", "32:1: a second document begins here; keep one set a file"),
    ("songs:", "? [a]\n: b\nsongs:", "32:3: a list or mapping stands where a key belongs"),
    ("songs:", "~: b\nsongs:", "32:1: a key is missing before the colon"),
    ("songs:", "<<: 3\nsongs:", "32:1: `<<` takes in a mapping, and this is none"),
    ("    length: 12", "    length: 12\x07", "27:19: the character U+0007 cannot be in a set list; take it out"),
    ("  drums:", "  drums: &d\n    <<: *d", "4:9: `*d` stands inside its own anchor; write it out"),
]  # fmt: skip


@pytest.mark.usefixtures("loader")
@pytest.mark.parametrize(("old", "new", "said"), BROKEN, ids=lambda text: str(text)[:40])
def test_one_slip_is_one_fault_in_plain_words(old: str, new: str, said: str) -> None:
    found = faults(edited(TIDEWATER, (old, new)))
    assert len(found) == 1, found
    assert found[0].startswith(said)
    # Words of the parser's own that a musician should not meet.
    for word in ("token", "scalar", "block", "flow", "simple key", "mapping values"):
        assert word not in found[0]


def test_every_indenting_tab_is_told() -> None:
    text = TIDEWATER.replace("          7:", "\t  7:").replace("          16:", "\t  16:")
    assert [fault.split(":")[:2] for fault in faults(text)] == [["24", "1"], ["25", "1"]]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"*drum*"', "*drum*"),
        ('"*drum*"', "@drum"),
        ('"*drum*"', '"*drum*'),
        ('"*drum*"', "tide: drum"),
        ('"*drum*"', '"*dr\\um*"'),
    ],
)
def test_what_is_broken_on_one_line_does_not_hide_the_rest(old: str, new: str) -> None:
    text = edited(
        TIDEWATER, (old, new), ("channel: 10", "channel: 0"), ("phrases: 2", "phrases: two")
    )
    assert [fault.split(":")[0] for fault in faults(text)] == ["4", "5", "39"]


def test_several_broken_lines_are_all_told() -> None:
    text = edited(
        TIDEWATER,
        ('"*drum*"', "*drum*"),
        ("{at: start, mute: [shaker]}", "{at: start, mute: @shaker}"),
        ('"open the filter"', "open: the: filter"),
        ("do: restore", "do: restroe"),
    )
    assert [fault.split(":")[0] for fault in faults(text)] == ["4", "41", "44", "45"]


def test_a_bracket_that_is_not_closed_does_not_hide_the_rest() -> None:
    text = edited(
        TIDEWATER, ("warn: 2 bars}", "warn: 2 bars"), ("fill: 1 bar}", "fill: 1 baa}"), ("12", "0")
    )
    assert [fault.split(":")[0] for fault in faults(text)] == ["27", "42", "43"]


def test_a_file_broken_off_in_the_middle_tells_only_what_is_certain() -> None:
    """Names that may stand further down, and all that may be missing, are no faults then."""
    text = edited(
        TIDEWATER.replace(
            "patterns:", "songs:\n  - {song: Ebb, parts: [{pattern: lost}]}\npatterns:"
        ),
        ("channel: 10", "channel: 0"),
        ("    length: 16 ", "    #ength: 16 "),
        ("1: always", "1: if shaker played"),
        ("7: chance 60%", "27: chance 60%"),
        ("          16: pass 4 of 4", "   16: pass 4 of 4"),
    )
    assert [fault.split(":")[0] for fault in faults(text)] == ["5", "27"]
