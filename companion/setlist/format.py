"""The shape of the file, key by key: which keys there are, where, and what each may hold.

Also the source of the JSON Schema for editors. Names that refer to other places in the file, and
what only makes sense in the whole set, are checked elsewhere.
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
    Field,
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


def _written(parse: Callable[[str], Any]) -> PlainValidator:
    """Hand a single value, as text, to `parse`; anything else is of the wrong shape."""

    def read(value: object) -> Any:
        if isinstance(value, str):
            return parse(value)
        if value is None or value is NOTHING:
            raise _EMPTY
        raise BadText("a single value belongs here", "write it after the colon, on the same line")

    return PlainValidator(read)


def _whole(low: int, high: int, most: int | None = None) -> tuple[PlainValidator, Schema]:
    """A whole number; up to `most` passes here where a later check knows the bounds better."""
    schema = Schema({"type": "integer", "minimum": low, "maximum": high})
    return _written(lambda said: text.whole(said, low, high if most is None else most)), schema


def _like(*examples: str) -> Schema:
    return Schema({"type": "string", "examples": list(examples)})


def _span(units: tuple[Unit, ...], least: int = 1) -> PlainValidator:
    return _written(lambda said: text.span(said, units, least))


def _one_or_more(value: object) -> object:
    if value is NOTHING:
        raise _EMPTY
    return [value] if isinstance(value, str) else value


_TEXT = Schema({"type": ["string", "number"]})
_CHANNEL, _FROM, _BANK = _whole(1, 16), _whole(0, 1), _whole(0, 16383)
_LENGTH, _PHRASES, _PROGRAM = _whole(1, 1024), _whole(1, 9999), _whole(0, 128, most=9999)
_TAKES_EFFECT = ("pattern end", "at once")

Name = Annotated[str, _written(text.name), _TEXT]
Words = Annotated[str, _written(text.words), _TEXT]
Truth = Annotated[bool, _written(text.truth), Schema({"type": "boolean"})]
Channel = Annotated[int, *_CHANNEL]
From = Annotated[int, *_FROM]
Bank = Annotated[int, *_BANK]
Program = Annotated[int, *_PROGRAM]
Length = Annotated[int, *_LENGTH]
Phrases = Annotated[int, *_PHRASES]
Tempo = Annotated[
    float,
    _written(lambda said: text.decimal(said, 20, 400)),
    Schema({"type": "number", "minimum": 20, "maximum": 400}),
]
StepTicks = Annotated[int, _written(text.step_ticks), Schema({"enum": list(STEP_TICKS)})]
MeterText = Annotated[Meter, _written(text.meter), _like("4/4", "7/8")]
Rate = Annotated[Fraction, _written(text.rate), _like("1 in 3", "30%")]
Takes = Annotated[
    str,
    _written(lambda said: text.choice(said, *_TAKES_EFFECT)),
    Schema({"enum": list(_TAKES_EFFECT)}),
]
Lead = Annotated[Span, _span(text.LEAD_UNITS, 0), _like("1 beat", "4 steps", "120 ms")]
Phrase = Annotated[Span, _span(text.PHRASE_UNITS), _like("8 bars", "8 passes")]
Hold = Annotated[Span, _span(text.HOLD_UNITS), _like("1 bar", "2 beats")]
Warn = Annotated[Span, _span(text.HOLD_UNITS, 0), _like("1 bar", "2 bars")]
At = Annotated[
    When, _written(text.at), _like("start", "end", "pass 5", "phrase 2", "bar 9", "last 2 bars")
]
Every = Annotated[Span, _written(text.every), _like("phrase", "2 bars")]
FromPass = Annotated[int, _written(text.from_pass), _like("pass 5")]
RuleText = Annotated[str, _written(str), _like("always", "pass 1 of 4", "chance 50%")]
Reload = Annotated[
    str, _written(lambda said: text.choice(said, "reload")), Schema({"enum": ["reload"]})
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


class ChangeForm(Form):
    """How an instrument takes a pattern change."""

    programs_from: From = 1
    bank: Bank | None = None
    takes_effect: Takes = "pattern end"
    send_before: Lead | None = None


class InstrumentForm(Form):
    """One of the performer's instruments."""

    port: Words | None = None
    channel: Channel = 1
    change: ChangeForm = ChangeForm()
    recount: Truth = True


class ClockForm(Form):
    """Whose clock is followed."""

    from_: Name = Field(alias="from")


class StepForm(Form):
    """A step that may play; a bare text is its rule."""

    rule: RuleText = "always"
    what: Words = ""
    watch: Truth | None = None

    @classmethod
    def meant(cls, data: object) -> object:
        """A bare text is a rule; nothing at all is a slip, not a step."""
        if data is None:
            raise BadText("nothing is written for this step", "write `always` or its rule")
        return {"rule": data} if isinstance(data, str) else data

    @classmethod
    def in_editors(cls, schema: JsonSchemaValue) -> JsonSchemaValue:
        """A step may be a bare text: its rule."""
        return {"type": ["object", "string"]}


class TrackForm(Form):
    """A track; its length and step are the pattern's unless written. Steps are keyed by number."""

    length: Length | None = None
    step: StepTicks | None = None
    steps: dict[str, StepForm] = Field(default_factory=dict)


class PatternForm(Form):
    """A pattern."""

    length: Length = 16
    step: StepTicks = STEP_TICKS["1/16"]
    meter: MeterText = Meter()
    phrase: Phrase = Span(8, Unit.BARS)
    tracks: dict[str, TrackForm] = Field(default_factory=dict)


class CueForm(Form):
    """A reminder: one time and one action."""

    at: At | None = None
    every: Every | None = None
    from_: FromPass | None = Field(None, alias="from")
    mute: Names | None = None
    unmute: Names | None = None
    fill: Hold | None = None
    say: Words | None = None
    do: Reload | None = None
    sweep: Words | None = None
    warn: Warn = Span(1, Unit.BARS)


class AlsoForm(Form):
    """A further instrument's program for the start of the part."""

    on: Name
    program: Program
    bank: Bank | None = None


class PartForm(Form):
    """A part of a song."""

    pattern: Name
    on: Name | None = None
    program: Program | None = None
    bank: Bank | None = None
    also: list[AlsoForm] = Field(default_factory=list)
    phrases: Phrases | None = None
    cues: list[CueForm] = Field(default_factory=list)


class SongForm(Form):
    """A song and its parts in order."""

    song: Name
    tempo: Tempo | None = None
    parts: list[PartForm]


class SetForm(Form):
    """A whole set-list file."""

    set: Name
    instruments: dict[str, InstrumentForm] = Field(default_factory=dict)
    clock: ClockForm | None = None
    rare: Rate = Fraction(1, 3)
    patterns: dict[str, PatternForm]
    songs: list[SongForm]
