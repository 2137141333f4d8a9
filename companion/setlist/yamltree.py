"""YAML text as a tree of plain text with positions. What the keys mean does not belong here.

Every scalar stays as written (YAML's own rules would turn the key `on` into True); an empty plain
scalar, `~` and `null` are None. Built from parser events without recursion, with limits on depth
and on size after aliases are followed, so no file can exhaust the machine. Where the YAML is
broken the parser's complaint is put in plain words, the line's value is set aside, and the rest is
read on. `Places` finds things in the tree by their path, such as ("songs", 0, "parts", 1).
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import yaml

from companion.setlist.faults import Fault, quoted

# A text's lines, each with its end.
LINES = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")


@dataclass(frozen=True, slots=True, eq=False)
class Scalar:
    """A piece of text, or None for an empty one.

    `inset` is how many characters lie between its position and its text (1 for a quote), None if
    the text is not written out in one piece there (escapes, folded lines).
    """

    line: int
    column: int
    text: str | None
    inset: int | None = None
    size: int = 1
    height: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Listing:
    """A list."""

    line: int
    column: int
    items: tuple[Node, ...]
    size: int
    height: int


@dataclass(frozen=True, slots=True, eq=False)
class Mapping:
    """Keys and values in the order of the file, merged ones (`<<`) first."""

    line: int
    column: int
    entries: dict[str, Keyed]
    size: int
    height: int


Node = Scalar | Listing | Mapping


@dataclass(frozen=True, slots=True, eq=False)
class Keyed:
    """A value in a mapping and the position of its key."""

    line: int
    column: int
    node: Node


class Lines:
    """Finds line and column (from 1) of a character index; lines end at LF, CR or CRLF."""

    def __init__(self, text: str) -> None:
        self._starts = [0, *(match.end() for match in re.finditer(r"\r\n|\n|\r", text))]
        self._text = text

    def spot(self, index: int) -> tuple[int, int]:
        """Line and column of the character at `index`, kept inside the text."""
        index = max(0, min(index, len(self._text)))
        line = bisect_right(self._starts, index)
        return line, index - self._starts[line - 1] + 1

    def bounds(self, line: int) -> tuple[int, int]:
        """Where `line` (from 1) begins and ends, its line end left out."""
        start = self._starts[line - 1]
        end = self._starts[line] if line < len(self._starts) else len(self._text)
        return start, start + len(self._text[start:end].rstrip("\r\n"))


def inset(text: str, start: int = 0) -> int:
    """How many spaces stand at `start`, where a line begins."""
    end = start
    while text[end : end + 1] == " ":
        end += 1
    return end - start


def plain(node: Node | None) -> object:
    """The tree as fresh dicts, lists, text and None. Depth is limited, so recursion is safe."""
    match node:
        case Mapping():
            return {key: plain(entry.node) for key, entry in node.entries.items()}
        case Listing():
            return [plain(item) for item in node.items]
        case Scalar():
            return node.text
        case None:
            return None


Path = tuple[str | int, ...]
LineColumn = tuple[int, int]


class Places:
    """Lines and columns (from 1) of a read file. A path that leads nowhere ends where it can."""

    def __init__(self, root: Node | None) -> None:
        self._root = root

    def at(self, path: Path) -> LineColumn:
        """Where the thing at `path` begins: its key, or its first character in a list."""
        start = (1, 1) if self._root is None else (self._root.line, self._root.column)
        return [start, *(spot for spot, _ in self._steps(path))][-1]

    def value(self, path: Path, offset: int = 0) -> LineColumn:
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

    def _steps(self, path: Path) -> Iterator[tuple[LineColumn, Node]]:
        node = self._root
        for piece in path:
            entry: Keyed | None = None
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


_RUN = re.compile(r"\s*([0-9]{1,9})(?:\s*-\s*([0-9]{1,9}))?\s*")


def _numbered(node: Mapping, piece: str | int) -> Keyed | None:
    """The entry for number `piece` where its key has zeros in front, as in `07`, or several numbers
    as in `1, 5-8`."""
    if not isinstance(piece, int):
        return None
    for key, entry in node.entries.items():
        for match in map(_RUN.fullmatch, key.split(",")):
            if match and int(match[1]) <= piece <= int(match[2] or match[1]):
                return entry
    return None


MAX_DEPTH = 40
MAX_NODES = 200_000
# Stands in for text that is faulty already: a private character that is right nowhere.
_SET_ASIDE = "\ue000"

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
    entries: dict[str, Keyed] = field(default_factory=dict)
    merges: list[Keyed] = field(default_factory=list)
    at_key: bool = True
    key: tuple[str | None, int, int, bool] = (None, 0, 0, False)
    size: int = 1
    height: int = 1
    # In braces: the keys in order, each with its value, and those that have not even a colon.
    braces: bool = False
    order: list[tuple[str, Node]] = field(default_factory=list)
    bare: list[int] = field(default_factory=list)


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
            said = _in_plain_words(error, self.text, self.lines.spot)
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
                key_end = self.last[1]
                self.last = (_index(event.start_mark), _index(event.end_mark))
                if self._bare(event, key_end):
                    top = self.stack[-1]
                    top.at_key = True
                    top.bare.append(len(top.order))
                    top.order.append((top.key[0] or "", Scalar(*top.key[1:3], None)))
                    return
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
                    node = Scalar(line, column, _SET_ASIDE)
                self._anchor(event.anchor, node)
                self._add(node, plain_merge=event.implicit[0] and event.value == "<<")
            case yaml.SequenceStartEvent() | yaml.MappingStartEvent():
                self._tag(event, line, column, ())
                mapping = isinstance(event, yaml.MappingStartEvent)
                self._anchor(event.anchor, None)
                if len(self.stack) >= MAX_DEPTH:
                    self._stop(line, column, "this is nested too deep", f"at most {MAX_DEPTH} deep")
                braces = mapping and bool(event.flow_style)
                self.stack.append(_Open(line, column, mapping, event.anchor, braces=braces))
            case yaml.SequenceEndEvent() | yaml.MappingEndEvent():
                self._close()

    def _bare(self, event: yaml.ScalarEvent, key_end: int) -> bool:
        """Whether this empty value in braces has no colon before it: a comma has cut it off."""
        top = self.stack[-1] if self.stack else None
        if top is None or not top.braces or top.at_key or event.value or not event.implicit[0]:
            return False
        # One with a colon inside lacks a space, not a quote.
        key = self.text[key_end - 1 : _index(event.start_mark)]
        return ":" not in key and ":" not in (top.key[0] or "")

    def _cut_up(self, top: _Open) -> None:
        """Say what a comma in braces has cut in two, and what to put in quotes."""
        first = top.bare[0]
        last = first
        while last + 1 in top.bare:
            last += 1
        pieces = [key for key, _ in top.order[first : last + 1]]
        after = top.order[last + 1] if last + 1 < len(top.order) else None
        before = top.order[first - 1] if first else None
        spot: Node = top.order[first][1]
        if after is not None and (before is None or _same_kind(pieces[0], after[0])):
            whole, value = ", ".join([*pieces, after[0]]), after[1]
            said = value.text if isinstance(value, Scalar) and value.text else "..."
            right = (
                f"put what belongs together in quotes: {quoted(f'{_QUOTE}{whole}{_QUOTE}: {said}')}"
            )
        elif before is not None and isinstance(before[1], Scalar) and before[1].text is not None:
            spot = before[1]
            whole = ", ".join([before[1].text, *pieces])
            right = f"put it in quotes: {quoted(f'{before[0]}: {_QUOTE}{whole}{_QUOTE}')}"
        else:
            right = "put text with a comma in quotes"
        wrong = f"in braces a comma ends an entry, and so {quoted(pieces[0])} stands alone"
        self.faults.append(Fault(spot.line, spot.column, wrong, right))
        # What is left of it on these lines is not what was meant.
        self.muted.update(
            range(top.line, max(node.line for _, node in (*top.order, ("", spot))) + 1)
        )

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
            self._add(Scalar(line, column, _SET_ASIDE))
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
        if top.braces:
            top.order.append((key, node))
        entry = Keyed(line, column, node)
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
        if top.bare:
            self._cut_up(top)
        node: Node
        if top.mapping:
            entries = self._merged(top) if top.merges else top.entries
            node = Mapping(top.line, top.column, entries, top.size, top.height)
        else:
            node = Listing(top.line, top.column, tuple(top.items), top.size, top.height)
        self._anchor(top.anchor, node)
        self._add(node)

    def _merged(self, top: _Open) -> dict[str, Keyed]:
        """What `<<` brings in, then the mapping's own keys; own keys win, then earlier merges."""
        merged: dict[str, Keyed] = {}
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


