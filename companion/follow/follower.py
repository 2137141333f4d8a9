"""The follower: MIDI messages with their times in, what is due out.

Chooses which port's clock to follow, feeds gate and conductor, and tells them of silence.
Sans-I/O: the same code follows a live port, the internal clock and a simulated night.
"""

from __future__ import annotations

from collections.abc import Sequence

from companion.follow.conductor import NOTHING, Conductor, Send
from companion.follow.gate import Finding, Gate
from companion.follow.tempo import TempoTracker
from companion.follow.transport import Signal, State
from companion.follow.trust import OTHER_PORT, SLEPT
from companion.setlist.model import SetList

# MIDI 1.0 Detailed Specification 4.2.1: status bytes of system messages.
CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC
SONG_POSITION, ACTIVE_SENSING, RESET = 0xF2, 0xFE, 0xFF

_SIGNALS = {START: Signal.START, CONTINUE: Signal.CONTINUE, STOP: Signal.STOP, RESET: Signal.RESET}
# What makes a port worth following; a stop, a reset or a position alone does not.
_LEADS = frozenset((CLOCK, START, CONTINUE))
_BEGINS = frozenset((START, CONTINUE))

# Silence this long, in ticks, is a lost clock: with 10 ms between two looks at the time, it is
# known within a quarter of a beat. While the tempo is unknown, or nothing is counted, half a
# second: a clock at 40 beats a minute ticks every 62 ms.
SILENT_TICKS = 5
SILENT_NS = 500_000_000
# Active sensing comes at least every 300 ms (MIDI 1.0); a tenth more for a late driver.
SENSING_NS = 330_000_000
# A clock that was away for longer than this while nothing ran says nothing about the tempo now.
LAPSE_NS = 1_000_000_000
# How long a lost clock is waited for before another is followed in its place.
WAIT_NS = 2_000_000_000
# How long another clock is mentioned after its latest tick.
OTHER_CLOCK_NS = 1_000_000_000


