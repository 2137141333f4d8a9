"""Checks: keys and values against the format, and faults that only the whole set shows.

`check_shape` holds a file against its form and words what does not fit. A fault does not end the
check: what is wrong is cut out and the rest is looked at again, so that all faults come at once and
later checks still see everything that is sound. `check_boundaries` sees whether each change is in
time and each part ends where a pass does; `check_clashes` whether a press gets in the way of
another, or the music itself would make it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from fnmatch import fnmatchcase
from itertools import pairwise
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from companion.counting import TICKS_PER_QUARTER, Pattern
from companion.setlist import forms
from companion.setlist.faults import BadText, listed, quoted
from companion.setlist.model import (
    USUAL_TEMPO,
    Address,
    Binding,
    Instrument,
    Kind,
    Part,
    SetList,
    Span,
    Unit,
    spoken,
)
from companion.setlist.report import Report
from companion.setlist.yamltree import Path
from companion.wishes import Ask

ANY = "*"
# A part may stand in a `repeat`, and that in another one.
_PART: Path = ("songs", ANY, "parts", ANY)
_REPEATED = (_PART, (*_PART, "parts", ANY), (*_PART, "parts", ANY, "parts", ANY))
_REPEATS: dict[Path, type[forms.Form]] = {
    _REPEATED[0]: forms.RepeatForm,
    _REPEATED[1]: forms.InnerRepeatForm,
}
_IN_A_PART: dict[Path, tuple[type[forms.Form], str]] = {
    (): (forms.PartForm, "a part"),
    ("also", ANY): (forms.AlsoForm, "an entry of `also`"),
    ("with", ANY): (forms.LayerForm, "an entry of `with`"),
    ("cues", ANY): (forms.CueForm, "a cue"),
}
# Where each form stands, and what to call it.
FORMS: dict[Path, tuple[type[forms.Form], str]] = {
    (): (forms.SetForm, "a set list"),
    ("instruments", ANY): (forms.InstrumentForm, "an instrument"),
    ("instruments", ANY, "change"): (forms.ChangeForm, "`change`"),
    ("instruments", ANY, "tells"): (forms.TellsForm, "`tells`"),
    ("instruments", ANY, "tells", "fill"): (forms.MessageForm, "`fill`"),
    ("instruments", ANY, "tells", "mutes", ANY): (forms.MuteToldForm, "a mute"),
    ("instruments", ANY, "send_mutes", ANY): (forms.MuteSendForm, "a mute"),
    ("clock",): (forms.ClockForm, "`clock`"),
    ("patterns", ANY): (forms.PatternForm, "a pattern"),
    ("patterns", ANY, "tracks", ANY): (forms.TrackForm, "a track"),
    ("patterns", ANY, "tracks", ANY, "note"): (forms.NoteForm, "`note`"),
    ("patterns", ANY, "tracks", ANY, "steps", ANY): (forms.StepForm, "a step"),
    ("songs", ANY): (forms.SongForm, "a song"),
    ("songs", ANY, "also", ANY): (forms.AlsoForm, "an entry of `also`"),
    **{(*part, *more): form for part in _REPEATED for more, form in _IN_A_PART.items()},
    ("controls", ANY): (forms.BindingForm, "an entry of `controls`"),
    ("controls", ANY, "press"): (forms.PressForm, "`press`"),
}
_ROOTS: dict[type[forms.Form], str] = {
    forms.SetForm: "a set list",
    forms.ControlsForm: "a file of controls",
}
_Root = TypeVar("_Root", bound=forms.Form)
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
    "repeat": ("write `repeat:` and how many times", "1"),
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
# Words where keys or names belong, and keys that a performer may expect to be there.
_BREAK = "a set has no breaks: write `then: stop` in the song before it, which ends in silence then"
_STEPS = ("steps stand here without a rule", "write each with its rule below: `1, 5: always`")
_WRONG = ("this will not do here", "compare it with a set list that works")

# More than any performer has hands for; each is compared with all the others.
MOST_BINDINGS = 256
# A message of the music, the glob of the port it comes from, and what it is.
Sound = tuple[Address, str | None, str]


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
        wrong = [detail for detail in details if detail["type"] != "missing"]
        meant = {_word(detail, _at(data, detail["loc"]), report, root) for detail in wrong}
        for detail in details:
            path = tuple(detail["loc"])
            if detail["type"] == "missing":
                if path in meant:
                    report.drop(path)
                _missing(path, report, root)
                _holder(data, path[:-1])[path[-1]] = _copy(_MISSING[str(path[-1])][1])
        for path in [tuple(detail["loc"]) for detail in wrong]:
            # Two faults may cost the same entry: it is cut out once.
            if not any(report.gone(path[:n]) for n in range(1, len(path) + 1)):
                report.drop(_cut_out(data, path))


def _copy(stand_in: Any) -> Any:
    return type(stand_in)(stand_in)


def _missing(path: Path, report: Report, root: type[forms.Form]) -> None:
    if report.gone(path):
        return
    key, (right, _) = str(path[-1]), _MISSING[str(path[-1])]
    if report.places.written(path):
        report.missing(path, f"nothing is written after `{key}:`", right)
    else:
        report.missing(path, f"{_form(path[:-1], root, report)[1]} needs `{key}`", right)
    report.drop(path)


def _at(data: Any, path: Path) -> object:
    """What stands at `path` in the file, None for nothing."""
    for piece in path:
        if isinstance(data, dict):
            data = data.get(piece)
        elif isinstance(data, list) and isinstance(piece, int) and piece < len(data):
            data = data[piece]
        else:
            return None
    return data


def _word(
    detail: ErrorDetails, value: object, report: Report, root: type[forms.Form]
) -> Path | None:
    """Put a fault into words; `value` is what has it.

    Returns the path that was probably meant, if it is a wrong key.
    """
    path = tuple(detail["loc"])
    bad = detail.get("ctx", {}).get("error")
    if isinstance(bad, BadText):
        report.bad(path, bad)
    elif detail["type"] == "extra_forbidden":
        return _unknown(path, report, root)
    elif isinstance(value, str) and value.strip().casefold() == "break":
        report.value(path, "a break is no song and no part", _BREAK)
    elif path[-1:] == ("steps",):
        report.value(path, *_STEPS)
    else:
        report.value(path, *_WRONG_SHAPES.get(detail["type"], _WRONG))
    return None


def _unknown(path: Path, report: Report, root: type[forms.Form]) -> Path | None:
    key = str(path[-1])
    form, called = _form(path[:-1], root, report)
    if form is forms.PartForm and report.places.written((*path[:-1], "repeat")):
        if key == "repeat":
            right = "write the parts out, or the inner block as often as it is to be played"
            report.key(path, "a `repeat` stands in one other at most", right)
        return (*path[:-1], "pattern")
    before, colon, after = key.partition(":")
    near = None
    if colon and before in form.spelled():
        near, right = before, f"put a space after the colon: {quoted(f'{before}: {after}')}"
    elif key.strip() in form.spelled():
        near, right = key.strip(), "what looks like a space before it is none: type a space there"
    elif under := _belongs(key, path[:-1]):
        right = f"it belongs under `{under}`"
    elif key.strip().casefold() == "break":
        right = _BREAK
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


def _form(path: Path, root: type[forms.Form], report: Report) -> tuple[type[forms.Form], str]:
    if not path:
        return root, _ROOTS[root]
    pattern = _pattern(path)
    if pattern in _REPEATS and report.places.written((*path, "repeat")):
        return _REPEATS[pattern], "a `repeat`"
    return FORMS[pattern]


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
                    holder[piece] = forms.GAP
                    return path[: depth + 1]
                break
            holder = inner
        else:
            break
    last.pop(last_key, None)
    return taken


def _form_list(path: Path) -> bool:
    return (*_pattern(path), ANY) in FORMS


def part_path(part: Part) -> Path:
    """Where a part is written in the file; a part that is repeated is written once."""
    path: Path = ("songs", part.song)
    for at in part.place:
        path = (*path, "parts", at)
    return path


def lead_ticks(lead: Span, pattern: Pattern, tempo: float | None) -> float:
    """How many ticks `lead` lasts while `pattern` runs at `tempo` (beats a minute)."""
    if lead.unit is Unit.MILLISECONDS:
        return lead.count / 1000 * (tempo or USUAL_TEMPO) / 60 * TICKS_PER_QUARTER
    return lead.ticks(pattern)


def check_boundaries(setlist: SetList, paths: list[Path], report: Report) -> None:
    """Put into `report` every change that would come a pass early or late.

    `paths` are those of the parts. What has a fault already is not judged.
    """
    if not report.whole:
        return
    seen: set[tuple[Path, Path]] = set()
    for before, after in pairwise(setlist.parts):
        here, there = paths[before.number - 1], paths[after.number - 1]
        if not _sound(before, here, report) or (here, there) in seen:
            continue
        if setlist.songs[before.song].stops and before.song != after.song:
            # It begins from silence, and whatever is told is told in time.
            continue
        # What is repeated is judged once.
        seen.add((here, there))
        waiting = [
            setlist.instruments[change.instrument]
            for change in after.changes
            if not setlist.instruments[change.instrument].at_once
            and not report.hurt(("instruments", change.instrument, "change"))
        ]
        for instrument in waiting:
            own = instrument.name == after.instrument
            path = (*there, "program") if own else (*there, "also")
            tempo = setlist.songs[before.song].tempo
            _check_lead(instrument, before.pattern, tempo, path, report)
        if waiting and not report.gone((*here, "phrases")):
            _check_end(waiting[0], before, report)


def _sound(part: Part, path: Path, report: Report) -> bool:
    """Whether the part's pattern, and so its passes and phrases, are what the writer means."""
    if report.gone(path) or report.gone((*path, "pattern")):
        return False
    return report.measured(part.pattern.name)


