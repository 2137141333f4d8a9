"""The command line: names, options and help. Each command imports what it needs when it runs.

Options of several commands are in `options`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from companion import __version__
from companion.cli import exits, options

CAUTION = (
    "Cautions: a program change or an unmute can be far louder than what went before; check levels "
    "at low volume and protect your hearing. Never let this tool drive anything that can hurt: no "
    "pyrotechnics, lasers, moving rigs or stage machinery. Do not operate it while driving or "
    "working at height."
)


@click.group(
    context_settings={"help_option_names": ["-h", "--help"]}, epilog=CAUTION, no_args_is_help=True
)
@click.version_option(__version__, prog_name="companion")
def cli() -> None:
    """Count passes and phrases for a hardware drum machine, and change patterns on the boundary."""


@cli.command(short_help="Show the stage screen on a shipped set: no instrument needed.")
@options.look_options
def demo(calm: bool, light: bool) -> None:
    """The stage screen on a shipped set with the internal clock: no instrument, no set-up."""
    from companion.cli import live

    live.demo(calm=calm, light=light)


@cli.command()
@options.file_argument
@options.port_options
@options.controls_option
@options.look_options
def play(
    set_file: Path,
    in_glob: str | None,
    out_glob: str | None,
    api: str | None,
    no_send: bool,
    controls: Path | None,
    calm: bool,
    light: bool,
) -> None:
    """Play SET: start the engine and attach a screen to it."""
    from companion.cli import live

    arguments = live.engine_arguments(in_glob, out_glob, api, no_send, controls)
    live.play(set_file, arguments, calm=calm, light=light)


@cli.command(short_help="Run the engine alone, in the foreground.")
@options.file_argument
@options.port_options
@options.controls_option
@click.option("--internal-clock", is_flag=True, help="Tick by itself, without an instrument.")
@click.option(
    "--tempo",
    metavar="BPM",
    type=click.FloatRange(20, 400),
    help="Beats a minute of the internal clock; default: each song's.",
)
@click.option("--demo", "is_demo", is_flag=True, hidden=True)
def engine(
    set_file: Path,
    in_glob: str | None,
    out_glob: str | None,
    api: str | None,
    no_send: bool,
    controls: Path | None,
    internal_clock: bool,
    tempo: float | None,
    is_demo: bool,
) -> None:
    """Run the engine alone, in the foreground, until Ctrl-C or `companion stop`."""
    from companion.cli import serve

    if tempo is not None and not internal_clock:
        raise click.UsageError("--tempo is the internal clock's; add --internal-clock")
    serve.engine(
        set_file,
        in_glob=in_glob,
        out_glob=out_glob,
        api=api,
        send=not no_send,
        internal_clock=internal_clock,
        tempo=tempo,
        is_demo=is_demo,
        controls=controls,
    )


@cli.command()
@options.look_options
@click.option("--look-only", is_flag=True, hidden=True)
def screen(calm: bool, light: bool, look_only: bool) -> None:
    """Open one more screen on the running engine."""
    from companion.cli import live

    live.screen(calm=calm, light=light, look_only=look_only)


@cli.command(short_help="Show the running engine's screen in a browser.")
@options.look_options
@click.option(
    "--host",
    metavar="ADDRESS",
    default="127.0.0.1",
    show_default=True,
    help="Address to serve at; 0.0.0.0 for the whole network, for those with the link.",
)
@click.option(
    "--port",
    metavar="NUMBER",
    type=click.IntRange(0, 65535),
    default=8600,
    show_default=True,
    help="Network port to serve at; 0 for any that is free.",
)
@click.option("--control", is_flag=True, help="Let the page ask things of the engine too.")
def web(calm: bool, light: bool, host: str, port: int, control: bool) -> None:
    """Show the running engine's screen in a browser; it only looks unless told otherwise."""
    from companion.cli import web as pages

    pages.serve(host=host, port=port, control=control, calm=calm, light=light)


@cli.command()
@options.json_option
def status(as_json: bool) -> None:
    """Tell where the running engine is."""
    from companion.cli import ask

    ask.status(as_json)


