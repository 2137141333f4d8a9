"""What a shell completes after the tab key: ports, parts and wishes. Files and commands it knows.

Nothing is said where nothing can be: a shell that is asked while a word is typed has no use for a
fault.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click
from click.shell_completion import CompletionItem

Complete = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def _whatever_happens(complete: Complete) -> Complete:
    """The same, with nothing to say where it fails."""

    def silent(
        context: click.Context, parameter: click.Parameter, begun: str
    ) -> list[CompletionItem]:
        try:
            return complete(context, parameter, begun)
        except Exception:
            return []

    return silent


def _fitting(begun: str, found: dict[str, str]) -> list[CompletionItem]:
    """Those of `found`, texts with a word of help, that go on from what was typed."""
    typed = begun.casefold()
    return [
        CompletionItem(text, help=note or None)
        for text, note in found.items()
        if text.casefold().startswith(typed)
    ]


def _ports(begun: str, context: click.Context, *, outputs: bool) -> list[CompletionItem]:
    from companion.engine.ports import MidiSystem
    from companion.follow.portnames import lasting_glob

    system = MidiSystem(context.params.get("api"))
    try:
        names = system.outputs() if outputs else system.inputs()
    finally:
        system.close()
    # Most shells break words at the colons and spaces in a port's name; a glob has none.
    globs = {lasting_glob(name).replace(" ", "?").replace(":", "?"): name for name in names}
    return _fitting(begun, globs)


@_whatever_happens
def inputs(context: click.Context, parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Globs for the MIDI inputs that are there."""
    return _ports(begun, context, outputs=False)


@_whatever_happens
def outputs(context: click.Context, parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Globs for the MIDI outputs that are there."""
    return _ports(begun, context, outputs=True)


@_whatever_happens
def parts(context: click.Context, parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Numbers of the parts of the set on this line, with their names."""
    from companion.setlist import load

    # An option whose value is still to come keeps click from telling the arguments apart.
    named = [context.params.get("set_file"), *context.args]
    setlist = load(next(Path(each) for each in named if each and Path(each).is_file()))
    return _fitting(
        begun,
        {
            str(part.number): f"{part.pattern.name} ({setlist.songs[part.song].title})"
            for part in setlist.parts
        },
    )


@_whatever_happens
def wishes(context: click.Context, parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Words of a wish, one after the other."""
    from companion.wishes import WISHES, Ask

    said = [str(word) for word in context.params.get("words") or ()]
    words = [str(wish).split() for wish in WISHES if wish.ask is not Ask.STOP] + [["part"]]
    following = {
        each[len(said)]: "" for each in words if each[: len(said)] == said and len(each) > len(said)
    }
    return _fitting(begun, following)
