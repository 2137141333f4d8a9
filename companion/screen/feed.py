"""What the screen needs of its link: snapshots and overviews come from it, wishes go to it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from companion.link.messages import Snapshot, Wish
from companion.link.overview import PatternMap, Plan


class Feed(Protocol):
    """Where snapshots come from and wishes go, such as link.client.Client."""

    async def run(
        self,
        on_snapshot: Callable[[Snapshot], None],
        on_state: Callable[[bool], None],
        on_overview: Callable[[Plan | PatternMap], None],
    ) -> None:
        """Hand over what the engine says until cancelled; `on_state(False)`: it is gone."""
        ...

    def wish(self, wish: Wish) -> object:
        """Ask something of the engine; False when it cannot be asked."""
        ...
