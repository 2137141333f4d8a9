"""How frozen values become JSON lines and come back, checked. Which values there are is elsewhere.

What stands at its default is left out; fields of a newer program are passed over.
"""

from __future__ import annotations

import json
import re
from dataclasses import MISSING, fields
from math import isfinite
from typing import Any


class LinkError(Exception):
    """The other side of the link cannot be reached or understood."""


class BadMessage(LinkError):
    """A line that is not a message of this protocol."""


class Shape:
    """How one frozen class looks as JSON: each field by its declared kind.

    `nested` names the fields that hold tuples of other such values, with their shapes.
    """

    def __init__(self, kind: type, **nested: Shape) -> None:
        self._kind = kind
        self._nested = nested
        self._fields = {
            f.name: (str(f.type), () if f.default_factory is not MISSING else f.default)
            for f in fields(kind)
        }

    def body(self, value: Any) -> dict[str, Any]:
        """The value as a JSON object."""
        # What stands at its default is left out: the reader fills it in, and most of an agenda is
        # defaults. Less to encode is less time in the interpreter that the clock shares.
        body = {}
        for name, (_, default) in self._fields.items():
            content = getattr(value, name)
            if content != default:
                inner = self._nested.get(name)
                body[name] = content if inner is None else [inner.body(item) for item in content]
        return body

    def value(self, body: Any) -> Any:
        """The value that a JSON object stands for. Raises BadMessage."""
        body = object_of(body)
        found: dict[str, Any] = {}
        for name, (kind, default) in self._fields.items():
            if name not in body:
                if default is MISSING:
                    raise BadMessage(f"{name} is missing")
                continue
            inner = self._nested.get(name)
            if inner is None:
                found[name] = _checked(name, body[name], kind)
            elif type(body[name]) is list:
                found[name] = tuple(inner.value(item) for item in body[name])
            else:
                raise BadMessage("not a list where one belongs")
        return self._kind(**found)


def line(message: dict[str, Any]) -> bytes:
    """A message as one line. Raises ValueError for a figure that is no number."""
    # A port's name may hold bytes that are no UTF-8: they become "?", for the line must go out.
    return _ENCODER.encode(message).encode("utf-8", "replace") + b"\n"


def parse(text: bytes) -> dict[str, Any]:
    """The JSON object in a line. Raises BadMessage."""
    try:
        return object_of(json.loads(text))
    except (ValueError, TypeError, RecursionError) as error:
        raise BadMessage("not JSON") from error


def object_of(content: Any) -> dict[str, Any]:
    """`content` if it is a JSON object. Raises BadMessage."""
    if type(content) is not dict:
        raise BadMessage("not an object where one belongs")
    return content


def is_text(content: Any) -> bool:
    """Whether it is text that a terminal or a file would take."""
    # JSON can spell half a character (a lone surrogate).
    return type(content) is str and (content.isascii() or not _HALVES.search(content))


def _checked(name: str, content: Any, kind: str) -> Any:
    if kind == "str":
        right = is_text(content)
    elif kind == "int":
        right = _is_count(content)
    elif kind == "bool":
        right = type(content) is bool
    elif kind == "bool | None":
        right = content is None or type(content) is bool
    elif kind == "float":
        right = (type(content) is float and isfinite(content)) or _is_count(content)
        content = float(content) if right else content
    elif kind == "int | None":
        right = content is None or _is_count(content)
    else:
        each = _is_count if kind == "tuple[int, ...]" else is_text
        right = type(content) is list and all(map(each, content))
        content = tuple(content) if right else content
    if not right:
        raise BadMessage(f"{name} is not of the kind {kind}")
    return content


def _is_count(content: Any) -> bool:
    # Beyond 64 bits a figure is an error somewhere, and would overflow a float on the screen.
    return type(content) is int and -(1 << 63) <= content < 1 << 63


_HALVES = re.compile("[\ud800-\udfff]")
_ENCODER = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False)