def _check_lead(
    instrument: Instrument, pattern: Pattern, tempo: float | None, path: Path, report: Report
) -> None:
    lead, named = instrument.lead, quoted(instrument.name)
    ticks = lead_ticks(lead, pattern, tempo)
    written: Path = ("instruments", instrument.name, "change", "send_before")
    if report.places.written(written):
        path = written
    if 0 < ticks < 1:
        wrong = f"{lead} before the boundary is too little to come before it at all"
        report.value(path, wrong, "write at least `1 step`")
    elif ticks > pattern.pass_ticks:
        wrong = (
            f"{named} is to be told {lead} ahead, but a pass of {quoted(pattern.name)} is shorter: "
            "the change would be taken a pass too early"
        )
        report.value(path, wrong, f"give {named} a `send_before:` of at most `{_most(pattern)}`")


def _most(pattern: Pattern) -> Span:
    """The longest lead in steps that is safely inside one pass."""
    return Span(max(1, pattern.length - 1), Unit.STEPS)


def _check_end(instrument: Instrument, part: Part, report: Report) -> None:
    pattern, planned = part.pattern, part.planned_ticks
    if planned is None or planned % pattern.pass_ticks == 0:
        return
    phrases = f"{part.phrases} phrase{'' if part.phrases == 1 else 's'}"
    wrong = (
        f"part {part.number} ends after {phrases} of {spoken(pattern.phrase_ticks, pattern)}, "
        f"which is inside a pass of {spoken(pattern.pass_ticks, pattern)}, but "
        f"{quoted(instrument.name)} changes only at the end of one"
    )
    path: Path = ("patterns", pattern.name)
    if report.places.written((*path, "phrase")):
        path = (*path, "phrase")
    report.value(path, wrong, f"give {quoted(pattern.name)} a phrase of {whole_phrases(pattern)}")


