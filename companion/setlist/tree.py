"""YAML text as a tree of plain text with positions. What the keys mean does not belong here.

Every scalar stays as written (YAML's own rules would turn the key `on` into True); an empty plain
scalar, `~` and `null` are None. Built from parser events without recursion, with limits on depth
and on size after aliases are followed, so no file can exhaust the machine.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import yaml

from companion.setlist.faults import Fault, quoted
from companion.setlist.nodes import Entry, Lines, Listing, Mapping, Node, Scalar
from companion.setlist.syntax import in_plain_words

MAX_DEPTH = 40
MAX_NODES = 200_000
# Stands in for text that is faulty already: a private character that is right nowhere.
SET_ASIDE = "\ue000"

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_PLAIN_TAGS = tuple(f"tag:yaml.org,2002:{kind}" for kind in ("str", "int", "float", "bool"))
_SHAPE_TAGS = ("!", "tag:yaml.org,2002:map", "tag:yaml.org,2002:seq")
_NULLS = ("", "~", "null", "Null", "NULL")

_Tagged = yaml.ScalarEvent | yaml.CollectionStartEvent


@dataclass(frozen=True, slots=True)
class Parsed:
    """A tree, None for an empty file.

    `whole` is False if the file could not be read to its end; `broken` is the line (from 1) at
    which its YAML is broken, if it is. On `muted` lines stand-ins replace what has a fault already,
    so further faults there say nothing.
    """

    root: Node | None
    faults: tuple[Fault, ...]
    whole: bool
    broken: int | None = None
    muted: frozenset[int] = frozenset()


def parse_tree(text: str) -> Parsed:
    """Read YAML `text`. Never raises for what is in the text: faults are in the result."""
    return _Builder(text).build()


@dataclass(slots=True)
class _Open:
    """A list or mapping that is still being read."""

    line: int
    column: int
    mapping: bool
    anchor: str | None
    items: list[Node] = field(default_factory=list)
    entries: dict[str, Entry] = field(default_factory=dict)
    merges: list[Entry] = field(default_factory=list)
    at_key: bool = True
    key: tuple[str | None, int, int, bool] = (None, 0, 0, False)
    size: int = 1
    height: int = 1


class _TooMuch(Exception):
    """A limit is passed: reading stops here."""


def _index(mark: Any) -> int:
    """A parser's mark as a character index; its lines follow rules that editors do not."""
    return 0 if mark is None else int(mark.index)


