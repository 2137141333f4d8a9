"""What there is to do and what is not in order, in words: next action, agenda, alarms, facts.

Pure. How the count stands is extrapolation's, how it all looks is drawing's; what was asked for and
stays said as long as it holds is in asking.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby, pairwise

from companion.link.messages import Coming, LayerView, ProgramView, Snapshot, Trouble
from companion.printable import percent
from companion.screen import extrapolation
from companion.screen.extrapolation import Spot, Stage
from companion.wishes import Ask, Wish


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something not in order: a head word, and a sentence that says what to do next.

    `short` is for windows with no room for `text`. `urgent` is False for what is so by choice;
    `large` has its head in large letters all the same, where there is room.
    """

    head: str
    text: str
    short: str = ""
    urgent: bool = True
    large: bool = False

    @property
    def key(self) -> str:
        """What makes it the same alarm in other words; each trouble is its own."""
        return self.text if self.head == TROUBLE else self.head


@dataclass(frozen=True, slots=True)
class Fact:
    """A fact of the quiet line; rank 1 is kept longest. No `short` one: left out when cramped.

    One of MOST_RANK is shown only where all others are in full.
    """

    rank: int
    long: str
    short: str = ""


MOST_RANK = 9
TROUBLE = "TROUBLE"
# The heads of alarms, worst first.
RANKS = ("NO ENGINE", "CLOCK LOST", "UNSURE", TROUBLE, "NOT SENDING")

_GONE = Alarm(
    "NO ENGINE",
    "The engine does not answer, so nothing will be sent. This screen keeps trying; if it stays "
    "so, start the engine again in another window.",
    "it does not answer; this screen keeps trying",
)
_LOST = Alarm(
    "CLOCK LOST",
    "The count runs on by itself and nothing will be sent. Check the clock's cable and that the "
    "instrument still plays.",
    "check the cable; nothing will be sent",
)
# How an unsure count becomes sure, long and short: by a key of this screen, or by another's.
_PRESS = (
    "Nothing will be sent. If the count is right press c; if not, press 1 on the one.",
    "press c if the count is right; if not, 1 on the one",
)
_WATCHED = (
    "Nothing will be sent until the performer says that the count is right.",
    "nothing will be sent until the count is right",
)
_BY_HAND = "change by hand"


def alarms(snapshot: Snapshot, condition: str, *, look_only: bool = False) -> tuple[Alarm, ...]:
    """All that is not in order, worst first; with `look_only` no key is named."""
    if condition == "gone":
        return (_GONE,)
    found: list[Alarm] = []
    if condition == "lost":
        found.append(_LOST)
    elif doubtful(snapshot, condition):
        doubt = sentence(snapshot.doubt or "the count may be wrong")
        said, short = _WATCHED if look_only else _PRESS
        if snapshot.help and not look_only:
            said, short = f"Nothing will be sent. {sentence(snapshot.help)}", snapshot.help
        found.append(Alarm("UNSURE", f"{doubt} {said}", short))
    # What the doubt says is not said again.
    said_so = doubtful(snapshot, condition) and snapshot.doubt
    found += [_trouble(trouble) for trouble in snapshot.troubles if trouble.text != said_so]
    if not snapshot.sending and not found and not snapshot.demo:
        note = sentence(snapshot.sending_note) if snapshot.sending_note else ""
        starts = not look_only and snapshot.why_not(Wish(Ask.ARM)) is None
        then = f"{_BY_HAND}; s starts sending" if starts else _BY_HAND
        found.append(
            Alarm("NOT SENDING", f"{note} {sentence(then)}".strip(), _BY_HAND, urgent=False)
        )
    return tuple(found)


def doubtful(snapshot: Snapshot, condition: str) -> bool:
    """Whether a count is shown that may be wrong. With no count shown there is none to doubt."""
    return condition == "lost" or (not snapshot.sure and condition in ("running", "stopped"))


