"""Puts a binding into the text of a file of controls, and leaves all else in it as it is.

Text in, text out. Whoever writes the file reads the text again first: a list that is written in an
unusual way (anchors, folded text) may come out as something else, and is then for a person to edit.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

import yaml

from companion.setlist.controls import Ask, Binding, Kind, Wanted

INTRODUCTION = """\
# Presses on pads, pedals and keys, and what they ask for. To use them with any set list:
# companion play SET --controls FILE. Each line may be edited by hand; docs/setlist.md says how.
"""

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class NoRoom(Exception):
    """The text has no list of controls where one can be put in."""


def entry(binding: Binding) -> str:
    """A binding as one line of YAML, without the dash."""
    press = binding.press
    address = press.address
    # Programs are written as displays count them, from 1.
    number = address.number + (address.kind is Kind.PROGRAM)
    words = [f"{address.kind.value}: {number}"]
    if address.channel is not None:
        words.append(f"channel: {address.channel + 1}")
    if press.port is not None:
        # A JSON text of printable characters is a YAML text too.
        words.append(f"port: {json.dumps(press.port, ensure_ascii=False)}")
    words += [f"{key}: true" for key in ("long", "toggle") if getattr(press, key)]
    return f"{{press: {{{', '.join(words)}}}, wish: {spelled(binding.wish)}}}"


def spelled(wish: Wanted) -> str:
    """A wish as it stands in a file."""
    if wish.ask in (Ask.NUDGE_FORWARD, Ask.NUDGE_BACK):
        return f"{wish.ask.value} a {wish.unit}"
    return str(wish)


def is_empty(text: str) -> bool:
    """Whether `text` is that of a file of controls that has none yet, be it quite empty."""
    try:
        root = _root(text)
    except yaml.YAMLError:
        return False
    return root is None or _empty_value(root) is not None


def fresh(binding: Binding) -> str:
    """The text of a new file with one binding."""
    return f"{INTRODUCTION}controls:\n  - {entry(binding)}\n"


def added(text: str, binding: Binding, before: int | None = None) -> str:
    """`text` with one more binding, after the last or before the one at that index.

    Raises NoRoom.
    """
    end_of_line = "\r\n" if "\r\n" in text else "\n"
    new = entry(binding)
    root = _root(text)
    if root is None:
        gap = "" if not text or text.endswith(("\n", "\r")) else end_of_line
        return f"{text}{gap}controls:{end_of_line}  - {new}{end_of_line}"
    nothing = _empty_value(root)
    if nothing is not None:
        at = _line_end(text, nothing.end_mark.index)
        return f"{text[:at]}{end_of_line}  - {new}{text[at:]}"
    items = _items(root)
    if not items.value:
        at = text.index("[", items.start_mark.index) + 1
        return f"{text[:at]}{new}{text[at:]}"
    item = items.value[-1 if before is None else before]
    start = item.start_mark.index
    if items.flow_style:
        at = start if before is not None else _end(item)
        put = f"{new}, " if before is not None else f", {new}"
        return f"{text[:at]}{put}{text[at:]}"
    dash = text.rindex("-", 0, start + 1)
    indent = " " * (dash - (max(text.rfind("\n", 0, dash), text.rfind("\r", 0, dash)) + 1))
    if before is not None:
        return f"{text[:dash]}- {new}{end_of_line}{indent}{text[dash:]}"
    at = _line_end(text, _end(item))
    return f"{text[:at]}{end_of_line}{indent}- {new}{text[at:]}"


def rewished(text: str, index: int, wish: Wanted) -> str:
    """`text` with another wish for the binding at `index`. Raises NoRoom."""
    item = _items(_root(text)).value[index]
    if isinstance(item, yaml.MappingNode):
        for key, value in item.value:
            if key.value == "wish":
                start, end = value.start_mark.index, _end(value)
                return f"{text[:start]}{spelled(wish)}{text[end:]}"
    raise NoRoom


def replaced(text: str, index: int, binding: Binding) -> str:
    """`text` with another binding in place of the one at `index`. Raises NoRoom."""
    item = _items(_root(text)).value[index]
    return f"{text[: item.start_mark.index]}{entry(binding)}{text[_end(item) :]}"


def _root(text: str) -> yaml.Node | None:
    root: yaml.Node | None = yaml.compose(text, Loader=_LOADER)
    # What is empty or says nothing but `null`.
    return None if isinstance(root, yaml.ScalarNode) and not root.value else root


def _items(root: yaml.Node | None) -> yaml.SequenceNode:
    if isinstance(root, yaml.MappingNode):
        for key, value in root.value:
            if key.value == "controls" and isinstance(value, yaml.SequenceNode):
                return value
    raise NoRoom


def _empty_value(root: yaml.Node) -> yaml.Node | None:
    """What stands for nothing after `controls:`, if that is all there is."""
    if isinstance(root, yaml.MappingNode) and len(root.value) == 1:
        key, value = root.value[0]
        if key.value == "controls" and isinstance(value, yaml.ScalarNode) and not value.value:
            return value
    return None


def _end(node: yaml.Node) -> int:
    """Where a node's own text ends; YAML has blocks end only where the next thing begins."""
    return max(
        (each.end_mark.index for each in _pieces(node)),
        default=node.start_mark.index,
    )


def _pieces(node: yaml.Node) -> Iterator[yaml.Node]:
    """The nodes at or under `node` that end where their text does."""
    match node:
        case yaml.MappingNode(flow_style=False):
            for key, value in node.value:
                yield from _pieces(key)
                yield from _pieces(value)
        case yaml.SequenceNode(flow_style=False):
            for item in node.value:
                yield from _pieces(item)
        case _:
            yield node


def _line_end(text: str, index: int) -> int:
    """Where the line of the character at `index` ends, its line end left out."""
    ends = (text.find(mark, index) for mark in "\r\n")
    return min((end for end in ends if end >= 0), default=len(text))
