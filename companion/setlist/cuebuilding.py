"""One cue from its form: exactly one time, exactly one action, tracks that exist."""

from __future__ import annotations

from companion.counting.pattern import Pattern
from companion.setlist.faults import listed, quoted
from companion.setlist.format import CueForm
from companion.setlist.model import Action, Cue, When, WhenKind
from companion.setlist.places import Path
from companion.setlist.report import Report

ACTIONS = ("mute", "unmute", "fill", "say", "do", "sweep")


def build_cue(
    form: CueForm, path: Path, pattern: Pattern, end_tick: int | None, report: Report
) -> Cue | None:
    """The cue at `path` in a part with `pattern`, or None with its faults in `report`.

    `end_tick` is the part's planned length in ticks, None if it has none or a doubtful one.
    """
    when = _when(form, path, report)
    if when is not None and when.kind is WhenKind.LAST and end_tick is not None:
        lead = when.span.ticks(pattern) if when.span is not None else 0
        if lead > end_tick:
            wrong = f"{quoted(f'last {when.span}')} begins before this part does"
            right = f"the part lasts {_length(end_tick, pattern)}"
            report.value((*path, "at"), wrong, right)
    tracks = {
        key: _tracks(names, (*path, key), pattern, report)
        for key, names in (("mute", form.mute), ("unmute", form.unmute))
        if names is not None
    }
    written = report.places.keys(path)
    done = [key for key in written if key in ACTIONS]
    if len(done) > 1:
        right = "write one cue for each"
        report.key((*path, done[1]), f"this cue asks for {_both(done)}", right)
        return None
    if not done:
        if not report.hurt(path):
            report.missing(path, "this cue asks for nothing", f"add {listed(ACTIONS)}")
        return None
    key = done[0]
    if report.gone((*path, key)):
        return None
    if when is None:
        return None
    said = (form.say or form.sweep or "") if key in ("say", "sweep") else ""
    action = Action.RELOAD if key == "do" else Action(key)
    return Cue(when, action, tracks.get(key, ()), form.fill, said, form.warn)


def _when(form: CueForm, path: Path, report: Report) -> When | None:
    has = {key: report.places.written((*path, key)) for key in ("at", "every", "from")}
    if has["at"] and has["every"]:
        report.key((*path, "every"), "this cue has both `at` and `every`", "keep one of the two")
        return None
    if has["from"] and not has["every"]:
        report.key(
            (*path, "from"), "`from` goes with `every` only", "leave it out, or add `every:`"
        )
    if form.at is not None:
        return form.at
    if form.every is not None:
        return When(WhenKind.EVERY, form.every, form.from_)
    if not report.hurt(path):
        report.missing(path, "this cue does not say when", "add `at:` or `every:`")
    return None


def _tracks(names: list[str], path: Path, pattern: Pattern, report: Report) -> tuple[str, ...]:
    if not names:
        report.key(path, "no track is named here", "write the name of a track, or a list of them")
    if report.gone((*path[:4], "pattern")):
        return ()
    known = report.places.keys(("patterns", pattern.name, "tracks"))
    if not known and report.hurt(("patterns", pattern.name)):
        return ()
    found: list[str] = []
    for index, written in enumerate(names):
        at = (*path, index)
        track = report.find(written, ("patterns", pattern.name, "tracks"))
        if track is None:
            if not report.whole:
                continue
            wrong = f"pattern {quoted(pattern.name)} has no track {quoted(written)}"
            report.value(at, wrong, _instead(written, known, report))
        elif track in found:
            report.value(at, f"{quoted(track)} is named twice here", "name it once")
        else:
            found.append(track)
    return tuple(found)


def _instead(written: str, known: list[str], report: Report) -> str:
    if not known:
        return "write the track under the pattern's `tracks:` first"
    pieces = [piece.strip() for piece in written.split(",")]
    if len(pieces) > 1 and all(piece in known for piece in pieces):
        return f"write several tracks as a list: [{', '.join(pieces)}]"
    return report.suggest(written, known)


def _length(ticks: int, pattern: Pattern) -> str:
    bars, rest = divmod(ticks, pattern.meter.bar_ticks)
    return f"{ticks} clock ticks" if rest else f"{bars} bar{'' if bars == 1 else 's'}"


def _both(keys: list[str]) -> str:
    return " and ".join(quoted(key) for key in keys)
