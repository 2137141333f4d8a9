"""The shape of the file, key by key: which keys there are, where, and what each may hold.

`schema` is the same as a JSON Schema for editors (draft 2020-12), with what each key means, in the
words of docs/setlist.md. A file is held against its form in `check`; names that refer to other
places in it are resolved in `build`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
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
    ValidatorFunctionWrapHandler,
    WrapValidator,
    model_validator,
)
from pydantic import WithJsonSchema as Schema
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from companion.counting import STEP_TICKS, Meter
from companion.setlist import text
from companion.setlist.faults import BadText
from companion.setlist.model import Span, Unit, When
from companion.wishes import Wish

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


def shape(form: str) -> str:
    """A regular expression for texts of that form (ECMA-262, as JSON Schema has it).

    `form` is written in small letters with single spaces; texts may differ in both, as `text` reads
    them, and ` ?` stands for spaces that may be left out.
    """
    form = form.replace(" ?", r"\s*").replace(" ", r"\s+")
    letters = re.sub(r"(?<!\\)[a-z]", lambda each: f"[{each[0]}{each[0].upper()}]", form)
    return rf"^\s*(?:{letters})\s*$"


def like(form: str, *examples: str, also: tuple[str, ...] = ()) -> Schema:
    """A text of that form, with examples of it, or a value of the types in `also`."""
    return Schema({"type": ["string", *also], "pattern": shape(form), "examples": list(examples)})


def span(units: tuple[Unit, ...], *examples: str, least: int = 1) -> tuple[PlainValidator, Schema]:
    """A span in one of `units`."""
    schema = like(_span(units, least), *examples)
    return written(lambda said: text.span(said, units, least)), schema


def _span(units: tuple[Unit, ...], least: int = 1) -> str:
    """The form of a span."""
    more = {Unit.PASSES: "(?:es)?", Unit.MILLISECONDS: "|milliseconds?"}
    words = (unit.value + more.get(unit, "s?") for unit in units)
    return f"{'0*[1-9]' if least else '[0-9]'}[0-9]* ?(?:{'|'.join(words)})"


def _one_or_more(value: object) -> object:
    if value is NOTHING:
        raise _EMPTY
    return [value] if isinstance(value, str) else value


_CHANNEL, _FROM, _BANK = whole(1, 16), whole(0, 1), whole(0, 16383)
_LENGTH, _PHRASES = whole(1, 1024), whole(1, 9999)
_PROGRAM = written(text.program), Schema({"type": "integer", "minimum": 0, "maximum": 128})
_TAKES_EFFECT = ("pattern end", "at once")

# What a name is, and a text: control characters and spaces at either end are no part of it.
_NAME = r"^(?!\s)[^\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]+(?<!\s)$"
_NAMED = {"pattern": _NAME, "maxLength": text.LONGEST_NAME}

Name = Annotated[str, written(text.name), Schema({"type": ["string", "number"], **_NAMED})]
Words = Annotated[
    str, written(text.words), Schema({"type": ["string", "number"], "pattern": r"\S"})
]
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
MeterText = Annotated[
    Meter,
    written(text.meter),
    like("0*[1-9][0-9]? ?/ ?0*(?:1|2|4|8|16|32)", "4/4", "7/8"),
]
Rate = Annotated[
    Fraction,
    written(text.rate),
    like(
        r"[0-9]+ in [0-9]+|[0-9]+ ?/ ?[0-9]+|[0-9]+(?:\.[0-9]+)? ?%?",
        *("1 in 3", "30%"),
        also=("number",),
    ),
]
Takes = Annotated[
    str,
    written(lambda said: text.choice(said, *_TAKES_EFFECT)),
    Schema({"enum": list(_TAKES_EFFECT)}),
]
Lead = Annotated[Span, *span(text.LEAD_UNITS, "1 beat", "4 steps", "120 ms", least=0)]
Phrase = Annotated[Span, *span(text.PHRASE_UNITS, "8 bars", "8 passes")]
Hold = Annotated[Span, *span(text.HOLD_UNITS, "1 bar", "2 beats")]
Warn = Annotated[Span, *span(text.HOLD_UNITS, "1 bar", "2 bars", least=0)]
At = Annotated[
    When,
    written(text.at),
    like(
        "start|end|(?:pass|bar|phrase) ?[0-9]+|bar ?[0-9]+,? beat ?[0-9]+|pass ?[0-9]+,? step "
        f"?[0-9]+|last (?:{_span(text.HOLD_UNITS)}|step|beat|bar|pass|phrase)",
        *("start", "end", "pass 5", "phrase 2", "bar 9 beat 3", "last 2 bars"),
    ),
]
Every = Annotated[
    Span,
    written(text.every),
    like(f"bar|pass|phrase|{_span(text.EVERY_UNITS)}", "phrase", "2 bars"),
]
FromPass = Annotated[int, written(text.from_pass), like("pass ?[0-9]+", "pass 5")]
_TERM = (
    "always|(?:not )?pass ?[0-9]+(?: ?, ?[0-9]+)* of [0-9]+|chance ?[0-9]+(?:\\.[0-9]+)? ?%"
    "|chance ?[0-9]+ in [0-9]+|(?:after )?first pass|(?:no )?fill|if .+ (?:played|silent)"
)
RuleText = Annotated[
    str,
    written(str),
    like(
        f"(?:{_TERM})(?: ?, ?(?:{_TERM}))*",
        *("always", "pass 1 of 4", "pass 1, 3 of 4", "chance 50%"),
    ),
]
About = Annotated[int, written(text.phrases), like(_span((Unit.PHRASES,)), "4 phrases")]
Times = Annotated[int, *whole(1, 2000)]
_THEN, _FIRST = ("go on", "stop"), ("send",)
Then = Annotated[
    str, written(lambda said: text.choice(said, *_THEN)), Schema({"enum": list(_THEN)})
]
First = Annotated[
    str, written(lambda said: text.choice(said, *_FIRST)), Schema({"enum": list(_FIRST)})
]
# A bare 23:30 is a number to YAML 1.1, which editors go by.
TimeOfDay = Annotated[
    int,
    written(text.time_of_day),
    Schema({"type": ["string", "integer"], "examples": ["23:30"]}),
]
Reload = Annotated[
    str, written(lambda said: text.choice(said, "restore")), Schema({"enum": ["restore"]})
]
Names = Annotated[
    list[Name],
    BeforeValidator(_one_or_more),
    Schema(
        {
            "anyOf": [
                {"type": "string", **_NAMED},
                {
                    "type": "array",
                    "items": {"type": ["string", "number"], **_NAMED},
                    "minItems": 1,
                    "uniqueItems": True,
                },
            ]
        }
    ),
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
        for key, said in schema["properties"].items():
            schema["properties"][key] = cls._in_editors(key, said, schema.get("required", ()))
        schema.update(cls.in_editors(schema))
        return reference

    @classmethod
    def _in_editors(
        cls, key: str, said: JsonSchemaValue, required: Collection[str]
    ) -> JsonSchemaValue:
        """What the schema says of one key: only what holds others may be left empty."""
        some = [each for each in said.pop("anyOf", ()) if each != {"type": "null"}]
        said |= {"anyOf": some} if len(some) > 1 else some[0] if some else {}
        if said.get("default", True) is None:
            del said["default"]
        if said.get("type") in ("array", "object"):
            if key not in required:
                said["type"] = [said["type"], "null"]
            if key in ("patterns", "tracks", "instruments"):
                said["propertyNames"] = dict(_NAMED)
            if key in ("songs", "parts"):
                said["minItems"] = 1
            if key == "patterns":
                said["minProperties"] = 1
        return said

    @classmethod
    def in_editors(cls, schema: JsonSchemaValue) -> JsonSchemaValue:
        """What the JSON Schema of this form says otherwise than the form itself."""
        return {} if schema.get("required") else {"type": ["object", "null"]}


_MUTED_AT = ("high", "low")
_NUMBER, _ANY_PROGRAM = whole(0, 127), whole(0, 128)

Number = Annotated[int, *_NUMBER]
AnyProgram = Annotated[int, *_ANY_PROGRAM]
Controller = Annotated[
    int, written(text.controller), Schema({"type": "integer", "minimum": 1, "maximum": 119})
]
MutedAt = Annotated[
    str, written(lambda said: text.choice(said, *_MUTED_AT)), Schema({"enum": list(_MUTED_AT)})
]
WishText = Annotated[
    Wish, written(text.wish), Schema({"type": "string", "examples": ["next", "part 3", "fill"]})
]


class ShortForm(Form):
    """A mapping for which a bare text may stand."""

    @classmethod
    def in_editors(cls, schema: JsonSchemaValue) -> JsonSchemaValue:
        """A bare text is allowed too."""
        return {"type": ["object", "string", "integer"]}


class NoteForm(ShortForm):
    """The note an instrument sends when a track plays; a bare number is the note's."""

    number: Number
    channel: Channel | None = None

    @classmethod
    def meant(cls, data: object) -> object:
        """A bare text is the note's number."""
        return {"number": data} if isinstance(data, str) else data