# What stands for a quote in what is suggested.
_QUOTE = '"'


def _same_kind(one: str, other: str) -> bool:
    """Whether both look like numbers of steps, or neither does."""
    return one[:1].isdigit() == other[:1].isdigit()


# Each mended line costs another parse, so this holds for as many lines, and for files so long.
_MOST_MENDED = 20
_LONGEST_MENDED = 200_000

# `key: value` or `- value`, where what breaks is the value.
_KEY_LINE = re.compile(r"( *(?:- +)*[^\s:#\[\]{}\"'&*!|>%@`,?-][^:#\[\]{}\"'\t]*: +)\S.*")
_SAYS = re.compile(r"(?<=[\r\n]) *[^\s#][^\r\n]*")
_ENTRY_LINE = re.compile(r"( *(?:- +)+)[\[{\"'*&@`%!].*")


def parse_mended(text: str) -> Parsed:
    """The tree of YAML `text`; the result's muted lines are those whose values were set aside.

    The faults of the result say what was broken on those lines.
    """
    parsed = parse_tree(text)
    faults: list[Fault] = []
    lines: set[int] = set()
    while parsed.broken is not None and len(text) <= _LONGEST_MENDED:
        mended = _without_value(text, parsed.broken)
        if mended is None or parsed.broken in lines or len(lines) >= _MOST_MENDED:
            break
        faults += [fault for fault in parsed.faults if fault.line == parsed.broken]
        lines.add(parsed.broken)
        text = mended
        parsed = parse_tree(text)
    faults += [fault for fault in parsed.faults if fault.line not in lines]
    return replace(parsed, faults=tuple(faults), muted=parsed.muted | lines)


