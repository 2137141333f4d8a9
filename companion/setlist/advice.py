"""What is allowed in a set list but probably not meant. Faults, which stop a set, are elsewhere.

Only what is certain is told: whatever is played, fills included, such a step stays silent, such a
cue never comes. `find_long_cycles` has the numbers of all patterns whose phrases differ, which is
often meant, and good to know.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from math import gcd, lcm
from pathlib import Path as FilePath

from companion.counting import (
    CompiledPattern,
    CompiledStep,
    Cycle,
    If,
    OutOfReach,
    PassSet,
    Pattern,
    Rule,
    compile_pattern,
    repeat_passes,
    step_events,
)
from companion.counting.compiled import looked_at
from companion.printable import printable
from companion.setlist.check import part_path, whole_phrases
from companion.setlist.course import stages
from companion.setlist.faults import Fault, quoted
from companion.setlist.model import (
    Cue,
    NoteKey,
    Part,
    SetList,
    Span,
    Unit,
    carried,
    cue_ticks,
    hold_ticks,
    recounts,
    spoken,
)
from companion.setlist.text import LONGEST_CYCLE, folded
from companion.setlist.yamltree import Path, Places

# A longer number says less than how long it is.
MOST_DIGITS = 12

# So many phrases are never played through.
_FAR = 10_000
# Longer than any part.
_ENDLESS = 1 << 62
# Different stays of one pattern that are looked into; with more of them some part is long enough.
_MOST_STAYS = 64
# Of several steps with one failing so many are named; the rest are counted.
_MOST_NAMED = 3
# Nobody plays one pattern for longer; common practice, no source.
MOST_PHRASES = 32
# Nor does anybody think in longer phrases than so many passes; common practice, no source.
MOST_IN_PHRASE = 32
_EXCLUDE = "its terms exclude one another"
_OPPOSITES = (("fill", "no fill"), ("first pass", "after first pass"))
# Ways for `if` terms to look at steps, above which they are not followed.
_MOST_LOOKS = 500_000
# As wide as the lines of a set list may well be.
_WIDTH = 100


@dataclass(frozen=True, slots=True)
class Advice:
    """One piece of advice: what is noticed, what would be better, and where in the file.

    `path` leads there, as in ("songs", 0, "parts", 1); `line` and `column` count from 1.
    """

    path: Path
    notice: str
    better: str
    line: int = 1
    column: int = 1

    @property
    def text(self) -> str:
        """The advice in one sentence, fit for a screen."""
        return printable(f"{self.notice}; {self.better}")

    def render(self, file: str | FilePath) -> str:
        """The advice as one line, `FILE:LINE:COLUMN: what it is; what would be better`."""
        return Fault(self.line, self.column, self.notice, self.better).render(file)


def placed(advice: Iterable[Advice], places: Places) -> list[Advice]:
    """The same advice, each with the line and column that its path leads to."""
    found = ((each, *places.at(each.path)) for each in advice)
    return [replace(each, line=line, column=column) for each, line, column in found]


def amount(number: int, one: str, many: str) -> str:
    """A number of things for people: `1 pass`, `12 345 passes`, or about how many if very many."""
    if number < 10**MOST_DIGITS:
        return f"{_grouped(number)} {one if number == 1 else many}"
    digits = _digits(number)
    return f"about 10^{digits - 1} {many} (a number of {digits} digits)"


def on_pass(number: int) -> str:
    """When pass `number` is, for people: `on pass 12`, or after how many if those are very many."""
    if number < 10**MOST_DIGITS:
        return f"on pass {_grouped(number)}"
    return f"after {amount(number, 'pass', 'passes')}"


def _grouped(number: int) -> str:
    """A whole number with its digits in groups of three."""
    return f"{number:,}".replace(",", " ")


def _digits(number: int) -> int:
    # Writing a number out takes time that grows with the square of its length; two powers do not.
    digits = (number.bit_length() - 1) * 30103 // 100_000
    while 10**digits <= number:
        digits += 1
    return digits


def advise(setlist: SetList, places: Places | None = None) -> list[Advice]:
    """All advice about a set list without faults, by position.

    `places` are those of its file. Without them positions are 1:1, and patterns that no part plays
    go unnoticed, for a set list has only patterns that are played.
    """
    found = [
        *_instruments(setlist),
        *_patterns(setlist, places),
        *_parts(setlist),
    ]
    if places is None:
        return found
    return sorted(placed(found, places), key=lambda advice: (advice.line, advice.column))


def _instruments(setlist: SetList) -> Iterator[Advice]:
    used = {setlist.clock_from} | {part.instrument for part in setlist.parts}
    used |= {change.instrument for part in setlist.parts for change in part.changes}
    used |= {layer.instrument for part in setlist.parts for layer in part.layers}
    for name, instrument in setlist.instruments.items():
        path: Path = ("instruments", name)
        if name not in used:
            yield Advice(path, f"{quoted(name)} plays in no part", "leave it out, or add `on:`")
        lead = instrument.lead
        musical = lead.unit not in (Unit.TICKS, Unit.MILLISECONDS)
        if instrument.at_once and musical and lead.count:
            yield Advice(
                (*path, "change", "send_before"),
                f"{quoted(name)} changes at once, and so {lead} too early",
                "leave `send_before` out, or give it in ms",
            )


def _patterns(setlist: SetList, places: Places | None) -> Iterator[Advice]:
    played = {part.pattern.name: part.pattern for part in setlist.parts}
    copied = _copies(played.values())
    # What is advised of a pattern need not be said again of its copies.
    again = {name for names in copied.values() for name in names}
    by_name = stays(setlist)
    for name, pattern in played.items():
        if name in copied:
            yield _copy_advice(name, copied[name])
        yield from _note_advice(setlist, pattern)
        if name not in again:
            compiled = compile_pattern(pattern)
            yield from _step_advice(compiled, by_name[name], places)
            yield from _phrase_advice(compiled, by_name[name])
    yield from _beyond(setlist, played.values())
    beside = {each.pattern.name: part for part in setlist.parts for each in part.layers}
    for name, part in beside.items():
        if name not in played:
            pattern = next(e.pattern for e in part.layers if e.pattern.name == name)
            # A layer plays on through parts; what can never play at all is told.
            yield from _step_advice(compile_pattern(pattern), [Stay(part, 0, None)], places)
    for name in places.keys(("patterns",)) if places is not None else ():
        if name not in played and name not in beside:
            yield Advice(("patterns", name), f"no part plays {quoted(name)}", "add one, or drop it")


def _beyond(setlist: SetList, patterns: Iterable[Pattern]) -> Iterator[Advice]:
    """The first pattern whose rare steps cannot be told; to find that out takes seconds."""
    for pattern in patterns:
        try:
            step_events(pattern, 0, 1, rare=setlist.rare)
        except OutOfReach as error:
            yield Advice(
                ("patterns", pattern.name),
                f"{error}, so no rare step of it is announced",
                "let fewer `if` terms look at each other",
            )
            return


def _parts(setlist: SetList) -> Iterator[Advice]:
    written = {part_path(part): part for part in reversed(setlist.parts)}
    for path, part in reversed(written.items()):
        for index, cue in enumerate(part.cues):
            yield from _cue(cue, part, (*path, "cues", index))
    told: set[Path] = set()
    for before, after in pairwise(setlist.parts):
        path = part_path(before)
        if path in told:
            continue
        waiting = [c for c in after.changes if not setlist.instruments[c.instrument].at_once]
        uneven = before.pattern.phrase_ticks % before.pattern.pass_ticks
        if before.phrases is None and waiting and uneven:
            told.add(path)
            yield Advice(
                path,
                f"a phrase of {quoted(before.pattern.name)} may end inside a pass, but "
                f"{quoted(waiting[0].instrument)} changes only at the end of one",
                f"give the pattern a phrase of {whole_phrases(before.pattern)}",
            )


def left_open(setlist: SetList) -> Iterator[Advice]:
    """The last part, for each instrument, by which nothing says what it has.

    What a jump sends is what the plan has put on each instrument; where that is open nothing is.
    That is often meant, and good to know.
    """
    found = stages(setlist)
    for name in {c.instrument: None for part in setlist.parts for c in part.changes}:
        open_parts = [part for part in setlist.parts if name not in found[part.number - 1]]
        # Alone on the stage, what is chosen by hand is chosen by hand.
        others = any(name != c.instrument for part in setlist.parts for c in part.changes)
        if not open_parts or not others:
            continue
        part = open_parts[-1]
        yield Advice(
            part_path(part),
            f"nothing says which program {quoted(name)} has in part {part.number}, so a jump there "
            "leaves it as it is",
            "name one for it in the song's first part, or in the song's `also`",
        )


def _cue(cue: Cue, part: Part, path: Path) -> Iterator[Advice]:
    end = part.planned_ticks
    if end is None:
        return
    # One tick more than the part has, for `end` itself.
    due = next(cue_ticks(cue.when, part.pattern, end, 0, end + 1), None)
    if due is None or (due == end and cue.when.kind.value != "end"):
        yield Advice(
            path, f"this cue never comes: {_planned(part)}", "place it earlier, or drop it"
        )
        return
    hold = hold_ticks(cue, part.pattern)
    if due + hold > end:
        held = cue.hold or Span(0, Unit.BARS)
        yield Advice(path, f"a fill of {held} from here goes on past the part's end", "shorten it")


def _planned(part: Part) -> str:
    return f"the part ends after {Span(part.phrases or 0, Unit.PHRASES)}"


def _copies(patterns: Iterable[Pattern]) -> dict[str, list[str]]:
    """The names of patterns that are alike in all but name, those after the first by the first.

    A pattern without steps says nothing of how it sounds and is like no other.
    """
    first: dict[Pattern, str] = {}
    found: dict[str, list[str]] = {}
    for pattern in patterns:
        if any(track.steps for track in pattern.tracks):
            original = first.setdefault(replace(pattern, name=""), pattern.name)
            if original != pattern.name:
                found.setdefault(original, []).append(pattern.name)
    return found


def _copy_advice(original: str, copied: list[str]) -> Advice:
    """Advice about patterns that are like another in all but name."""
    more = len(copied) - 1
    others = f", and so {'is' if more == 1 else 'are'} {more} more" if more else ""
    return Advice(
        ("patterns", copied[0]),
        f"{quoted(copied[0])} is {quoted(original)} once more under another name{others}",
        "write what differs, or play the one pattern in both parts",
    )


def _note_advice(setlist: SetList, pattern: Pattern) -> Iterator[Advice]:
    """Advice about tracks whose notes cannot be told apart."""
    taken: dict[NoteKey, str] = {}
    for track in pattern.tracks:
        note = setlist.notes.get((pattern.name, track.name))
        if note is not None and taken.setdefault(note, track.name) != track.name:
            yield Advice(
                ("patterns", pattern.name, "tracks", track.name, "note"),
                f"note {note.number} is that of {quoted(taken[note])} too, so what is heard of the "
                "two cannot be told apart",
                "let the instrument send another note, or leave this one out",
            )


def _phrase_advice(compiled: CompiledPattern, stays: list[Stay]) -> Iterator[Advice]:
    """Advice about a pattern whose rules count in a number that does not go with its phrase.

    A rule on every second phrase is no slip, nor is a track whose own length drifts against the
    phrase; a count that fits neither way is likely to be one, where a part has several phrases.
    """
    pattern = compiled.pattern
    ticks = max((stay.part.planned_ticks or _ENDLESS for stay in stays), default=0)
    if ticks <= pattern.phrase_ticks:
        return
    odd = [step for step in compiled.steps if _odd(step, pattern, ticks)]
    if not odd:
        return
    step, repeat = odd[0], repeat_passes(pattern)
    phrases = lcm(repeat * pattern.pass_ticks, pattern.phrase_ticks) // pattern.phrase_ticks
    differ = "differ"
    if phrases < _FAR:
        differ += f" and come round after {amount(phrases, 'phrase', 'phrases')}"
    rule = quoted(", ".join(map(str, step.rule.cycles)))
    fits = "does not fit"
    if len(odd) > 1:
        fits = f"and {amount(len(odd) - 1, 'more rule', 'more rules')} do not fit"
    yield Advice(
        _step_path(compiled, step),
        f"{quoted(pattern.name)} repeats after {amount(repeat, 'pass', 'passes')} and its phrase "
        f"is {_phrase_in_words(pattern)}, so phrases {differ}: {rule} {fits}",
        f"count in {_fitting(step, pattern)} passes if they should be alike",
    )


def _odd(step: CompiledStep, pattern: Pattern, ticks: int) -> bool:
    """Whether what the step counts neither divides the phrase nor is divided by it.

    Only for tracks that fit the phrase, and counts that come round in `ticks`.
    """
    if step.never or pattern.phrase_ticks % step.pass_ticks:
        return False
    length, counts = pattern.phrase_ticks // step.pass_ticks, step.passes.period
    shared = gcd(length, counts)
    return shared not in (length, counts) and counts * step.pass_ticks <= ticks


def _fitting(step: CompiledStep, pattern: Pattern) -> str:
    """The counts nearest to the step's that do fit the phrase, in words."""
    length, counts = pattern.phrase_ticks // step.pass_ticks, step.passes.period
    fitting = [n for n in range(1, min(length, LONGEST_CYCLE) + 1) if length % n == 0]
    below = [n for n in fitting if 1 < n < counts][-1:]
    above = [n for n in fitting if n > counts][:1]
    return " or ".join(map(str, below + above or fitting[-1:]))


