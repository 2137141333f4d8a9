"""The set list: its file format, play rules, checks and line-exact errors.

Others `load` a file, or take the frozen values of `model`; what is wrong with a file is a
`SetListError`, whose `faults` say where and what would be right. Whoever must stay small loads a
file in a child process (`loading`). What needs the reader is imported from its own file, since it
brings pydantic and yaml with it: `reading` (files and texts), `forms` (the JSON Schema), `advice`
(what is probably not meant), `edit` (a binding put into a file of controls).
"""

from __future__ import annotations

import os
from pathlib import Path

from companion.setlist.faults import BadText, Fault, SetListError, listed, nearest, quoted
from companion.setlist.model import (
    ON_FROM,
    USUAL_TEMPO,
    Action,
    Address,
    Binding,
    Cue,
    Instrument,
    Kind,
    Layer,
    MuteControl,
    MuteTold,
    NoteKey,
    Part,
    Press,
    ProgramChange,
    SetList,
    Song,
    Span,
    Tells,
    Unit,
    When,
    WhenKind,
    carried_passes,
    cue_sentence,
    cue_ticks,
    hold_ticks,
    recounts,
)

__all__ = [
    "ON_FROM",
    "USUAL_TEMPO",
    "Action",
    "Address",
    "BadText",
    "Binding",
    "Cue",
    "Fault",
    "Instrument",
    "Kind",
    "Layer",
    "MuteControl",
    "MuteTold",
    "NoteKey",
    "Part",
    "Press",
    "ProgramChange",
    "SetList",
    "SetListError",
    "Song",
    "Span",
    "Tells",
    "Unit",
    "When",
    "WhenKind",
    "carried_passes",
    "cue_sentence",
    "cue_ticks",
    "hold_ticks",
    "listed",
    "load",
    "nearest",
    "quoted",
    "recounts",
]


def load(path: str | os.PathLike[str]) -> SetList:
    """The set list in the file at `path`. Raises `SetListError` with all its faults."""
    # Whoever only takes a set list's values does not pay for the reader.
    from companion.setlist.reading import read_set_list

    return read_set_list(Path(path))
