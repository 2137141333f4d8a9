"""The MIDI system: listing, opening and closing ports, and when what comes through them was there.

The only file that touches rtmidi. Thread rules: sending is safe from any thread; everything else is
done by one thread only.

Drivers hold the interpreter while they work. Under JACK a connection is made and cut in a few
milliseconds, but a client made or ended while another one hears a clock waits for that other, which
waits for the interpreter: half a second of nothing. So clients are made while nothing plays, kept,
and lent to one port after another.

A driver stamps messages when they arrive, the interpreter sees them when it gets to run: the
driver's own intervals are the truth, the host's clock only says where they lie. `DriverTime` lays
the one onto the other, one object for each input port, and is pure.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import rtmidi

from companion.follow.portnames import told_apart
from companion.midi import REAL_TIME, SYSEX

# Some drivers' clocks stand still, or stop: so many messages in a row without any time between
# them, though the interpreter saw them so far apart, and the interpreter is the better clock.
STILL, APART_NS = 2, 5_000_000
# A driver that lost an interval is behind for good, and by at least this much if it matters; one
# whose messages are only seen late catches up. So long, and so many messages that are as far behind
# as each other, tell the two apart.
LOST_NS, ALIKE_NS, LASTS_NS, AGREEING = 10_000_000, 1_000_000, 20_000_000, 3
# Messages after which the two clocks are compared again: two beats of clock.
WINDOW = 48


class DriverTime:
    """Turns the driver's seconds since the last message into monotonic nanoseconds.

    The message that was seen with the least delay in each window sets the offset, so a busy machine
    does not move it, and drift between the clocks mends itself; an interval that the driver lost,
    with a message it kept to itself, does within a few messages.
    """

    __slots__ = (
        "_agreeing",
        "_behind_ns",
        "_behind_since_ns",
        "_least",
        "_left",
        "_ns",
        "_seen_ns",
        "_still",
    )

    def __init__(self) -> None:
        self._ns: int | None = None
        self._least = 1 << 62
        self._left = WINDOW
        self._seen_ns = 0
        # Until it is seen to move, the next will do.
        self._still = STILL - 1
        # How far behind the latest messages were, since when, and how many of them agree in that.
        self._behind_ns = 0
        self._behind_since_ns = 0
        self._agreeing = 0

    def stamp(self, delta_s: float, now_ns: int, joined: bool = False) -> int:
        """Time in ns of a message that came `delta_s` after the one before and is seen at `now_ns`.

        `joined` says that the driver may have put it together from several, and lost the intervals
        between them. Never later than `now_ns`, so never in the future.
        """
        apart_ns, self._seen_ns = now_ns - self._seen_ns, now_ns
        if self._ns is None or delta_s < 0:
            self._ns = now_ns
            return now_ns
        if delta_s > 0:
            self._still = 0
        elif apart_ns >= APART_NS:
            self._still += 1
        if self._still >= STILL:
            self._ns = now_ns
            return now_ns
        t = self._ns + round(delta_s * 1e9)
        lag = now_ns - t
        if lag < 0:
            t, lag = now_ns, 0
        if (joined and lag >= LOST_NS) or self._lost(lag, now_ns):
            t, lag = now_ns, 0
        if lag < self._least:
            self._least = lag
        self._left -= 1
        self._ns = t
        if self._left == 0:
            self._ns = t + self._least
            self._least = 1 << 62
            self._left = WINDOW
        return t

    def _lost(self, lag_ns: int, now_ns: int) -> bool:
        """Whether a message that far behind shows, with those before it, that time was lost."""
        if lag_ns < LOST_NS or abs(lag_ns - self._behind_ns) > ALIKE_NS:
            self._behind_ns, self._behind_since_ns, self._agreeing = lag_ns, now_ns, 1
            return False
        self._agreeing += 1
        return self._agreeing >= AGREEING and now_ns - self._behind_since_ns >= LASTS_NS


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

Hear = Callable[[str, int, Sequence[int]], None]

# Clients of a server that died: even freeing them would reach into memory that is gone.
_lost: list[Any] = []


class PortError(Exception):
    """The MIDI system or a port cannot be used; the message says what to do."""


class Input:
    """An open input port. `heard(name, t_ns, message)` is called on the driver's own thread.

    System exclusive is nothing to us, but for what a driver has joined to it. `heard_ns` is when
    anything came last, 0 before.
    """

    def __init__(self, midi: Any, name: str, heard: Hear) -> None:
        self.name = name
        self.midi = midi
        self.heard_ns = 0
        clock = DriverTime()
        monotonic_ns = time.monotonic_ns

        def callback(event: tuple[Sequence[int], float], _: Any = None) -> None:
            message, delta_s = event
            self.heard_ns = now_ns = monotonic_ns()
            if message[0] != SYSEX:
                heard(name, clock.stamp(delta_s, now_ns), message)
                return
            t_ns = clock.stamp(delta_s, now_ns, joined=True)
            for byte in message:
                if byte >= REAL_TIME:
                    heard(name, t_ns, (byte,))

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
    called. Making clients costs nothing to speak of where `light` is True. `block_ms` is how long
    the blocks are in which messages are handed on, all with one time; 0 where each has its own.
    """

    block_ms = 0.0

    def __init__(self, api: str | None = None, *, patient: bool = False) -> None:
        """`api` is a key of APIS, None for the first that works.

        Raises PortError if none works; `patient` waits for `revive` instead.
        """
        self._wanted = api
        self._ins: Any = None
        self._outs: Any = None
        self._spare_ins: list[Any] = []
        self._spare_outs: list[Any] = []
        # Clients that may be deaf: under JACK one that is in the middle of a sysex takes all for a
        # part of it, whatever port it is lent to.
        self._spent: list[Any] = []
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
        self.block_ms = 0.0 if self.light else _jack_block_ms()
        self.alive = True

    @property
    def api(self) -> str:
        """Which of APIS it is."""
        return next((name for name, value in APIS.items() if value == self._api), "")

    def inputs(self) -> list[str]:
        """Names of the ports that can be listened to, our own left out. Raises PortError."""
        return _names(self._ins)

    def outputs(self) -> list[str]:
        """Names of the ports that can be sent to, our own left out. Raises PortError."""
        return _names(self._outs)

    def prepare(self, inputs: int, outputs: int) -> None:
        """Have so many clients ready to be lent; nothing should be playing. Raises PortError."""
        while self._spent:
            with contextlib.suppress(Exception), quiet():
                self._spent.pop().delete()
        while len(self._spare_ins) < inputs:
            self._spare_ins.append(_new_in(self._api))
        while len(self._spare_outs) < outputs:
            self._spare_outs.append(_client(rtmidi.MidiOut, self._api))

    @property
    def ready(self) -> tuple[int, int]:
        """How many clients are ready, for inputs and for outputs."""
        return len(self._spare_ins), len(self._spare_outs)

    def open_input(self, name: str, heard: Hear) -> Input:
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

    def close_port(self, port: Input | Output, *, deaf: bool = False) -> None:
        """Close a port, and keep its client for the next, unless that may be `deaf`."""
        port.close()
        spare = self._spare_ins if isinstance(port, Input) else self._spare_outs
        (self._spent if deaf else spare).append(port.midi)

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
        _lost.extend([*clients, *self._clients()])
        self._ins = self._outs = None
        self._spare_ins, self._spare_outs, self._spent = [], [], []
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
                for client in self._clients():
                    client.delete()

    def _clients(self) -> list[Any]:
        """All clients but those that are lent."""
        return [self._ins, self._outs, *self._spare_ins, *self._spare_outs, *self._spent]


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


