"""The MIDI system: listing, opening and closing ports. The only file that touches rtmidi.

Thread rules: sending is safe from any thread; opening, closing and listing are done by one thread
only. A callback is attached last and detached first.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import rtmidi

from companion.engine.drivertime import DriverTime

CLIENT = "companion"
APIS = {
    "alsa": rtmidi.API_LINUX_ALSA,
    "jack": rtmidi.API_UNIX_JACK,
    "core": rtmidi.API_MACOSX_CORE,
    "winmm": rtmidi.API_WINDOWS_MM,
}
# Our own ports are not instruments. JACK numbers clients of one name: companion, companion-01 ...
_OWN = re.compile(rf"^{CLIENT}(-\d+)?:")

Heard = Callable[[str, int, Sequence[int]], None]


class PortError(Exception):
    """The MIDI system or a port cannot be used; the message says what to do."""


class Input:
    """An open input port. `heard(name, t_ns, message)` is called on the driver's own thread."""

    def __init__(self, api: int, name: str, heard: Heard) -> None:
        self.name = name
        self._midi = _client(rtmidi.MidiIn, api)
        try:
            _open(self._midi, name)
            # Clock and active sensing are what we came for; sysex is nothing to us.
            self._midi.ignore_types(sysex=True, timing=False, active_sense=False)
            clock = DriverTime()
            monotonic_ns = time.monotonic_ns

            def callback(event: tuple[Sequence[int], float], _: Any = None) -> None:
                message, delta_s = event
                heard(name, clock.stamp(delta_s, monotonic_ns()), message)

            self._midi.set_callback(callback)
        except PortError:
            self._midi.delete()
            raise

    def close(self) -> None:
        """Detach and close; nothing is heard afterwards."""
        with contextlib.suppress(Exception), quiet():
            self._midi.cancel_callback()
            self._midi.close_port()
            self._midi.delete()


class Output:
    """An open output port."""

    def __init__(self, api: int, name: str) -> None:
        self.name = name
        self._midi = _client(rtmidi.MidiOut, api)
        try:
            _open(self._midi, name)
        except PortError:
            self._midi.delete()
            raise
        self.send: Callable[[Sequence[int]], None] = self._midi.send_message

    def close(self) -> None:
        """Close; sending afterwards is an error of the caller's."""
        with contextlib.suppress(Exception), quiet():
            self._midi.close_port()
            self._midi.delete()


class MidiSystem:
    """One MIDI API of this machine: its ports by name."""

    def __init__(self, api: str | None = None) -> None:
        """`api` is a key of APIS, None for the first that works. Raises PortError."""
        self.api, self._ins, self._outs = _first_working(api)

    def inputs(self) -> list[str]:
        """Names of the ports that can be listened to, our own left out."""
        return _names(self._ins)

    def outputs(self) -> list[str]:
        """Names of the ports that can be sent to, our own left out."""
        return _names(self._outs)

    def open_input(self, name: str, heard: Heard) -> Input:
        """Listen to a port. Raises PortError if it cannot be opened."""
        return Input(self.api, name, heard)

    def open_output(self, name: str) -> Output:
        """Open a port to send to. Raises PortError if it cannot be opened."""
        return Output(self.api, name)

    def close(self) -> None:
        """Let go of the system; ports that are still open stay open."""
        with contextlib.suppress(Exception), quiet():
            self._ins.delete()
            self._outs.delete()


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep what drivers print straight to file descriptor 2 from tearing a screen."""
    sys.stderr.flush()
    saved = os.dup(2)
    null = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(null, 2)
        yield
    finally:
        os.dup2(saved, 2)
        os.close(saved)
        os.close(null)


def _first_working(api: str | None) -> tuple[int, Any, Any]:
    # Asking for ports must not start a JACK server that nobody wanted.
    os.environ.setdefault("JACK_NO_START_SERVER", "1")
    compiled = rtmidi.get_compiled_api()
    if api is None:
        wanted = [a for a in APIS.values() if a in compiled]
    elif api in APIS and APIS[api] in compiled:
        wanted = [APIS[api]]
    else:
        known = ", ".join(name for name, value in APIS.items() if value in compiled)
        raise PortError(f"there is no MIDI system {api!r} here; known here: {known}")
    for candidate in wanted:
        try:
            ins = _client(rtmidi.MidiIn, candidate)
            outs = _client(rtmidi.MidiOut, candidate)
        except PortError:
            continue
        return candidate, ins, outs
    name = "no MIDI system" if api is None else f"the MIDI system {api!r} does not"
    answers = "answers" if api is None else "answer"
    raise PortError(
        f"{name} {answers} here; start it, or try without instruments: companion demo"
    )


def _client(kind: Any, api: int) -> Any:
    try:
        with quiet():
            client = kind(rtapi=api, name=CLIENT)
            # Some systems say only here that they are not there.
            client.get_ports()
            return client
    except Exception as error:
        raise PortError(str(error)) from error


def _names(client: Any) -> list[str]:
    try:
        with quiet():
            return [name for name in client.get_ports() if not _OWN.match(name)]
    except Exception as error:
        raise PortError(str(error)) from error


def _open(client: Any, name: str) -> None:
    try:
        with quiet():
            client.open_port(client.get_ports().index(name), name="port")
    except ValueError as error:
        raise PortError(f"the port {name!r} is gone") from error
    except Exception as error:
        raise PortError(f"the port {name!r} cannot be opened: {error}") from error
