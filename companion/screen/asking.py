"""What is asked of the engine, and what is said to it for a few seconds: the asking, the answer.

Knows no widget. Why a key is refused is in refusals; what stays said for as long as it holds is in
standing.
"""

from __future__ import annotations

from collections.abc import Callable

from companion.link.messages import Snapshot, Wish
from companion.screen.key import HELD_NS, Key
from companion.screen.keys import NO_ENGINE

# How long an answer is shown.
NOTICE_NS = 4_000_000_000


class Asking:
    """Passes wishes on, and keeps the newest notice. `send` gives False for what cannot be asked.

    `now_ns` is the clock that snapshots are stamped by.
    """

    def __init__(self, send: Callable[[Wish], object], now_ns: Callable[[], int]) -> None:
        self._send = send
        self._now_ns = now_ns
        self._notice = ("", 0)
        # When each key was pressed last, and since when an answer is waited for.
        self._pressed: dict[str, int] = {}
        self._asked_ns: int | None = None

    @property
    def notice(self) -> str:
        """What is said now, "" for nothing."""
        text, until = self._notice
        return text if self._now_ns() < until else ""

    def say(self, text: str) -> None:
        """Say `text` for a few seconds; "" takes back what is said."""
        self._notice = (text, self._now_ns() + NOTICE_NS)

    def ask(self, key: Key, wish: Wish, why_not: str = "") -> None:
        """Pass on the wish of `key`, or say `why_not`. A key that is held down asks once."""
        if self._is_held(key):
            return
        if not why_not and self._send(wish) is False:
            why_not = NO_ENGINE
        if why_not:
            self.say(why_not)
            return
        self._asked_ns = self._now_ns()
        self.say(f"Asked: {key.description.lower()}.")

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
