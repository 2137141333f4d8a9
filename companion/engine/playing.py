"""All that is made from one set list, so that another one takes its place as a whole."""

from __future__ import annotations

from companion.engine.announcing import Announcing
from companion.engine.presses import Presses
from companion.engine.view import Viewer
from companion.follow.mutesends import MuteSending
from companion.setlist.model import SetList


class Playing:
    """The set list that is played, and what reads it for the engine."""

    def __init__(self, setlist: SetList) -> None:
        self.setlist = setlist
        self.presses = Presses(setlist)
        self.announcing = Announcing(setlist)
        self.mutes = MuteSending(setlist)
        self.viewer = Viewer(setlist)
