"""All that is made from one set list, so that another one takes its place as a whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from companion.engine.announcing import Announcing
from companion.engine.matching import matches
from companion.engine.presses import Presses
from companion.engine.view import Viewer
from companion.follow.conductor import NOTHING, Conductor, Send
from companion.follow.heardmutes import HeardMutes
from companion.follow.mutesends import MuteSending
from companion.follow.obeying import Obeying
from companion.follow.timeline import Stretch
from companion.setlist.controls import Ask
from companion.setlist.model import SetList

# MIDI 1.0: status bytes from here on are system messages, and those of no channel.
SYSTEM = 0xF0
NOBODY: Mapping[str, bool] = {}


class Playing:
    """The set list that is played, and what reads it for the engine."""

    def __init__(self, setlist: SetList) -> None:
        self.setlist = setlist
        self.presses = Presses(setlist)
        self.obeying = Obeying(setlist, matches)
        self.announcing = Announcing(setlist, self.obeying)
        self.mutes = MuteSending(setlist)
        self.heard = HeardMutes(setlist, matches)
        self.viewer = Viewer(setlist)
        self._stretch: Stretch | None = None
        # Whether anybody would say so if a fill were held.
        self._knows_fill = any(b.wish.ask is Ask.FILL for b in setlist.controls) or any(
            each.tells.fill is not None for each in setlist.instruments.values()
        )

    def take_over(self, before: Playing) -> None:
        """Know what was heard while `before`, which this takes the place of, was played."""
        self.presses.take_over(before.presses)
        self.announcing.take_over(before.announcing)
        self.heard.take_over(before.heard)

    @property
    def fill(self) -> bool:
        """Whether a fill is held, as far as anybody says."""
        return self.presses.fill or self.announcing.fill

    def listen(
        self, port: str, t_ns: int, message: Sequence[int], conductor: Conductor
    ) -> tuple[Send, ...]:
        """Draw conclusions from a message that the follower has had; returns what is due by it."""
        if message and message[0] < SYSTEM:
            self.heard.hear(port, message, conductor)
            self.obeying.hear(port, message, conductor)
            return self.announcing.hear(port, t_ns, message, conductor)
        fill = self.fill if self._knows_fill else None
        muted = self.heard.muted if conductor.stretch is not self._stretch else NOBODY
        self._stretch = conductor.stretch
        self.heard.ticked(conductor, fill)
        self.obeying.ticked(conductor, muted, fill)
        return NOTHING
