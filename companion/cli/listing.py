"""`companion ports`: the MIDI ports, and which of them sends clock now."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence

import click

from companion.cli.exits import Refused
from companion.engine.ports import Input, MidiSystem, PortError
from companion.follow.follower import CLOCK

# At 40 beats a minute a clock comes every 62 ms; ten of those leave room for a slow driver.
LISTEN_S = 0.6


def ports(api: str | None, as_json: bool) -> None:
    """Print all ports. Raises Refused where there is no MIDI system."""
    try:
        system = MidiSystem(api)
        try:
            inputs, outputs = system.inputs(), system.outputs()
            ticking = _listen(system, inputs)
        finally:
            system.close()
    except PortError as error:
        raise Refused(str(error)) from error
    if as_json:
        found = {
            "version": 1,
            "inputs": [{"name": name, "clock": name in ticking} for name in inputs],
            "outputs": [{"name": name} for name in outputs],
        }
        click.echo(json.dumps(found, ensure_ascii=False))
        return
    click.echo("Inputs:" if inputs else "Inputs: none. Plug the instrument in and try again.")
    for name in inputs:
        click.echo(f"  {name}{'   sends clock' if name in ticking else ''}")
    click.echo("Outputs:" if outputs else "Outputs: none.")
    for name in outputs:
        click.echo(f"  {name}")


def _listen(system: MidiSystem, names: list[str]) -> set[str]:
    """Names of the inputs that send clock within LISTEN_S; one that cannot be opened does not."""
    ticking: set[str] = set()

    def heard(name: str, _: int, message: Sequence[int]) -> None:
        if message and message[0] == CLOCK:
            ticking.add(name)

    opened: list[Input] = []
    for name in names:
        try:
            opened.append(system.open_input(name, heard))
        except PortError:
            continue
    deadline = time.monotonic() + LISTEN_S
    while opened and len(ticking) < len(opened) and time.monotonic() < deadline:
        time.sleep(0.02)
    for port in opened:
        port.close()
    return ticking