def _phrase_in_words(pattern: Pattern) -> str:
    """How long the pattern's phrase is, in passes if they are whole."""
    for unit in (Unit.PASSES, Unit.BARS, Unit.STEPS):
        whole, over = divmod(pattern.phrase_ticks, unit.ticks(pattern))
        if not over:
            return str(Span(whole, unit))
    return spoken(pattern.phrase_ticks, pattern)


@dataclass(frozen=True, slots=True)
class _Missed:
    """A step that would first play on pass `at` of its track; `stay` comes nearest to it."""

    step: CompiledStep
    at: int
    stay: Stay


def _step_advice(
    compiled: CompiledPattern, stays: list[Stay], places: Places | None
) -> Iterator[Advice]:
    """Advice about the steps of a pattern that parts play for `stays`."""
    never, missed = silent_steps(compiled, stays, places)
    for index, why in sorted(never.items()):
        path = _step_path(compiled, compiled.steps[index])
        yield Advice(path, f"this step never plays: {why}", "change its rule, or drop it")
    yield from _always_silent(compiled, never)
    told = [each for each in missed if each.step.step.watch is not False]
    if told:
        yield _told_missed(compiled, told, len(stays))


def silent_steps(
    compiled: CompiledPattern, stays: list[Stay], places: Places | None = None
) -> tuple[dict[int, str], list[_Missed]]:
    """The steps that stay silent in all of `stays`: by index why, and those that come too late."""
    never = _contradictory(compiled, places)
    never |= _unanswered(compiled, never.keys())
    missed: list[_Missed] = []
    different = list({(stay.start, stay.end): stay for stay in reversed(stays)}.values())[::-1]
    if len(different) > _MOST_STAYS:
        return never, missed
    for step in compiled.steps:
        if step.index in never or not step.rule.conditional:
            continue
        found = _missed(step, different)
        if found is not None:
            missed.append(found)
        elif _asks_in_vain(step, different):
            never[step.index] = "it asks for the first pass, on which its other terms do not hold"
    return never, missed


