"""The JSON Schema for editors says what the reader takes."""

from __future__ import annotations

from typing import Any

from companion.setlist.format import SetForm, StepForm
from companion.setlist.nodes import plain
from companion.setlist.shape import FORMS
from companion.setlist.tree import parse_tree
from tests.setlist.sheets import TIDEWATER_FILE

SCHEMA = SetForm.model_json_schema()


def fits(value: Any, schema: dict[str, Any]) -> bool:
    """Whether text-only data has the keys and shapes that `schema` allows."""
    if "$ref" in schema:
        return fits(value, SCHEMA["$defs"][schema["$ref"].rsplit("/", 1)[1]])
    if "anyOf" in schema:
        return any(fits(value, one) for one in schema["anyOf"])
    kinds = schema.get("type", [])
    kinds = [kinds] if isinstance(kinds, str) else kinds
    match value:
        case dict():
            known, more = schema.get("properties", {}), schema.get("additionalProperties", False)
            return (
                "object" in kinds
                and set(schema.get("required", ())) <= set(value)
                and all(
                    fits(v, known[k]) if k in known else bool(more) and fits(v, more)
                    for k, v in value.items()
                )
            )
        case list():
            return "array" in kinds and all(fits(item, schema["items"]) for item in value)
        case None:
            return "null" in kinds
    if "enum" in schema:
        return value in schema["enum"]
    return bool({"string", "number", "integer", "boolean"} & set(kinds))


def test_the_contracts_example_fits_the_schema() -> None:
    tide: Any = plain(parse_tree(TIDEWATER_FILE.read_text(encoding="utf-8")).root)
    assert fits(tide, SCHEMA)
    tide["songs"][0]["parts"][0]["patern"] = "slack water"
    assert not fits(tide, SCHEMA)


def test_every_form_and_key_is_in_the_schema() -> None:
    for form, _ in FORMS.values():
        own = SCHEMA if form is SetForm else SCHEMA["$defs"][form.__name__]
        assert list(own["properties"]) == form.spelled()
        assert own["additionalProperties"] is False


def test_a_step_may_be_a_bare_rule_and_an_instrument_may_be_empty() -> None:
    assert SCHEMA["$defs"][StepForm.__name__]["type"] == ["object", "string"]
    assert SCHEMA["$defs"]["InstrumentForm"]["type"] == ["object", "null"]
    assert SCHEMA["$defs"]["PartForm"]["required"] == ["pattern"]
