"""Why a wish would do nothing now: the answers the conductor would give, known before asking.

Pure. Each takes a snapshot and returns a short sentence, or "" where the wish would do something.
What a snapshot does not tell, such as whether a change was asked for or planned, the engine
answers itself.
"""

from __future__ import annotations

from collections.abc import Callable

from companion.link.messages import Snapshot

Refusal = Callable[[Snapshot], str]

LAST = "This is the last part."
LOST = "The clock is lost; nothing can be planned."
LOST_WAIT = "The clock is lost; wait until it is back."
TOO_LATE = "Too late: the program change is out."
ON_ITS_WAY = "A change is on its way already: the program change is out."
NOT_COUNTED = "Nothing is counted yet; press play, or 1 on the one."


def never(snapshot: Snapshot) -> str:
    """Nothing stands against it."""
    return ""


def to_go(snapshot: Snapshot) -> str:
    """Against going on from this part."""
    return LAST if snapshot.part >= snapshot.parts else to_go_now(snapshot)


def to_go_now(snapshot: Snapshot) -> str:
    """Against going at once to the part that follows, wherever a wish has that lie."""
    return to_choose(snapshot) if snapshot.next_part else LAST


def to_choose(snapshot: Snapshot) -> str:
    """Against going to any part."""
    if snapshot.state == "lost":
        return LOST
    # While nothing runs, a part can be chosen for the next start all the same.
    return ON_ITS_WAY if snapshot.state == "running" and out(snapshot) else ""


def to_stay(snapshot: Snapshot) -> str:
    """Against staying, or letting the part end."""
    if snapshot.state == "lost":
        return LOST
    if snapshot.state != "running":
        return "Nothing runs; there is nothing to stay in."
    if out(snapshot):
        return TOO_LATE
    open_end = snapshot.phrases_planned is None or snapshot.part >= snapshot.parts
    if open_end and snapshot.change_ticks is None and not snapshot.staying:
        return "This part goes on until another is asked for."
    return ""


def to_take_back(snapshot: Snapshot) -> str:
    """Against withdrawing a change."""
    if snapshot.change_ticks is None:
        return "No change is on its way."
    return TOO_LATE if out(snapshot) else ""


def to_undo(snapshot: Snapshot) -> str:
    """Against undoing the latest wish."""
    if snapshot.wish:
        return ""
    return TOO_LATE if out(snapshot) else "There is no wish to undo."


def to_align(snapshot: Snapshot) -> str:
    """Against saying that the one is now."""
    if snapshot.state in ("ready", "running"):
        return ""
    return "No clock is running; press play on the instrument."


def to_nudge_forward(snapshot: Snapshot) -> str:
    """Against moving the count on."""
    if snapshot.state == "lost":
        return LOST_WAIT
    return "" if snapshot.state in ("running", "stopped") else NOT_COUNTED


def to_nudge_back_a_pass(snapshot: Snapshot) -> str:
    """Against moving the count a pass back."""
    return to_nudge_forward(snapshot) or _too_young(snapshot, snapshot.pass_ticks, "pass")


def to_nudge_back_a_phrase(snapshot: Snapshot) -> str:
    """Against moving the count a phrase back."""
    return to_nudge_forward(snapshot) or _too_young(snapshot, snapshot.phrase_ticks, "phrase")


def to_confirm(snapshot: Snapshot) -> str:
    """Against saying that the count is right."""
    if snapshot.state == "lost":
        return LOST_WAIT
    if snapshot.state in ("waiting", "ready"):
        return "Nothing is counted yet; press play on the instrument."
    return "The count is sure already." if snapshot.sure else ""


def out(snapshot: Snapshot) -> bool:
    """Whether a program change for the coming boundary has left, so that nothing can stop it."""
    return snapshot.change_sent or any(c.kind == "change" and c.sent for c in snapshot.coming)


def _too_young(snapshot: Snapshot, ticks: int, unit: str) -> str:
    if snapshot.tick >= ticks:
        return ""
    return f"The part is not one {unit} old yet; press 1 on the one."