class MessageForm(ShortForm):
    """One message, such as `controller 80`; written as text or with keys."""

    note: Number | None = None
    controller: Controller | None = None
    channel: Channel | None = None

    @classmethod
    def meant(cls, data: object) -> object:
        """A bare text names the message."""
        return text.message(data, ("note", "controller")) if isinstance(data, str) else data


class MuteToldForm(MessageForm):
    """A message that says whether a track is muted."""

    muted_at: MutedAt = "high"
    toggle: Truth = False


class TellsForm(Form):
    """What an instrument tells of itself."""

    fill: MessageForm | None = None
    mutes: dict[str, MuteToldForm] = Field(default_factory=dict)


class MuteSendForm(Form):
    """A controller that mutes a track of an instrument."""

    controller: Controller
    channel: Channel | None = None
    muted: Number = 127
    sounding: Number = 0


class PressForm(ShortForm):
    """A press on a pad, key or pedal."""

    note: Number | None = None
    controller: Controller | None = None
    program: AnyProgram | None = None
    programs_from: From = 1
    channel: Channel | None = None
    port: Words | None = None
    long: Truth = False
    toggle: Truth = False

    @classmethod
    def meant(cls, data: object) -> object:
        """A bare text names the message."""
        return (
            text.message(data, ("note", "controller", "program")) if isinstance(data, str) else data
        )