def _without_value(text: str, line: int) -> str | None:
    """`text` without the value on `line`, or None if that value may go on below."""
    start, end = Lines(text).bounds(line)
    said = text[start:end]
    bare = re.sub(r"\"(?:[^\"\\]|\\.)*\"|'[^']*'", "", said)
    open_ended = any(bare.count(a) != bare.count(b) for a, b in ("[]", "{}"))
    if open_ended and inset(_next_line(text, end)) > inset(said):
        return None
    match = _KEY_LINE.fullmatch(said) or _ENTRY_LINE.fullmatch(said)
    if match is None:
        return None
    return text[:start] + match[1] + _SET_ASIDE + text[end:]


def _next_line(text: str, end: int) -> str:
    """The next line below `end` that says something, "" if there is none."""
    match = _SAYS.search(text, end)
    return "" if match is None else match[0]


Spotter = Callable[[int], tuple[int, int]]

_TAB = ("a tab cannot be used for indentation", "use spaces")
_ESCAPE = "write \\\\ for a backslash, or use single quotes"
_LINE_UP = "indent keys that belong together by the same number of spaces"
_LIST_LINE_UP = "begin each entry with `- `, all in the same column"
_LIST = "separate entries with commas and end with ]"
_KEYS = "separate entries with commas, and put text with a colon or comma in quotes"
_MERGED = "put text with a colon in quotes"

