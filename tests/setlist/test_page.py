"""The set-list page: its examples are read, and it leaves out no key and no term."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from companion.setlist.advice import advise
from companion.setlist.check import FORMS
from companion.setlist.reading import read_controls, read_text
from companion.setlist.text import parse_rule, wish
from companion.setlist.yamltree import parse_tree, plain

PAGE = (Path(__file__).parents[2] / "docs" / "setlist.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)
WHOLE, *PIECES = EXAMPLES


def data(text: str) -> dict[str, Any]:
    found: Any = plain(parse_tree(text).root)
    assert isinstance(found, dict)
    return found


def test_the_whole_example_reads_without_a_fault_or_advice() -> None:
    tide = read_text(WHOLE, "setlist.md")
    assert (tide.name, len(tide.parts)) == ("Tidewater", 2)
    assert advise(tide) == []


@pytest.mark.parametrize("piece", PIECES, ids=lambda piece: piece.split(":")[0])
def test_each_piece_reads_when_put_into_the_whole(piece: str) -> None:
    """Instruments and patterns are added by name; all else replaces what the whole set has."""
    tide = data(WHOLE)
    tide["instruments"]["sampler"] = {"channel": "3"}
    for key, value in data(piece).items():
        tide[key] = tide[key] | value if key in ("instruments", "patterns") else value
    read_text(yaml.safe_dump(tide, sort_keys=False, allow_unicode=True), "setlist.md")


def test_there_are_examples_of_all_there_is_at_the_top() -> None:
    keys = {key for example in EXAMPLES for key in data(example)}
    assert keys == set(FORMS[()][0].spelled())


def test_a_file_of_controls_reads_too(tmp_path: Path) -> None:
    (piece,) = (piece for piece in PIECES if piece.startswith("controls:"))
    file = tmp_path / "pad.yaml"
    file.write_text(piece, encoding="utf-8")
    assert len(read_controls(file)) == 7


def rows(heading: str) -> list[str]:
    """What stands between backquotes in the first column of the table under `heading`."""
    table = PAGE.split(f"| {heading} |", 1)[1].split("\n\n", 1)[0]
    return [
        term for row in table.splitlines()[2:] for term in re.findall(r"`(.*?)`", row.split("|")[1])
    ]


def test_every_term_on_the_page_can_be_read() -> None:
    terms = rows("term")
    assert len(terms) == 15
    for term in terms:
        said = term.replace("P%", "60%").replace("K, L of N", "1, 3 of 8")
        said = said.replace("K of N", "3 of 8").replace("M in N", "1 in 3")
        rule = parse_rule(said.replace("TRACK", "low drum"), ["low drum"])
        assert rule.conditional == (term != "always")


def test_every_wish_on_the_page_can_be_read() -> None:
    wishes = rows("wish")
    assert len(wishes) == 27
    assert len({wish(said).ask for said in wishes}) == 21


@pytest.mark.parametrize("form", FORMS.values(), ids=lambda form: form[0].__name__)
def test_no_key_is_left_out(form: tuple[Any, str]) -> None:
    for key in form[0].spelled():
        assert f"`{key}`" in PAGE or f"`{key}: " in PAGE or f"{{{key}: " in PAGE, key