class BindingForm(Form):
    """A press and what it asks for."""

    press: PressForm
    wish: WishText


class ControlsForm(Form):
    """A file with nothing but bindings."""

    controls: list[BindingForm]


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
    tells: TellsForm = TellsForm()
    send_mutes: dict[str, MuteSendForm] = Field(default_factory=dict)


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

    @classmethod
    def in_editors(cls, schema: JsonSchemaValue) -> JsonSchemaValue:
        """A step's key is its number, several, or a run."""
        one = "0*[1-9][0-9]*(?: ?- ?0*[1-9][0-9]*)?"
        named = {"pattern": shape(f"{one}(?: ?, ?{one})*")}
        schema["properties"]["steps"]["propertyNames"] = named
        return super().in_editors(schema)

    length: Length | None = None
    step: StepTicks | None = None
    note: NoteForm | None = None
    steps: dict[str, StepForm] = Field(default_factory=dict)


class PatternForm(Form):
    """A pattern."""

    length: Length = 16
    step: StepTicks = STEP_TICKS["1/16"]
    meter: MeterText = Meter()
    phrase: Phrase = Span(8, Unit.BARS)
    tracks: dict[str, TrackForm] = Field(default_factory=dict)

    @classmethod
    def in_editors(cls, schema: JsonSchemaValue) -> JsonSchemaValue:
        """In a rule `last` is the step's own track, so that no track has that name."""
        schema["properties"]["tracks"]["propertyNames"]["not"] = {"pattern": shape("last")}
        return super().in_editors(schema)


def _one_of(*keys: str) -> dict[str, Any]:
    """Exactly one of these keys is written."""
    return {"oneOf": [{"required": [key]} for key in keys]}


class CueForm(Form):
    """A reminder: one time and one action."""

    @classmethod
    def in_editors(cls, schema: JsonSchemaValue) -> JsonSchemaValue:
        """One time, one action; a pass to begin with where it is said again and again."""
        return {
            "allOf": [
                _one_of("at", "every"),
                _one_of("mute", "unmute", "fill", "say", "do", "sweep"),
            ],
            "dependentRequired": {"from": ["every"]},
        }

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


class ProgramForm(Form):
    """A mapping in which a program may be sent, and with it a bank."""

    @classmethod
    def in_editors(cls, schema: JsonSchemaValue) -> JsonSchemaValue:
        """A bank goes with a program only."""
        return {"dependentRequired": {"bank": ["program"]}}


class LayerForm(ProgramForm):
    """What plays beside a part on another instrument."""

    pattern: Name
    on: Name
    program: Program | None = None
    bank: Bank | None = None
    again: Truth = False


