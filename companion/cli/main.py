"""The command line: names, options and help. Each command imports what it needs when it runs.

What a command does is a function of its own file, which takes the options by their names, and
refuses those that do not go together. Options of several commands are in `options`.
"""

from __future__ import annotations

import io
import sys
from typing import Any

import click

from companion import __version__
from companion.cautions import CAUTIONS
from companion.cli import exits, options

EPILOG = "Cautions: " + " ".join(map(str, CAUTIONS))


@click.group(
    context_settings={"help_option_names": ["-h", "--help"]}, epilog=EPILOG, no_args_is_help=True
)
@click.version_option(__version__, prog_name="companion")
def cli() -> None:
    """Count passes and phrases for a hardware drum machine, and change patterns on the boundary."""


@cli.command(short_help="Show the stage screen on a shipped set: no instrument needed.")
@options.look_options
def demo(**asked: Any) -> None:
    """The stage screen on a shipped set with the internal clock: no instrument, no set-up."""
    from companion.cli import live

    live.demo(**asked)


@cli.command()
@options.file_argument
@options.port_options
@options.controls_option
@options.take_option
@options.look_options
def play(**asked: Any) -> None:
    """Play SET: start the engine and attach a screen to it."""
    from companion.cli import live

    live.play(**asked)


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
@options.take_option
@options.json_option
@click.option("--demo", "is_demo", is_flag=True, hidden=True)
@click.option("--take-kind", type=click.Choice(["engine", "play"]), default="engine", hidden=True)
def engine(**asked: Any) -> None:
    """Run the engine alone, in the foreground, until Ctrl-C or `companion stop`."""
    from companion.cli import serve

    serve.engine(**asked)


@cli.command(short_help="Practise SET with a virtual instrument that plays it.")
@options.file_argument
@click.option("--from", "begin", metavar="N", type=click.IntRange(1), help="Begin with part N.")
@click.option(
    "--loop", metavar="A-B", help="The last phrase of part A and the first of B, over and over."
)
@click.option("--times", metavar="N", type=click.IntRange(1), help="So many rounds of the loop.")
@click.option("--tempo", metavar="BPM|P%", help="Beats a minute, or a share of each song's own.")
@click.option(
    "--count-in",
    metavar="BARS",
    type=click.IntRange(0, 16),
    default=0,
    help="Count so many bars in.",
)
@click.option("--click", is_flag=True, help="A click on each beat, throughout.")
@click.option(
    "--seed",
    metavar="N",
    type=click.IntRange(0, (1 << 63) - 1),
    help="Draw chances as with this seed before.",
)
@click.option("--sound", metavar="PORT", help="Play the patterns on this MIDI output.")
@click.option("--clock-out", metavar="PORT", help="Send clock and transport to this MIDI output.")
@click.option("--out", metavar="PORT", help="With --send: send changes to this MIDI output only.")
@click.option("--send", is_flag=True, help="Send program changes to the instruments, too.")
@click.option("--now", is_flag=True, help="Begin at once, without waiting for `start`.")
@click.option("--join", is_flag=True, help="It plays already: its place is to be found by ear.")
@click.option("--no-screen", is_flag=True, help="Stay in the foreground until the set is over.")
@options.take_option
@options.api_option
@options.controls_option
@options.look_options
@options.json_option
@click.option("--attended", is_flag=True, hidden=True)
def rehearse(**asked: Any) -> None:
    """Practise SET: a virtual instrument plays it by its play rules, chance included.

    It waits for `start`: the space bar, a pad, or `companion tell start`.
    """
    from companion.cli import rehearse as rehearsing

    rehearsing.rehearse(**asked)


@cli.command()
@options.look_options
@click.option("--look-only", is_flag=True, hidden=True)
def screen(**asked: Any) -> None:
    """Open one more screen on the running engine."""
    from companion.cli import live

    live.screen(**asked)


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
@options.json_option
def web(**asked: Any) -> None:
    """Show the running engine's screen in a browser; it only looks unless told otherwise."""
    from companion.cli.extras import extra

    with extra("web"):
        from companion.cli import web as pages
    pages.serve(**asked)


@cli.command()
@options.json_option
def status(**asked: Any) -> None:
    """Tell where the running engine is."""
    from companion.cli import ask

    ask.status(**asked)


@cli.command(short_help="Tell the running engine a wish, such as `next`.")
@options.wish_argument
@options.json_option
def tell(**asked: Any) -> None:
    """Tell the running engine a wish: next, stay, part 3 ..., and print what it says."""
    from companion.cli import ask

    ask.tell(**asked)


