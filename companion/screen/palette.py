"""What the command palette offers: the keys of the one list that would work now."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Protocol

from textual.command import DiscoveryHit, Hit, Hits, Provider

from companion.screen.key import Key

# Stands where nothing is typed yet.
ANYTHING = "Type what you want…"


class Asked(Protocol):
    """What the palette needs of the app."""

    def keys_now(self) -> list[Key]:
        """The keys that would work now."""
        ...

    async def run_action(self, action: str) -> bool:
        """Run an action by name."""
        ...


class KeyProvider(Provider):
    """Offers the keys that would work now."""

    async def discover(self) -> Hits:
        """All of them, before anything is typed."""
        for key, run in self._offers():
            yield DiscoveryHit(key.description, run, help=key.tooltip)

    async def search(self, query: str) -> Hits:
        """Those that match what was typed."""
        matcher = self.matcher(query)
        for key, run in self._offers():
            score = matcher.match(f"{key.description} {key.tooltip}")
            if score > 0:
                yield Hit(score, matcher.highlight(key.description), run, help=key.tooltip)

    def _offers(self) -> Iterator[tuple[Key, Callable[[], object]]]:
        app = self.app
        for key in app.keys_now():  # type: ignore[attr-defined]

            def run(action: str = key.does) -> object:
                return app.run_action(action)

            yield key, run