def quiet_facts(
    snapshot: Snapshot, at: Spot, condition: str, *, unsure: bool = False
) -> tuple[Fact, ...]:
    """The quiet line's facts in the order shown; `unsure` if the count was doubted just now."""
    song, part = snapshot.song_number, snapshot.part
    facts = [
        Fact(8, snapshot.set_name),
        Fact(
            3,
            f"{snapshot.song} (song {song} of {snapshot.songs})" if snapshot.song else "",
            f"{snapshot.song} {song} of {snapshot.songs}" if snapshot.song else "",
        ),
        Fact(
            4,
            f"part {part} of {snapshot.parts}: {snapshot.name or snapshot.pattern}",
            f"part {part} of {snapshot.parts}",
        ),
        Fact(7, f"pass {at.pass_number}, bar {at.bar}, beat {at.beat}", f"pass {at.pass_number}"),
        *(Fact(MOST_RANK, _beside(snapshot, at, layer)) for layer in snapshot.layers),
        _tempo(snapshot),
        _clock(snapshot, condition),
        _both(2, "staying" if snapshot.staying else ""),
        _both(2, _later(snapshot, at)),
        _both(1, _sending(snapshot, condition)),
        _both(1, _trust(snapshot, unsure) if condition in ("running", "stopped", "lost") else ""),
    ]
    return tuple(fact for fact in facts if fact.long)


def _beside(snapshot: Snapshot, at: Spot, layer: LayerView) -> str:
    """What plays beside the part, and on which pass of its own."""
    tick = layer.tick + at.tick - snapshot.tick
    return f"{layer.pattern} on {layer.instrument}: pass {tick // max(1, layer.pass_ticks) + 1}"


def _later(snapshot: Snapshot, at: Spot) -> str:
    """That the key for the next part would miss the coming boundary, and when it would come."""
    found = next((each for each in snapshot.later if each.wish == str(Wish(Ask.NEXT))), None)
    left = 0 if found is None else found.ticks - (at.tick - snapshot.tick)
    return f"n now: {_in(snapshot, at, left)}" if left > 0 else ""


def _sending(snapshot: Snapshot, condition: str) -> str:
    if snapshot.alone and snapshot.sending:
        return "rehearsal"
    if snapshot.sending and condition != "gone":
        said = "sending once sure" if doubtful(snapshot, condition) else "sending"
        return f"rehearsal, {said}" if snapshot.rehearsal else said
    return "demonstration: nothing is sent" if snapshot.demo else "not sending"


def _trust(snapshot: Snapshot, unsure: bool) -> str:
    return "sure" if snapshot.sure and not unsure else "unsure"


def put_away_fact(count: int) -> Fact:
    """That troubles were put away."""
    return _both(1, f"{count} {'trouble' if count == 1 else 'troubles'} put away")


def _both(rank: int, text: str) -> Fact:
    return Fact(rank, text, text)


def _tempo(snapshot: Snapshot) -> Fact:
    if snapshot.tempo <= 0:
        return _both(5, "no tempo")
    return Fact(5, f"tempo {snapshot.tempo:.1f}", f"{snapshot.tempo:.1f} bpm")


def _clock(snapshot: Snapshot, condition: str) -> Fact:
    if not snapshot.clock_port:
        return _both(6, "no clock")
    state = "lost" if condition == "lost" else f"{snapshot.jitter_ms:.1f} ms jitter"
    ticks = "tick" if snapshot.clocks_lost == 1 else "ticks"
    lost = f", {snapshot.clocks_lost} {ticks} lost" if snapshot.clocks_lost else ""
    short = "clock lost" if condition == "lost" else f"clock {snapshot.clock_port}"
    return Fact(6, f"clock {snapshot.clock_port}, {state}{lost}", short)


def _trouble(trouble: Trouble) -> Alarm:
    return Alarm(TROUBLE, sentence(trouble.text), sentence(trouble.short or trouble.text))


def sentence(text: str) -> str:
    """`text` with a capital and a full stop."""
    text = text.strip()
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."


# More lines than the tallest screen shows.
_MOST_ENTRIES = 48
# What becomes of a fill once it is held. No engine sends it.
_RELEASE = "release"


@dataclass(frozen=True, slots=True)
class Entry:
    """One plain sentence and its own small countdown; `stage` is how near it is.

    `announced` says that its warning time has come, `muted` that it will not be heard, `chance`
    that it may not come, `differs` that it is no cue, but puts right what is not as planned, `idle`
    that there is nothing to do.
    `brief` and `briefest` are what there is to do one by one, the most needed first, and in fewer
    words; () where there are none.
    """

    when: str
    text: str
    stage: Stage
    announced: bool
    muted: bool = False
    chance: bool = False
    differs: bool = False
    idle: bool = False
    brief: tuple[str, ...] = ()
    briefest: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ToDo:
    """The next thing to do, what the boundary brings if that is another, and the agenda."""

    action: Entry
    boundary: Entry | None
    agenda: tuple[Entry, ...]


