"""`companion engine`: reads the set, opens the MIDI system, runs the engine in this process."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from companion.cli.faults import refuse_faults
from companion.cli.main import Refused
from companion.engine.engine import Engine, Options
from companion.engine.matching import matches
from companion.engine.ports import MidiSystem, PortError
from companion.link.endpoint import EngineLock
from companion.link.messages import LinkError
from companion.setlist.faults import SetListError
from companion.setlist.loading import load_apart


def engine(
    set_file: Path,
    *,
    in_glob: str | None,
    out_glob: str | None,
    api: str | None,
    send: bool,
    internal_clock: bool,
    tempo: float | None,
    is_demo: bool,
) -> None:
    """Run until stopped. Raises Refused, or exits with every fault of the set list said."""
    lock = EngineLock()
    try:
        # The lock comes first: a second engine must not touch the first one's ports.
        lock.acquire()
    except LinkError as error:
        raise Refused(f"{error}; look at it: companion screen; end it: companion stop") from error
    try:
        setlist = load_apart(set_file)
        system = None if is_demo else _system(api, in_glob, out_glob, send, internal_clock)
        options = Options(
            in_glob=in_glob,
            out_glob=out_glob,
            send=send,
            internal_clock=internal_clock,
            tempo=tempo,
            demo=is_demo,
        )
        Engine(setlist, options, system).run(lock, lambda: _say_ready(setlist.name))
    except SetListError as error:
        refuse_faults(error)
    except (LinkError, PortError) as error:
        raise Refused(str(error)) from error
    finally:
        lock.release()


def _system(
    api: str | None, in_glob: str | None, out_glob: str | None, send: bool, internal_clock: bool
) -> MidiSystem | None:
    """The MIDI system, or None where the internal clock can do without. Raises PortError."""
    try:
        system = MidiSystem(api)
    except PortError:
        if internal_clock and api is None and out_glob is None:
            return None
        raise
    if not internal_clock:
        _must_match("input", "--in", in_glob, system.inputs())
    if send:
        _must_match("output", "--out", out_glob, system.outputs())
    if internal_clock and not system.outputs():
        system.close()
        return None
    return system


def _must_match(kind: str, option: str, glob: str | None, names: list[str]) -> None:
    if glob is None or any(matches(glob, name) for name in names):
        return
    there = f"there are: {', '.join(names)}" if names else f"there is no MIDI {kind} at all"
    raise PortError(f"no MIDI {kind} matches {option} {glob!r}; {there}; see: companion ports")


def _say_ready(name: str) -> None:
    # `companion play` waits for this line and then stops reading.
    click.echo(f"Following {name}. End with Ctrl-C or: companion stop")
    sys.stdout.flush()
