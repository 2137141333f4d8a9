"""The MIDI system: listing, opening and closing ports. The only file that touches rtmidi.

Thread rules: sending is safe from any thread; everything else is done by one thread only.

Drivers hold the interpreter while they work. Under JACK a connection is made and cut in a few
milliseconds, but a client made or ended while another one hears a clock waits for that other, which
waits for the interpreter: half a second of nothing. So clients are made while nothing plays, kept,
and lent to one port after another.
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
from companion.engine.matching import told_apart

CLIENT = "companion"
APIS = {
    "alsa": rtmidi.API_LINUX_ALSA,
    "jack": rtmidi.API_UNIX_JACK,
    "core": rtmidi.API_MACOSX_CORE,
    "winmm": rtmidi.API_WINDOWS_MM,
}
# Our own ports are not instruments. JACK numbers clients of one name: companion, companion-01 ...
_OWN = re.compile(rf"^{CLIENT}(-\d+)?:")
# A callback that waits for the interpreter gets to run before its port is closed under it.
BREATH_S = 0.005

Heard = Callable[[str, int, Sequence[int]], None]

# Clients of a server that died: even freeing them would reach into memory that is gone.
_lost: list[Any] = []


class PortError(Exception):
    """The MIDI system or a port cannot be used; the message says what to do."""


class Input:
    """An open input port. `heard(name, t_ns, message)` is called on the driver's own thread."""

    def __init__(self, midi: Any, name: str, heard: Heard) -> None:
        self.name = name
        self.midi = midi
        clock = DriverTime()
        monotonic_ns = time.monotonic_ns

        def callback(event: tuple[Sequence[int], float], _: Any = None) -> None:
            message, delta_s = event
            heard(name, clock.stamp(delta_s, monotonic_ns()), message)

        # Attached first: what comes while the port is being opened is heard, too.
        midi.set_callback(callback)
        try:
            _open(midi, name)
        except PortError:
            midi.cancel_callback()
            raise

    def close(self) -> None:
        """Detach and close; nothing is heard afterwards."""
        with contextlib.suppress(Exception), quiet():
            self.midi.cancel_callback()
            time.sleep(BREATH_S)
            self.midi.close_port()


class Output:
    """An open output port."""

    def __init__(self, midi: Any, name: str) -> None:
        self.name = name
        self.midi = midi
        _open(midi, name)
        self.send: Callable[[Sequence[int]], None] = midi.send_message

    def close(self) -> None:
        """Close; sending afterwards is an error of the caller's."""
        with contextlib.suppress(Exception), quiet():
            self.midi.close_port()


class MidiSystem:
    """One MIDI API of this machine: its ports by name.

    `alive` is False while the system does not answer; then nothing but `revive` and `close` may be
    called. Making clients costs nothing to speak of where `light` is True.
    """

    def __init__(self, api: str | None = None, *, patient: bool = False) -> None:
        """`api` is a key of APIS, None for the first that works.

        Raises PortError if none works; `patient` waits for `revive` instead.
        """
        self._wanted = api
        self._ins: Any = None
        self._outs: Any = None
        self._spare_ins: list[Any] = []
        self._spare_outs: list[Any] = []
        self.alive = False
        self.light = True
        try:
            self._begin()
        except PortError:
            if not patient:
                raise

    def _begin(self) -> None:
        self._api, self._ins, self._outs = _first_working(self._wanted)
        self.light = self._api != rtmidi.API_UNIX_JACK
        self.alive = True

    def inputs(self) -> list[str]:
        """Names of the ports that can be listened to, our own left out. Raises PortError."""
        return _names(self._ins)

    def outputs(self) -> list[str]:
        """Names of the ports that can be sent to, our own left out. Raises PortError."""
        return _names(self._outs)

    def prepare(self, inputs: int, outputs: int) -> None:
        """Have so many clients ready to be lent; nothing should be playing. Raises PortError."""
        while len(self._spare_ins) < inputs:
            self._spare_ins.append(_new_in(self._api))
        while len(self._spare_outs) < outputs:
            self._spare_outs.append(_client(rtmidi.MidiOut, self._api))

    @property
    def ready(self) -> tuple[int, int]:
        """How many clients are ready, for inputs and for outputs."""
        return len(self._spare_ins), len(self._spare_outs)

    def open_input(self, name: str, heard: Heard) -> Input:
        """Listen to a port. Raises PortError if it cannot be opened."""
        midi = self._spare_ins.pop() if self._spare_ins else _new_in(self._api)
        try:
            return Input(midi, name, heard)
        except PortError:
            self._spare_ins.append(midi)
            raise

    def open_output(self, name: str) -> Output:
        """Open a port to send to. Raises PortError if it cannot be opened."""
        midi = self._spare_outs.pop() if self._spare_outs else _client(rtmidi.MidiOut, self._api)
        try:
            return Output(midi, name)
        except PortError:
            self._spare_outs.append(midi)
            raise

    def close_port(self, port: Input | Output) -> None:
        """Close a port, and keep its client for the next."""
        port.close()
        (self._spare_ins if isinstance(port, Input) else self._spare_outs).append(port.midi)

    def answers(self) -> bool:
        """Whether the system is still there. Costs a client: nothing should be playing.

        Where it can die at all, under JACK, it goes on listing the ports there were.
        """
        if self.light:
            return True
        try:
            _client(rtmidi.MidiOut, self._api).delete()
        except PortError:
            return False
        return True

    def give_up(self, ports: Sequence[Input | Output]) -> None:
        """Let go of a system that died, `ports` being those still open."""
        clients = [port.midi for port in ports]
        _lost.extend([*clients, self._ins, self._outs, *self._spare_ins, *self._spare_outs])
        self._ins = self._outs = None
        self._spare_ins, self._spare_outs = [], []
        self.alive = False

    def revive(self) -> bool:
        """Try to reach the system again; whether it is alive."""
        if not self.alive:
            with contextlib.suppress(PortError):
                self._begin()
        return self.alive

    def close(self) -> None:
        """Let go of the system; ports that are still open stay open."""
        if self.alive:
            with contextlib.suppress(Exception), quiet():
                for client in [self._ins, self._outs, *self._spare_ins, *self._spare_outs]:
                    client.delete()


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
    start = "start ALSA or JACK" if sys.platform == "linux" and api is None else "start it"
    raise PortError(f"{name} {answers} here; {start}, or try without instruments: companion demo")


def _client(kind: Any, api: int) -> Any:
    try:
        with quiet():
            client = kind(rtapi=api, name=CLIENT)
            # Some systems say only here that they are not there.
            client.get_ports()
            return client
    except Exception as error:
        raise PortError(str(error)) from error


def _new_in(api: int) -> Any:
    client = _client(rtmidi.MidiIn, api)
    # Clock and active sensing are what we came for; sysex is nothing to us.
    client.ignore_types(sysex=True, timing=False, active_sense=False)
    return client


def _names(client: Any) -> list[str]:
    try:
        with quiet():
            return [name for name in told_apart(client.get_ports()) if not _OWN.match(name)]
    except Exception as error:
        raise PortError(str(error)) from error


def _open(client: Any, name: str) -> None:
    try:
        with quiet():
            client.open_port(told_apart(client.get_ports()).index(name), name="port")
    except ValueError as error:
        raise PortError(f"the port {name!r} is gone") from error
    except Exception as error:
        raise PortError(f"the port {name!r} cannot be opened: {error}") from error
