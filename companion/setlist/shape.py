"""Checks the file's keys and values against the format, and words what does not fit.

A fault does not end the check: what is wrong is cut out and the rest is looked at again, so that
all faults come at once and later checks still see everything that is sound.
"""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from companion.setlist import controlforms
from companion.setlist import format as forms
from companion.setlist.faults import BadText, listed, quoted
from companion.setlist.formtypes import GAP, Form
from companion.setlist.places import Path
from companion.setlist.report import Report

ANY = "*"
# Where each form stands, and what to call it.
FORMS: dict[Path, tuple[type[Form], str]] = {
    (): (forms.SetForm, "a set list"),
    ("instruments", ANY): (forms.InstrumentForm, "an instrument"),
    ("instruments", ANY, "change"): (forms.ChangeForm, "`change`"),
    ("instruments", ANY, "tells"): (controlforms.TellsForm, "`tells`"),
    ("instruments", ANY, "tells", "fill"): (controlforms.MessageForm, "`fill`"),
    ("instruments", ANY, "tells", "mutes", ANY): (controlforms.MuteToldForm, "a mute"),
    ("instruments", ANY, "send_mutes", ANY): (controlforms.MuteSendForm, "a mute"),
    ("clock",): (forms.ClockForm, "`clock`"),
    ("patterns", ANY): (forms.PatternForm, "a pattern"),
    ("patterns", ANY, "tracks", ANY): (forms.TrackForm, "a track"),
    ("patterns", ANY, "tracks", ANY, "note"): (controlforms.NoteForm, "`note`"),
    ("patterns", ANY, "tracks", ANY, "steps", ANY): (forms.StepForm, "a step"),
    ("songs", ANY): (forms.SongForm, "a song"),
    ("songs", ANY, "parts", ANY): (forms.PartForm, "a part"),
    ("songs", ANY, "parts", ANY, "also", ANY): (forms.AlsoForm, "an entry of `also`"),
    ("songs", ANY, "parts", ANY, "cues", ANY): (forms.CueForm, "a cue"),
    ("controls", ANY): (controlforms.BindingForm, "an entry of `controls`"),
    ("controls", ANY, "press"): (controlforms.PressForm, "`press`"),
}
_ROOTS: dict[type[Form], str] = {
    forms.SetForm: "a set list",
    controlforms.ControlsForm: "a file of controls",
}
_Root = TypeVar("_Root", bound=Form)
# What to write for a key that must be there, and what stands in for it while the rest is checked.
_MISSING: dict[str, tuple[str, Any]] = {
    "set": ("write `set:` and the name of the set", "?"),
    "patterns": ("write `patterns:` and under it each pattern by its name", {}),
    "songs": ("write `songs:` and under it a list, each song beginning with `- song:`", []),
    "song": ("write `song:` and its title", "?"),
    "parts": ("write `parts:` and under it a list, each part beginning with `- pattern:`", []),
    "pattern": ("write `pattern:` and the name of one of the patterns", "?"),
    "on": ("write `on:` and the name of an instrument", "?"),
    "program": ("write `program:` and the number the instrument's display shows", "0"),
    "from": ("write `from:` and the name of an instrument", "?"),
    "number": ("write `number:` and the note's number, from 0 to 127", "0"),
    "controller": ("write `controller:` and its number, from 1 to 119", "1"),
    "controls": ("write `controls:` and under it a list, each entry beginning with `- press:`", []),
    "press": ("write `press:` and what is pressed, such as `note 60`", "note 0"),
    "wish": ("write `wish:` and what is asked for, such as `next`", "next"),
}
_WRONG_SHAPES = {
    "model_type": ("keys belong here", "write them as `key: value`, indented, one a line"),
    "dict_type": ("names belong here", "write each as `name:`, indented, one a line"),
    "list_type": ("a list belongs here", "begin each entry with `- `, one a line"),
}
_WRONG = ("this will not do here", "compare it with a set list that works")


def check_shape(data: dict[str, Any], report: Report) -> forms.SetForm:
    """The file as a form; faults go to `report`, and what has a fault is cut out of `data`."""
    return check_shape_of(forms.SetForm, data, report)


