"""A pad on JACK: a port that sends whatever bytes it is told, and no clock.

With `--to` it plugs itself in there; without, others listen to it.
Each line on standard input is a JSON list of bytes, one message. It shares no line with the program
under test.
"""

from __future__ import annotations

import argparse
import json
import sys

import rtmidi


def main() -> None:
    """Send until standard input ends."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--name", default="tide pad")
    parser.add_argument("--to", help="a part of the name of somebody's input")
    options = parser.parse_args()
    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=options.name)
    if options.to:
        (found,) = [i for i, port in enumerate(out.get_ports()) if options.to in port]
        out.open_port(found, name=f"{options.name} out")
    else:
        out.open_virtual_port(f"{options.name} out")
    print(json.dumps({"event": "ready"}), flush=True)
    for line in sys.stdin:
        message = json.loads(line)
        out.send_message(message)
        print(json.dumps({"event": "sent", "bytes": message}), flush=True)
    out.close_port()
    out.delete()


if __name__ == "__main__":
    main()
