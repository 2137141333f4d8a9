"""Builds what steers from an instrument out of its forms: notes, tellings, mutes to send, presses.

Whether they get in each other's way is in `clashes`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from companion.setlist import controlforms as forms
from companion.setlist.controls import (
    Address,
    Ask,
    Binding,
    Kind,
    MuteSend,
    MuteTold,
    NoteKey,
    Press,
    Tells,
)
from companion.setlist.faults import listed, quoted
from companion.setlist.format import InstrumentForm, PatternForm
from companion.setlist.places import Path
from companion.setlist.report import Report
from companion.setlist.text import folded

Placed = tuple[Binding, Path]


def build_notes(
    patterns: Mapping[str, PatternForm], report: Report
) -> dict[tuple[str, str], NoteKey]:
    """The notes of all tracks that have one, by (pattern, track)."""
    found = {}
    for pattern, form in patterns.items():
        for track, inner in form.tracks.items():
            path: Path = ("patterns", pattern, "tracks", track, "note")
            note = inner.note
            if note is not None and not report.hurt(path):
                channel = None if note.channel is None else note.channel - 1
                found[pattern, track] = NoteKey(channel, note.number)
    return found


class TrackNames:
    """The names of the tracks of all patterns."""

    def __init__(self, report: Report) -> None:
        self._report = report
        self._spelled: dict[str, dict[str, None]] = {}
        # Where a pattern was left out its tracks are not known, and no name can be called wrong.
        self._all = report.whole and not report.gone(("patterns",))
        for pattern in report.places.keys(("patterns",)):
            path: Path = ("patterns", pattern)
            self._all = self._all and not (report.gone(path) or report.gone((*path, "tracks")))
            for track in report.places.keys((*path, "tracks")):
                self._spelled.setdefault(folded(track), {})[track] = None

    def meant(self, written: str, path: Path) -> list[str]:
        """What `written`, the key at `path`, means, as each pattern spells it; a fault if none."""
        found = self._spelled.get(folded(written))
        if found is not None:
            return list(found)
        report = self._report
        if self._all:
            known = [next(iter(names)) for names in self._spelled.values()]
            right = report.suggest(written, known) if known else "write the track first"
            report.key(path, f"no pattern has a track {quoted(written)}", right)
        return []


def build_tells(
    named: str, form: InstrumentForm, names: TrackNames, report: Report
) -> tuple[Tells, tuple[MuteSend, ...]]:
    """What an instrument tells, and how it is told to mute."""
    own, below = form.channel - 1, ("instruments", named, "tells")
    fill = None
    if form.tells.fill is not None:
        fill = _address(form.tells.fill, (*below, "fill"), own, report)
    mutes: list[MuteTold] = []
    for written, told in form.tells.mutes.items():
        path: Path = (*below, "mutes", written)
        address = _address(told, path, own, report)
        tracks = names.meant(written, path)
        if told.toggle and report.places.written((*path, "muted_at")):
            wrong = "a toggle says only that the state turns round, not which it is"
            report.key((*path, "muted_at"), wrong, "leave `muted_at` out")
        high = told.muted_at == "high"
        if address is not None:
            mutes += [MuteTold(track, address, high, told.toggle) for track in tracks]
    sends: list[MuteSend] = []
    taken: dict[tuple[int, int], str] = {}
    for written, send in form.send_mutes.items():
        path = ("instruments", named, "send_mutes", written)
        tracks = names.meant(written, path)
        if report.hurt(path):
            continue
        if send.muted == send.sounding:
            key = "sounding" if report.places.written((*path, "sounding")) else "muted"
            wrong = f"muted and sounding have the same value {send.muted}"
            report.value((*path, key), wrong, "give them two different values")
        channel = own if send.channel is None else send.channel - 1
        other = taken.setdefault((channel, send.controller), written)
        if other != written:
            wrong = f"controller {send.controller} mutes {quoted(other)} already"
            report.value((*path, "controller"), wrong, "take another controller or channel")
        sends += [
            MuteSend(track, channel, send.controller, send.muted, send.sounding) for track in tracks
        ]
    return Tells(fill, tuple(mutes)), tuple(sends)


def build_controls(
    bindings: Sequence[forms.BindingForm], report: Report, parts: int | None = None
) -> list[Placed]:
    """The bindings without faults, each with its path; `parts` is how many the set has."""
    found = []
    for index, form in enumerate(bindings):
        path: Path = ("controls", index)
        if report.gone(path) or report.gone((*path, "press")) or report.gone((*path, "wish")):
            continue
        press = _press(form.press, (*path, "press"), report)
        wish = form.wish
        if wish.part is not None and parts is not None and wish.part > parts:
            right = "write `part 1`" if parts == 1 else f"write `part 1` to `part {parts}`"
            report.value((*path, "wish"), f"there is no part {wish.part}", right)
        elif press is not None and _possible(form, path, report):
            found.append((Binding(press, wish), path))
    return found


def _possible(form: forms.BindingForm, path: Path, report: Report) -> bool:
    """Whether the press can do what is asked of it."""
    press, held = form.press, form.wish.ask is Ask.FILL
    if held and press.program is not None:
        wrong, right = "a program change cannot be held, as a fill must be", "use a note"
    elif held and press.long:
        wrong = "a fill is held from the first moment, so its press cannot be a long one"
        right = "leave `long` out"
    else:
        return True
    report.value((*path, "wish"), wrong, right)
    return False


def _press(form: forms.PressForm, path: Path, report: Report) -> Press | None:
    written = _messages(form)
    if not _one(written, ("note", "controller", "program"), path, report):
        return None
    kind, number = written[0]
    if form.long and form.toggle:
        wrong = "a toggle has no long press, for it does not tell when it is let go"
        report.key((*path, "long"), wrong, "keep one of the two")
        return None
    if form.long and kind is Kind.PROGRAM:
        report.key((*path, "long"), "a program change has no long press", "leave `long` out")
        return None
    if form.toggle and kind is not Kind.CONTROLLER:
        wrong = f"only a controller can be a toggle, not a {kind.value}"
        report.key((*path, "toggle"), wrong, "leave `toggle` out")
        return None
    if kind is Kind.PROGRAM:
        low = form.programs_from
        if not low <= number <= low + 127:
            right = f"programs go from {low} to {low + 127} here"
            report.value((*path, "program"), f"there is no program {number}", right)
            return None
        number -= low
    elif report.places.written((*path, "programs_from")):
        right = "leave it out, or write `program:`"
        report.key((*path, "programs_from"), "`programs_from` goes with `program` only", right)
        return None
    channel = None if form.channel is None else form.channel - 1
    return Press(Address(kind, number, channel), form.port, form.long, form.toggle)


def _address(form: forms.MessageForm, path: Path, own: int, report: Report) -> Address | None:
    if report.hurt(path):
        return None
    written = _messages(form)
    if not _one(written, ("note", "controller"), path, report):
        return None
    return Address(*written[0], own if form.channel is None else form.channel - 1)


def _messages(form: forms.MessageForm | forms.PressForm) -> list[tuple[Kind, int]]:
    numbers: list[tuple[Kind, int | None]] = [
        (kind, getattr(form, kind.value, None)) for kind in Kind
    ]
    return [(kind, number) for kind, number in numbers if number is not None]


def _one(
    written: list[tuple[Kind, int]], keys: tuple[str, ...], path: Path, report: Report
) -> bool:
    """Whether exactly one message is written; if not, that is a fault, unless it was cut out."""
    if len(written) > 1:
        kinds = " and ".join(quoted(kind.value) for kind, _ in written)
        last = [key for key in report.places.keys(path) if key in keys][-1]
        report.key((*path, last), f"{kinds} are two messages", "keep one of them")
    elif not written and not report.hurt(path):
        report.missing(path, "no message is named here", f"add {listed(keys)}")
    return len(written) == 1 and not report.hurt(path)
