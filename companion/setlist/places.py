"""Where things stand in the file, by their path in it, such as ("songs", 0, "parts", 1)."""

from __future__ import annotations

from collections.abc import Iterator

from companion.setlist.nodes import Entry, Listing, Mapping, Node, Scalar

Path = tuple[str | int, ...]
Spot = tuple[int, int]


class Places:
    """Lines and columns (from 1) of a read file. A path that leads nowhere ends where it can."""

    def __init__(self, root: Node | None) -> None:
        self._root = root

    def at(self, path: Path) -> Spot:
        """Where the thing at `path` begins: its key, or its first character in a list."""
        start = (1, 1) if self._root is None else (self._root.line, self._root.column)
        return [start, *(spot for spot, _ in self._steps(path))][-1]

    def value(self, path: Path, offset: int = 0) -> Spot:
        """Where the value at `path` begins, or `offset` characters into it where that is known."""
        node, spot, depth = self._root, self.at(()), 0
        for depth, (spot, node) in enumerate(self._steps(path), 1):  # noqa: B007
            pass
        if depth < len(path) and not isinstance(node, Scalar):
            return spot
        if isinstance(node, Scalar) and node.text is not None:
            inset = 0 if node.inset is None else node.inset + offset if offset else 0
            return node.line, node.column + inset
        if isinstance(node, Listing | Mapping) and node.line == spot[0]:
            return node.line, node.column
        return spot

    def text(self, path: Path) -> str | None:
        """The single value at exactly `path` as written, None if there is none."""
        node = self._root
        depth = 0
        for depth, (_, node) in enumerate(self._steps(path), 1):  # noqa: B007
            pass
        return node.text if depth == len(path) and isinstance(node, Scalar) else None

    def written(self, path: Path) -> bool:
        """Whether the file has something at exactly `path`, be it empty."""
        return sum(1 for _ in self._steps(path)) == len(path)

    def keys(self, path: Path) -> list[str]:
        """The keys of the mapping at `path`, in order; none if there is no mapping."""
        node = self._root
        depth = 0
        for depth, (_, node) in enumerate(self._steps(path), 1):  # noqa: B007
            pass
        return list(node.entries) if depth == len(path) and isinstance(node, Mapping) else []

    def _steps(self, path: Path) -> Iterator[tuple[Spot, Node]]:
        node = self._root
        for piece in path:
            entry: Entry | None = None
            if isinstance(node, Mapping):
                entry = node.entries.get(str(piece)) or _numbered(node, piece)
                if entry is None:
                    return
                node = entry.node
                yield (entry.line, entry.column), node
            elif isinstance(node, Listing) and isinstance(piece, int) and piece < len(node.items):
                node = node.items[piece]
                yield (node.line, node.column), node
            else:
                return


def _numbered(node: Mapping, piece: str | int) -> Entry | None:
    """The entry for number `piece` where its key has zeros in front, as in `07`."""
    if not isinstance(piece, int):
        return None
    return next((e for key, e in node.entries.items() if key.lstrip("0") == str(piece)), None)
