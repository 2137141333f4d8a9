"""Options and arguments that several commands share, each worded once. What they do is not here."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])

PATH = click.Path(path_type=Path)
_API = click.Choice(["alsa", "jack", "core", "winmm"])


def _all(*options: Callable[[F], F]) -> Callable[[F], F]:
    """One decorator for several, which --help lists in this order."""

    def decorate(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


def complete(what: str) -> Callable[..., Any]:
    """Completes with what the function `what` of `completion` finds; imported when it is asked."""

    def found(context: click.Context, parameter: click.Parameter, begun: str) -> Any:
        from companion.cli import completion

        return getattr(completion, what)(context, parameter, begun)

    return found


file_argument = click.argument("set_file", metavar="SET", type=PATH)
wish_argument = click.argument(
    "words", metavar="WISH", nargs=-1, required=True, shell_complete=complete("wishes")
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")
in_option = click.option(
    "--in",
    "in_glob",
    metavar="GLOB",
    help="Listen only to these MIDI inputs.",
    shell_complete=complete("inputs"),
)
api_option = click.option("--api", type=_API, help="MIDI system.")
port_options = _all(
    in_option,
    click.option(
        "--out",
        "out_glob",
        metavar="GLOB",
        help="Send only to this MIDI output.",
        shell_complete=complete("outputs"),
    ),
    click.option("--api", type=_API, help="The MIDI system to use; default: the first that works."),
    click.option("--no-send", is_flag=True, help="Send nothing at all."),
)
controls_option = click.option(
    "--controls",
    metavar="FILE",
    type=PATH,
    help="Presses from FILE too; they win over the set's own.",
)
take_option = click.option("--no-take", is_flag=True, help="Record nothing of this run.")
watch_option = click.option(
    "--watch", "again", is_flag=True, help="Again at each save, until Ctrl-C."
)
look_options = _all(
    click.option("--calm", is_flag=True, help="No pulsing on the screen."),
    click.option("--light", is_flag=True, help="Dark figures on a light ground, for daylight."),
)
part_options = _all(
    click.option(
        "--part",
        "number",
        metavar="N",
        type=int,
        help="Only this part; 1 is first.",
        shell_complete=complete("parts"),
    ),
    click.option(
        "--passes", metavar="M", type=click.IntRange(1), help="How many passes of the pattern."
    ),
    click.option("--fill", is_flag=True, help="As if a fill were held all the time."),
)
