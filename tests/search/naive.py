"""A follower as simple as can be, to try the box, the judge and the search on.

It counts, obeys and sends as the contract has it, and doubts for good whatever is not plain. Each
doubt may be left out by name (`trusts`), and then the search has to find what comes of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

from companion.setlist import Unit
from tests.search.box import CLOCK, CONTINUE, POSITION, PROGRAM, SIXTEENTH, START, STOP

# What it may forget to doubt.
DOUBTS = ("a gap", "a choice", "a stop before a change", "a kill", "a change by hand", "a position")


@dataclass(frozen=True)
class Send:
    """A program change that leaves now."""

    instrument: str
    messages: tuple[bytes, ...]
    at_ns: int
    kind: str = "program"


class Naive:
    """The count in plain words; `trusts` names the doubts that it does not have."""

    trusts: frozenset[str] = frozenset()

    def __init__(self, setlist: Any, *, sends: bool = True) -> None:
        parts = setlist.parts
        self._parts = [
            (
                part.changes[0].program,
                part.pattern.pass_ticks,
                part.pattern.phrase_ticks,
                None if part.phrases is None else part.phrases * part.pattern.phrase_ticks,
            )
            for part in parts
        ]
        box = setlist.instruments["box"]
        in_ms = box.lead.unit is Unit.MILLISECONDS
        self._lead = 0 if box.at_once else 2 if in_ms else box.lead.ticks(parts[0].pattern)
        self._: dict[str, Any] = {
            "armed": sends,
            "state": "waiting",
            "doubt": "",
            "part": 1,
            "tick": -1,
            "told": 0,
            "hand": 0,
            "stays": False,
            "goes": False,
            "undo": [],
            "last": 0,
            "begun": False,
        }

    def hear(self, port: str, t_ns: int, message: bytes, now_ns: int | None = None) -> list[Send]:
        """One message of the instrument."""
        me = self._
        if message == CLOCK:
            return self._tick(t_ns)
        if message == START:
            if me["told"] or me["hand"]:
                self._doubts("a stop before a change")
                self._begin(me["told"] or me["hand"])
            me.update(state="running", tick=-1, last=t_ns, begun=False)
        elif message == CONTINUE:
            if me["begun"]:
                self._doubts("a stop before a change")
            me.update(state="running", last=t_ns)
        elif message == STOP:
            me["state"] = "stopped"
            if me["told"] or me["hand"]:
                self._doubts("a stop before a change")
        elif message[0] == POSITION:
            self._doubts("a position")
            me["tick"] = SIXTEENTH * (message[1] + 128 * message[2]) - 1
        elif message[0] & 0xF0 == PROGRAM:
            self._doubts("a choice")
            part = next(n for n, one in enumerate(self._parts, 1) if one[0] == message[1])
            if part == me["part"]:
                me["told"] = me["hand"] = 0
            elif me["state"] == "running":
                me["hand"] = part
            else:
                self._begin(part)
        return []

    def passed(self, now_ns: int) -> list[Send]:
        """Time went by."""
        me = self._
        if me["state"] == "running" and me["last"] and now_ns - me["last"] > 120_000_000:
            me["state"] = "lost"
            self._doubts("a gap")
        return []

    def wish(self, words: str, t_ns: int) -> list[Send]:
        """What the performer asks for."""
        me = self._
        if words in ("arm", "disarm"):
            me["armed"] = words == "arm"
            self._doubts("a change by hand")
        elif words in ("next", "stay"):
            me["undo"].append((me["stays"], me["goes"]))
            me["stays" if words == "stay" else "goes"] = words == "next" or not me["stays"]
        elif words == "undo" and me["undo"]:
            me["stays"], me["goes"] = me["undo"].pop()
        elif words == "confirm":
            me["doubt"] = ""
        elif words == "align":
            me.update(tick=0, state="running", doubt="", last=t_ns)
        if words == "next" and me["state"] != "running" and me["part"] < len(self._parts):
            if me["armed"] and not me["doubt"] and me["state"] != "lost":
                return self._send(t_ns, at_once=True)
            self._doubts("a change by hand")
            self._begin(me["part"] + 1)
        return []

    def keeps(self, send: Send) -> bool:
        """Nothing is held."""
        return True

    def failed(self, send: Send, t_ns: int) -> list[Send]:
        """It did not leave."""
        self._["told"] = 0
        return []

    def port_gone(self, port: str, t_ns: int) -> list[Send]:
        """The port vanished."""
        self._["state"] = "lost"
        return []

    def status(self) -> Any:
        """What is shown."""
        me = self._
        end = self._end()
        change = None
        if end and me["state"] == "running":
            change = SimpleNamespace(ticks=end - max(me["tick"], 0), part=me["part"] + 1)
        return SimpleNamespace(
            state=me["state"],
            sure=not me["doubt"] and me["state"] != "lost",
            doubt=me["doubt"],
            part=me["part"],
            tick=max(me["tick"], 0),
            next_change=change,
        )

    def checkpoint(self, t_ns: int) -> Any:
        """All it knows."""
        return {**self._, "undo": list(self._["undo"]), "kept": t_ns}

    @classmethod
    def resume(cls, setlist: Any, kept: Any, t_ns: int) -> Naive:
        """Another one after a kill: the ticks between are put back."""
        new = cls(setlist)
        new._ = {name: value for name, value in kept.items() if name != "kept"}
        new._["undo"] = list(new._["undo"])
        new._doubts("a kill")
        if new._["state"] == "running":
            for _ in range(round((t_ns - kept["kept"]) / 20_000_000)):
                new._move()
        return new

    def _tick(self, t_ns: int) -> list[Send]:
        me = self._
        if me["state"] == "waiting":
            me["state"] = "ready"
        if me["state"] not in ("running", "lost"):
            return []
        if me["last"]:
            lost = round((t_ns - me["last"]) / 20_000_000) - 1
            if lost > 0 or me["state"] == "lost":
                self._doubts("a gap")
            for _ in range(lost):
                self._move()
        me.update(last=t_ns, state="running")
        self._move()
        end = self._end()
        due = end and end - me["tick"] == self._lead and not me["hand"] and not me["told"]
        return self._send(t_ns) if due and me["armed"] and not me["doubt"] else []

    def _end(self) -> int:
        """The tick at which the part ends, 0 if it does not."""
        me = self._
        _, _, phrase, end = self._parts[me["part"] - 1]
        if me["part"] == len(self._parts):
            return 0
        if me["goes"] or (end and not me["stays"] and me["tick"] >= end):
            return int(-(-(me["tick"] + 1) // phrase) * phrase)
        return 0 if me["stays"] else end or 0

    def _send(self, t_ns: int, *, at_once: bool = False) -> list[Send]:
        me = self._
        goal = me["part"] + 1
        me["told"] = goal
        if at_once:
            self._begin(goal)
            me["begun"] = True
        return [Send("box", (bytes((PROGRAM | 9, self._parts[goal - 1][0])),), t_ns)]

    def _move(self) -> None:
        me = self._
        me["tick"] += 1
        length = self._parts[me["part"] - 1][1]
        waits = me["told"] or me["hand"]
        if waits and me["tick"] and me["tick"] % length == 0:
            self._begin(waits)
            me["tick"] = 0

    def _begin(self, part: int) -> None:
        self._.update(part=part, tick=-1, told=0, hand=0, stays=False, goes=False, undo=[])

    def _doubts(self, why: str) -> None:
        if why not in self.trusts:
            self._["doubt"] = why


def trusting(*doubts: str) -> type[Naive]:
    """A follower that never has these doubts."""
    return type("Trusting", (Naive,), {"trusts": frozenset(doubts), "__module__": __name__})


class Rash(Naive):
    """One that never doubts."""

    trusts = frozenset(DOUBTS)