class PartForm(ProgramForm):
    """A part of a song."""

    pattern: Name
    name: Name | None = None
    on: Name | None = None
    program: Program | None = None
    bank: Bank | None = None
    also: list[AlsoForm] = Field(default_factory=list)
    with_: list[LayerForm] = Field(default_factory=list, alias="with")
    phrases: Phrases | None = None
    about: About | None = None
    cues: list[CueForm] = Field(default_factory=list)


def _either(block: type[Form]) -> WrapValidator:
    """A part, or where `repeat` is written a block of them."""

    def read(data: object, _: ValidatorFunctionWrapHandler) -> Form:
        keys = data.keys() if isinstance(data, dict) else ()
        repeats = "repeat" in keys or ("parts" in keys and "pattern" not in keys)
        return (block if repeats else PartForm).model_validate(data)

    return WrapValidator(read)


class InnerRepeatForm(Form):
    """A block of parts inside another, played several times."""

    repeat: Times
    parts: list[PartForm]


class RepeatForm(Form):
    """A block of parts, played several times."""

    repeat: Times
    parts: list[Annotated[PartForm | InnerRepeatForm, _either(InnerRepeatForm)]]


class SongForm(Form):
    """A song and its parts in order."""

    song: Name
    tempo: Tempo | None = None
    notes: Words | None = None
    on: Name | None = None
    also: list[AlsoForm] = Field(default_factory=list)
    then: Then = "go on"
    parts: list[Annotated[PartForm | RepeatForm, _either(RepeatForm)]]


class SetForm(Form):
    """A whole set-list file."""

    set: Name
    curfew: TimeOfDay | None = None
    first: First | None = None
    instruments: dict[str, InstrumentForm] = Field(default_factory=dict)
    clock: ClockForm | None = None
    rare: Rate = Fraction(1, 3)
    controls: list[BindingForm] = Field(default_factory=list)
    patterns: dict[str, PatternForm]
    songs: list[SongForm]


DRAFT = "https://json-schema.org/draft/2020-12/schema"
ID = "urn:companion:set-list"

