"""The tree against PyYAML's own loader, and the limits no file may pass.

Outside reference: PyYAML's BaseLoader, which leaves every scalar as text.
"""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from companion.setlist.yamltree import (
    MAX_DEPTH,
    MAX_NODES,
    Lines,
    Listing,
    Mapping,
    Node,
    Scalar,
    parse_tree,
    plain,
)
from tests.setlist.sheets import TIDEWATER, TWO_SONGS


class Reference(yaml.SafeLoader):
    """PyYAML as it is, with merges and nulls, but every other scalar left as text."""

    yaml_implicit_resolvers = {  # noqa: RUF012 (as PyYAML declares it)
        first: [(tag, test) for tag, test in tests if tag.endswith(("null", "merge"))]
        for first, tests in yaml.SafeLoader.yaml_implicit_resolvers.items()
    }


def reference(text: str) -> Any:
    return yaml.load(text, Reference)


MERGED = """\
a: &a {x: 1, y: 2}
b: &b {y: 3, z: 4}
c: {<<: [*a, *b], z: 5}
d: {w: 0, <<: *a}
e: [*a, *b, ~, null, "null", '']
f: |
  first
  second
g: >
  folded
  line
"k": &k word
*k : l
"""


@pytest.mark.parametrize("text", [TIDEWATER, TWO_SONGS, MERGED, "", "- a\n- b", "word", "~"])
def test_the_tree_is_what_the_reference_loads(text: str) -> None:
    parsed = parse_tree(text)
    assert parsed.faults == ()
    assert parsed.whole
    assert plain(parsed.root) == reference(text)


VALUES = st.recursive(
    st.none() | st.text(max_size=12) | st.sampled_from(["on", "1:30", "012", "~", "<<", "null"]),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=20,
)


@given(VALUES, st.booleans(), st.sampled_from([20, 80]))
def test_whatever_the_reference_writes_is_read_as_it_reads_it(
    value: Any, flow: bool, width: int
) -> None:
    text = yaml.safe_dump(value, default_flow_style=flow, width=width, allow_unicode=True)
    parsed = parse_tree(text)
    assert parsed.faults == ()
    assert plain(parsed.root) == reference(text)


def scalars(node: Node) -> list[tuple[Scalar, str]]:
    """Every scalar with its text, keys apart."""
    match node:
        case Mapping():
            return [pair for entry in node.entries.values() for pair in scalars(entry.node)]
        case Listing():
            return [pair for item in node.items for pair in scalars(item)]
        case Scalar():
            return [] if node.text is None else [(node, node.text)]


@pytest.mark.parametrize("text", [TIDEWATER, TWO_SONGS, TIDEWATER.replace("\n", "\r\n")])
def test_every_text_stands_where_its_place_says(text: str) -> None:
    root = parse_tree(text).root
    assert root is not None
    lines = text.replace("\r\n", "\n").split("\n")
    found = scalars(root)
    assert len(found) > 20
    for scalar, said in found:
        assert scalar.inset is not None
        start = scalar.column - 1 + scalar.inset
        assert lines[scalar.line - 1][start : start + len(said)] == said


def test_lines_end_where_an_editor_ends_them() -> None:
    """YAML 1.1 also ends lines at three rarer characters, which editors show inside a line."""
    lines = Lines("a\nb\r\nc\rd\x85e\u2028f")
    assert [lines.spot(i) for i in (0, 1, 2, 5, 7, 9, 11, 99)] == [
        (1, 1), (1, 2), (2, 1), (3, 1), (4, 1), (4, 3), (4, 5), (4, 6),
    ]  # fmt: skip
    root = parse_tree("a: b\x85c: d\nlast: e").root
    assert isinstance(root, Mapping)
    assert root.entries["last"].line == 2


def test_depth_is_limited_in_itself_and_through_references() -> None:
    deep = "[" * MAX_DEPTH + "]" * MAX_DEPTH
    assert parse_tree(deep).faults == ()
    assert [f.wrong for f in parse_tree(f"[{deep}]").faults] == ["this is nested too deep"]
    half = "[" * 30 + "]" * 30
    chained = f"a: &a {half}\nb: {'[' * 30}*a{']' * 30}\n"
    assert [(f.line, f.wrong) for f in parse_tree(chained).faults] == [
        (2, "this is nested too deep")
    ]


def test_references_that_multiply_are_stopped() -> None:
    """Nine levels of nine references each would be nine to the ninth entries."""
    bomb = "a0: &a0 [x, x, x, x, x, x, x, x, x]\n" + "".join(
        f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 9)
    )
    parsed = parse_tree(bomb)
    assert [f.wrong for f in parsed.faults] == ["the set list is too long"]
    assert not parsed.whole


def test_a_long_file_is_stopped_at_the_limit() -> None:
    assert parse_tree("- x\n" * (MAX_NODES - 1)).faults == ()
    assert [f.wrong for f in parse_tree("- x\n" * MAX_NODES).faults] == ["the set list is too long"]
