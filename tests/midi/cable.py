"""One who listens at an input of his own: prints all that is sent there, in the order of arrival.

With `--through` it passes all of it on, too, at an output of its own.

Run as a process; it shares no line with the program under test. Batches go out as JSON lines
`{"event": "heard", "messages": [[248], [153, 36, 80], ...]}`.
"""

from __future__ import annotations

import argparse
import json
import sys
import threading
import time

import rtmidi


def main() -> None:
    """Listen until standard input ends."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--name", default="tide ears")
    parser.add_argument("--through", action="store_true")
    options = parser.parse_args()
    waiting: list[list[int]] = []
    lock = threading.Lock()

    through = None
    if options.through:
        through = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=options.name)
        through.open_virtual_port(f"{options.name} out")

    def heard(event: tuple[list[int], float], _: object = None) -> None:
        if through is not None:
            through.send_message(event[0])
        with lock:
            waiting.append(event[0])

    def tell() -> None:
        with lock:
            messages, waiting[:] = list(waiting), []
        if messages:
            print(json.dumps({"event": "heard", "messages": messages}), flush=True)

    port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=options.name, queue_size_limit=1 << 16)
    port.ignore_types(sysex=False, timing=False, active_sense=False)
    port.set_callback(heard)
    port.open_virtual_port("in")
    print(json.dumps({"event": "ready"}), flush=True)
    ended = threading.Event()

    def run() -> None:
        while not ended.is_set():
            time.sleep(0.02)
            tell()

    thread = threading.Thread(target=run)
    thread.start()
    sys.stdin.read()
    ended.set()
    thread.join()
    port.cancel_callback()
    port.delete()
    if through is not None:
        through.delete()


if __name__ == "__main__":
    main()
