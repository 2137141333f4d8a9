"""What is asked of the engine, its answer for a few seconds, and what stays said while it holds.

Knows no widget. Why a key is refused comes with the snapshot.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from companion.link.messages import Snapshot
from companion.screen.extrapolation import Spot, countdown
from companion.screen.keys import HELD_NS, KEY, NO_ENGINE, Key, key_name
from companion.screen.pace import SECOND_NS
from companion.screen.sentences import Alarm
from companion.wishes import OF_THE_COUNT, Ask, NoWish, Wish

_STAY, _UNDO = key_name(KEY["stay"]), key_name(KEY["undo"])
# A tempo that differs by a larger share from the planned one is told.
OTHER_TEMPO = 0.03
# The wishes that bring another part.
_GOING = (
    *(Ask.NEXT, Ask.NOW, Ask.PART, Ask.PREVIOUS),
    *(Ask.NEXT_SONG, Ask.PREVIOUS_SONG, Ask.SONG_AGAIN),
)


def bands(
    snapshot: Snapshot, at: Spot, *, released: bool = False, look_only: bool = False
) -> tuple[Alarm, ...]:
    """Staying and how it ends, a held fill, the wish that can be undone, how a song begins.

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
    if snapshot.wish and not (snapshot.staying and snapshot.wish == str(Wish(Ask.STAY))):
        found.append(_asked(snapshot, at, look_only))
    found += _elsewhere(snapshot, look_only)
    found += _at_the_start(snapshot)
    return tuple(found)


def _elsewhere(snapshot: Snapshot, look_only: bool) -> list[Alarm]:
    """The instruments that have another program than this part wants, and the key that sends it.

    Their port was away and came back, they were told of a part that has not come, or not told.
    """
    offered = not look_only and snapshot.why_not(Wish(Ask.PROGRAMS)) is None
    how = "w sends it" if offered else "choose it there"
    back = snapshot.back
    found = [w for w in snapshot.wants if w.other or (w.instrument in back and not w.told)]
    if not found:
        return []
    said = " and ".join(f"{each.program} on {each.instrument}" for each in found)
    brief = f"w sends {said}" if offered else f"choose {said}"
    return [Alarm("WANTED", f"program {said}; {how}", brief, urgent=False)]


def _at_the_start(snapshot: Snapshot) -> list[Alarm]:
    """The performer's words for the song and a tempo that is not its own, while it begins."""
    begins = snapshot.state in ("waiting", "ready", "stopped") or snapshot.phrase == 1
    if snapshot.song_part > 1 or not begins:
        return []
    found = []
    planned, tempo = snapshot.planned_tempo, snapshot.tempo
    moves = snapshot.state == "running" and planned > 0 and tempo > 0
    if moves and abs(tempo - planned) > OTHER_TEMPO * planned:
        said = f"{tempo:.1f} comes in, planned {planned:g}"
        found.append(Alarm("TEMPO", said, urgent=False))
    if snapshot.song_notes:
        found.append(Alarm("NOTES", snapshot.song_notes, urgent=False))
    return found


def _asked(snapshot: Snapshot, at: Spot, look_only: bool) -> Alarm:
    """The wish that can be undone, and when it takes effect."""
    what, ticks = snapshot.wish, snapshot.change_ticks
    try:
        ask = Wish.of(what).ask
    except NoWish:
        # Of a newer engine; its words will do.
        ask = None
    if ask is Ask.STAY:
        what = "to let the part end"
    elif ask in _GOING and ticks is not None:
        what = ": ".join(filter(None, (snapshot.next_song, snapshot.next_part)))
    when, short = "", ""
    if ticks is not None and ask not in OF_THE_COUNT:
        left = ticks - (at.tick - snapshot.tick)
        soon = countdown(snapshot, left, at.rest)
        when, short = (f" in {soon}", f", {soon}") if left > 0 else (" now", " now")
    said, brief = f"{what}{when}", f"{what}{short}"
    if not look_only:
        said, brief = f"{said}; {_UNDO} undoes it", f"{_UNDO} undoes {brief}"
    return Alarm("ASKED", said, brief, urgent=False, large=True)


# How long an answer is shown, and how long at least, whatever is said next.
NOTICE_NS, LEAST_NS = 4 * SECOND_NS, SECOND_NS
# An engine answers sooner than this; that it was asked is said only where it does not.
ANSWER_NS = 250_000_000


class Asking:
    """Passes wishes on, and keeps the newest notice. `send` gives False for what cannot be asked.

    `now_ns` is the clock that snapshots are stamped by.
    """

    def __init__(self, send: Callable[[Wish], object], now_ns: Callable[[], int]) -> None:
        self._send = send
        self._now_ns = now_ns
        # What is said, from when until when; what is to be said next comes after a second.
        self._said: tuple[str, int, int] = ("", 0, 0)
        self._next: tuple[str, int, int] = ("", 0, 0)
        # When each key was pressed last, and since when an answer is waited for.
        self._pressed: dict[str, int] = {}
        self._asked_ns: int | None = None

    @property
    def notice(self) -> str:
        """What is said now, "" for nothing."""
        now = self._now_ns()
        if self._next[0] and self._next[1] <= now:
            self._said, self._next = self._next, ("", 0, 0)
        text, since, until = self._said
        return text if since <= now < until else ""

    def say(self, text: str, wait_ns: int = 0) -> None:
        """Say `text` for a few seconds, in a while; "" takes back what is said or was to be said.

        What is said already stays for a second.
        """
        now = self._now_ns()
        before, since, until = self._said
        ready = since + LEAST_NS if self.notice and before != text else now
        begins = max(now + wait_ns, ready)
        if text and begins <= now:
            self._said, self._next = (text, now, now + NOTICE_NS), ("", 0, 0)
        else:
            self._said = (before, since, min(until, ready if not wait_ns else until))
            self._next = (text, begins, begins + NOTICE_NS)

    def ask(self, key: Key, wish: Wish, why_not: str = "") -> None:
        """Pass on the wish of `key`, or say `why_not`. A key that is held down asks once."""
        if self._is_held(key):
            return
        if not why_not and self._send(replace(wish, pressed=True)) is False:
            why_not = NO_ENGINE
        if why_not:
            self.say(why_not)
            return
        self._asked_ns = self._now_ns()
        self.say(f"Asked: {key.description.lower()}.", ANSWER_NS)

    def hear(self, before: Snapshot | None, snapshot: Snapshot) -> None:
        """Take what the engine answers: a new notice, or the same one to a new wish."""
        if before is None:
            return
        answers = self._asked_ns is not None and snapshot.at_ns >= self._asked_ns
        if answers:
            self._asked_ns = None
        if snapshot.wish and snapshot.wish != before.wish:
            # It stays said for as long as it can be undone.
            self.say("")
        elif answers or snapshot.notice != before.notice:
            if snapshot.notice:
                self.say(snapshot.notice)
            elif answers:
                self.say("")

    def _is_held(self, key: Key) -> bool:
        """Whether the same press goes on, or one is repeated that should not be so soon."""
        now, before = self._now_ns(), self._pressed.get(key.id)
        self._pressed[key.id] = now
        if before is None or now - before >= key.rest_ns:
            return False
        if now - before >= HELD_NS:
            self.say(f"{key.description}: asked already; wait a moment.")
        return True