@cli.command(short_help="Tell the running engine a wish, such as `next`.")
@click.argument("words", metavar="WISH", nargs=-1, required=True)
def tell(words: tuple[str, ...]) -> None:
    """Tell the running engine a wish: next, stay, part 3 ..., and print what it says."""
    from companion.cli import ask

    ask.tell(" ".join(words))


@cli.command(short_help="Press a pad, and it asks for WISH from now on.")
@click.argument("words", metavar="WISH", nargs=-1, required=True)
@click.option(
    "-o",
    "--controls",
    "file",
    metavar="FILE",
    type=options.PATH,
    required=True,
    help="Write it into FILE, which is made if need be.",
)
@click.option(
    "--set", "set_file", metavar="SET", type=options.PATH, help="Refuse what SET plays itself."
)
@options.in_option
@options.api_option
@click.option("--long", is_flag=True, help="The wish is asked for by holding the pad.")
@click.option(
    "--seconds",
    metavar="S",
    type=click.FloatRange(1, 3600),
    default=60,
    show_default=True,
    help="How long to wait for the press.",
)
@options.json_option
def bind(
    words: tuple[str, ...],
    file: Path,
    set_file: Path | None,
    in_glob: str | None,
    api: str | None,
    long: bool,
    seconds: float,
    as_json: bool,
) -> None:
    """Press a pad, and it asks for WISH from now on: next, stay, part 3 ..."""
    from companion.cli import bind as binding

    binding.bind(
        " ".join(words),
        file,
        set_file=set_file,
        in_glob=in_glob,
        api=api,
        long=long,
        seconds=seconds,
        as_json=as_json,
    )


@cli.command()
def stop() -> None:
    """End the running engine."""
    from companion.cli import ask

    ask.stop()


@cli.command()
@options.api_option
@options.json_option
def ports(api: str | None, as_json: bool) -> None:
    """List the MIDI ports, and which of them sends clock now."""
    from companion.cli import listing

    listing.ports(api, as_json)


@cli.command()
@click.argument("set_files", metavar="SET...", nargs=-1, required=True, type=options.PATH)
@options.controls_option
@options.json_option
def check(set_files: tuple[Path, ...], controls: Path | None, as_json: bool) -> None:
    """Report every fault in set lists, and give advice."""
    from companion.cli import judge

    judge.check(set_files, as_json, controls)


@cli.command()
@options.file_argument
@click.argument("more", metavar="", nargs=-1)
@options.part_options
@click.option("--all", "every_step", is_flag=True, help="Every step, not only rare ones.")
@click.option(
    "--together",
    metavar="TRACK:STEP ...",
    multiple=True,
    help="When do these steps next sound on one pass?",
)
@click.option(
    "--from",
    "from_pass",
    metavar="P",
    type=click.IntRange(1),
    help="With --together: from pass P on.",
)
@options.json_option
def forecast(
    set_file: Path,
    more: tuple[str, ...],
    number: int | None,
    passes: int | None,
    fill: bool,
    every_step: bool,
    together: tuple[str, ...],
    from_pass: int | None,
    as_json: bool,
) -> None:
    """What is coming in SET, part by part, computed and not played."""
    from companion.cli import foretell

    if more and not together:
        raise click.UsageError(f"one SET at a time; what is {more[0]!r}?")
    if from_pass is not None and not together:
        raise click.UsageError("--from is where --together begins to look; add --together")
    foretell.forecast(
        set_file,
        number,
        passes,
        every_step=every_step,
        fill=fill,
        together=(*together, *more),
        from_pass=from_pass or 1,
        as_json=as_json,
    )


@cli.command(name="map")
@options.file_argument
@options.part_options
@click.option(
    "-o",
    "picture",
    metavar="FILE",
    type=options.PATH,
    help="Draw one part into FILE (.svg or .png) instead.",
)
def map_(
    set_file: Path, number: int | None, passes: int | None, fill: bool, picture: Path | None
) -> None:
    """The long view of each part: passes across, steps down."""
    from companion.cli import foretell

    foretell.map_(set_file, number, passes, fill, picture)


def main() -> None:
    """Run a command, and end with its exit status."""
    sys.exit(exits.status_of(lambda: cli.main(standalone_mode=False)))