# Parts of the parser's messages (libyaml's and PyYAML's), and what they mean to the writer.
_WORDS = (
    ("unexpected end of stream", "a quote opened here is never closed", "close it"),
    ("could not find expected ':'", "this line is no `key: value`", "put a colon after the key"),
    ("scanning an alias", "an asterisk at the start reads as a reference", "put it in quotes"),
    ("scanning an anchor", "an & at the start reads as an anchor", "put the text in quotes"),
    ("unknown escape character", "\\ and this letter mean nothing in double quotes", _ESCAPE),
    ("hexadecimal", "the character code after this \\ is not complete", _ESCAPE),
    ("block scalar", "text after | or > begins on the next line, indented", "indent it"),
    ("expected ',' or ']'", "a list in [ ] is not closed, or lacks a comma", _LIST),
    ("expected ',' or '}'", "an entry in { } is not closed, or lacks a comma", _KEYS),
    ("block sequence entries", "a list entry cannot begin here", _LIST_LINE_UP),
    ("'-' indicator", "this line does not line up with the list above it", _LIST_LINE_UP),
    ("but found '-'", "this line does not line up with what is above it", _LIST_LINE_UP),
    ("expected key", "this line does not line up with the keys above it", _LINE_UP),
    ("expected <block end>", "this line does not line up with the keys above it", _LINE_UP),
    ("<document start>", "this line does not line up with the keys above it", _LINE_UP),
    ("unexpected ':'", "a value is missing after this colon", "write it, or quote the text"),
    ("mapping keys", "a question mark here reads as a key", "put the text in quotes"),
    ("node content", "a value is missing before this", "write one, or put the text in quotes"),
    ("parsing a tag", "text that begins with ! reads as a tag", "put it in quotes"),
    ("tag handle", "text that begins with ! reads as a tag", "put it in quotes"),
    ("document indicator", "a line of dashes or dots ends the file too early", "take it out"),
    ("YAML document", "a line that begins with % reads as an order to YAML", "take it out"),
    ("directive", "a line that begins with % reads as an order to YAML", "take it out"),
)

_PLAIN = "type plain spaces"
# No-break spaces and the like, as they come along with text that is copied from a page.
_ODD_SPACE = re.compile(r"(?m)^[ \t]*([\u00a0\u1680\u2000-\u200b\u202f\u205f\u3000])")
_CLOSE = {"[": "]", "{": "}"}
_INDENT = re.compile(r"[ \t-]*")
_TABBED = re.compile(r"(?m)^(?:- |[ ])*(\t)[ \t]*[^\s#]")
# A quote that opens a value and is not closed on its line.
_OPEN_QUOTE = re.compile(r"""(?m)(?:[:,\[{-]|^)[ ]+(?:(")(?:[^"\\\n]|\\.)*|(')(?:[^'\n]|'')*)$""")
# A quoted text, over lines or not, and after it what may follow one.
_WELL_QUOTED = re.compile(
    r"""(?:"(?:[^"\\]|\\.)*"|'(?:[^']|'')*')[ \t]*(?:[,\]}:]|(?:[ \t]#[^\r\n]*)?(?:[\r\n]|\Z))""",
    re.DOTALL,
)
_NO_SPACE = re.compile(r"[ ]*(?:- )?([A-Za-z0-9_][A-Za-z0-9_ ]*):(?=[^\s/:])")
_TWO_COLONS = re.compile(r"[^\n:]*:[ ][^\n]*:(?:[ ]|$)", re.MULTILINE)
# How far above an error its cause is looked for.
_BACK = 2000