def to_do(snapshot: Snapshot, at: Spot, condition: str, *, look_only: bool = False) -> ToDo:
    """What there is to do, the count standing at `at`; with `look_only` no key is named."""
    words = _INSTEAD | (_LOOKING if look_only else {})
    instead = (words | _REHEARSING if snapshot.rehearsal else words).get(condition)
    if snapshot.count_in and instead is not None and condition != "gone":
        instead = "Counted in; space calls it off."
    if snapshot.song_over and condition == "running":
        return ToDo(
            Entry("Now", "stop the instrument", Stage.NOW, True),
            None,
            _amiss(snapshot) + _entries(snapshot, at, _items(snapshot, at)),
        )
    found = _items(snapshot, at)
    if instead is not None:
        # Nothing is pressing while nothing moves.
        still = tuple(
            replace(entry, stage=Stage.FAR, announced=False)
            for entry in _entries(snapshot, at, [] if condition == "gone" else found)
        )
        brief = _BRIEF.get(condition, ()) if instead == _INSTEAD.get(condition) else ()
        return ToDo(Entry("", instead, Stage.FAR, False, brief=brief), None, still)
    amiss = _amiss(snapshot)
    boundary = _at_boundary(snapshot, at, found)
    due = [item for item in found if _needs_a_hand(snapshot, item)]
    tick = min((item.tick for item in due), default=None)
    here = [item for item in due if item.tick == tick]
    release = next((item for item in here if item.kind == _RELEASE), None)
    if release is not None and release.tick > at.tick:
        rest = [item for item in found if item is not release]
        return _holding(snapshot, at, release, rest, amiss)
    if tick is None or tick >= at.tick + at.left:
        tick = at.tick + at.left
        action, other = boundary, None
    else:
        when = _in(snapshot, at, tick - at.tick).capitalize()
        action, other = _together(snapshot, at, tick, when, found), boundary
        other = None if boundary.idle else boundary
    rest = [item for item in found if item.tick != tick or not _needs_a_hand(snapshot, item)]
    return ToDo(action, other, amiss + _entries(snapshot, at, rest))


_INSTEAD = {
    "waiting": "No clock yet. Start the instrument, or check its cable.",
    "ready": "The clock runs; press play. If it plays already, press 1 on the one.",
    "stopped": "Press play: start begins anew, continue goes on.",
    "gone": "Count on by ear and change patterns by hand; the screen keeps trying.",
}
_BRIEF = {"stopped": ("Press play, or continue",)}
_LOOKING = {"ready": "The clock runs; press play on the instrument."}
_REHEARSING = {"ready": "Start with space.", "stopped": "Go on with space."}


def order(snapshot: Snapshot, condition: str, *, look_only: bool = False) -> tuple[str, ...]:
    """What a person is to do before anything goes on, in ever fewer words; () for nothing.

    Stopped and unsure, the programs that the part needs; before the first start those that nobody
    is known to have chosen.
    """
    if snapshot.count_in:
        return ()
    part = snapshot.name or snapshot.pattern
    if condition == "stopped" and doubtful(snapshot, condition):
        box = snapshot.instrument or "the instrument"
        own = [each for each in snapshot.wants if each.instrument == box] or list(snapshot.wants)
        what = _programs(own) if own else f"{part} on {box}"
        brief = f"{what.removeprefix('program ')}, play"
        least = f"pick {own[0].program}" if own else "play"
        return f"choose {what}, then press play", f"{what}, then play", brief, least
    wanted = [each for each in snapshot.wants if not each.told]
    if condition not in ("waiting", "ready") or not wanted:
        return ()
    what, them = _programs(wanted), "it" if len(wanted) == 1 else "them"
    if look_only or not snapshot.sending or snapshot.why_not(Wish(Ask.PROGRAMS)) is not None:
        return f"choose {what} for {part}", f"choose {what}", what
    return f"{part} wants {what}: w sends {them}", f"{what}: w sends {them}", "press w"


def _programs(wanted: list[ProgramView]) -> str:
    """The programs in words: "program 3 on pads and 12 on drums"."""
    said = [f"{each.program} on {each.instrument}" for each in wanted]
    return "program " + " and ".join(filter(None, (", ".join(said[:-1]), said[-1])))