_SAID_CHANNEL = "MIDI channel, 1 to 16, as printed on panels."
_SAID_BANK = "Bank to select before the program, 0 to 16383."
_SAID_CONTROLLER = "Number of the controller, 1 to 119."
_SAID_NOTE = "Number of the note, 0 to 127."
# What the keys of each form mean.
MEANINGS: dict[str, dict[str, str]] = {
    "SetForm": {
        "set": "Name of the set.",
        "curfew": "The time of day at which the night must end, such as 23:30.",
        "first": "`send`: part 1's programs go out as soon as the ports are there. They can be far "
        "louder than what went before.",
        "instruments": "The instruments, each by its name.",
        "clock": "Whose clock is followed; left out, the first that sends clock.",
        "rare": "A step is rare that plays on at most this share of passes.",
        "controls": "Presses of pads, keys and pedals, and what each asks for.",
        "patterns": "The patterns, each by its name.",
        "songs": "The songs in the order played.",
    },
    "InstrumentForm": {
        "port": "Name of its MIDI port; * stands for anything.",
        "channel": _SAID_CHANNEL,
        "change": "How it takes a pattern change.",
        "recount": "Whether it counts passes anew on a pattern change.",
        "tells": "What it tells of itself by MIDI.",
        "send_mutes": "For each track, the controller that mutes it. An unmute can be far louder "
        "than what went before.",
    },
    "ChangeForm": {
        "programs_from": "The number its display gives to the first program, 0 or 1.",
        "bank": _SAID_BANK,
        "takes_effect": "When a program change takes effect.",
        "send_before": "How long ahead of the boundary the program change leaves.",
    },
    "ClockForm": {"from": "Name of the instrument whose clock is followed."},
    "TellsForm": {
        "fill": "The message that says that a fill is held.",
        "mutes": "For each track, the message that says whether it is muted.",
    },
    "MessageForm": {"note": _SAID_NOTE, "controller": _SAID_CONTROLLER, "channel": _SAID_CHANNEL},
    "MuteToldForm": {
        "note": _SAID_NOTE,
        "controller": _SAID_CONTROLLER,
        "channel": _SAID_CHANNEL,
        "muted_at": "Whether high or low values say that the track is muted.",
        "toggle": "Whether each message turns the mute over.",
    },
    "MuteSendForm": {
        "controller": _SAID_CONTROLLER,
        "channel": _SAID_CHANNEL,
        "muted": "Value that mutes, 0 to 127.",
        "sounding": "Value that lets it sound, 0 to 127.",
    },
    "BindingForm": {"press": "What is pressed.", "wish": "What that asks for."},
    "PressForm": {
        "note": _SAID_NOTE,
        "controller": _SAID_CONTROLLER,
        "program": "Program, as its sender's display shows it.",
        "programs_from": "The number that display gives to the first program, 0 or 1.",
        "channel": _SAID_CHANNEL,
        "port": "Name of the MIDI port it comes from; * stands for anything.",
        "long": "Whether it is to be held.",
        "toggle": "Whether each message is a press, whatever its value.",
    },
    "PatternForm": {
        "length": "Steps of one pass.",
        "step": "Length of a step as a note.",
        "meter": "Meter, for bars and beats.",
        "phrase": "How long a phrase is; parts end on its boundaries.",
        "tracks": "The tracks, each by its name.",
    },
    "TrackForm": {
        "length": "Steps of its own pass, where that is not the pattern's.",
        "step": "Length of its steps, where that is not the pattern's.",
        "note": "The note it sends when it plays, by which mutes are heard.",
        "steps": "The steps, each by its number from 1; several as in `1, 5, 9`, a run as in "
        "`1-4`.",
    },
    "NoteForm": {"number": _SAID_NOTE, "channel": _SAID_CHANNEL},
    "StepForm": {
        "rule": "When the step plays.",
        "what": "What it plays, in your own words.",
        "watch": "Whether it is announced, however often it plays.",
    },
    "SongForm": {
        "song": "Title of the song.",
        "tempo": "Beats a minute, for planned times and the internal clock.",
        "notes": "Your own words for its start: key, patches, a line of the text.",
        "on": "Name of the instrument that plays all its parts, but for those with their own `on`.",
        "also": "Programs that further instruments have in all its parts.",
        "then": "What comes after its last part: `go on`, or `stop` for silence.",
        "parts": "The parts in the order played.",
    },
    "RepeatForm": {
        "repeat": "How many times the parts are played, one after the other.",
        "parts": "The parts in the order played.",
    },
    "InnerRepeatForm": {
        "repeat": "How many times the parts are played, one after the other.",
        "parts": "The parts in the order played.",
    },
    "LayerForm": {
        "pattern": "Name of the pattern that plays beside the part.",
        "on": "Name of the instrument that plays it.",
        "program": "Program that is sent for it, as the display shows it; with it the pattern "
        "begins anew.",
        "bank": _SAID_BANK,
        "again": "Whether it begins anew with this part; left out, it goes on counting from the "
        "part before.",
    },
    "PartForm": {
        "pattern": "Name of the pattern it plays.",
        "name": "What you call it; left out, its pattern's name.",
        "on": "Name of the instrument that plays it.",
        "program": "Program that is sent for it, as the display shows it. The new pattern can be "
        "far louder than the one before.",
        "bank": _SAID_BANK,
        "also": "Programs of further instruments for its start.",
        "with": "What plays beside it on other instruments, each with a count of its own.",
        "phrases": "After how many phrases it ends; left out, when you say so.",
        "about": "Roughly how many phrases it lasts if you say when it ends, such as `4 phrases`.",
        "cues": "Reminders: each a time and an action.",
    },
    "AlsoForm": {
        "on": "Name of the instrument.",
        "program": "Program that is sent to it, as its display shows it.",
        "bank": _SAID_BANK,
    },
    "CueForm": {
        "at": "When, once.",
        "every": "When, again and again.",
        "from": "The pass from which on it is said again and again.",
        "mute": "Tracks to mute.",
        "unmute": "Tracks to unmute. They can be far louder than what went before.",
        "fill": "How long a fill is to be held.",
        "say": "Anything, in your own words.",
        "do": "What to do with the instrument.",
        "sweep": "What to sweep, in your own words.",
        "warn": "How long before it is announced.",
    },
}


def schema() -> dict[str, Any]:
    """The schema as plain JSON values."""
    made = SetForm.model_json_schema(mode="validation")
    for name, form in (("SetForm", made), *made["$defs"].items()):
        for key, said in form["properties"].items():
            # What stands beside a reference adds to it (draft 2020-12, 8.2.3.1).
            said.pop("title", None)
            said["description"] = MEANINGS[name][key]
    return {"$schema": DRAFT, "$id": ID, **made, "title": "A set list of companion"}
