"""The follower: MIDI messages with their times in, what is due out.

Chooses which port's clock to follow, feeds tempo tracker and conductor, and tells them of silence.
Sans-I/O: the same code follows a live port, the internal clock and a simulated night.
"""

from __future__ import annotations

from collections.abc import Sequence

from companion.follow.conductor import NOTHING, Conductor, Send
from companion.follow.gate import Finding, Gate
from companion.follow.tempo import TempoTracker
from companion.follow.transport import Signal, State
from companion.setlist.model import SetList

# MIDI 1.0 Detailed Specification 4.2.1: status bytes of system messages.
CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC
SONG_POSITION, ACTIVE_SENSING, RESET = 0xF2, 0xFE, 0xFF

_SIGNALS = {START: Signal.START, CONTINUE: Signal.CONTINUE, STOP: Signal.STOP, RESET: Signal.RESET}
# What makes a port worth following; a stop, a reset or a position alone does not.
_LEADS = frozenset((CLOCK, START, CONTINUE))

# Silence this long, in ticks, is a lost clock: a quarter of a beat. While the tempo is unknown, or
# nothing is counted, half a second: a clock at 40 beats a minute ticks every 62 ms.
SILENT_TICKS = 6
SILENT_NS = 500_000_000
# Active sensing comes at least every 300 ms (MIDI 1.0); a tenth more for a late driver.
SENSING_NS = 330_000_000
# A clock that was away for longer than this while nothing ran says nothing about the tempo now.
LAPSE_NS = 1_000_000_000
# How long another clock is mentioned after its latest tick.
OTHER_CLOCK_NS = 1_000_000_000


class Follower:
    """Follows the first port that leads. Times are nanoseconds of one monotonic clock.

    Not thread-safe: one caller at a time.
    """

    def __init__(self, setlist: SetList, *, sends: bool = True) -> None:
        self.conductor = Conductor(setlist, sends=sends)
        self.tempo = TempoTracker()
        self._gate = Gate(self.tempo)
        self.port: str | None = None
        self.clocks_lost = 0
        self.last_clock_ns = 0
        self._last_heard_ns = 0
        # When the instrument was last set going; the clock may have been silent until then.
        self._set_off_ns = 0
        self._senses = False
        self._others: dict[str, int] = {}

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> tuple[Send, ...]:
        """Take one MIDI message (its bytes) that arrived on `port` at `t_ns`. Returns what is due.

        What is not a whole message of the system kind is passed over.
        """
        if port != self.port and not self._choose(port, t_ns, message):
            return NOTHING
        self._last_heard_ns = t_ns
        if not message:
            return NOTHING
        status = message[0]
        if status == CLOCK:
            return self._clock(t_ns)
        signal = _SIGNALS.get(status)
        if signal is not None:
            if signal is Signal.RESET:
                self._senses = False
            if status in (START, CONTINUE) and self.conductor.state is not State.RUNNING:
                self._set_off_ns = t_ns
            return self.conductor.signal(signal)
        if status == SONG_POSITION and len(message) == 3:
            position = (message[1] & 0x7F) | (message[2] & 0x7F) << 7
            return self.conductor.signal(Signal.POSITION, position)
        if status == ACTIVE_SENSING:
            self._senses = True
        return NOTHING

    def passed(self, now_ns: int) -> bool:
        """Tell that it is `now_ns` and nothing else arrived. Returns whether that changed anything.

        Call it a few times per tick: it is how silence is known.
        """
        state = self.conductor.state
        if state in (State.STOPPED, State.LOST, State.WAITING):
            return False
        if self._senses and now_ns - self._last_heard_ns > SENSING_NS:
            self._senses = False
            return self._silent(Signal.SENSING_GONE)
        if self.last_clock_ns == 0:
            return False
        period = self.tempo.period_ns if state is State.RUNNING else 0
        since_ns = max(self.last_clock_ns, self._set_off_ns)
        if now_ns - since_ns > (SILENT_TICKS * period or SILENT_NS):
            return self._silent(Signal.SILENCE)
        return False

    def port_gone(self, port: str) -> None:
        """Tell that `port` has vanished: its clock is lost at once."""
        self._others.pop(port, None)
        if port == self.port and self.conductor.state in (State.RUNNING, State.READY):
            self._silent(Signal.SILENCE)

    def other_clocks(self, now_ns: int) -> list[str]:
        """Ports that send clock too, though another is followed."""
        return [p for p, t in self._others.items() if now_ns - t < OTHER_CLOCK_NS]

    def _clock(self, t_ns: int) -> tuple[Send, ...]:
        conductor, gate = self.conductor, self._gate
        if t_ns - self.last_clock_ns > LAPSE_NS and conductor.state is not State.LOST:
            gate.lapse()
        # Where the first tick after a pause falls, the line of those before it cannot say.
        first = conductor.fresh or self._set_off_ns > self.last_clock_ns
        self.last_clock_ns = t_ns
        if conductor.state is State.RUNNING and not first:
            ticks, finding = gate.hear(t_ns)
        elif conductor.state is State.LOST:
            ticks, finding = gate.regain(t_ns)
            conductor.pace(self.tempo.period_ns)
            sends = conductor.regain(ticks)
            conductor.heed(finding)
            return sends
        else:
            ticks, finding = 1, Finding.NOTHING
            if conductor.state is State.RUNNING:
                gate.first(t_ns)
            else:
                gate.idle(t_ns)
        conductor.pace(self.tempo.period_ns)
        if finding is not Finding.NOTHING:
            conductor.heed(finding)
        if ticks == 1:
            return conductor.signal(Signal.CLOCK)
        return conductor.advance(ticks)

    def _silent(self, signal: Signal) -> bool:
        if self.conductor.state is State.RUNNING:
            self.clocks_lost += 1
        self.conductor.signal(signal)
        return True

    def _choose(self, port: str, t_ns: int, message: Sequence[int]) -> bool:
        """Whether to follow `port` from this message on."""
        if not message or message[0] not in _LEADS:
            return False
        silent = t_ns - self.last_clock_ns > SILENT_NS
        if self.port is None or (silent and self.conductor.state is not State.RUNNING):
            self.port = port
            self._senses = False
            self._gate.lapse()
            self._others.pop(port, None)
            return True
        if message[0] == CLOCK:
            self._others[port] = t_ns
        return False