def _jack_block_ms() -> float:
    """How long JACK's period is; 0 if it does not say.

    The driver stamps what comes with the time at which JACK handed the whole period on. It does not
    tell how long that is, but the library that it brings does (JACK Audio Connection Kit, jack.h).
    """
    no_start = 1
    try:
        jack = ctypes.CDLL(rtmidi._rtmidi.__file__)
        jack.jack_client_open.restype = ctypes.c_void_p
        jack.jack_client_open.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_void_p]
        for name in ("jack_get_buffer_size", "jack_get_sample_rate"):
            getattr(jack, name).restype = ctypes.c_uint32
            getattr(jack, name).argtypes = [ctypes.c_void_p]
        jack.jack_client_close.argtypes = [ctypes.c_void_p]
        with quiet():
            client = jack.jack_client_open(CLIENT.encode(), no_start, None)
            if not client:
                return 0.0
            frames = int(jack.jack_get_buffer_size(client))
            rate = int(jack.jack_get_sample_rate(client))
            jack.jack_client_close(client)
        return frames / rate * 1000 if rate else 0.0
    except (OSError, AttributeError):
        return 0.0


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
    # With what a driver is told to ignore, the time since the message before is gone as well.
    client.ignore_types(sysex=False, timing=False, active_sense=False)
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
