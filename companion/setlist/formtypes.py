"""What a single value of the file may hold, and how a mapping of it is read.

Which keys there are, and where, is in `format` and `controlforms`.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from functools import cache
from typing import Annotated, Any, Self, get_origin

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    GetJsonSchemaHandler,
    ModelWrapValidatorHandler,
    PlainValidator,
    model_validator,
)
from pydantic import WithJsonSchema as Schema
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from companion.counting.ticks import STEP_TICKS, Meter
from companion.setlist import text
from companion.setlist.faults import BadText
from companion.setlist.model import Span, Unit, When

# Stands for an empty value where one must be written.
NOTHING = object()
_EMPTY = BadText("nothing is written here", "write a value, or leave the key out")


def written(parse: Callable[[str], Any]) -> PlainValidator:
    """Hand a single value, as text, to `parse`; anything else is of the wrong shape."""

    def read(value: object) -> Any:
        if isinstance(value, str):
            return parse(value)
        if value is None or value is NOTHING:
            raise _EMPTY
        raise BadText("a single value belongs here", "write it after the colon, on the same line")

    return PlainValidator(read)


def whole(low: int, high: int, most: int | None = None) -> tuple[PlainValidator, Schema]:
    """A whole number; up to `most` passes here where a later check knows the bounds better."""
    schema = Schema({"type": "integer", "minimum": low, "maximum": high})
    return written(lambda said: text.whole(said, low, high if most is None else most)), schema


def like(*examples: str) -> Schema:
    """A text, with examples of it."""
    return Schema({"type": "string", "examples": list(examples)})


def span(units: tuple[Unit, ...], least: int = 1) -> PlainValidator:
    """A span in one of `units`."""
    return written(lambda said: text.span(said, units, least))


def _one_or_more(value: object) -> object:
    if value is NOTHING:
        raise _EMPTY
    return [value] if isinstance(value, str) else value


_TEXT = Schema({"type": ["string", "number"]})
_CHANNEL, _FROM, _BANK = whole(1, 16), whole(0, 1), whole(0, 16383)
_LENGTH, _PHRASES, _PROGRAM = whole(1, 1024), whole(1, 9999), whole(0, 128, most=9999)
_TAKES_EFFECT = ("pattern end", "at once")

Name = Annotated[str, written(text.name), _TEXT]
Words = Annotated[str, written(text.words), _TEXT]
Truth = Annotated[bool, written(text.truth), Schema({"type": "boolean"})]
Channel = Annotated[int, *_CHANNEL]
From = Annotated[int, *_FROM]
Bank = Annotated[int, *_BANK]
Program = Annotated[int, *_PROGRAM]
Length = Annotated[int, *_LENGTH]
Phrases = Annotated[int, *_PHRASES]
Tempo = Annotated[
    float,
    written(lambda said: text.decimal(said, 20, 400)),
    Schema({"type": "number", "minimum": 20, "maximum": 400}),
]
StepTicks = Annotated[int, written(text.step_ticks), Schema({"enum": list(STEP_TICKS)})]
MeterText = Annotated[Meter, written(text.meter), like("4/4", "7/8")]
Rate = Annotated[Fraction, written(text.rate), like("1 in 3", "30%")]
Takes = Annotated[
    str,
    written(lambda said: text.choice(said, *_TAKES_EFFECT)),
    Schema({"enum": list(_TAKES_EFFECT)}),
]
Lead = Annotated[Span, span(text.LEAD_UNITS, 0), like("1 beat", "4 steps", "120 ms")]
Phrase = Annotated[Span, span(text.PHRASE_UNITS), like("8 bars", "8 passes")]
Hold = Annotated[Span, span(text.HOLD_UNITS), like("1 bar", "2 beats")]
Warn = Annotated[Span, span(text.HOLD_UNITS, 0), like("1 bar", "2 bars")]
At = Annotated[
    When, written(text.at), like("start", "end", "pass 5", "phrase 2", "bar 9", "last 2 bars")
]
Every = Annotated[Span, written(text.every), like("phrase", "2 bars")]
FromPass = Annotated[int, written(text.from_pass), like("pass 5")]
RuleText = Annotated[str, written(str), like("always", "pass 1 of 4", "chance 50%")]
Reload = Annotated[
    str, written(lambda said: text.choice(said, "reload")), Schema({"enum": ["reload"]})
]
Names = Annotated[
    list[Name],
    BeforeValidator(_one_or_more),
    Schema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
]


# Stands in a list for an entry that was cut out because of a fault.
GAP = object()


class Form(BaseModel):
    """A mapping of the file. Nothing after a colon is a slip where a single value belongs."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    @model_validator(mode="wrap")
    @classmethod
    def _check(cls, data: object, check: ModelWrapValidatorHandler[Self]) -> Self:
        if data is GAP:
            return cls.model_construct()
        if data is NOTHING:
            raise _EMPTY
        data = cls.meant(data)
        if isinstance(data, dict):
            left_out = cls.holders()
            data = {
                key: NOTHING if value is None and key in cls.spelled() else value
                for key, value in data.items()
                if value is not None or key not in left_out
            }
        return check(data)

    @classmethod
    def meant(cls, data: object) -> object:
        """The mapping that `data` stands for, where something shorter may be written."""
        return {} if data is None else data

    @classmethod
    @cache
    def spelled(cls) -> list[str]:
        """The keys as the file spells them."""
        return [field.alias or name for name, field in cls.model_fields.items()]

    @classmethod
    @cache
    def holders(cls) -> set[str]:
        """The keys that may be left empty: those of lists and mappings, and those that must be
        there, which then count as missing."""
        return {
            field.alias or name
            for name, field in cls.model_fields.items()
            if field.is_required()
            or get_origin(field.annotation) in (dict, list)
            or (isinstance(field.annotation, type) and issubclass(field.annotation, Form))
        }

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        reference = handler(core)
        schema = handler.resolve_ref_schema(reference)
        schema.update(cls.in_editors(schema))
        return reference

    @classmethod
    def in_editors(cls, schema: JsonSchemaValue) -> JsonSchemaValue:
        """What the JSON Schema of this form says otherwise than the form itself."""
        return {} if schema.get("required") else {"type": ["object", "null"]}