def hold_on(before: Snapshot | None, snapshot: Snapshot) -> Snapshot:
    """`snapshot` with the fills that `before` had and that are not to be released yet.

    An engine lets go of what is due a beat after; whoever holds a fill wants to see when it ends.
    A fill that goes on into the next part is counted in that part's ticks. So is what was to be
    done at the very end of the part before, which its engine tells no more once the next part is
    there: it stays for a beat, as all that is due does.
    """
    if before is None or before.set_name != snapshot.set_name:
        return snapshot
    back, ended = 0, False
    if before.part != snapshot.part:
        if before.part_ticks_left is None:
            return snapshot
        back = before.tick + before.part_ticks_left
        ended = before.part_ticks_left <= before.beat_ticks and before.change_part == snapshot.part
    known = {(c.kind, c.tick, c.text) for c in snapshot.coming}
    kept = [
        moved
        for c in before.coming
        for moved in [replace(c, tick=c.tick - back)]
        if c.kind == "fill" or (c.kind == "cue" and moved.tick == 0)
        # Of the part before only what was begun: its end may have come sooner than was known.
        if not back or c.tick <= before.tick or (ended and moved.tick == 0)
        if moved.tick < snapshot.tick + 1 <= moved.tick + c.hold_ticks + snapshot.beat_ticks
        and (c.kind, moved.tick, moved.text) not in known
    ]
    return replace(snapshot, coming=(*kept, *snapshot.coming)) if kept else snapshot


# -- inside ----------------------------------------------------------------------------------


def _holding(
    snapshot: Snapshot, at: Spot, release: Coming, rest: list[Coming], amiss: tuple[Entry, ...]
) -> ToDo:
    """A fill is held, and its release comes before all else, or with it."""
    left = release.tick - at.tick
    when = f"release {_in(snapshot, at, left)}"
    held = Entry("Hold the fill", when, extrapolation.ticks_stage(snapshot, left), True)
    end = at.tick + at.left
    # Where nothing but the release falls on the boundary, there is something to do all the same.
    there = any(_needs_a_hand(snapshot, i) and i.tick == end for i in rest)
    boundary = _at_boundary(snapshot, at, rest) if there else None
    return ToDo(held, boundary, amiss + _entries(snapshot, at, rest))


def _items(snapshot: Snapshot, at: Spot) -> list[Coming]:
    """What comes, soonest first; of a fill that is to be held by now, its release."""
    found = [_released(snapshot, at, c) for c in snapshot.coming if c.kind != "differs"]
    return sorted(found, key=lambda item: item.tick)


def _released(snapshot: Snapshot, at: Spot, coming: Coming) -> Coming:
    # For a beat it is said that it is to be held now.
    held = coming.kind == "fill" and coming.hold_ticks > 0
    if not held or at.tick < coming.tick + min(snapshot.beat_ticks, coming.hold_ticks):
        return coming
    return replace(
        coming, kind=_RELEASE, tick=coming.tick + coming.hold_ticks, text="release the fill"
    )


def _amiss(snapshot: Snapshot) -> tuple[Entry, ...]:
    """What would put right the tracks that are not as planned: now, and before all else.

    Which of them are worth a word is the engine's to say.
    """
    return tuple(
        Entry("now", _righted(c), Stage.NOW, True, differs=True)
        for c in snapshot.coming
        if c.kind == "differs"
    )


def _righted(coming: Coming) -> str:
    """What to do, and then why."""
    names = ", ".join(coming.tracks)
    if not (coming.do and names and coming.detail):
        return coming.sentence
    return f"{coming.do} {names}: it {coming.detail}"


def _at_boundary(snapshot: Snapshot, at: Spot, found: list[Coming]) -> Entry:
    when = "At the boundary" if at.left else "Now"
    entry = _together(snapshot, at, at.tick + at.left, when, found)
    return entry if entry.text else replace(entry, text=_goes_on(snapshot, at), idle=True)


def _together(snapshot: Snapshot, at: Spot, tick: int, when: str, found: list[Coming]) -> Entry:
    """All there is to do at `tick` as one sentence."""
    due = [item for item in found if item.tick == tick and _needs_a_hand(snapshot, item)]
    left = tick - at.tick
    return Entry(
        when,
        "; ".join(_once(due)),
        extrapolation.ticks_stage(snapshot, left),
        any(left <= item.warn_ticks for item in due),
        brief=tuple(_once(due)),
        # Where the set goes is what matters then, not with which program.
        briefest=_heads(due),
    )


