"""The JSON Schema for editors says what the reader takes; jsonschema is the judge."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner
from jsonschema import Draft202012Validator
from pydantic import TypeAdapter

from companion.cli.main import cli
from companion.setlist import BadText, text
from companion.setlist.check import FORMS
from companion.setlist.forms import (
    DRAFT,
    About,
    At,
    Every,
    FromPass,
    Hold,
    Lead,
    MeterText,
    Rate,
    RuleText,
    schema,
)
from tests.builders import SHIPPED
from tests.setlist.sheets import TIDEWATER, TIDEWATER_FILE, TWO_SONGS, edited
from tests.setlist.test_every_fault import ONE_FAULT, TWO_INSTRUMENTS

SCHEMA = schema()


class Core(yaml.SafeLoader):
    """YAML as editors read it: only true and false are truths (YAML 1.2.2, 10.3.2)."""


Core.yaml_implicit_resolvers = {
    first: [(tag, how) for tag, how in found if tag != "tag:yaml.org,2002:bool" or first in "tTfF"]
    for first, found in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


def told(file: Path) -> Any:
    """What an editor holds against the schema: keys are texts in JSON."""

    def keyed(value: Any) -> Any:
        if isinstance(value, dict):
            return {str(key): keyed(each) for key, each in value.items()}
        return [keyed(each) for each in value] if isinstance(value, list) else value

    return keyed(yaml.load(file.read_text(encoding="utf-8"), Loader=Core))


def faults(data: Any) -> list[str]:
    return [error.message for error in Draft202012Validator(SCHEMA).iter_errors(data)]


def test_the_schema_is_one_of_draft_2020_12_and_has_a_name() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == DRAFT == Draft202012Validator.META_SCHEMA["$id"]
    assert SCHEMA["$id"]


@pytest.mark.parametrize("file", [TIDEWATER_FILE, *SHIPPED], ids=lambda file: file.name)
def test_every_set_of_ours_fits(file: Path) -> None:
    assert faults(told(file)) == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("songs", 0, "parts", 0, "patern"), "slack water"),
        (("songs", 0, "parts", 0, "program"), 129),
        (("songs", 0, "tempo"), 500),
        (("rare",), ["1 in 3"]),
        (("patterns", "slack water", "step"), "1/15"),
        (("patterns", "slack water", "tracks", "low drum", "steps"), [1, 2]),
    ],
)
def test_a_slip_is_seen_by_an_editor(path: tuple[Any, ...], value: Any) -> None:
    slip = deepcopy(told(TIDEWATER_FILE))
    place = slip
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    assert faults(slip)


# Faults that no schema can know of: what a name stands for elsewhere, what hangs on other values,
# and what YAML does not hand on (a key written twice; 1.0, which is 1 in JSON).
BEYOND = (
    "is called",
    "has no track",
    "differ only",
    "is here a second time",
    "is named twice",
    "is told twice",
    "there is no program 0",
    "there is no program 128",
    "this pattern has 16 steps",
    "this track has 12 steps",
    "the part lasts",
    "takes a change at its pattern's end",
    "for one of several instruments",
    "`1.0`",
)


@pytest.mark.parametrize(
    ("base", "old", "new", "said"),
    [(TIDEWATER, *each) for each in ONE_FAULT] + [(TWO_SONGS, *each) for each in TWO_INSTRUMENTS],
    ids=lambda text: str(text)[:40],
)
def test_an_editor_sees_each_fault_that_a_schema_can_know(
    base: str, old: str, new: str, said: str, tmp_path: Path
) -> None:
    file = tmp_path / "slip.yaml"
    file.write_text(edited(base, (old, new)), encoding="utf-8")
    assert bool(faults(told(file))) is not any(each in said for each in BEYOND)


def leads(said: str) -> object:
    return text.span(said, text.LEAD_UNITS, 0)


def holds(said: str) -> object:
    return text.span(said, text.HOLD_UNITS)


# Spellings that the reader takes, capitals and spaces aside, and some that it does not.
SPELLED: list[tuple[Any, Any, list[str]]] = [
    (At, text.at, ["START", " end", "pass5", "Bar  9, beat 3", "pass 2 step 7", "last bar"]),
    (At, text.at, ["phrase 2 beat 1", "last 2 ms", "last", "bar", "pass 5 beat 2"]),
    (Every, text.every, ["phrase", "2 bars", "4passes", "1 Phrase", "2 beats", "2", "bars"]),
    (Lead, leads, ["0 beats", "120 ms", "1 millisecond", "1 phrase", "beat", "-1 beat"]),
    (Hold, holds, ["1bar", "02 beats", "0 bars", "1 ms"]),
    (MeterText, text.meter, ["7 / 8", "64/32", "4/5", "0/4", "4", "4/4/4"]),
    (Rate, text.rate, ["1 in 3", "1/3", "30 %", "0.3", "1 of 3", "x"]),
    (FromPass, text.from_pass, ["pass 5", "PASS5", "5", "pass"]),
    (About, text.phrases, ["4 phrases", "1 phrase", "4 bars", "4"]),
    (RuleText, text.parse_rule, ["always", "Not pass 1,3 of 4, chance 50%", "chance 2.5 %"]),
    (RuleText, text.parse_rule, ["if last played", "pass 4 of 4,fill", "chance 1 in 3", "NO FILL"]),
    (RuleText, text.parse_rule, ["1:4", "pass 4", "chance", "always always", "", "fill,", "50%"]),
]


@pytest.mark.parametrize(("form", "read", "spellings"), SPELLED)
def test_an_editor_takes_the_spellings_that_the_reader_takes(
    form: Any, read: Callable[[str], object], spellings: list[str]
) -> None:
    judge = Draft202012Validator(TypeAdapter(form).json_schema())
    for said in spellings:
        try:
            read(said)
        except BadText:
            taken = False
        else:
            taken = True
        assert judge.is_valid(said) is taken, said


def keys() -> Iterator[tuple[str, dict[str, Any]]]:
    for form in (SCHEMA, *SCHEMA["$defs"].values()):
        for key, said in form["properties"].items():
            yield f"{form['title']}: {key}", said


@pytest.mark.parametrize(
    ("name", "said"), keys(), ids=lambda each: each if isinstance(each, str) else ""
)
def test_each_key_says_what_it_means(name: str, said: dict[str, Any]) -> None:
    assert said["description"].endswith(".")


def test_every_form_and_key_is_in_the_schema() -> None:
    for form, _ in FORMS.values():
        own = SCHEMA["$defs"].get(form.__name__, SCHEMA)
        assert list(own["properties"]) == form.spelled()
        assert own["additionalProperties"] is False


def test_a_step_may_be_a_bare_rule_and_an_instrument_may_be_empty() -> None:
    data = told(TIDEWATER_FILE)
    data["patterns"]["slack water"]["tracks"]["low drum"]["steps"] = {"16": "pass 4 of 4"}
    data["instruments"] = {"drums": None}
    assert faults(data) == []


def test_the_command_prints_it_or_writes_a_file(tmp_path: Path) -> None:
    printed = CliRunner().invoke(cli, ["schema"])
    assert json.loads(printed.output) == SCHEMA
    written = tmp_path / "set-list.json"
    assert CliRunner().invoke(cli, ["schema", "-o", str(written)]).exit_code == 0
    assert json.loads(written.read_text(encoding="utf-8")) == SCHEMA


def test_what_cannot_be_written_is_said_in_one_line(tmp_path: Path) -> None:
    answer = CliRunner().invoke(cli, ["schema", "-o", str(tmp_path / "none" / "set-list.json")])
    assert answer.exit_code == 1