def whole_phrases(pattern: Pattern) -> str:
    """The phrase lengths nearest to the pattern's that are whole passes, in words."""
    passes = pattern.phrase_ticks // pattern.pass_ticks
    spans = [Span(n, Unit.PASSES) for n in (passes, passes + 1) if n]
    return " or ".join(f"`{span}`" for span in spans)


def check_clashes(placed: Sequence[tuple[Binding, Path]], setlist: SetList, report: Report) -> None:
    """Put into `report` every binding that another one or the music of `setlist` clashes with.

    `placed` are the bindings and their paths. What has a fault already is not judged.
    """
    if len(placed) > MOST_BINDINGS:
        wrong = f"there are {len(placed)} controls"
        report.key(("controls",), wrong, f"use at most {MOST_BINDINGS}")
        return
    _check_each_other(placed, report)
    if report.whole:
        _check_music(placed, setlist, report)


def distinct(a: Binding, b: Binding) -> bool:
    """Whether it is always clear which of two bindings a message is for.

    A short and a long press of one key are, unless the short one acts while it is held.
    """
    if not a.press.same(b.press):
        return True
    short = b if a.press.long else a
    return a.press.long != b.press.long and not (short.press.toggle or short.wish.ask is Ask.FILL)


def combined(first: Sequence[Binding], second: Sequence[Binding]) -> tuple[Binding, ...]:
    """Both, but for those of `second` that one of `first` clashes with."""
    kept = [b for b in second if all(distinct(b, other) for other in first)]
    return (*first, *kept)