def _needs_a_hand(snapshot: Snapshot, item: Coming) -> bool:
    return item.kind != "step" and not _goes_by_itself(snapshot, item)


def _goes_by_itself(snapshot: Snapshot, item: Coming) -> bool:
    if item.sent or item.outcome == "shown":
        return True
    return item.outcome == "open" and snapshot.sending and snapshot.sure


def _heads(items: list[Coming]) -> tuple[str, ...]:
    """What comes without how, each of it once."""
    return tuple(dict.fromkeys(item.text for item in items))


def _once(items: list[Coming]) -> list[str]:
    """The sentences, those that follow one another and differ only in how made one."""
    same = (list(alike) for _, alike in groupby(items, lambda item: item.text))
    return [
        ", ".join(filter(None, (first.sentence, *(each.detail for each in more))))
        for first, *more in same
    ]


def _goes_on(snapshot: Snapshot, at: Spot) -> str:
    planned, phrase = snapshot.phrases_planned, snapshot.phrase + 1
    if snapshot.staying:
        return f"staying, phrase {phrase} begins"
    ends = snapshot.part_ticks_left
    # Unsure, there is: a line of its own says what.
    idle = "nothing to do" if snapshot.sure else ""
    if ends is not None and ends - (at.tick - snapshot.tick) <= at.left:
        # What comes then is told already.
        return idle or "the part ends"
    of = f" of {planned}" if planned is not None and phrase <= planned else ""
    return ", ".join(filter(None, (idle, f"phrase {phrase}{of} begins")))


def _entries(snapshot: Snapshot, at: Spot, found: list[Coming]) -> tuple[Entry, ...]:
    """The agenda; a step that comes by chance again and again has one line, where it is next."""
    again: dict[tuple[str, str], list[int]] = {}
    for item in found:
        if _by_chance(item):
            again.setdefault((item.text, item.detail), []).append(item.tick)
    entries = []
    for item in found:
        ticks = again.get((item.text, item.detail), [])
        if not _by_chance(item):
            entries.append(_entry(snapshot, at, item))
        elif item.tick == ticks[0]:
            entries.append(_chance(snapshot, at, item, ticks))
    # A change for several instruments that goes by itself is one to whoever plays.
    return tuple(dict.fromkeys(entries))[:_MOST_ENTRIES]


def _by_chance(item: Coming) -> bool:
    return item.kind == "step" and item.chance < 1


def _chance(snapshot: Snapshot, at: Spot, item: Coming, ticks: list[int]) -> Entry:
    """A step that may come at each of `ticks`: "hat, step 16, 30 percent, then each bar"."""
    muted = ", muted by then" if item.muted else ""
    text = f"{item.text}, {percent(item.chance)} percent{muted}"
    if len(ticks) > 1:
        apart = {later - sooner for sooner, later in pairwise(ticks)}
        text += f", then {_each(snapshot, apart.pop())}" if len(apart) == 1 else ", then again"
    return replace(_entry(snapshot, at, item), text=text, chance=True)


def _each(snapshot: Snapshot, ticks: int) -> str:
    """How often something is that comes again after so many ticks."""
    for length, name in ((snapshot.bar_ticks, "bar"), (snapshot.beat_ticks, "beat")):
        if ticks % length == 0:
            return f"each {name}" if ticks == length else f"every {ticks // length} {name}s"
    return "again"


def _entry(snapshot: Snapshot, at: Spot, item: Coming) -> Entry:
    left = item.tick - at.tick
    if item.kind == _RELEASE and left > 0:
        text = f"hold the fill, release {_in(snapshot, at, left)}"
        return Entry("now", text, Stage.NOW, True)
    return Entry(
        _in(snapshot, at, left),
        _plainly(snapshot, item),
        extrapolation.ticks_stage(snapshot, left),
        item.kind != "step" and left <= item.warn_ticks,
        item.muted,
    )


def _plainly(snapshot: Snapshot, item: Coming) -> str:
    """What comes, with a program's number only where a hand is to choose it."""
    if item.kind != "change" or not _goes_by_itself(snapshot, item):
        return item.sentence
    return f"{item.text}, on its way" if item.sent else item.text


def _in(snapshot: Snapshot, at: Spot, ticks: int) -> str:
    return "now" if ticks <= 0 else f"in {extrapolation.countdown(snapshot, ticks, at.rest)}"