def check_shape_of(root: type[_Root], data: dict[str, Any], report: Report) -> _Root:
    """The file as a form of the given kind, which is one of those that a whole file may have."""
    while True:
        try:
            return root.model_validate(data)
        except ValidationError as error:
            details = error.errors(include_url=False, include_input=False)
        meant = {_word(detail, report, root) for detail in details if detail["type"] != "missing"}
        for detail in details:
            path = tuple(detail["loc"])
            if detail["type"] == "missing":
                if path in meant:
                    report.drop(path)
                _missing(path, report, root)
                _holder(data, path[:-1])[path[-1]] = _copy(_MISSING[str(path[-1])][1])
        for path in [tuple(d["loc"]) for d in details if d["type"] != "missing"]:
            # Two faults may cost the same entry: it is cut out once.
            if not any(report.gone(path[:n]) for n in range(1, len(path) + 1)):
                report.drop(_cut_out(data, path))


def _copy(stand_in: Any) -> Any:
    return type(stand_in)(stand_in)


def _missing(path: Path, report: Report, root: type[Form]) -> None:
    if report.gone(path):
        return
    key, (right, _) = str(path[-1]), _MISSING[str(path[-1])]
    if report.places.written(path):
        report.missing(path, f"nothing is written after `{key}:`", right)
    else:
        report.missing(path, f"{_form(path[:-1], root)[1]} needs `{key}`", right)
    report.drop(path)


def _word(detail: ErrorDetails, report: Report, root: type[Form]) -> Path | None:
    """Put a fault into words. Returns the path that was probably meant, if it is a wrong key."""
    path = tuple(detail["loc"])
    bad = detail.get("ctx", {}).get("error")
    if isinstance(bad, BadText):
        report.bad(path, bad)
    elif detail["type"] == "extra_forbidden":
        return _unknown(path, report, root)
    else:
        report.value(path, *_WRONG_SHAPES.get(detail["type"], _WRONG))
    return None


def _unknown(path: Path, report: Report, root: type[Form]) -> Path | None:
    key = str(path[-1])
    form, called = _form(path[:-1], root)
    before, colon, after = key.partition(":")
    near = None
    if colon and before in form.spelled():
        near, right = before, f"put a space after the colon: {quoted(f'{before}: {after}')}"
    elif key.strip() in form.spelled():
        near, right = key.strip(), "what looks like a space before it is none: type a space there"
    elif under := _belongs(key, path[:-1]):
        right = f"it belongs under `{under}`"
    else:
        near = report.nearest(key, form.spelled())
        right = f"did you mean {quoted(near)}?" if near else f"write {listed(form.spelled(), 12)}"
    report.key(path, f"{called} has no key {quoted(key)}", right)
    return None if near is None else (*path[:-1], near)


def _belongs(key: str, path: Path) -> str | None:
    """The key at `path` under which a misplaced `key` would be right, if there is one."""
    for under, (form, _) in FORMS.items():
        if under and under[:-1] == _pattern(path) and under[-1] != ANY and key in form.spelled():
            return str(under[-1])
    return None


def _form(path: Path, root: type[Form]) -> tuple[type[Form], str]:
    return FORMS[_pattern(path)] if path else (root, _ROOTS[root])


def _pattern(path: Path) -> Path:
    """The path with names and numbers replaced, as FORMS has it."""
    found: Path = ()
    for piece in path:
        named = (*found, piece)
        found = named if _known(named) else (*found, ANY)
    return found


def _known(path: Path) -> bool:
    return any(form[: len(path)] == path for form in FORMS)


def _holder(data: Any, path: Path) -> Any:
    """The mapping at `path` in `data`; an empty entry becomes one."""
    for piece in path:
        if data[piece] is None:
            data[piece] = {}
        data = data[piece]
    return data


def _cut_out(data: Any, path: Path) -> Path:
    """Take what is wrong at `path` out of `data`; returns the path of what was taken.

    Lists keep their length, for positions go by number: an entry of a list of mappings is replaced.
    """
    holder, taken = data, path
    for depth, piece in enumerate(path):
        if isinstance(holder, dict) and piece in holder:
            last, last_key, taken = holder, piece, path[: depth + 1]
            holder = holder[piece]
        elif isinstance(holder, list) and isinstance(piece, int) and piece < len(holder):
            inner = holder[piece]
            if depth == len(path) - 1 or not isinstance(inner, dict | list):
                if _form_list(path[:depth]):
                    holder[piece] = GAP
                    return path[: depth + 1]
                break
            holder = inner
        else:
            break
    last.pop(last_key, None)
    return taken


def _form_list(path: Path) -> bool:
    return (*_pattern(path), ANY) in FORMS