def _step_path(compiled: CompiledPattern, step: CompiledStep) -> Path:
    """Where a step is in the file."""
    track = compiled.tracks[step.track].name
    return ("patterns", compiled.pattern.name, "tracks", track, "steps", step.step.number)


def contradiction(rule: Rule, text: str = "") -> str | None:
    """Why `rule` holds on no pass at all, in words; None if nothing in it says so.

    `text` is the rule as written, for its words.
    """
    if 0 in rule.chances:
        return "its chance is 0"
    for one, other in combinations(rule.conditions, 2):
        if one.track == other.track and one.played != other.played:
            return f"{quoted(str(one))} and {quoted(str(other))} cannot both hold"
    if rule.impossible:
        said = {folded(term) for term in text.split(",")}
        for one_word, other_word in _OPPOSITES:
            if {one_word, other_word} <= said:
                return f"{quoted(one_word)} and {quoted(other_word)} cannot both hold"
        return _EXCLUDE
    return _no_pass(rule.cycles)


def _no_pass(cycles: tuple[Cycle, ...]) -> str | None:
    if not PassSet.of(cycles).empty:
        return None
    for cycle in cycles:
        if PassSet.of([cycle]).empty:
            return f"{quoted(str(cycle))} leaves no pass"
    for one, other in combinations(cycles, 2):
        if PassSet.of([one, other]).empty:
            return f"{quoted(str(one))} and {quoted(str(other))} never fall on the same pass"
    return "its terms leave no pass on which all of them hold"


