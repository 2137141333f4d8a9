"""The shape of what steers from an instrument: notes, what it tells, mutes to send, bindings."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field
from pydantic import WithJsonSchema as Schema
from pydantic.json_schema import JsonSchemaValue

from companion.setlist import text
from companion.setlist.controls import Wanted
from companion.setlist.formtypes import Channel, Form, From, Truth, Words, like, whole, written
from companion.setlist.wishtext import controller, message, wish

_MUTED_AT = ("high", "low")
_NUMBER, _PROGRAM = whole(0, 127), whole(0, 128)

Number = Annotated[int, *_NUMBER]
AnyProgram = Annotated[int, *_PROGRAM]
Controller = Annotated[
    int, written(controller), Schema({"type": "integer", "minimum": 1, "maximum": 119})
]
MutedAt = Annotated[
    str, written(lambda said: text.choice(said, *_MUTED_AT)), Schema({"enum": list(_MUTED_AT)})
]
WishText = Annotated[Wanted, written(wish), like("next", "align bar", "part 3", "fill")]


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
        return message(data, ("note", "controller")) if isinstance(data, str) else data


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
        return message(data, ("note", "controller", "program")) if isinstance(data, str) else data


class BindingForm(Form):
    """A press and what it asks for."""

    press: PressForm
    wish: WishText


class ControlsForm(Form):
    """A file with nothing but bindings."""

    controls: list[BindingForm]
