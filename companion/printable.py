"""What may leave for a terminal: text in which nothing is obeyed, turned round or breaks a line.

Names come from files, ports and peers, and may hold anything. What is no plain character is shown
as its escape: control characters, C1, bidirectional overrides, line breaks, halves of characters.
Also what every room says in the same way.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

T = TypeVar("T")

# A quoted piece of text longer than this is cut: a fault is one line a person reads.
QUOTED = 48


def printable(text: str) -> str:
    """`text` with everything a terminal might obey, or that breaks a line, spelled out."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else _spelled(c) for c in text)


def quoted(text: str) -> str:
    """`text` between backquotes, cut if long, fit for a message."""
    shown = printable(text)
    return f"`{shown[: QUOTED - 3]}...`" if len(shown) > QUOTED else f"`{shown}`"


def all_printable(value: T) -> T:
    """A frozen value, all texts in it as `printable` has them; the same one if all are so."""
    return _made(value)  # type: ignore[no-any-return]


def percent(chance: float) -> str:
    """A chance (0 to 1) in percent: "under 1", "50"; no chance that is left open is 100."""
    return "under 1" if chance < 0.01 else f"{min(100 * chance, 99):.0f}"


def lacks_blocks(encoding: str | None, terminal: str) -> bool:
    """Whether a terminal shows no blocks of eighths: by its encoding, and its name (TERM).

    The console of a Linux without a desktop has UTF-8, but letters for 256 or 512 characters only.
    """
    if terminal in ("linux", "dumb"):
        return True
    try:
        "▁▇░▒▓█│·".encode(encoding or "ascii")
    except (LookupError, UnicodeEncodeError):
        return True
    return False


def _made(value: Any) -> Any:
    if isinstance(value, str):
        return printable(value)
    if type(value) is tuple:
        made = tuple(map(_made, value))
        return value if all(new is old for new, old in zip(made, value, strict=True)) else made
    if is_dataclass(value) and not isinstance(value, type):
        old = {field.name: getattr(value, field.name) for field in fields(value)}
        new = {name: _made(content) for name, content in old.items()}
        changed = {name: new[name] for name in old if new[name] is not old[name]}
        return replace(value, **changed) if changed else value
    return value


def _spelled(character: str) -> str:
    return character.encode("unicode_escape", "surrogatepass").decode("ascii")
