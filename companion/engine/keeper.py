"""The keeper of the ports: opens what is wanted, notices what vanished, picks up what came back.

One thread opens, closes and lists, and lays the routes; sending never waits for that thread. Which
connection to renew, and when, is worked out in `renewal`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from companion.engine.ear import Ear, Heard
from companion.engine.matching import choose_output, device, matches, plain_name
from companion.engine.ports import Input, MidiSystem, Output, PortError
from companion.engine.renewal import Renewal
from companion.engine.routing import Routes, told
from companion.setlist.model import SetList

# How often ports are listed: a cable cannot be pulled and put back any faster.
ROUND_S = 0.25
# Nothing is playing if nothing was heard for so long; a clock at 20 beats a minute ticks faster.
QUIET_NS = 300_000_000


class Keeper:
    """Keeps the ports of one set open, and `routes` to its instruments.

    `troubles` holds plain sentences on what is missing.
    """

    def __init__(
        self,
        setlist: SetList,
        system: MidiSystem | None,
        heard: Heard | None,
        *,
        in_glob: str | None,
        out_glob: str | None,
        sends: bool,
        beside: Callable[[], str | None],
        gone: Callable[[str], None],
        presses: Heard | None = None,
    ) -> None:
        """`heard` None looks for no clock; `beside` names the port whose clock is followed.

        `presses` gets what comes from ports that are listened to for presses alone.

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
        self.troubles: tuple[str, ...] = ()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="ports", daemon=True)
        self.routes = Routes(setlist)
        self.adopt(setlist, self.routes)

    def adopt(self, setlist: SetList, routes: Routes) -> None:
        """Keep the ports that `setlist` wants from now on, and send by `routes`."""
        # An instrument whose port is another now is found within a round.
        routes.table = self.routes.table
        self.routes = routes
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
        self.routes.table = {}
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
        troubles: list[str] = []
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
                troubles = ["the MIDI system has ended; waiting for it to come back"]
        except Exception as error:
            troubles.append(f"the MIDI system does not answer: {error}")
        self.troubles = tuple(troubles)

    # -- inputs ------------------------------------------------------------------------------

    def _keep_inputs(self, system: MidiSystem, troubles: list[str]) -> None:
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
                    troubles.append(str(error))
        for glob in self._press_globs:
            if glob is not None and not any(matches(glob, n) for n in names):
                troubles.append(f"no MIDI input{_nothing(glob, names)}: its presses are not heard")
        if self._heard is None:
            return
        if not any(self._leads(n) for n in self._inputs):
            looked = _nothing(self._in_glob, names)
            troubles.append(f"no MIDI input{looked}: plug the instrument in")
        elif self._beside() in self._away.values():
            troubles.append(f"{self._beside()} has gone: plug it in again")

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

    def _keep_outputs(self, system: MidiSystem, troubles: list[str]) -> None:
        if not self._sends:
            return
        names = system.outputs()
        routes: dict[str, Output] = {}
        for instrument in told(self._setlist):
            glob = self._setlist.instruments[instrument].port
            name = choose_output(names, glob, self._out_glob, self._beside())
            if name is None:
                looked = _nothing(self._out_glob or glob, names)
                troubles.append(f"no MIDI output{looked}: {instrument} gets no program changes")
                continue
            try:
                if name not in self._outputs:
                    self._outputs[name] = system.open_output(name)
                routes[instrument] = self._outputs[name]
            except PortError as error:
                troubles.append(str(error))
        self.routes.table = routes
        used = {output.name for output in routes.values()}
        self._retired += [
            self._outputs.pop(name) for name in list(self._outputs) if name not in used
        ]

    # -- connections that look whole ---------------------------------------------------------

    def _is_quiet(self) -> bool:
        now_ns = time.monotonic_ns()
        ears = self._ears.values()
        return all(now_ns - max(ear.heard_ns, ear.opened_ns) > QUIET_NS for ear in ears)

    def _close_retired(self, system: MidiSystem) -> None:
        for port in list(self._retired):
            # Never under a callback: whoever closes would wait for it, and it for us.
            if isinstance(port, Output) or self._is_quiet():
                self._retired.remove(port)
                system.close_port(port)
                if isinstance(port, Input) and port.name in self._ears:
                    self._ears[port.name].pair(False)

    def _renew(self, system: MidiSystem) -> None:
        """Renew the connection that has gone silent, if one has, and notice a dead system."""
        now_ns = time.monotonic_ns()
        name = self._renewal.choose(self._ears, self._beside(), now_ns)
        if (name or self._renewal.probe(now_ns)) and self._is_quiet() and not system.answers():
            self._lose_all(system)
            return
        # One renewal at a time, and never by a client that would have to be made first.
        if name is None or self._retired or not (system.light or system.ready[0]):
            return
        ear, input = self._ears[name], self._inputs[name]
        try:
            ear.pair(True)
            self._inputs[name] = system.open_input(name, ear.connection())
            self._retired.append(input)
        except PortError:
            # A system that lends a port only once has to get it back first.
            ear.pair(False)
            system.close_port(input)
            self._inputs[name] = system.open_input(name, ear.connection())
        for other in [n for n in self._outputs if device(n) == device(name)]:
            self._retired.append(self._outputs.pop(other))

    def _lose_all(self, system: MidiSystem) -> None:
        """The MIDI system died, and every connection with it."""
        self.routes.table = {}
        system.give_up([*self._inputs.values(), *self._outputs.values(), *self._retired])
        self._inputs, self._outputs, self._retired = {}, {}, []
        for name in list(self._ears):
            self._forget(name)


def _nothing(glob: str | None, names: list[str]) -> str:
    """In what way nothing was found; what is there instead may show the wrong letter."""
    if glob is None:
        return " is there"
    return f" matches {glob!r}" + (f" (there is {', '.join(names)})" if names else "")


def _clock_glob(setlist: SetList) -> str | None:
    if setlist.clock_from is None:
        return None
    return setlist.instruments[setlist.clock_from].port
