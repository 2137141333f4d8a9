"""docs/faults.md names tests that exist, and shows the transport as it is."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from companion.follow import belief, conductor
from tests.follow.faults_page import PAGE, with_table

TESTS = Path(__file__).parents[1]
NAMED = re.compile(r"`([\w/]+\.py)::(\w+)`")


def page() -> str:
    return PAGE.read_text(encoding="utf-8")


def test_each_test_that_is_named_exists() -> None:
    named = NAMED.findall(page())
    assert len(named) > 30
    for file in {file for file, _ in named}:
        tree = ast.parse((TESTS / file).read_text(encoding="utf-8"))
        functions = {
            node.name
            for node in tree.body
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        }
        assert {test for each, test in named if each == file} <= functions, file


@pytest.mark.parametrize(
    ("section", "least"),
    [("The faults", 60), ("Putting the count right", 5), ("Who may do what", 9)],
)
def test_each_row_is_shown_by_a_test(section: str, least: int) -> None:
    lines = page().split(f"## {section}\n")[1].split("\n## ")[0].splitlines()
    rows = [line for line in lines if line.startswith("| ")][2:]
    assert len(rows) >= least
    for row in rows:
        assert NAMED.search(row), row


def test_the_transport_is_shown_as_it_is() -> None:
    assert with_table(page()) == page()


def test_the_doubts_that_are_quoted_are_real_ones() -> None:
    named = {**vars(conductor), **vars(belief)}
    doubts = [text for name, text in named.items() if name.isupper() and type(text) is str]
    # What is put together from the names of parts begins with one.
    doubts.append("… may be")
    found = re.findall(r'unsure[^|]*: "([^"…]+|… may be)', page())
    quoted = [quote for quote in found if not quote.startswith("program")]
    assert len(quoted) > 5
    for quote in quoted:
        assert any(doubt.startswith(quote.strip()) for doubt in doubts), quote
