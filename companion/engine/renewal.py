"""When to renew a connection that may only look whole. Pure; no driver here.

A port that vanished and came back between two looks at the list leaves a dead connection under the
same name. Nothing but silence tells of it, and silence is ordinary, too: so a silent connection is
renewed often while the silence is fresh, and seldom after that.
"""

from __future__ import annotations

from collections.abc import Mapping

from companion.engine.ear import Ear

# Silence of the clock that is followed after which its connection is renewed; then how often, for
# how long, and how often after that. Together with the time between two looks under two seconds.
SILENT_NS = 500_000_000
SOON_NS = 1_250_000_000
FRESH_NS = 60_000_000_000
SELDOM_NS = 5_000_000_000


class Renewal:
    """Keeps in mind what was renewed when."""

    def __init__(self) -> None:
        self._renewed: dict[str, int] = {}
        self._latest_ns = 0
        self._probed_ns = 0

    def choose(self, ears: Mapping[str, Ear], followed: str | None, now_ns: int) -> str | None:
        """The port whose connection is to be renewed now, None if none is.

        `ears` by name of the port; `followed` is the alias of the one whose clock is followed. As
        long as none is, those that were never heard take turns.
        """
        name = next((n for n, ear in ears.items() if ear.alias == followed), None)
        if name is None:
            silent = [n for n, ear in ears.items() if ear.heard_ns == 0]
            name = min(silent, key=lambda n: self._renewed.get(n, 0), default=None)
            if name is None:
                return None
        ear = ears[name]
        since_ns = max(ear.heard_ns, ear.opened_ns)
        fresh = ear.heard_ns > 0 and now_ns - since_ns < FRESH_NS
        first = fresh and self._renewed.get(name, 0) < since_ns
        pause_ns = SOON_NS if fresh else SELDOM_NS
        waited_ns = now_ns - max(since_ns, 0 if first else self._latest_ns)
        if waited_ns < (SILENT_NS if first else pause_ns):
            return None
        self._renewed = {n: t for n, t in self._renewed.items() if n in ears}
        self._renewed[name] = self._latest_ns = now_ns
        return name

    def probe(self, now_ns: int) -> bool:
        """Whether the MIDI system should be asked if it is still there, apart from renewals."""
        if now_ns - max(self._probed_ns, self._latest_ns) < SELDOM_NS:
            return False
        self._probed_ns = now_ns
        return True
