"""Attacks: whatever is in the file, out comes a set list or faults that lie inside the file."""
# ruff: noqa: E501 (tables, one case a line)

from __future__ import annotations

import string
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.setlist import SetList, SetListError
from companion.setlist.check import FORMS
from companion.setlist.reading import read_set_list, read_text
from companion.setlist.yamltree import Lines
from tests.setlist.sheets import TIDEWATER, TWO_SONGS
from tests.setlist.test_steering import TIDE as STEERED


def survives(text: str) -> SetList | None:
    """Read `text`; the set list, or None after looking at every fault."""
    try:
        return read_text(text, "tide.yaml")
    except SetListError as error:
        faults = error.faults
    assert faults
    assert list(faults) == sorted(set(faults))
    last, _ = Lines(text).spot(len(text))
    for fault in faults:
        shown = fault.render("tide.yaml")
        assert shown.isprintable()
        assert shown.startswith(f"tide.yaml:{fault.line}:{fault.column}: ")
        assert "; " in shown
        assert 1 <= fault.line <= last
        start, end = Lines(text).bounds(fault.line)
        assert 1 <= fault.column <= end - start + 1
    return None


@given(st.binary(max_size=200))
def test_any_bytes(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    file = tmp_path_factory.getbasetemp() / "tide.yaml"
    file.write_bytes(data)
    with pytest.raises(SetListError) as caught:
        read_set_list(file)
    assert caught.value.faults


@given(st.text(max_size=200) | st.text(alphabet="a:- \n\t[]{}&*!|>'\"#%@,?~<", max_size=120))
def test_any_text(text: str) -> None:
    survives(text)


GOOD = [TIDEWATER, TWO_SONGS, STEERED]
KEYS = sorted({key for form, _ in FORMS.values() for key in form.spelled()})
NAMES = ["slack water", "drums", "shaker", "low drum", "1", "16", "07", "last", ""]
VALUES = [
    *("1 bar", "8 passes", "0 bars", "2000 ms", "start", "end", "last 2 bars", "pass 2", "phrase"),
    *("always", "pass 1 of 4", "if shaker played", "fill, no fill", "1:4", "restore", "at once"),
    *(
        "10",
        "0",
        "1e9",
        "-1",
        "4/4",
        "1/16T",
        "true",
        "1 in 3",
        "note 60",
        "align bar",
        "\x1b[2J",
        "\U0001f30a",
        "9" * 400,
    ),
]
LEAVES = st.none() | st.sampled_from(NAMES) | st.sampled_from(VALUES) | st.text(max_size=6)
TREES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(KEYS) | st.sampled_from(NAMES), inner, max_size=6)
    ),
    max_leaves=30,
)


def shaped(path: tuple[Any, ...] = ()) -> st.SearchStrategy[Any]:
    """Trees that have the format's keys in the right places, with anything in them."""
    form = FORMS[path][0]
    fields: dict[str, st.SearchStrategy[Any]] = {}
    for key in form.spelled():
        here = (*path, key)
        if here in FORMS:
            inner = shaped(here)
        elif (*here, "*") in FORMS:
            below = shaped((*here, "*"))
            if key in ("instruments", "patterns", "tracks", "steps", "mutes", "send_mutes"):
                inner = st.dictionaries(st.sampled_from(NAMES), below | LEAVES, max_size=3)
            else:
                inner = st.lists(below | LEAVES, max_size=3)
        else:
            inner = LEAVES
        fields[key] = inner | LEAVES
    return st.fixed_dictionaries({}, optional=fields)


@settings(deadline=None)
@given(st.fixed_dictionaries({"set": LEAVES, "patterns": TREES, "songs": TREES}) | TREES)
def test_any_tree(tree: Any) -> None:
    survives(yaml.safe_dump(tree, allow_unicode=True))


@settings(deadline=None, max_examples=200)
@given(shaped(), st.booleans())
def test_trees_of_the_right_shape_with_anything_in_them(tree: Any, flow: bool) -> None:
    survives(yaml.safe_dump(tree, allow_unicode=True, default_flow_style=flow, sort_keys=False))


@settings(deadline=None, max_examples=300)
@given(st.data())
def test_a_good_file_with_pieces_cut_doubled_moved_or_typed_over(data: st.DataObject) -> None:
    text = data.draw(st.sampled_from(GOOD))
    for _ in range(data.draw(st.integers(1, 4))):
        a, b = sorted(data.draw(st.tuples(*[st.integers(0, len(text))] * 2)))
        b = min(b, a + data.draw(st.integers(0, 30)))
        piece = data.draw(
            st.sampled_from(["", text[a:b] * 2, "\t", ": ", "- ", '"', "*x", "&x ", "{", "\n", "#"])
            | st.text(alphabet=string.printable, max_size=5)
        )
        text = text[:a] + piece + text[b:]
    survives(text)


@settings(deadline=None, max_examples=150)
@given(st.data())
def test_a_good_file_with_lines_swapped_dropped_or_indented(data: st.DataObject) -> None:
    lines = data.draw(st.sampled_from(GOOD)).splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        i, j = data.draw(st.tuples(*[st.integers(0, len(lines) - 1)] * 2))
        what = data.draw(st.sampled_from(["swap", "drop", "indent", "dedent", "tab"]))
        if what == "swap":
            lines[i], lines[j] = lines[j], lines[i]
        elif what == "drop":
            lines[i] = ""
        elif what == "dedent":
            lines[i] = lines[i].removeprefix("  ")
        else:
            lines[i] = ("  " if what == "indent" else "\t") + lines[i]
    survives("\n".join(lines))


@pytest.mark.parametrize("text", GOOD)
def test_a_good_file_broken_off_at_any_character(text: str) -> None:
    for end in range(0, len(text), 7):
        survives(text[:end])


BIG = 60_000
LARGE = {
    "spaces": " " * 2_000_000,
    "brackets": "[" * 2_000_000,
    "braces": "{" * 2_000_000,
    "dashes": "- " * 1_000_000,
    "quote": '"' + "x" * 2_000_000,
    "spaced colon": "a" + " " * 2_000_000 + ":b\nc: d",
    "anchors": "".join(f"- &a{n} x\n" for n in range(BIG)),
    "same key": "x: 1\n" * BIG,
    "unknown keys": "".join(f"setx{n}: 1\n" for n in range(BIG)),
    "one long text": "set: " + "x" * 3_000_000,
    "long rule": TIDEWATER.replace("always", "fill, " * 100_000 + "fill"),
    "long key": "? " + "x" * 1_000_000 + "\n: y\n",
    "bad rules": TIDEWATER.replace(
        "        steps:\n", "        steps:\n" + "".join(f"          9{n}: pas {n}\n" for n in range(BIG)), 1
    ),
    "unknown names": TIDEWATER.replace(
        "        cues:\n",
        "        cues:\n" + "".join(f"          - {{at: end, mute: shake{n}}}\n" for n in range(BIG // 3)),
        1,
    ),
}  # fmt: skip


@pytest.mark.parametrize("text", LARGE.values(), ids=LARGE.keys())
def test_a_large_file_is_refused_in_the_end(text: str) -> None:
    with pytest.raises(SetListError) as caught:
        read_text(text, "tide.yaml")
    assert all(len(fault.render("tide.yaml")) < 400 for fault in caught.value.faults)
