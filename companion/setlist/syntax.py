"""The YAML parser's complaints in plain words. Checks after parsing do not belong here."""

from __future__ import annotations

import re
from collections.abc import Callable

import yaml

from companion.setlist.faults import Fault

_TAB = ("a tab cannot be used for indentation", "use spaces")

# Parts of the parser's messages (libyaml's and PyYAML's), and what they mean to the writer.
_WORDS = (
    (
        "mapping values are not allowed",
        "a colon stands where no key can begin",
        "put text with a colon in quotes, and line up keys that belong together",
    ),
    (
        "found unexpected end of stream",
        "a quote that was opened here is never closed",
        "close it with the same quote",
    ),
    (
        "found unexpected document indicator",
        "a quote is still open at this line",
        "close it with the same quote",
    ),
    (
        "could not find expected ':'",
        "this line is no `key: value`",
        "put a colon and a space after the key, and quotes around text of several lines",
    ),
    (
        "while scanning an alias",
        "text that begins with an asterisk reads as a reference here",
        'put it in quotes, such as "*drum*"',
    ),
    (
        "while scanning an anchor",
        "text that begins with & reads as an anchor here",
        "put it in quotes",
    ),
    ("found unknown escape character", "\\ and this letter mean nothing in double quotes",
     "write \\\\ for a backslash, or use single quotes"),
    ("did not find expected hexadecimal", "the character code after \\ is not complete",
     "write \\\\ for a backslash, or use single quotes"),
    ("while scanning a block scalar", "text after | or > must start on the next line, indented",
     "indent it with spaces, or put the text in quotes"),
    ("did not find expected ',' or ']'", "the list in [ ] is not closed, or lacks a comma",
     "separate entries with commas and end with ]"),
    ("expected ',' or ']'", "the list in [ ] is not closed, or lacks a comma",
     "separate entries with commas and end with ]"),
    ("did not find expected ',' or '}'", "the entries in { } are not closed, or lack a comma",
     "write {key: value, key: value} and end with }"),
    ("expected ',' or '}'", "the entries in { } are not closed, or lack a comma",
     "write {key: value, key: value} and end with }"),
    ("block sequence entries are not allowed", "a list entry `- ` cannot begin here",
     "begin it on a line of its own"),
    ("did not find expected '-' indicator", "this line does not line up with the list above it",
     "begin each entry with `- `, all in the same column"),
    ("but found '-'", "this line does not line up with what is above it",
     "begin each entry with `- `, all in the same column"),
    ("did not find expected key", "this line does not line up with the keys above it",
     "indent keys that belong together by the same number of spaces"),
    ("expected <block end>", "this line does not line up with the keys above it",
     "indent keys that belong together by the same number of spaces"),
    ("did not find expected <document start>", "this line stands outside the set list",
     "indent keys that belong together by the same number of spaces"),
    ("mapping keys are not allowed", "a question mark with a space reads as a key here",
     "put the text in quotes"),
)  # fmt: skip


def in_plain_words(
    error: yaml.YAMLError, text: str, spot: Callable[[int], tuple[int, int]]
) -> list[Fault]:
    """The parser's `error` about `text` as faults; every indenting tab, if a tab is to blame.

    `spot` turns a character index into line and column from 1.
    """
    if not isinstance(error, yaml.MarkedYAMLError):
        return [Fault(1, 1, "this is no set list", "write it as plain text, in YAML")]
    mark = error.problem_mark or error.context_mark
    index = mark.index if mark is not None else 0
    start = text.rfind("\n", 0, index) + 1
    before, here = text[start:index], text[index : index + 1]
    if "\t" in re.match(r"[ \t-]*", text[start:])[0] and (  # type: ignore[index]
        here == "\t" or not before.strip(" \t-")
    ):
        return [Fault(*spot(m.start(1)), *_TAB) for m in re.finditer(r"(?m)^ *(\t)", text)] or [
            Fault(*spot(index), *_TAB)
        ]
    said = f"{error.context or ''} {error.problem or ''}"
    if "cannot start any token" in said:
        if here == "\t":
            return [Fault(*spot(index), "a tab cannot be used here", "use spaces")]
        wrong = f"a text cannot begin with {here}" if here else "the text stops in the middle"
        return [Fault(*spot(index), wrong, "put it in quotes")]
    for part, wrong, right in _WORDS:
        if part in said:
            if "quote" in wrong and error.context_mark is not None:
                index = error.context_mark.index
            return [Fault(*spot(index), wrong, right)]
    problem = " ".join((error.problem or "it cannot be read").split())
    return [
        Fault(*spot(index), f"this is not YAML ({problem})", "compare it with a set that works")
    ]
