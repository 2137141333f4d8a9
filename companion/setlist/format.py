"""The shape of the file, key by key: which keys there are, where, and what each may hold.

Also the source of the JSON Schema for editors. Names that refer to other places in the file, and
what only makes sense in the whole set, are checked elsewhere. What steers from an instrument has
its forms in `controlforms`.
"""

from __future__ import annotations

from fractions import Fraction

from pydantic import Field
from pydantic.json_schema import JsonSchemaValue

from companion.counting.ticks import STEP_TICKS, Meter
from companion.setlist.controlforms import BindingForm, MuteSendForm, NoteForm, TellsForm
from companion.setlist.faults import BadText
from companion.setlist.formtypes import (
    At,
    Bank,
    Channel,
    Every,
    Form,
    From,
    FromPass,
    Hold,
    Lead,
    Length,
    MeterText,
    Name,
    Names,
    Phrase,
    Phrases,
    Program,
    Rate,
    Reload,
    RuleText,
    StepTicks,
    Takes,
    Tempo,
    Truth,
    Warn,
    Words,
)
from companion.setlist.model import Span, Unit


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
    controls: list[BindingForm] = Field(default_factory=list)
    patterns: dict[str, PatternForm]
    songs: list[SongForm]
