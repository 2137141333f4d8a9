"""What the performer asked for and what is held, said for as long as it is so.

Pure. What is not in order is in wording; what comes and when is entries'.
"""

from __future__ import annotations

from companion.link.messages import Snapshot
from companion.screen.key import key_name
from companion.screen.keys import KEY
from companion.screen.reckon import Spot, countdown
from companion.screen.wording import Alarm

_STAY, _UNDO = key_name(KEY["stay"]), key_name(KEY["undo"])
# How the words of wishes begin that bring another part.
_GOING = ("next", "now", "part")


def bands(
    snapshot: Snapshot, at: Spot, *, released: bool = False, look_only: bool = False
) -> tuple[Alarm, ...]:
    """Staying and how it ends, a held fill, the wish that can be undone and the key for that.

    `released` says that a fill was held until just now: its band stays for a while, so that a pad
    that is tapped does not make the whole stage jump. With `look_only` no key is named.
    """
    found = []
    if snapshot.staying:
        long, ends = "this part goes on phrase by phrase", f"{_STAY} lets it end"
        if not look_only:
            long = f"{long}; {ends}"
        found.append(Alarm("STAYING", long, "" if look_only else ends, urgent=False, large=True))
    if snapshot.fill or released:
        head = "FILL HELD" if snapshot.fill else "FILL RELEASED"
        found.append(Alarm(head, "", urgent=False, large=True))
    if snapshot.wish and not (snapshot.staying and snapshot.wish == "stay"):
        found.append(_asked(snapshot, at, look_only))
    return tuple(found)


def _asked(snapshot: Snapshot, at: Spot, look_only: bool) -> Alarm:
    """The wish that can be undone, and when it takes effect."""
    what, ticks = snapshot.wish, snapshot.change_ticks
    if what == "stay":
        what = "to let the part end"
    elif what == "back":
        what = "to take the change back"
    elif what.split()[0] in _GOING and ticks is not None:
        what = ": ".join(filter(None, (snapshot.next_song, snapshot.next_part)))
    when, short = "", ""
    if ticks is not None and snapshot.wish != "back":
        left = ticks - (at.tick - snapshot.tick)
        when = f" in {countdown(snapshot, left)}" if left > 0 else " now"
        short = when.replace(" in", ",")
    said, brief = f"{what}{when}", f"{what}{short}"
    if not look_only:
        said, brief = f"{said}; {_UNDO} undoes it", f"{_UNDO} undoes {brief}"
    return Alarm("ASKED", said, brief, urgent=False, large=True)
