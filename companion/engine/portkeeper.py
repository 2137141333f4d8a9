"""The keeper of the ports: opens what is wanted, notices what vanished, picks up what came back.

One thread opens, closes and lists, and lays the routes; sending never waits for that thread.

A port that vanished and came back between two looks at the list leaves a dead connection under the
same name, which looks whole and carries nothing. Nothing but silence tells of it, and silence is
ordinary, too: so `Renewal` has a silent connection renewed often while the silence is fresh, and
seldom after that. The new one is opened beside the old one, and an `Ear` hears both for a while, so
that nothing is lost or told twice. Both know no driver.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence

from companion.engine.ports import Hear, Input, MidiSystem, Output, PortError
from companion.engine.sending import Routes, told
from companion.follow.portnames import choose_output, device, matches, plain_name
from companion.link.messages import Trouble
from companion.setlist import SetList

# Silence of the clock that is followed after which its connection is renewed; then how often, for
# how long, and how often after that. Together with the time between two looks under two seconds.
SILENT_NS = 500_000_000
SOON_NS = 1_250_000_000
FRESH_NS = 60_000_000_000
SELDOM_NS = 5_000_000_000


class Renewal:
    """Keeps in mind what was renewed when."""

    def __init__(self) -> None:
        self._renewed: dict[str, int] = {}
        self._latest_ns = 0
        self._probed_ns = 0

    def choose(self, ears: Mapping[str, Ear], followed: str | None, now_ns: int) -> str | None:
        """The port whose connection is to be renewed now, None if none is.

        `ears` by name of the port; `followed` is the alias of the one whose clock is followed. As
        long as none is, those that were never heard take turns.
        """
        name = next((n for n, ear in ears.items() if ear.alias == followed), None)
        if name is None:
            silent = [n for n, ear in ears.items() if ear.heard_ns == 0]
            name = min(silent, key=lambda n: self._renewed.get(n, 0), default=None)
            if name is None:
                return None
        ear = ears[name]
        since_ns = max(ear.heard_ns, ear.opened_ns)
        fresh = ear.heard_ns > 0 and now_ns - since_ns < FRESH_NS
        first = fresh and self._renewed.get(name, 0) < since_ns
        pause_ns = SOON_NS if fresh else SELDOM_NS
        waited_ns = now_ns - max(since_ns, 0 if first else self._latest_ns)
        if waited_ns < (SILENT_NS if first else pause_ns):
            return None
        self._renewed = {n: t for n, t in self._renewed.items() if n in ears}
        self._renewed[name] = self._latest_ns = now_ns
        return name

    def probe(self, now_ns: int) -> bool:
        """Whether the MIDI system should be asked if it is still there, apart from renewals."""
        if now_ns - max(self._probed_ns, self._latest_ns) < SELDOM_NS:
            return False
        self._probed_ns = now_ns
        return True


# Two connections bring the same message with times no further apart, however busy the machine is.
TWIN_NS = 50_000_000
# How many messages one connection may be ahead of the other, where the engine was held up.
AHEAD = 256


class Ear:
    """Passes on what is heard of one port under the name `alias`, each message once.

    `heard_ns` is when the latest came, 0 before the first; `opened_ns` when it began to listen.
    """

    __slots__ = ("_heard", "_lock", "_next", "_twins", "_waiting", "alias", "heard_ns", "opened_ns")

    def __init__(self, alias: str, heard: Hear, opened_ns: int = 0) -> None:
        self.alias = alias
        self.opened_ns = opened_ns
        self.heard_ns = 0
        self._heard = heard
        self._next = 0
        self._twins = False
        # Each connection has a thread of its driver's.
        self._lock = threading.Lock()
        # What one connection brought and the other has not yet: (connection, t_ns, message).
        self._waiting: deque[tuple[int, int, tuple[int, ...]]] = deque(maxlen=AHEAD)

    def connection(self) -> Hear:
        """What to call with the messages of one more connection."""
        number = self._next
        self._next += 1

        def arrived(_: str, t_ns: int, message: Sequence[int]) -> None:
            if self._twins and self._is_known(number, t_ns, message):
                return
            self.heard_ns = t_ns
            self._heard(self.alias, t_ns, message)

        return arrived

    def pair(self, twins: bool) -> None:
        """Tell whether two connections are open from now on."""
        with self._lock:
            self._waiting.clear()
            self._twins = twins

    def _is_known(self, number: int, t_ns: int, message: Sequence[int]) -> bool:
        """Whether the other connection brought this message already."""
        whole = tuple(message)
        waiting = self._waiting
        with self._lock:
            for entry in [each for each in waiting if each[0] != number]:
                if t_ns - entry[1] > TWIN_NS:
                    # What this connection has not brought by now it will not bring any more.
                    waiting.remove(entry)
                elif entry[2] == whole:
                    waiting.remove(entry)
                    return True
            waiting.append((number, t_ns, whole))
            return False


# How often ports are listed: a cable cannot be pulled and put back any faster.
ROUND_S = 0.25
# Nothing is playing if nothing was heard for so long; a clock at 20 beats a minute ticks faster.
QUIET_NS = 300_000_000


class Keeper:
    """Keeps the ports of one set open, and `routes` to its instruments.

    `troubles` says what is missing.
    """

    def __init__(
        self,
        setlist: SetList,
        system: MidiSystem | None,
        heard: Hear | None,
        *,
        in_glob: str | None,
        out_glob: str | None,
        sends: bool,
        beside: Callable[[], str | None],
        gone: Callable[[str], None],
        presses: Hear | None = None,
        outlets: Mapping[str, str] | None = None,
    ) -> None:
        """`heard` None looks for no clock; `beside` names the port whose clock is followed.

        `presses` gets what comes from ports that are listened to for presses alone. `outlets` are
        globs of outputs that are wanted beside those of instruments, by what goes out there.

        What is heard, and what is gone, goes by the name a port had first: one that comes back
        under another number is the same to everybody else.
        """
        self._system = system
        self._heard = heard
        self._wanted_glob = in_glob
        self._out_glob = out_glob
        self._sends = sends
        self._beside = beside
        self._gone = gone
        self._presses = presses
        self._ears: dict[str, Ear] = {}
        self._inputs: dict[str, Input] = {}
        self._outputs: dict[str, Output] = {}
        # Names that others know ports by which are not there now, by plain name.
        self._away: dict[str, str] = {}
        # Closed a round later: a send that looked the old route up may still be under way, and an
        # input may bring what its successor was opened too late for.
        self._retired: list[Input | Output] = []
        self._renewal = Renewal()
        self.troubles: tuple[Trouble, ...] = ()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="ports", daemon=True)
        self.routes = Routes()
        self._outlet_globs = dict(outlets or {})
        # The outputs that are there of those; replaced as a whole, as the routes are.
        self.outlets: dict[str, Output] = {}
        self.adopt(setlist)

    def adopt(self, setlist: SetList) -> None:
        """Keep the ports that `setlist` wants from now on."""
        # An instrument whose port is another now is found within a round.
        self._setlist = setlist
        self._in_glob = self._wanted_glob or _clock_glob(setlist)
        # The ports that presses come from; None stands for any.
        self._press_globs = tuple(dict.fromkeys(each.press.port for each in setlist.controls))

    def expect(self, port: str) -> None:
        """Tell by what name a port is known that may come under another number. Before `start`."""
        self._away[plain_name(port)] = port

    def start(self) -> None:
        """Open what is there now, then keep watch on a thread of its own."""
        if self._system is not None:
            self._round()
            self._thread.start()

    def close(self) -> None:
        """Close every port."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)
        self.routes.table, self.outlets = {}, {}
        if self._system is None or not self._system.alive:
            return
        for port in [*self._inputs.values(), *self._outputs.values(), *self._retired]:
            self._system.close_port(port)
        self._system.close()

    def _run(self) -> None:
        while not self._ended.wait(ROUND_S):
            self._round()

    def _round(self) -> None:
        system = self._system
        assert system is not None
        troubles: list[Trouble] = []
        try:
            if system.revive():
                self._close_retired(system)
                self._keep_inputs(system, troubles)
                self._renew(system)
            if system.alive:
                self._keep_outputs(system, troubles)
                if system.light or self._is_quiet():
                    system.prepare(1, 1)
            else:
                troubles = [_of_a_port("the MIDI system has ended; waiting for it to come back")]
        except Exception as error:
            troubles.append(_of_a_port(f"the MIDI system does not answer: {error}"))
        self.troubles = tuple(troubles)

    # -- inputs ------------------------------------------------------------------------------

    def _keep_inputs(self, system: MidiSystem, troubles: list[Trouble]) -> None:
        names = system.inputs()
        for name in [n for n in self._inputs if n not in names]:
            system.close_port(self._inputs.pop(name))
            self._forget(name)
        wanted = [n for n in names if self._leads(n) or self._is_pressed(n)]
        new = [n for n in wanted if n not in self._inputs]
        if new and (system.light or self._is_quiet()):
            system.prepare(len(new) + 1, len(told(self._setlist)) + 1)
        for name in new:
            # While something plays, the spare serves; the rest waits for a pause.
            if system.ready[0]:
                try:
                    self._listen(system, name)
                except PortError as error:
                    troubles.append(_of_a_port(str(error)))
        for glob in self._press_globs:
            if glob is not None and not any(matches(glob, n) for n in names):
                troubles.append(_missing("input", glob, names, "its presses are not heard"))
        if self._heard is None:
            return
        if not any(self._leads(n) for n in self._inputs):
            troubles.append(_missing("input", self._in_glob, names, "plug the instrument in"))
        elif self._beside() in self._away.values():
            troubles.append(_of_a_port(f"{self._beside()} has gone: plug it in again"))

    def _listen(self, system: MidiSystem, name: str) -> None:
        alias = self._away.get(plain_name(name), name)
        if any(ear.alias == alias for ear in self._ears.values()):
            alias = name
        heard = self._heard if self._leads(name) else self._presses
        assert heard is not None
        ear = Ear(alias, heard, time.monotonic_ns())
        self._inputs[name] = system.open_input(name, ear.connection())
        self._ears[name] = ear
        self._away.pop(plain_name(name), None)

    def _leads(self, name: str) -> bool:
        """Whether a clock is looked for on the port `name`."""
        if self._heard is None:
            return False
        return self._in_glob is None or matches(self._in_glob, name)

    def _is_pressed(self, name: str) -> bool:
        """Whether presses may come from the port `name`."""
        if self._presses is None:
            return False
        return any(glob is None or matches(glob, name) for glob in self._press_globs)

    def _forget(self, name: str) -> None:
        alias = self._ears.pop(name).alias
        self._away[plain_name(name)] = alias
        self._gone(alias)

    # -- outputs -----------------------------------------------------------------------------

    def _keep_outputs(self, system: MidiSystem, troubles: list[Trouble]) -> None:
        if not (self._sends or self._outlet_globs):
            return
        names = system.outputs()
        routes: dict[str, Output] = {}
        for instrument in told(self._setlist) if self._sends else ():
            glob = self._setlist.instruments[instrument].port
            name = choose_output(names, glob, self._out_glob, self._beside())
            if name is None:
                then = f"{instrument} gets no program changes"
                troubles.append(_missing("output", self._out_glob or glob, names, then))
            elif (output := self._output(system, name, troubles)) is not None:
                routes[instrument] = output
        outlets: dict[str, Output] = {}
        for outlet, glob in self._outlet_globs.items():
            name = choose_output(names, glob, None, None)
            if name is None:
                troubles.append(_missing("output", glob, names, f"no {outlet} goes out"))
            elif (output := self._output(system, name, troubles)) is not None:
                outlets[outlet] = output
        self.routes.table, self.outlets = routes, outlets
        used = {output.name for output in (*routes.values(), *outlets.values())}
        self._retired += [
            self._outputs.pop(name) for name in list(self._outputs) if name not in used
        ]

    def _output(self, system: MidiSystem, name: str, troubles: list[Trouble]) -> Output | None:
        """The open output of that name, None with a trouble more if it cannot be opened."""
        try:
            if name not in self._outputs:
                self._outputs[name] = system.open_output(name)
            return self._outputs[name]
        except PortError as error:
            troubles.append(_of_a_port(str(error)))
            return None

    # -- connections that look whole ---------------------------------------------------------

    def _is_quiet(self) -> bool:
        now_ns = time.monotonic_ns()
        ears = self._ears.values()
        return all(now_ns - max(ear.heard_ns, ear.opened_ns) > QUIET_NS for ear in ears)

    def _close_retired(self, system: MidiSystem) -> None:
        for port in list(self._retired):
            # Never under a callback: whoever closes would wait for it, and it for us.
            silent = isinstance(port, Output) or time.monotonic_ns() - port.heard_ns > QUIET_NS
            if silent or self._is_quiet():
                self._retired.remove(port)
                system.close_port(port, deaf=isinstance(port, Input))
                if isinstance(port, Input) and port.name in self._ears:
                    self._ears[port.name].pair(False)

    def _renew(self, system: MidiSystem) -> None:
        """Renew the connection that has gone silent, if one has, and notice a dead system."""
        now_ns = time.monotonic_ns()
        name = self._renewal.choose(self._ears, self._beside(), now_ns)
        if (name or self._renewal.probe(now_ns)) and self._is_quiet() and not system.answers():
            self._lose_all(system)
            return
        # One renewal at a time.
        if name is None or self._retired:
            return
        ear, input = self._ears[name], self._inputs[name]
        if ear.alias == self._beside():
            # What is followed has gone silent: whatever else ticks may wait for a new client.
            system.prepare(1, 0)
        elif not (system.light or system.ready[0]):
            return
        try:
            ear.pair(True)
            self._inputs[name] = system.open_input(name, ear.connection())
            self._retired.append(input)
        except PortError:
            # A system that lends a port only once has to get it back first.
            ear.pair(False)
            system.close_port(self._inputs.pop(name), deaf=True)
            try:
                self._inputs[name] = system.open_input(name, ear.connection())
            except PortError:
                # It went meanwhile; its client has been given back and is not ours any more.
                self._forget(name)
        for other in [n for n in self._outputs if device(n) == device(name)]:
            self._retired.append(self._outputs.pop(other))

    def _lose_all(self, system: MidiSystem) -> None:
        """The MIDI system died, and every connection with it."""
        self.routes.table, self.outlets = {}, {}
        system.give_up([*self._inputs.values(), *self._outputs.values(), *self._retired])
        self._inputs, self._outputs, self._retired = {}, {}, []
        for name in list(self._ears):
            self._forget(name)


def _of_a_port(text: str, short: str = "") -> Trouble:
    return Trouble("port", text, short)


def _missing(way: str, glob: str | None, names: list[str], then: str) -> Trouble:
    """That no port was found, and what of it; what is there instead may show the wrong letter."""
    if glob is None:
        return _of_a_port(f"no MIDI {way} is there: {then}")
    none = f"no MIDI {way} matches {glob!r}"
    if not names:
        return _of_a_port(f"{none}: {then}")
    return _of_a_port(f"{none} (there is {', '.join(names)}): {then}", f"{none}: {then}")


def _clock_glob(setlist: SetList) -> str | None:
    if setlist.clock_from is None:
        return None
    return setlist.instruments[setlist.clock_from].port