def _in_plain_words(error: yaml.YAMLError, text: str, spot: Spotter) -> list[Fault]:
    """The parser's `error` about `text` as faults: one, or all indenting tabs if it is a tab.

    `spot` turns a character index into line and column from 1.
    """
    if not isinstance(error, yaml.MarkedYAMLError):
        return [Fault(1, 1, "this is no set list", "write it as plain text, in YAML")]
    index = _mark(error.problem_mark, _mark(error.context_mark, 0))
    context = _mark(error.context_mark, index)
    said = f"{error.context or ''} {error.problem or ''}"
    start = _line_start(text, index)
    here = text[index : index + 1]
    indent = _INDENT.match(text, start)
    if odd := _odd_space(text, index):
        return [Fault(*spot(odd[0]), f"the space {odd[1]} cannot be used for indentation", _PLAIN)]
    if "tab character" in said or (indent and "\t" in indent[0] and index <= indent.end()):
        tabs = [Fault(*spot(match.start(1)), *_TAB) for match in _TABBED.finditer(text)]
        return tabs or [Fault(*spot(index), *_TAB)]
    if "cannot start any token" in said and here == "\t":
        return [Fault(*spot(index), "a tab cannot be used here", "use spaces")]
    cause = _open_quote(text, index) or _no_space(text, start)
    if cause is not None:
        at, wrong, right = cause
        return [Fault(*spot(at), wrong, right)]
    if "cannot start any token" in said:
        return [Fault(*spot(index), f"text cannot begin with {quoted(here)}", "put it in quotes")]
    if "mapping values are not allowed" in said:
        if _TWO_COLONS.match(text, start):
            return [Fault(*spot(index), "this line has a second colon", _MERGED)]
        # The parser stops at the colon; what does not line up is where the line begins.
        begin = indent.end() if indent else index
        return [Fault(*spot(begin), "this line does not line up with the line above it", _LINE_UP)]
    opened = text[context : context + 1]
    if "expected ',' or" in said and opened in _CLOSE and _ended(text, context, start):
        right = f"close it with {_CLOSE[opened]}"
        return [Fault(*spot(context), f"a {opened} is opened here and not closed", right)]
    for part, wrong, right in _WORDS:
        if part in said:
            # For these two the parser notices late; what is wrong is where it began.
            began = "quote" in wrong or "':'" in part
            return [Fault(*spot(context if began else index), wrong, right)]
    problem = " ".join((error.problem or "it cannot be read").split())
    right = "compare it with a set list that works"
    return [Fault(*spot(index), f"this is not YAML ({problem})", right)]


def _mark(mark: yaml.Mark | None, otherwise: int) -> int:
    return otherwise if mark is None else int(mark.index)


def _line_start(text: str, index: int) -> int:
    return max(text.rfind("\n", 0, index), text.rfind("\r", 0, index)) + 1


def _odd_space(text: str, index: int) -> tuple[int, str] | None:
    """A space that YAML takes for a letter, where the line of `index` or one above it begins."""
    begin = _line_start(text, max(0, index - _BACK)) if index > _BACK else 0
    end = text.find("\n", index)
    match = _ODD_SPACE.search(text, begin, len(text) if end < 0 else min(end, index + _BACK))
    return None if match is None else (match.start(1), f"U+{ord(match[1]):04X}")


def _ended(text: str, opened: int, start: int) -> bool:
    """Whether the line at `start`, below that of `opened`, is not indented as if it went on."""
    first = _line_start(text, opened)
    return first < start and inset(text, start) <= inset(text, first)


def _open_quote(text: str, index: int) -> tuple[int, str, str] | None:
    """A quote on this line or a little above that is not closed on its line, nor well below."""
    end = text.find("\n", index)
    end = len(text) if end < 0 else end
    if end - index > _BACK:
        return None
    above = _OPEN_QUOTE.finditer(text, max(0, index - _BACK), end)
    for found in reversed(list(above)):
        at = found.start(1) if found[1] else found.start(2)
        if not _WELL_QUOTED.match(text, at):
            right = f"close it with {found[1] or found[2]}"
            return at, "a quote is opened here and not closed on this line", right
    return None


def _no_space(text: str, start: int) -> tuple[int, str, str] | None:
    """A `key:value` on the line that begins at `start`, or on the one above it."""
    for begin in (start, _line_start(text, max(0, start - 2))):
        if match := _NO_SPACE.match(text, begin):
            key = quoted(f"{match[1]}:")
            return (
                match.end(),
                f"there is no space after {key}",
                f"write {key}, a space and the value",
            )
    return None