class Follower:
    """Follows the first port that leads. Times are nanoseconds of one monotonic clock.

    The port that was started first, or whose count a person set, is home: only its count can be
    sure, and once it is back it is followed again. Not thread-safe: one caller at a time.
    """

    def __init__(self, setlist: SetList, *, sends: bool = True) -> None:
        self.conductor = Conductor(setlist, sends=sends)
        self.tempo = TempoTracker()
        self._gate = Gate(self.tempo)
        self.port: str | None = None
        # Whether the clock is our own: where that pauses, it stood still, and nothing is lost.
        self.own_clock = False
        self.clocks_lost = 0
        self.last_clock_ns = 0
        self._home: str | None = None
        self._last_heard_ns = 0
        # When the clock last gave a sign of life, a start included.
        self._alive_ns = 0
        self._senses = False
        # Whether the instrument was set going and its first tick has not come yet.
        self._setting_off = False
        # Whether a start was heard, be it while it ran, and its first tick has not come yet.
        self._begun = False
        self._others: dict[str, int] = {}

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> tuple[Send, ...]:
        """Take one MIDI message (its bytes) that arrived on `port` at `t_ns`. Returns what is due.

        What is not a whole message of the system kind is passed over.
        """
        if port != self.port and not self._choose(port, t_ns, message):
            return NOTHING
        # Where the whole computer was held up, nobody looked while nothing came.
        self.passed(t_ns)
        self._last_heard_ns = t_ns
        if not message:
            return NOTHING
        status = message[0]
        if status == CLOCK:
            return self._clock(t_ns)
        signal = _SIGNALS.get(status)
        if signal is not None:
            return self._transport(signal, status in _BEGINS, t_ns)
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
        conductor = self.conductor
        state = conductor.state
        if self.own_clock or (state is not State.RUNNING and state is not State.READY):
            return False
        if self._senses and now_ns - self._last_heard_ns > SENSING_NS:
            self._senses = False
            return self._silent(Signal.SENSING_GONE)
        if self._alive_ns == 0:
            return False
        counting = state is State.RUNNING and not self._setting_off
        period = self._gate.period_ns if counting else 0
        if now_ns - self._alive_ns > (SILENT_TICKS * period or SILENT_NS):
            return self._silent(Signal.SILENCE)
        return False

    def port_gone(self, port: str) -> None:
        """Tell that `port` has vanished: its clock is lost at once."""
        self._others.pop(port, None)
        if port == self.port and self.conductor.state in (State.RUNNING, State.READY):
            self._silent(Signal.SILENCE)

    def slept(self) -> None:
        """Tell that the computer slept: whatever was counted may have moved on unheard."""
        if self.conductor.state not in (State.WAITING, State.READY):
            self.conductor.suspect(SLEPT)

    def other_clocks(self, now_ns: int) -> list[str]:
        """Ports that send clock too, though another is followed."""
        return [p for p, t in self._others.items() if now_ns - t < OTHER_CLOCK_NS]

    # -- inside ------------------------------------------------------------------------------

    def _clock(self, t_ns: int) -> tuple[Send, ...]:
        conductor, gate = self.conductor, self._gate
        state = conductor.state
        if conductor.set_by_hand:
            self._heed_person()
        if t_ns - self.last_clock_ns > LAPSE_NS and state is not State.LOST:
            gate.lapse()
        self.last_clock_ns = self._alive_ns = t_ns
        if state is State.RUNNING:
            moved = conductor.fresh and (self._begun or gate.inquiring)
            if self._setting_off or moved:
                # Where the first tick after a pause falls, the line of those before cannot say.
                self._setting_off = self._begun = False
                gate.first(t_ns)
                ticks = 1
            else:
                # A position told as it runs moves the count, not the clock.
                ticks, finding = gate.hear(t_ns)
                if finding is not Finding.NOTHING:
                    conductor.heed(finding)
            conductor.pace(gate.period_ns)
            return conductor.advance(ticks)
        if state is State.LOST:
            return self._regain(t_ns)
        gate.idle(t_ns)
        conductor.pace(gate.period_ns)
        return conductor.signal(Signal.CLOCK)

    def _regain(self, t_ns: int) -> tuple[Send, ...]:
        """Take the first clock after a silence."""
        conductor, gate = self.conductor, self._gate
        if self._setting_off or conductor.fresh:
            self._setting_off = self._begun = False
            gate.first(t_ns)
            return conductor.regain(1)
        ticks, finding = gate.regain(t_ns)
        conductor.pace(gate.period_ns)
        sends = conductor.regain(ticks)
        conductor.heed(finding)
        return sends

    def _transport(self, signal: Signal, begins: bool, t_ns: int) -> tuple[Send, ...]:
        if signal is Signal.RESET:
            self._senses = False
        if self.conductor.set_by_hand:
            self._heed_person()
        running = self.conductor.state is State.RUNNING
        if running and signal is Signal.STOP and self._gate.is_overdue(t_ns):
            # The last tick before the stop did not come.
            self.conductor.heed(Finding.DOUBT)
        sends = self.conductor.signal(signal)
        if begins:
            self._begun = self._begun or signal is Signal.START
            if not running:
                self._setting_off = True
                self._alive_ns = t_ns
            if self._home is None:
                self._home = self.port
            elif self.port != self._home:
                self.conductor.suspect(OTHER_PORT)
        return sends

    def _heed_person(self) -> None:
        """A person set the count, and so trusts the clock that is followed."""
        self.conductor.set_by_hand = False
        self._gate.settle()
        self._home = self.port

    def _silent(self, signal: Signal) -> bool:
        if self.conductor.state is State.RUNNING:
            self.clocks_lost += 1
        self.conductor.signal(signal)
        return True

    def _choose(self, port: str, t_ns: int, message: Sequence[int]) -> bool:
        """Whether to follow `port`, which is not the one followed, from this message on."""
        if not message or message[0] not in _LEADS:
            return False
        if not self._is_better(port, t_ns, message[0] in _BEGINS):
            if message[0] == CLOCK:
                self._others[port] = t_ns
            return False
        self._others.pop(port, None)
        self.port = port
        self._senses = False
        self._gate.lapse()
        if self.conductor.state is State.RUNNING and port != self._home:
            self.conductor.suspect(OTHER_PORT)
        return True

    def _is_better(self, port: str, t_ns: int, begins: bool) -> bool:
        if self.port is None or port == self._home:
            return True
        silent_ns = t_ns - self._alive_ns
        match self.conductor.state:
            case State.RUNNING:
                return False
            case State.LOST:
                return silent_ns > WAIT_NS
            case State.STOPPED:
                # Clocks alone do not take a stopped set over: its own may start without any.
                return begins and silent_ns > SILENT_NS
            case _:
                # Before anything was started, a start says more than clocks do.
                return silent_ns > SILENT_NS or (begins and self._home is None)