def _check_each_other(placed: Sequence[tuple[Binding, Path]], report: Report) -> None:
    alike: dict[tuple[Kind, int], list[tuple[Binding, Path]]] = defaultdict(list)
    for binding, path in placed:
        address = binding.press.address
        earlier = alike[address.kind, address.number]
        for other, at in earlier:
            if not distinct(binding, other):
                line = report.places.at(at)[0]
                wrong = (
                    f"{_named(address)} asks for {quoted(str(other.wish))} already, on line {line}"
                )
                right = "take another, or tell them apart by `channel`, `port` or `long`"
                report.value(_pressed(path, address), wrong, right)
                break
        earlier.append((binding, path))


def _check_music(placed: Sequence[tuple[Binding, Path]], setlist: SetList, report: Report) -> None:
    sounds: dict[tuple[Kind, int], dict[tuple[Address, str | None], str]] = defaultdict(dict)
    for address, port, what in _sounds(setlist, report) if placed else ():
        sounds[address.kind, address.number].setdefault((address, port), what)
    for binding, path in placed:
        press = binding.press
        here = sounds[press.address.kind, press.address.number]
        if press.address.kind is Kind.PROGRAM:
            here = dict(_programs(setlist, press.address.number, report))
        for (address, port), what in here.items():
            if press.address.meets(address) and _one_port(press.port, port):
                right = "take another, or write the `port` of both, if the pad or pedal has its own"
                report.value(_pressed(path, press.address), f"{_named(address)} {what}", right)
                break


def _named(address: Address) -> str:
    # Which number the writer gave a program depends on where the display begins.
    return "this program" if address.kind is Kind.PROGRAM else str(address)


def _one_port(one: str | None, other: str | None) -> bool:
    """Whether one port may match both globs, as far as they say; None is any."""
    if one is None or other is None:
        return True
    first, second = _glob(one), _glob(other)
    return fnmatchcase(first, second) or fnmatchcase(second, first)


def _glob(port: str) -> str:
    # A plain word may stand anywhere in a port's name.
    glob = port.casefold()
    return glob if any(mark in glob for mark in "*?[") else f"*{glob}*"


def _pressed(path: Path, address: Address) -> Path:
    return (*path, "press", address.kind.value)


def _sounds(setlist: SetList, report: Report) -> Iterator[Sound]:
    seen = set()
    for part in setlist.all_that_plays():
        key = (part.pattern.name, part.instrument)
        own = setlist.instruments.get(part.instrument or "")
        if key in seen or (own is not None and report.hurt(("instruments", own.name))):
            continue
        seen.add(key)
        for track, note in setlist.notes_of(part).items():
            address = Address(Kind.NOTE, note.number, note.channel)
            yield address, None if own is None else own.port, f"is what {quoted(track)} plays"
    for instrument in setlist.instruments.values():
        if report.hurt(("instruments", instrument.name)):
            continue
        told, named = instrument.tells, quoted(instrument.name)
        if told.fill is not None:
            yield told.fill, instrument.port, f"is how {named} tells of a fill"
        for mute in told.mutes:
            yield mute.address, instrument.port, f"is how {named} tells of a mute"


def _programs(
    setlist: SetList, number: int, report: Report
) -> Iterator[tuple[tuple[Address, str | None], str]]:
    """Any program change of an instrument's may tell which pattern it plays now."""
    for instrument in setlist.instruments.values():
        if not report.hurt(("instruments", instrument.name)):
            address = Address(Kind.PROGRAM, number, instrument.channel)
            yield (address, instrument.port), f"is how {quoted(instrument.name)} tells its pattern"