class _Builder:
    def __init__(self, text: str) -> None:
        self.text = text
        self.lines = Lines(text)
        self.faults: list[Fault] = []
        self.stack: list[_Open] = []
        self.anchors: dict[str, Node | None] = {}
        self.root: Node | None = None
        self.documents = 0
        self.size = 0
        self.muted: set[int] = set()
        # Where the latest text begins and ends.
        self.last = (0, 0)
        self.limited = True

    def build(self) -> Parsed:
        broken = None
        try:
            for event in yaml.parse(self.text, Loader=_LOADER):
                self._take(event)
        except yaml.YAMLError as error:
            said = in_plain_words(error, self.text, self.lines.spot)
            broken = said[0].line
            # The text before the break may have swallowed a line that was meant as a key.
            if self.lines.spot(self.last[1])[0] >= broken:
                self.muted.add(self.lines.spot(self.last[0])[0])
            self.faults += said
        except _TooMuch:
            pass
        else:
            return self._parsed(whole=True)
        # Keep what was read, so that its faults are reported too.
        self.limited = False
        while self.stack:
            self._close()
        return self._parsed(whole=False, broken=broken)

    def _parsed(self, whole: bool, broken: int | None = None) -> Parsed:
        return Parsed(self.root, tuple(self.faults), whole, broken, frozenset(self.muted))

    def _take(self, event: yaml.Event) -> None:
        line, column = self.lines.spot(_index(event.start_mark))
        match event:
            case yaml.DocumentStartEvent():
                self.documents += 1
                if self.documents > 1:
                    self._stop(line, column, "a second document begins here", "keep one set a file")
            case yaml.AliasEvent():
                self._alias(event.anchor or "", line, column)
            case yaml.ScalarEvent():
                self.last = (_index(event.start_mark), _index(event.end_mark))
                if self._tag(event, line, column, _PLAIN_TAGS):
                    text = event.value
                    plain = event.implicit[0]
                    inset = 0 if plain else 1
                    as_written = self.text.startswith(text, _index(event.start_mark) + inset)
                    empty = plain and text in _NULLS
                    node = Scalar(
                        line, column, None if empty else text, inset if as_written else None
                    )
                else:
                    self.muted.add(line)
                    node = Scalar(line, column, SET_ASIDE)
                self._anchor(event.anchor, node)
                self._add(node, plain_merge=event.implicit[0] and event.value == "<<")
            case yaml.SequenceStartEvent() | yaml.MappingStartEvent():
                self._tag(event, line, column, ())
                mapping = isinstance(event, yaml.MappingStartEvent)
                self._anchor(event.anchor, None)
                if len(self.stack) >= MAX_DEPTH:
                    self._stop(line, column, "this is nested too deep", f"at most {MAX_DEPTH} deep")
                self.stack.append(_Open(line, column, mapping, event.anchor))
            case yaml.SequenceEndEvent() | yaml.MappingEndEvent():
                self._close()

    def _tag(self, event: _Tagged, line: int, column: int, allowed: tuple[str, ...]) -> bool:
        tag = event.tag
        if tag is None or tag in allowed or tag in _SHAPE_TAGS:
            return True
        self.faults.append(
            Fault(line, column, f"the tag {quoted(tag)} means nothing here", "leave it out")
        )
        return False

    def _anchor(self, name: str | None, node: Node | None) -> None:
        if name is not None:
            self.anchors[name] = node

    def _alias(self, name: str, line: int, column: int) -> None:
        if name not in self.anchors:
            self.faults.append(
                Fault(
                    line,
                    column,
                    f"{quoted('*' + name)} refers to an anchor {quoted('&' + name)} not set above",
                    "put text that begins with an asterisk in quotes",
                )
            )
            self.muted.add(line)
            self._add(Scalar(line, column, SET_ASIDE))
            return
        node = self.anchors[name]
        if node is None:
            self._stop(
                line, column, f"{quoted('*' + name)} stands inside its own anchor", "write it out"
            )
        else:
            self._add(node, spot=(line, column))

    def _add(
        self, node: Node, plain_merge: bool = False, spot: tuple[int, int] | None = None
    ) -> None:
        self._count(node, spot or (node.line, node.column))
        if not self.stack:
            self.root = node
            return
        top = self.stack[-1]
        top.size += node.size
        top.height = max(top.height, node.height + 1)
        if not top.mapping:
            top.items.append(node)
        elif top.at_key:
            top.at_key = False
            top.key = self._key(node, spot, plain_merge)
        else:
            top.at_key = True
            self._value(top, node)

    def _count(self, node: Node, spot: tuple[int, int]) -> None:
        """Hold the limits. Children were counted when they came; an alias counts in full."""
        if not self.limited:
            return
        self.size += node.size if spot != (node.line, node.column) else 1
        if self.size > MAX_NODES:
            self._stop(*spot, "the set list is too long", f"at most {MAX_NODES} entries in all")
        if len(self.stack) + node.height > MAX_DEPTH + 1:
            self._stop(*spot, "this is nested too deep", f"at most {MAX_DEPTH} deep")

    def _key(
        self, node: Node, spot: tuple[int, int] | None, merge: bool
    ) -> tuple[str | None, int, int, bool]:
        line, column = spot or (node.line, node.column)
        if isinstance(node, Scalar) and node.text is not None:
            return node.text, line, column, merge
        if isinstance(node, Scalar):
            fault = Fault(line, column, "a key is missing before the colon", "write one")
        else:
            right = "a key is a word or a name; put text with brackets in quotes"
            fault = Fault(line, column, "a list or mapping stands where a key belongs", right)
        self.faults.append(fault)
        return None, line, column, False

    def _value(self, top: _Open, node: Node) -> None:
        key, line, column, merge = top.key
        if key is None:
            return
        entry = Entry(line, column, node)
        if merge:
            top.merges.append(entry)
        elif key in top.entries:
            first = top.entries[key].line
            wrong = f"{quoted(key)} is here a second time, first on line {first}"
            self.faults.append(Fault(line, column, wrong, "keep one of the two"))
        else:
            top.entries[key] = entry

    def _close(self) -> None:
        top = self.stack.pop()
        node: Node
        if top.mapping:
            entries = self._merged(top) if top.merges else top.entries
            node = Mapping(top.line, top.column, entries, top.size, top.height)
        else:
            node = Listing(top.line, top.column, tuple(top.items), top.size, top.height)
        self._anchor(top.anchor, node)
        self._add(node)

    def _merged(self, top: _Open) -> dict[str, Entry]:
        """What `<<` brings in, then the mapping's own keys; own keys win, then earlier merges."""
        merged: dict[str, Entry] = {}
        for merge in top.merges:
            sources = merge.node.items if isinstance(merge.node, Listing) else (merge.node,)
            for source in sources:
                if isinstance(source, Mapping):
                    for key, entry in source.entries.items():
                        merged.setdefault(key, entry)
                else:
                    wrong = "`<<` takes in a mapping, and this is none"
                    right = "write `<<: *NAME`, with `&NAME` on a mapping above"
                    self.faults.append(Fault(merge.line, merge.column, wrong, right))
        return merged | top.entries

    def _stop(self, line: int, column: int, wrong: str, right: str) -> None:
        self.faults.append(Fault(line, column, wrong, right))
        raise _TooMuch
