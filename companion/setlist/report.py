"""Gathers faults while a file is checked, by path, and knows what is no longer worth checking."""

from __future__ import annotations

from companion.setlist.faults import BadText, Fault, listed, nearest, quoted
from companion.setlist.text import folded
from companion.setlist.yamltree import Path, Places

# Looking for the nearest of many names takes a while: do it for so many faults and no more.
SUGGESTIONS = 500
NEAR_AMONG = 500


class Report:
    """Faults found so far. A path with a fault, and all that holds it, counts as hurt."""

    def __init__(self, places: Places, whole: bool = True) -> None:
        self.places = places
        self.whole = whole
        self.faults: list[Fault] = []
        self._hurt: set[Path] = set()
        self._gone: set[Path] = set()
        self._names: dict[Path, dict[str, str]] = {}

    def key(self, path: Path, wrong: str, right: str) -> None:
        """A fault of the entry at `path` as such: its position is the key."""
        self._add(path, self.places.at(path), wrong, right)

    def value(self, path: Path, wrong: str, right: str, offset: int = 0) -> None:
        """A fault of what is written at `path`, `offset` characters into it."""
        self._add(path, self.places.value(path, offset), wrong, right)

    def bad(self, path: Path, bad: BadText) -> None:
        """A text at `path` that could not be read."""
        self.value(path, bad.wrong, bad.right, bad.offset)

    def missing(self, path: Path, wrong: str, right: str) -> None:
        """Something that should be at `path`; no fault if the file was not read to its end."""
        if self.whole:
            self.key(path, wrong, right)
        self._mark(path)

    def drop(self, path: Path) -> None:
        """Note that what the file has at `path` was left out because of a fault."""
        self._mark(path)
        self._gone.add(path)

    def hurt(self, path: Path) -> bool:
        """Whether something at or under `path` is wrong."""
        return path in self._hurt

    def gone(self, path: Path) -> bool:
        """Whether what stood at `path` was left out."""
        return path in self._gone

    def measured(self, pattern: str) -> bool:
        """Whether the lengths of `pattern` are what its writer means."""
        path: Path = ("patterns", pattern)
        own = any(self.hurt((*path, key)) for key in ("length", "step", "meter", "phrase"))
        return self.whole and not own and not self.gone(path)

    def find(self, written: str, among: Path) -> str | None:
        """The key of the mapping at `among` that `written` means, capitals and spaces aside."""
        names = self._names.get(among)
        if names is None:
            names = {folded(key): key for key in reversed(self.places.keys(among))}
            names |= {key: key for key in self.places.keys(among)}
            self._names[among] = names
        return names.get(written) or names.get(folded(written))

    @property
    def patient(self) -> bool:
        """Whether there is still time to look for what each faulty word probably means."""
        return len(self.faults) < SUGGESTIONS

    def nearest(self, written: str, known: list[str]) -> str | None:
        """The known name most like `written`, or None."""
        return nearest(written, known[:NEAR_AMONG]) if self.patient else None

    def suggest(self, written: str, known: list[str]) -> str:
        """What would be right for a word that is not among `known`."""
        near = self.nearest(written, known)
        return f"did you mean {quoted(near)}?" if near else f"write {listed(known)}"

    def _add(self, path: Path, spot: tuple[int, int], wrong: str, right: str) -> None:
        self.faults.append(Fault(*spot, wrong, right))
        self._mark(path)

    def _mark(self, path: Path) -> None:
        self._hurt.update(path[:n] for n in range(len(path) + 1))
