"""A machine being run: its compiled tick and the state that it has come to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple

from statecraft.machine import Machine, numbered
from statecraft.simulation.state import State, View, layout
from statecraft.simulation.tick import Choose, compiled, compiled_choice

Reading = int | None


class Inputs(NamedTuple):
    """What comes from outside on one tick, in the machine's own order.

    Attributes:
        readings: one of each sensor in steps of its unit, None in fault; a remembered sensor's does not matter.
        switches: the settled state of each switch.
        arrivals: indexes of the commands whose message or press arrived, in order.
        messages: (index, value in steps) of each dial message.
        others: how many messages were neither.
        moves: by how much each of :attr:`Machine.pulsed` moves, within its rate; none does where it is empty.
    """

    readings: tuple[Reading, ...]
    switches: tuple[bool, ...]
    arrivals: tuple[int, ...] = ()
    messages: tuple[tuple[int, int], ...] = ()
    others: int = 0
    moves: tuple[int, ...] = ()


class Simulation:
    """The reference simulation of ``machine``. Before the first step it stands before tick 0.

    Attributes:
        state: the state of the end of the last tick; it may be kept and put back (:meth:`snapshot`, :meth:`restore`).
        layout: what stands where in it.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.layout = layout(machine)
        self.state: State = self.layout.start
        self._tick = compiled(machine)
        self._choose: Choose | None = None  # compiled when it is asked for: only proofs do
        self._sensors = numbered(machine.sensors)
        self._switches = numbered(machine.switches)
        self._commands = numbered(machine.commands)
        self._dials = numbered(machine.dials)
        self._pulsed = numbered(machine.pulsed)

    @property
    def view(self) -> View:
        """The state, by name."""
        return View(self.layout, self.state)

    def tick(
        self,
        readings: tuple[Reading, ...],
        switches: tuple[bool, ...],
        arrivals: tuple[int, ...] = (),
        messages: Sequence[tuple[int, int]] = (),
        others: int = 0,
        moves: tuple[int, ...] = (),
    ) -> State:
        """Run one tick on inputs by position, as in :class:`Inputs`. The fast way: nothing is looked up or checked."""
        self.state = state = self._tick(self.state, readings, switches, arrivals, messages, others, moves)
        return state

    def run(self, inputs: Iterable[Inputs]) -> list[State]:
        """Run a tick on each of ``inputs``; the states that came of them."""
        tick, state, states = self._tick, self.state, []
        for each in inputs:
            state = tick(state, *each)
            states.append(state)
        self.state = state
        return states

    def step(self, hear: Sequence[str] = (), others: int = 0, **named: int | bool | None) -> View:
        """Run one tick on inputs by name: ``step(hear=["patrol"], front=350, bumper=True, pace=40)``.

        A sensor (steps of its unit, None for a fault) or switch that is not named keeps what it had on the tick before;
        at first sensors are in fault and switches off. A dial that is named hears that value (in steps); a counter that
        counts from outside moves by that much.

        Raises:
            KeyError: no input of that name.
        """
        readings: list[Reading] = list(self.state[self.layout.index["readings", ""]])
        switches: list[bool] = list(self.state[self.layout.index["switches", ""]])
        messages: list[tuple[int, int]] = []
        moves = dict.fromkeys(self._pulsed, 0)
        for name, value in named.items():
            if name in moves and value is not None:
                moves[name] = value
            elif name in self._sensors:
                readings[self._sensors[name]] = value
            elif name in self._switches:
                switches[self._switches[name]] = bool(value)
            elif value is not None:
                messages.append((self._dials[name], value))
            else:
                raise KeyError(name)
        arrivals = tuple(self._commands[name] for name in hear)
        self.tick(tuple(readings), tuple(switches), arrivals, messages, others, tuple(moves.values()))
        return self.view

    def step_chosen(
        self,
        readings: tuple[Reading, ...],
        switches: tuple[bool, ...],
        dials: tuple[int | None, ...],
        taken: int = -1,
        heard: Iterable[int] = (),
        spoken: Iterable[int] = (),
        moves: tuple[int, ...] = (),
    ) -> State:
        """Run one tick in the world of the proofs: every sensor (remembered ones too), switch and dial as given, the
        command ``taken`` (-1 for none) and those ``heard`` chosen freely. ``spoken`` are the indexes of links on which
        a dial's message came; ``moves``, by how much each of :attr:`Machine.pulsed` moves. On tick 0 nothing is taken
        or heard, whatever is given.
        """
        if self._choose is None:
            self._choose = compiled_choice(self.machine)
        self.state = state = self._choose(self.state, readings, switches, dials, taken, heard, spoken, moves)
        return state

    def snapshot(self) -> State:
        """The state, to come back to."""
        return self.state

    def restore(self, state: State) -> None:
        """Stand where :meth:`snapshot` was taken."""
        self.state = state

    def reset(self) -> None:
        """Stand before tick 0 again."""
        self.state = self.layout.start

    def inputs(
        self,
        sensors: Mapping[str, Reading],
        switches: Mapping[str, bool],
        hear: Iterable[str] = (),
        dials: Iterable[tuple[str, int]] = (),
        others: int = 0,
        moves: Mapping[str, int] = MappingProxyType({}),
    ) -> Inputs:
        """Named inputs by position: sensors that are not named are in fault, switches off, counters stand still."""
        return Inputs(
            tuple(sensors.get(name) for name in self._sensors),
            tuple(switches.get(name, False) for name in self._switches),
            tuple(self._commands[name] for name in hear),
            tuple((self._dials[name], value) for name, value in dials),
            others,
            tuple(moves.get(name, 0) for name in self._pulsed),
        )
