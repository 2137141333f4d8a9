"""The command line: names, options and help. Each command imports what it needs when it runs.

Options of several commands are in `options`.
"""

from __future__ import annotations

import io
import sys
from functools import partial
from pathlib import Path
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
def demo(calm: bool, light: bool) -> None:
    """The stage screen on a shipped set with the internal clock: no instrument, no set-up."""
    from companion.cli import live

    live.demo(calm=calm, light=light)


@cli.command()
@options.file_argument
@options.port_options
@options.controls_option
@options.take_option
@options.look_options
def play(
    set_file: Path,
    in_glob: str | None,
    out_glob: str | None,
    api: str | None,
    no_send: bool,
    controls: Path | None,
    no_take: bool,
    calm: bool,
    light: bool,
) -> None:
    """Play SET: start the engine and attach a screen to it."""
    from companion.cli import live

    arguments = live.engine_arguments(in_glob, out_glob, api, no_send, controls)
    arguments += ["--no-take"] if no_take else ["--take-kind", "play"]
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
@options.take_option
@options.json_option
@click.option("--demo", "is_demo", is_flag=True, hidden=True)
@click.option("--take-kind", type=click.Choice(["engine", "play"]), default="engine", hidden=True)
def engine(
    set_file: Path,
    in_glob: str | None,
    out_glob: str | None,
    api: str | None,
    no_send: bool,
    controls: Path | None,
    internal_clock: bool,
    tempo: float | None,
    no_take: bool,
    as_json: bool,
    is_demo: bool,
    take_kind: str,
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
        take=None if no_take or is_demo else take_kind,
        as_json=as_json,
    )


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
@click.option("--click", "clicks", is_flag=True, help="A click on each beat, throughout.")
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
def rehearse(
    set_file: Path,
    begin: int | None,
    loop: str | None,
    times: int | None,
    tempo: str | None,
    count_in: int,
    clicks: bool,
    seed: int | None,
    sound: str | None,
    clock_out: str | None,
    out: str | None,
    send: bool,
    now: bool,
    join: bool,
    no_screen: bool,
    no_take: bool,
    api: str | None,
    controls: Path | None,
    calm: bool,
    light: bool,
    as_json: bool,
    attended: bool,
) -> None:
    """Practise SET: a virtual instrument plays it by its play rules, chance included.

    It waits for `start`: the space bar, a pad, or `companion tell start`.
    """
    from companion.cli import rehearse as rehearsing

    asked = rehearsing.Asked(
        begin=begin,
        loop=loop,
        times=times,
        tempo=tempo,
        count_in=count_in,
        click=clicks,
        seed=seed,
        sound=sound,
        clock_out=clock_out,
        out=out,
        send=send,
        now=now,
        join=join,
        api=api,
        controls=controls,
    )
    rehearsing.rehearse(
        set_file,
        asked,
        screen=not no_screen,
        attended=attended,
        take=not no_take,
        as_json=as_json,
        calm=calm,
        light=light,
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
@options.json_option
def web(calm: bool, light: bool, host: str, port: int, control: bool, as_json: bool) -> None:
    """Show the running engine's screen in a browser; it only looks unless told otherwise."""
    from companion.cli.extras import extra

    with extra("web"):
        from companion.cli import web as pages
    pages.serve(host=host, port=port, control=control, calm=calm, light=light, as_json=as_json)


@cli.command()
@options.json_option
def status(as_json: bool) -> None:
    """Tell where the running engine is."""
    from companion.cli import ask

    ask.status(as_json)


@cli.command(short_help="Tell the running engine a wish, such as `next`.")
@options.wish_argument
@options.json_option
def tell(words: tuple[str, ...], as_json: bool) -> None:
    """Tell the running engine a wish: next, stay, part 3 ..., and print what it says."""
    from companion.cli import ask

    ask.tell(" ".join(words), as_json)


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
@options.json_option
def stop(as_json: bool) -> None:
    """End the running engine."""
    from companion.cli import ask

    ask.stop(as_json)


@cli.command()
@options.api_option
@options.json_option
def ports(api: str | None, as_json: bool) -> None:
    """List the MIDI ports, and which of them sends clock now."""
    from companion.cli import ports as listing

    listing.ports(api, as_json)


@cli.command()
@click.argument("set_files", metavar="SET...", nargs=-1, required=True, type=options.PATH)
@options.controls_option
@options.watch_option
@options.json_option
def check(set_files: tuple[Path, ...], controls: Path | None, again: bool, as_json: bool) -> None:
    """Report every fault in set lists, and give advice."""
    from companion.cli import check as checking

    run = partial(checking.check, set_files, as_json, controls)
    options.run_or_watch(run, [*set_files, *filter(None, [controls])], again)


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
def forecast(
    set_file: Path,
    more: tuple[str, ...],
    number: int | None,
    passes: int | None,
    fill: bool,
    every_step: bool,
    together: tuple[str, ...],
    from_pass: int | None,
    again: bool,
    as_json: bool,
) -> None:
    """What is coming in SET, part by part, computed and not played."""
    from companion.cli import forecast as foretelling

    if more and not together:
        raise click.UsageError(f"one SET at a time; what is {more[0]!r}?")
    if from_pass is not None and not together:
        raise click.UsageError("--from is where --together begins to look; add --together")
    run = partial(
        foretelling.forecast,
        set_file,
        number,
        passes,
        every_step=every_step,
        fill=fill,
        together=(*together, *more),
        from_pass=from_pass or 1,
        as_json=as_json,
    )
    options.run_or_watch(run, [set_file], again)


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
def map_(
    set_file: Path,
    number: int | None,
    passes: int | None,
    fill: bool,
    picture: Path | None,
    as_json: bool,
) -> None:
    """The long view of each part: passes across, steps down."""
    from companion.cli import forecast as foretelling

    foretelling.map_(set_file, number, passes, fill, picture, as_json)


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
def doctor(
    set_file: Path | None,
    api: str | None,
    in_glob: str | None,
    seconds: float,
    send: bool,
    as_json: bool,
) -> None:
    """Look at MIDI system, ports, clocks, this machine and its terminal; with SET, a soundcheck.

    Each finding says what to do. Nothing is sent without --send.
    """
    from companion.cli import doctor as looking

    looking.doctor(set_file, api=api, in_glob=in_glob, seconds=seconds, send=send, as_json=as_json)


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
def new(file: Path, as_json: bool, **given: Any) -> None:
    """Write a commented set list into FILE, which must not be there yet.

    On a terminal it asks for what no option says; otherwise defaults stand for that.
    """
    from companion.cli import new as starting

    starting.new(file, given, as_json)


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
def sheet(set_file: Path, file: Path | None, paper: str | None, as_json: bool) -> None:
    """Write SET as a cue sheet for paper: the running order, then one page a song."""
    from companion.cli import sheet as paperwork

    if file is None and not as_json:
        raise click.UsageError("say where it goes: -o FILE.html")
    paperwork.sheet(set_file, file, paper, as_json)


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
def export(take: str, file: Path, as_json: bool) -> None:
    """Write TAKE, a number or `last`, to a file for other programs."""
    from companion.cli import takes as recorded

    recorded.export(take, file, as_json)


@takes.command()
@click.argument("take", metavar="TAKE")
@click.argument("words", metavar="TEXT", nargs=-1, required=True)
@options.json_option
def note(take: str, words: tuple[str, ...], as_json: bool) -> None:
    """Write a note to TAKE; an empty one takes it away."""
    from companion.cli import takes as recorded

    recorded.note(take, " ".join(words), as_json)


@takes.command()
@click.argument("which", metavar="TAKE...", nargs=-1, required=True)
@click.option("--yes", is_flag=True, help="Do not ask.")
@options.json_option
def delete(which: tuple[str, ...], yes: bool, as_json: bool) -> None:
    """Take TAKEs away for good."""
    from companion.cli import takes as recorded

    recorded.delete(which, yes, as_json)


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
def review(
    take: str,
    within: str,
    page: Path | None,
    set_list: Path | None,
    light: bool,
    as_json: bool,
) -> None:
    """How TAKE went, by default the last: cues, tempo, parts, doubts."""
    from companion.cli import takes as recorded

    recorded.review(take, within, page, set_list, as_json=as_json, light=light)


@cli.command(name="schema")
@click.option(
    "-o", "file", metavar="FILE", type=options.PATH, help="Write it into FILE, which is replaced."
)
def schema_(file: Path | None) -> None:
    """Print the JSON Schema of the set list, for editors."""
    from companion.cli import schema

    schema.print_schema(file)


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
def learn(
    file: Path | None,
    take: str | None,
    in_glob: str | None,
    api: str | None,
    channel: int | None,
    length: int | None,
    step: str | None,
    passes: int | None,
    seconds: float | None,
    one: bool,
    name: str | None,
    out: Path | None,
    into: Path | None,
    as_json: bool,
) -> None:
    """Listen to an instrument, or read FILE.mid, and draft a set list: steps, rules, parts.

    Without a file or a take it listens to what is plugged in, from its start on, until it stops.
    """
    from companion.cli.extras import extra

    with extra("learn"):
        from companion.cli import learn as learning

    given = [file is not None, take is not None, in_glob is not None]
    if sum(given) > 1:
        raise click.UsageError("learn from one of them: FILE.mid, --take or --in")
    if out is not None and into is not None:
        raise click.UsageError("-o is a new file, --into one that is there; give one of them")
    learning.learn_from(
        file,
        take=take,
        in_glob=in_glob,
        api=api,
        wanted=learning.wanted(channel, length, step, one, name),
        passes=passes,
        seconds=seconds,
        out=out,
        into=into,
        as_json=as_json,
    )


def main() -> None:
    """Run a command, and end with its exit status."""
    # A letter that the terminal does not have is no reason to end: a question mark stands for it.
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.exit(exits.status_of(lambda: cli.main(standalone_mode=False)))