def _contradictory(compiled: CompiledPattern, places: Places | None) -> dict[int, str]:
    """Steps whose own terms exclude one another, with the reason."""
    found = {}
    for step in compiled.steps:
        if step.never:
            path = _step_path(compiled, step)
            text = ""
            if places is not None:
                text = places.text((*path, "rule")) or places.text(path) or ""
            found[step.index] = contradiction(step.rule, text) or _EXCLUDE
    return found


def _always_silent(compiled: CompiledPattern, never: dict[int, str]) -> Iterator[Advice]:
    """Terms that always hold because the track they look at has nothing to look at."""
    for step in compiled.steps:
        for track, played in step.reads:
            if step.index in never or played or compiled.tracks[track].offsets:
                continue
            yield Advice(
                _step_path(compiled, step),
                f"{quoted(compiled.tracks[track].name)} has no step with a rule of its own, so it "
                "always counts as silent",
                "look at another track, or leave the term out",
            )


def _first(step: CompiledStep, start: int) -> int | None:
    """The first pass on which the step might play in a part that begins at count tick `start`."""
    length = step.pass_ticks
    fresh = start // length + 1
    begins = -((step.offset - start) // length) + 1
    if step.rule.first:
        return fresh if fresh >= begins and fresh in step.passes else None
    if step.rule.first is False:
        begins = max(begins, fresh + 1)
    return step.passes.at_or_after(begins)


def _asks_in_vain(step: CompiledStep, stays: list[Stay]) -> bool:
    return all(stay.start is not None and _first(step, stay.start) is None for stay in stays)


def _missed(step: CompiledStep, stays: list[Stay]) -> _Missed | None:
    """The step if no stay reaches it; None if one does or may, or if the step never plays."""
    best: _Missed | None = None
    nearest = 0
    for stay in stays:
        if stay.start is None:
            return None
        at = _first(step, stay.start)
        if at is None:
            continue
        if stay.end is None or step.tick(at) < stay.end:
            return None
        beyond = step.tick(at) - stay.end
        if best is None or beyond < nearest:
            best, nearest = _Missed(step, at, stay), beyond
    return best


def _told_missed(compiled: CompiledPattern, missed: list[_Missed], parts: int) -> Advice:
    """One piece of advice for all steps of a pattern that its parts are too short for."""
    step, at, stay = missed[0].step, missed[0].at, missed[0].stay
    pattern = compiled.pattern
    own = "" if step.pass_ticks == pattern.pass_ticks else " of its track"
    whole, over = divmod(stay.end or 0, step.pass_ticks)
    ends = f"ends in pass {_grouped(whole + 1)}" if over else f"ends after pass {_grouped(whole)}"
    part = f"part {stay.part.number} {ends}"
    if parts > 1:
        part = f"no part with {quoted(pattern.name)} is so long ({part})"
    earliest = " at the earliest" if step.reads else ""
    others = [
        f"step {each.step.step.number} of {quoted(compiled.tracks[each.step.track].name)}"
        for each in missed[1:]
    ]
    if len(others) > _MOST_NAMED + 1:
        others[_MOST_NAMED:] = [f"{len(others) - _MOST_NAMED} more"]
    nor = f", nor {'does' if len(missed) == 2 else 'do'} {_listed(others)}" if others else ""
    rules = "change the rules" if others else "change the rule"
    phrases = max(_phrases(pattern, each) for each in missed)
    if phrases <= MOST_PHRASES:
        rules = f"let a part last {Span(phrases, Unit.PHRASES)}, or {rules}"
    return Advice(
        _step_path(compiled, step),
        f"this step does not come up{nor}: it first plays {on_pass(at)}{own}{earliest}, and {part}",
        rules,
    )


def _phrases(pattern: Pattern, missed: _Missed) -> int:
    """How many phrases the part of that stay needs to reach the step."""
    return (missed.step.tick(missed.at) - (missed.stay.start or 0)) // pattern.phrase_ticks + 1


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _unanswered(compiled: CompiledPattern, never: Collection[int]) -> dict[int, str]:
    """The steps whose `if ... played` is never met, by index, and why, in words.

    `never` are those that never play for other reasons. Nothing is told of a pattern where it
    would take long.
    """
    asking = [
        step
        for step in compiled.steps
        if step.index not in never and any(played for _, played in step.reads)
    ]
    ways = sum(_ways(compiled, step, track) for step in asking for track, _ in step.reads)
    if ways > _MOST_LOOKS:
        return {}
    waiting = {
        step.index: [looked_at(compiled, step, track) for track, played in step.reads if played]
        for step in asking
    }
    # Whoever is not found to be able to play by way of others that are, never plays.
    able = {step.index for step in compiled.steps} - set(never) - waiting.keys()
    grown = True
    while grown:
        grown = False
        for index, seen in list(waiting.items()):
            if all(not group.isdisjoint(able) for group in seen):
                able.add(index)
                del waiting[index]
                grown = True
    return {index: _why(compiled, compiled.steps[index], able) for index in waiting}


def _ways(compiled: CompiledPattern, step: CompiledStep, track: int) -> int:
    """In how many ways the step may lie beside a pass of the track."""
    length = compiled.tracks[track].pass_ticks
    return length // gcd(length, step.pass_ticks)


def _why(compiled: CompiledPattern, step: CompiledStep, able: set[int]) -> str:
    """Which of the step's terms is never met."""
    unmet = (
        (track, seen)
        for track, played in step.reads
        if played and (seen := looked_at(compiled, step, track)).isdisjoint(able)
    )
    track, seen = next(unmet)
    term, named = quoted(_term(compiled, step, track)), quoted(compiled.tracks[track].name)
    if not seen:
        return f"{named} has no step with a rule of its own, so it always counts as silent"
    if seen == {step.index}:
        return f"{term} finds no other step before it that has a rule"
    if len(seen) == 1:
        number = compiled.steps[seen.pop()].step.number
        return f"{term} looks at step {number} of {named}, which never plays"
    return f"{term} looks at steps of {named} that never play"


def _term(compiled: CompiledPattern, step: CompiledStep, track: int) -> str:
    """The `if ... played` term of the step that looks at the track, as the file may have it."""
    for condition in step.rule.conditions:
        other = step.track if condition.track is None else compiled.by_name.get(condition.track)
        if condition.played and other == track:
            return str(condition)
    return str(If(compiled.tracks[track].name, True))


@dataclass(frozen=True, slots=True)
class Stay:
    """A part's stay in count ticks: ticks of the count that its instrument keeps.

    `start` is None where an earlier part, open or not a whole number of passes, leaves that open;
    `end` is None where the performer decides.
    """

    part: Part
    start: int | None
    end: int | None

    @property
    def planned(self) -> bool:
        """Whether start and end are known."""
        return self.start is not None and self.end is not None


def stays(setlist: SetList) -> dict[str, list[Stay]]:
    """The stays of all parts, by the names of their patterns."""
    found: dict[str, list[Stay]] = {}
    for part, stay in zip(setlist.parts, _stays(setlist), strict=True):
        found.setdefault(part.pattern.name, []).append(stay)
    return found


def _stays(setlist: SetList) -> Iterator[Stay]:
    sure = True
    for part, passes in zip(setlist.parts, carried(setlist), strict=True):
        sure = sure or recounts(setlist, part)
        start = passes * part.pattern.pass_ticks if sure else None
        planned = part.planned_ticks
        end = None if start is None or planned is None else start + planned
        yield Stay(part, start, end)
        sure = sure and planned is not None and planned % part.pattern.pass_ticks == 0


@dataclass(frozen=True, slots=True)
class LongCycle:
    """A pattern no two phrases of which need be alike.

    It repeats after `repeat` passes and its phrase, here in words, comes round after `phrases`.
    """

    pattern: str
    repeat: int
    phrase: str
    phrases: int

    def advice(self) -> Advice:
        """It as a piece of advice of its own, its position not yet known."""
        notice = (
            f"{quoted(self.pattern)} repeats after {amount(self.repeat, 'pass', 'passes')}, "
            f"its phrase is {self.phrase}"
        )
        notice += ": phrases differ"
        if self.phrases < _FAR:
            notice += f", and come round after {amount(self.phrases, 'phrase', 'phrases')}"
        return Advice(("patterns", self.pattern), notice, self.remedy)

    @property
    def remedy(self) -> str:
        """What to do about it, in words."""
        if self.repeat <= MOST_IN_PHRASE:
            alike = f"write `phrase: {Span(self.repeat, Unit.PASSES)}`"
        else:
            alike = "let its rules count in numbers that divide the phrase"
        return f"leave it if that is meant; if phrases should be alike, {alike}"

    def numbers(self, short: bool) -> str:
        """Its name, passes and phrases; `short` leaves out what they count, if there are both."""
        name, passes = quoted(self.pattern), amount(self.repeat, "pass", "passes")
        if self.phrases >= _FAR:
            return f"{name} {passes}"
        if short:
            return f"{name} {_grouped(self.repeat)} and {_grouped(self.phrases)}"
        return f"{name} {passes} and {amount(self.phrases, 'phrase', 'phrases')}"


def find_long_cycles(setlist: SetList) -> list[LongCycle]:
    """One for each such pattern that is played, in the order in which they are."""
    found = []
    for name, pattern in {part.pattern.name: part.pattern for part in setlist.parts}.items():
        repeat = repeat_passes(pattern)
        ticks = repeat * pattern.pass_ticks
        if pattern.phrase_ticks % ticks:
            phrases = lcm(ticks, pattern.phrase_ticks) // pattern.phrase_ticks
            found.append(LongCycle(name, repeat, _phrase_in_words(pattern), phrases))
    return found


def in_few_lines(cycles: Iterable[LongCycle]) -> list[str]:
    """All of them in few lines: those with phrases alike together, what is counted said once."""
    alike: dict[str, list[LongCycle]] = {}
    for cycle in cycles:
        alike.setdefault(cycle.phrase, []).append(cycle)
    lines = []
    for phrase, several in alike.items():
        # Those without a number of phrases stand last, where what they count is said anyhow.
        several.sort(key=lambda cycle: cycle.phrases >= _FAR)
        line = f"phrase of {phrase}: {several[0].numbers(short=False)}"
        for cycle in several[1:]:
            item = cycle.numbers(short=True)
            if len(line) + len(item) + 3 > _WIDTH:
                lines.append(printable(f"{line},"))
                line = f"  {item}"
            else:
                line += f", {item}"
        lines.append(printable(line))
    return lines