@cli.command(short_help="Press a pad, and it asks for WISH from now on.")
@options.wish_argument
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
def bind(**asked: Any) -> None:
    """Press a pad, and it asks for WISH from now on: next, stay, part 3 ..."""
    from companion.cli import bind as binding

    binding.bind(**asked)


@cli.command()
@options.json_option
def stop(**asked: Any) -> None:
    """End the running engine."""
    from companion.cli import ask

    ask.stop(**asked)


@cli.command()
@options.api_option
@options.json_option
def ports(**asked: Any) -> None:
    """List the MIDI ports, and which of them sends clock now."""
    from companion.cli import ports as listing

    listing.ports(**asked)


@cli.command()
@click.argument("set_files", metavar="SET...", nargs=-1, required=True, type=options.PATH)
@options.controls_option
@options.watch_option
@options.json_option
def check(**asked: Any) -> None:
    """Report every fault in set lists, and give advice."""
    from companion.cli import check as checking

    checking.check(**asked)


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
@options.watch_option
@options.json_option
def forecast(**asked: Any) -> None:
    """What is coming in SET, part by part, computed and not played."""
    from companion.cli import forecast as foretelling

    foretelling.forecast(**asked)


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
@options.json_option
def map_(**asked: Any) -> None:
    """The long view of each part: passes across, steps down."""
    from companion.cli import forecast as foretelling

    foretelling.map_(**asked)


@cli.command(short_help="Soundcheck: what is here to play with, and what is missing.")
@click.argument("set_file", metavar="[SET]", type=options.PATH, required=False)
@options.api_option
@options.in_option
@click.option(
    "--seconds",
    metavar="S",
    type=click.FloatRange(0.5, 3600),
    default=5,
    show_default=True,
    help="How long to listen.",
)
@click.option("--send", is_flag=True, help="Send each instrument of SET its first program.")
@options.json_option
def doctor(**asked: Any) -> None:
    """Look at MIDI system, ports, clocks, this machine and its terminal; with SET, a soundcheck.

    Each finding says what to do. Nothing is sent without --send.
    """
    from companion.cli import doctor as looking

    looking.doctor(**asked)


@cli.command(short_help="Write a commented set list to start from.")
@click.argument("file", metavar="FILE", type=options.PATH)
@click.option("--set", "name", metavar="NAME", help="Name of the set.")
@click.option("--instrument", metavar="NAME", help="What you call your instrument.")
@click.option(
    "--port",
    metavar="GLOB",
    help="Its MIDI port; * stands for anything.",
    shell_complete=options.complete("outputs"),
)
@click.option(
    "--channel", metavar="N", type=click.IntRange(1, 16), help="The MIDI channel it listens on."
)
@click.option(
    "--programs-from", type=click.IntRange(0, 1), metavar="0|1", help="Number of its first program."
)
@click.option(
    "--takes-effect",
    type=click.Choice(["pattern end", "at once"]),
    help="When a program change takes effect.",
)
@click.option("--songs", metavar="N", type=click.IntRange(1, 1000), help="How many songs.")
@click.option("--parts", metavar="N", type=click.IntRange(1, 1000), help="Parts of each song.")
@click.option(
    "--tempo", metavar="BPM", type=click.FloatRange(20, 400), help="Tempo in beats a minute."
)
@options.json_option
def new(**asked: Any) -> None:
    """Write a commented set list into FILE, which must not be there yet.

    On a terminal it asks for what no option says; otherwise defaults stand for that.
    """
    from companion.cli import new as starting

    starting.new(**asked)


@cli.command(short_help="A cue sheet to print: one page a song.")
@options.file_argument
@click.option(
    "-o", "file", metavar="FILE", type=options.PATH, help="Write it into FILE.html, replaced."
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"], case_sensitive=False),
    help="The paper it is for; default: fits both.",
)
@options.json_option
def sheet(**asked: Any) -> None:
    """Write SET as a cue sheet for paper: the running order, then one page a song."""
    from companion.cli import sheet as paperwork

    paperwork.sheet(**asked)


@cli.group(invoke_without_command=True, short_help="What was recorded: list, export, delete.")
@options.json_option
@click.pass_context
def takes(context: click.Context, as_json: bool) -> None:
    """List what was recorded, newest first."""
    if context.invoked_subcommand is None:
        from companion.cli import takes as recorded

        recorded.listed(as_json)
    elif as_json:
        raise click.UsageError(f"write --json behind {context.invoked_subcommand}")


