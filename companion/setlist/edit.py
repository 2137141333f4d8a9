"""Puts a binding into the text of a file of controls, and leaves what else it says as it is.

Text in, text out. Comments, quotes, order and indentation stay; spaces inside a line may be made
even. Whoever writes the file reads the text again first: a list that is written in an unusual way
(anchors, folded text) may come out as something else, and is then for a person to edit.
"""

from __future__ import annotations

import io
import re
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import CommentMark, YAMLError
from ruamel.yaml.scalarstring import DoubleQuotedScalarString
from ruamel.yaml.tokens import CommentToken

from companion.setlist.model import Binding, Kind
from companion.setlist.yamltree import LINES, Keyed, Mapping, Scalar, parse_tree
from companion.wishes import Wish

INTRODUCTION = """\
# Presses on pads, pedals and keys, and what they ask for. To use them with any set list:
# companion play SET --controls FILE. Each line may be edited by hand; docs/setlist.md says how.
"""

# The first entry of a list below `controls:`, as it is indented.
_DASH = re.compile(r"^( *)-( +)", re.MULTILINE)
# `controls:` with nothing after it.
_NOTHING = re.compile(r"""\s*["']?controls["']?\s*:\s*(#|$)""")


class NoRoom(Exception):
    """The text has no list of controls where one can be put in."""


def entry(binding: Binding) -> str:
    """A binding as one line of YAML, without the dash."""
    out = io.StringIO()
    _yaml("").dump([_entry(binding)], out)
    return out.getvalue().removeprefix("- ").rstrip("\n")


def is_empty(text: str) -> bool:
    """Whether `text` is that of a file of controls that has none yet, be it quite empty."""
    return _room(text) is not None


def fresh(binding: Binding) -> str:
    """The text of a new file with one binding."""
    return added(INTRODUCTION, binding)


def added(text: str, binding: Binding, before: int | None = None) -> str:
    """`text` with one more binding, after the last or before the one at that index.

    Raises NoRoom.
    """
    room = _room(text)
    if room is None:
        whole = _Whole(text)
        whole.put(_entry(binding), before)
        return whole.text()
    # Where nothing is listed yet there is nothing to keep but the lines around it.
    lines = LINES.findall(text)
    end_of_line = _line_end(text)
    if room and not lines[room - 1].endswith(("\n", "\r")):
        lines[room - 1] += end_of_line
    new = f"  - {entry(binding)}{end_of_line}"
    if parse_tree(text).root is None:
        new = f"controls:{end_of_line}{new}"
    lines.insert(room, new)
    return "".join(lines)


def rewished(text: str, index: int, wish: Wish) -> str:
    """`text` with another wish for the binding at `index`. Raises NoRoom."""
    whole = _Whole(text)
    item = whole.controls[index]
    if not (isinstance(item, CommentedMap) and "wish" in item):
        raise NoRoom
    item["wish"] = str(wish)
    return whole.text()


def replaced(text: str, index: int, binding: Binding) -> str:
    """`text` with another binding in place of the one at `index`. Raises NoRoom."""
    whole = _Whole(text)
    whole.replace(index, _entry(binding))
    return whole.text()


class _Whole:
    """A file with a list of controls, taken apart. Raises NoRoom if it has none."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._yaml = _yaml(text)
        try:
            self._data = self._yaml.load(re.sub(r"\r\n?", "\n", text))
        except (YAMLError, ValueError) as error:
            raise NoRoom from error
        controls = self._data.get("controls") if isinstance(self._data, CommentedMap) else None
        if not isinstance(controls, CommentedSeq):
            raise NoRoom
        self.controls = controls

    def put(self, new: CommentedMap, before: int | None) -> None:
        """One more entry, before another or after all."""
        controls = self.controls
        if not controls:
            controls.fa.set_flow_style()
        if before is not None:
            controls.insert(before, new)
            return
        last = self._comment(len(controls) - 1) if controls else None
        controls.append(new)
        if last is not None:
            # What stands on lines of its own below the last entry is said below the new one.
            own, line_end, below = last.value.partition("\n")
            last.value = own + line_end
            if below:
                self._say(len(controls) - 1, f"\n{below}")

    def replace(self, index: int, new: CommentedMap) -> None:
        """Another entry in place of the one there, with what is said after that."""
        comment = self._comment(index)
        self.controls[index] = new
        if comment is not None:
            self._say(index, comment.value, comment.start_mark.column)

    def text(self) -> str:
        """The text now, its line ends as they were."""
        out = io.StringIO()
        self._yaml.dump(self._data, out)
        text = out.getvalue()
        if not self._text.endswith(("\n", "\r")):
            text = text.removesuffix("\n")
        return text.replace("\n", _line_end(self._text))

    def _comment(self, index: int) -> CommentToken | None:
        """What is said after the entry: it hangs on the last thing in it."""
        holder: Any = self.controls
        key: Any = index
        slot = 0
        while isinstance(holder[key], CommentedMap) and not holder[key].fa.flow_style():
            holder = holder[key]
            key, slot = list(holder)[-1], 2
        comments = holder.ca.items.get(key)
        return comments[slot] if comments else None

    def _say(self, index: int, comment: str, column: int = 0) -> None:
        token = CommentToken(comment, CommentMark(column), None)
        self.controls.ca.items[index] = [token, None, None, None]


def _entry(binding: Binding) -> CommentedMap:
    address = binding.press.address
    # Programs are written as displays count them, from 1.
    number = address.number + (address.kind is Kind.PROGRAM)
    press = CommentedMap({address.kind.value: number})
    if address.channel is not None:
        press["channel"] = address.channel + 1
    if binding.press.port is not None:
        press["port"] = DoubleQuotedScalarString(binding.press.port)
    press |= {key: True for key in ("long", "toggle") if getattr(binding.press, key)}
    whole = CommentedMap({"press": press, "wish": str(binding.wish)})
    for each in (press, whole):
        each.fa.set_flow_style()
    return whole


def _yaml(text: str) -> YAML:
    """A reader and writer that lays a list out as `text` does."""
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 1 << 20
    if dash := _DASH.search(text):
        yaml.indent(sequence=len(dash[1]) + 1 + len(dash[2]), offset=len(dash[1]))
    return yaml


def _room(text: str) -> int | None:
    """The line (from 0) on which the first entry belongs if there is none; None if there are."""
    parsed = parse_tree(text)
    if parsed.faults:
        return None
    match parsed.root:
        case None | Scalar(text=None):
            return len(LINES.findall(text))
        case Mapping(entries={"controls": Keyed(line, _, Scalar(text=None))}) if (
            len(parsed.root.entries) == 1
        ):
            if _NOTHING.match(LINES.findall(text)[line - 1]):
                return line
    return None


def _line_end(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"
