"""What there is to do: the next action, what the boundary brings, and the agenda, in words.

Pure. How the count stands is reckon's, how entries look is drawing's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from companion.link.messages import Coming, Snapshot
from companion.screen import reckon
from companion.screen.reckon import Spot, Stage

# More lines than the tallest screen shows.
_MOST_ENTRIES = 48
# What becomes of a fill once it is held. No engine sends it.
_RELEASE = "release"


@dataclass(frozen=True, slots=True)
class Entry:
    """One plain sentence and its own small countdown; `stage` is how near it is.

    `announced` says that its warning time has come, `muted` that it will not be heard, `differs`
    that it is no cue, but puts right what is not as planned. `brief` and `briefest` are what there
    is to do one by one, the most needed first, and in fewer words; () where there are none.
    """

    when: str
    text: str
    stage: Stage
    announced: bool
    muted: bool = False
    differs: bool = False
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
    instead = (_INSTEAD | _LOOKING if look_only else _INSTEAD).get(condition)
    found = _items(snapshot, at)
    if instead is not None:
        # Nothing is pressing while nothing moves.
        still = tuple(
            replace(entry, stage=Stage.FAR, announced=False)
            for entry in _entries(snapshot, at, [] if condition == "gone" else found)
        )
        return ToDo(Entry("", instead, Stage.FAR, False), None, still)
    amiss = _amiss(snapshot)
    boundary = _at_boundary(snapshot, at, found)
    due = [item for item in found if item.kind != "step"]
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
        when = _in(snapshot, tick - at.tick).capitalize()
        action, other = _together(snapshot, at, tick, when, found), boundary
    rest = [item for item in found if item.kind == "step" or item.tick != tick]
    return ToDo(action, other, amiss + _entries(snapshot, at, rest))


_INSTEAD = {
    "waiting": "No clock yet. Start the instrument, or check its cable.",
    "ready": "The clock runs; press play. If it plays already, press 1 on the one.",
    "stopped": "Press play: start begins the part anew, continue goes on from here.",
    "gone": "Count on by ear and change patterns by hand; the screen keeps trying.",
}
_LOOKING = {"ready": "The clock runs; press play on the instrument."}


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
    when = f"release {_in(snapshot, left)}"
    held = Entry("Hold the fill", when, reckon.ticks_stage(snapshot, left), True)
    end = at.tick + at.left
    # Where nothing but the release falls on the boundary, there is something to do all the same.
    alone = left == at.left and not any(i.kind != "step" and i.tick == end for i in rest)
    boundary = None if alone else _at_boundary(snapshot, at, rest)
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
    if not coming.do or not names:
        return coming.text
    why = coming.text.removeprefix(f"{names} ")
    return f"{coming.do} {names}: {why if why == coming.text else f'it {why}'}"


def _at_boundary(snapshot: Snapshot, at: Spot, found: list[Coming]) -> Entry:
    when = "At the boundary" if at.left else "Now"
    entry = _together(snapshot, at, at.tick + at.left, when, found)
    return entry if entry.text else replace(entry, text=_goes_on(snapshot))


def _together(snapshot: Snapshot, at: Spot, tick: int, when: str, found: list[Coming]) -> Entry:
    """All there is to do at `tick` as one sentence."""
    due = [item for item in found if item.kind != "step" and item.tick == tick]
    # What needs a hand stands first: a narrow screen has no room for the end.
    by_itself = [item for item in due if _goes_by_itself(snapshot, item)]
    by_hand = [item for item in due if item not in by_itself]
    left = tick - at.tick
    return Entry(
        when,
        "; ".join(_once([item.text for item in (*by_hand, *by_itself)])),
        reckon.ticks_stage(snapshot, left),
        any(left <= item.warn_ticks for item in due),
        # Where the set goes is what matters then, not with which program.
        brief=(*_once([item.text for item in by_hand]), *_heads(by_itself)),
        briefest=(*_heads(by_hand), *_heads(by_itself)),
    )


# What stands between where a change leads and how.
_DETAIL = ": "
# The engine's words for a change that did not go out, or will not.
_HANDS = (" by hand", " was not sent ")


def _goes_by_itself(snapshot: Snapshot, item: Coming) -> bool:
    if item.kind != "change" or item.program is None or any(w in item.text for w in _HANDS):
        return False
    return item.sent or snapshot.demo or (snapshot.sending and snapshot.sure)


def _heads(items: list[Coming]) -> tuple[str, ...]:
    """The sentences, those of changes without how, each of them once."""
    said = (i.text.rpartition(_DETAIL)[0] if i.kind == "change" else "" for i in items)
    return tuple(dict.fromkeys(head or i.text for head, i in zip(said, items, strict=True)))


def _once(texts: list[str]) -> list[str]:
    """The sentences, those that begin with the same words before a colon made one."""
    said: list[str] = []
    last = ""
    for text in texts:
        head, _, detail = text.rpartition(_DETAIL)
        if head and head == last:
            said[-1] += f", {detail}"
        else:
            said.append(text)
        last = head
    return said


def _goes_on(snapshot: Snapshot) -> str:
    planned, phrase = snapshot.phrases_planned, snapshot.phrase + 1
    if snapshot.staying:
        return f"staying, phrase {phrase} begins"
    if planned is not None and phrase > planned and not snapshot.next_part:
        return "the set ends"
    of = f" of {planned}" if planned is not None and phrase <= planned else ""
    return f"nothing to do, phrase {phrase}{of} begins"


def _entries(snapshot: Snapshot, at: Spot, found: list[Coming]) -> tuple[Entry, ...]:
    return tuple(_entry(snapshot, at, item) for item in found[:_MOST_ENTRIES])


def _entry(snapshot: Snapshot, at: Spot, item: Coming) -> Entry:
    left = item.tick - at.tick
    if item.kind == _RELEASE and left > 0:
        text = f"hold the fill, release {_in(snapshot, left)}"
        return Entry("now", text, Stage.NOW, True)
    return Entry(
        _in(snapshot, left),
        item.text,
        reckon.ticks_stage(snapshot, left),
        item.kind != "step" and left <= item.warn_ticks,
        item.muted,
    )


def _in(snapshot: Snapshot, ticks: int) -> str:
    return "now" if ticks <= 0 else f"in {reckon.countdown(snapshot, ticks)}"
