"""`companion ports`: the MIDI ports, and which of them sends clock; and globs that match none."""

from __future__ import annotations

import time
from collections.abc import Sequence

from companion.cli.exits import Refused
from companion.cli.saying import say, say_json
from companion.engine.ports import Input, MidiSystem, PortError
from companion.follow.portnames import matches
from companion.midi import CLOCK

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
        say_json(found)
        return
    say("Inputs:" if inputs else "Inputs: none. Plug the instrument in and try again.")
    for name in inputs:
        say(f"  {name}{'   sends clock' if name in ticking else ''}")
    say("Outputs:" if outputs else "Outputs: none.")
    for name in outputs:
        say(f"  {name}")


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


def must_match(kind: str, option: str, glob: str | None, names: list[str]) -> None:
    """Raise PortError for a `glob` that matches none of the ports `names`.

    `kind` and `option` say what it is for. With nothing plugged in yet there is nothing to tell it
    by: whoever asks waits.
    """
    if glob is None or not names or any(matches(glob, name) for name in names):
        return
    raise PortError(
        f"no MIDI {kind} matches {option} {glob!r}; there are: {', '.join(names)}; "
        "see: companion ports"
    )