@takes.command()
@click.argument("take", metavar="TAKE")
@click.option(
    "-o",
    "file",
    metavar="FILE",
    type=options.PATH,
    required=True,
    help="Write it into FILE, which is replaced: .mid, .csv, .jsonl or .clock.",
)
@options.json_option
def export(**asked: Any) -> None:
    """Write TAKE, a number or `last`, to a file for other programs."""
    from companion.cli import takes as recorded

    recorded.export(**asked)


@takes.command()
@click.argument("take", metavar="TAKE")
@click.argument("words", metavar="TEXT", nargs=-1, required=True)
@options.json_option
def note(**asked: Any) -> None:
    """Write a note to TAKE; an empty one takes it away."""
    from companion.cli import takes as recorded

    recorded.note(**asked)


@takes.command()
@click.argument("which", metavar="TAKE...", nargs=-1, required=True)
@click.option("--yes", is_flag=True, help="Do not ask.")
@options.json_option
def delete(**asked: Any) -> None:
    """Take TAKEs away for good."""
    from companion.cli import takes as recorded

    recorded.delete(**asked)


@cli.command()
@click.argument("take", metavar="[TAKE]", default="last")
@click.option(
    "--within",
    metavar="LENGTH",
    default="1 beat",
    show_default=True,
    help="A cue is hit if done so near to its time; also in steps, bars or ms.",
)
@click.option(
    "-o", "page", metavar="FILE.html", type=options.PATH, help="Write one page with pictures."
)
@click.option(
    "--as-played",
    "set_list",
    metavar="FILE",
    type=options.PATH,
    help="Write the set as it was played into FILE, which must not be there.",
)
@click.option("--light", is_flag=True, help="Dark letters on a light ground.")
@options.json_option
def review(**asked: Any) -> None:
    """How TAKE went, by default the last: cues, tempo, parts, doubts."""
    from companion.cli import takes as recorded

    recorded.review(**asked)


@cli.command(name="schema")
@click.option(
    "-o", "file", metavar="FILE", type=options.PATH, help="Write it into FILE, which is replaced."
)
def schema_(**asked: Any) -> None:
    """Print the JSON Schema of the set list, for editors."""
    from companion.cli import schema

    schema.print_schema(**asked)


@cli.command(short_help="Listen to an instrument, or read a MIDI file, and draft a set list.")
@click.argument("file", metavar="[FILE.mid]", required=False, type=options.PATH)
@click.option("--take", metavar="TAKE", help="Learn from what was recorded: a number, or `last`.")
@options.in_option
@options.api_option
@click.option("--channel", metavar="N", type=click.IntRange(1, 16), help="Only this channel.")
@click.option(
    "--length",
    metavar="STEPS",
    type=click.IntRange(1, 1024),
    help="Steps in a pass, if known.",
)
@click.option(
    "--step",
    metavar="STEP",
    type=click.Choice(["1/4", "1/8", "1/8T", "1/16", "1/16T", "1/32", "1/32T"]),
    help="What a step lasts, if known: 1/16 ...",
)
@click.option(
    "--passes", metavar="N", type=click.IntRange(1), help="Listen for so many passes, no longer."
)
@click.option(
    "--seconds", metavar="S", type=click.FloatRange(0.1), help="Listen for so long, no longer."
)
@click.option("--one", is_flag=True, help="One pattern of it all, whatever programs are changed.")
@click.option("--name", metavar="NAME", help="What to call the pattern.")
@click.option(
    "-o", "out", metavar="FILE", type=options.PATH, help="Write the draft into FILE, a new one."
)
@click.option(
    "--into", metavar="SET", type=options.PATH, help="Add the patterns to SET; the rest stays."
)
@options.json_option
def learn(**asked: Any) -> None:
    """Listen to an instrument, or read FILE.mid, and draft a set list: steps, rules, parts.

    Without a file or a take it listens to what is plugged in, from its start on, until it stops.
    """
    from companion.cli.extras import extra

    with extra("learn"):
        from companion.cli import learn as learning
    learning.learn_from(**asked)


def main() -> None:
    """Run a command, and end with its exit status."""
    # A letter that the terminal does not have is no reason to end: a question mark stands for it.
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.exit(exits.status_of(lambda: cli.main(standalone_mode=False)))
