"""The YAML parser's complaints in plain words. Checks after parsing do not belong here."""

from __future__ import annotations

import re
from collections.abc import Callable

import yaml

from companion.setlist.faults import Fault, quoted
from companion.setlist.nodes import inset

Spot = Callable[[int], tuple[int, int]]

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


def in_plain_words(error: yaml.YAMLError, text: str, spot: Spot) -> list[Fault]:
    """The parser's `error` about `text` as faults: one, or all indenting tabs if it is a tab.

    `spot` turns a character index into line and column from 1.
    """
    if not isinstance(error, yaml.MarkedYAMLError):
        return [Fault(1, 1, "this is no set list", "write it as plain text, in YAML")]
    index = _index(error.problem_mark, _index(error.context_mark, 0))
    context = _index(error.context_mark, index)
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


def _index(mark: yaml.Mark | None, otherwise: int) -> int:
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
