"""A machine tried by hand: its simulation, what is done to it, and the way back.

What is done is kept as the steps of a trial, in the order in which it was done; a tick's inputs are what such a trial
would give it. So the run can be gone back in, gone on from another way, played on a changed file, and saved as a trial
that passes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from copy import copy
from dataclasses import dataclass, replace
from typing import NamedTuple

from statecraft.bench.controls import NoRemote, controls
from statecraft.bench.pretend import World
from statecraft.errors import StatecraftError
from statecraft.machine import (
    After,
    At,
    Every,
    Hear,
    Input,
    Machine,
    Pulse,
    PulseRate,
    Remembered,
    Row,
    SetDial,
    SetSensor,
    SetSwitch,
    Trial,
    Unit,
    show_duration,
)
from statecraft.semantics.keys import GroupClock, ModeClock, ModeOf
from statecraft.simulation import Simulation, State, Trace, View
from statecraft.simulation.pulses import PulseQueue
from statecraft.simulation.row_sight import RowSight
from statecraft.simulation.trial import usable
from statecraft.simulation.unmet_expectations import conjuncts, read_there

KEPT_EVERY = 200
"""Ticks between states that are kept to come back to: what lies between is run again, which takes milliseconds."""

LONGEST_TICKS = 24 * 3600 * 100
"""Beyond so many ticks a run stands still: nobody plays for longer."""

MOST_TOLD = 20_000
"""Changes of a part's mode, and rows that decided, that are remembered: the newest."""


class CannotReplay(StatecraftError):
    """What was done cannot be done to the changed machine; the message names the first tick of it."""


@dataclass(frozen=True, slots=True)
class AskedRow:
    """A row as it was asked on a tick: did its condition hold, did it decide, and what held it back; what of its
    condition did not hold, and what that read.
    """

    part: str
    line: int
    text: str
    holds: bool
    decided: bool
    held_back: str = ""
    lacking: tuple[str, ...] = ()


class _Kept(NamedTuple):
    """How everything stood at the end of a tick, to come back to."""

    state: State
    readings: dict[str, int | None]
    switches: dict[str, bool]
    pulses: dict[str, PulseQueue]



class Live:
    """``machine`` from tick 0 on.

    Attributes:
        state: the state of the end of the last tick.
        steps: what was done, in order.
        linked: whether what the operator sends arrives.
        bands: by part, (tick, mode) whenever its mode changed; tick 0 too.
        did: (tick, part, row's number) of each row that changed something.
    """

    def __init__(self, machine: Machine, world: World | None = None) -> None:
        self.machine = machine
        self._simulation = Simulation(machine)
        world = world or World(machine)
        measured = [sensor.name for sensor in machine.sensors if not isinstance(sensor.source, Remembered)]
        first: list[Input] = [SetSensor(name, world.sensors[name]) for name in measured]
        first += [SetSwitch(name, True) for name, on in world.switches.items() if on]
        self.steps: list[At | Every] = [At(0, tuple(first))] if first else []
        self.linked = True
        self.steps += self._beat(0)
        self._begin()
        self.step()

    @classmethod
    def of_trial(cls, machine: Machine, trial: Trial) -> Live:
        """``machine`` at the end of ``trial``, with all the way back: to look why, and to go on."""
        made = cls._played(machine, list(trial.inputs), trial.last_tick)
        made._linked_as_played()
        return made

    @classmethod
    def _played(cls, machine: Machine, steps: list[At | Every], tick: int) -> Live:
        made = cls.__new__(cls)
        made._play(machine, steps, tick)
        return made

    def _play(self, machine: Machine, steps: list[At | Every], tick: int) -> None:
        self.machine = machine
        self._simulation = Simulation(machine)
        self.steps, self.linked = list(steps), True
        self._begin()
        while self.tick < tick:
            self._run_tick()

    def _linked_as_played(self) -> None:
        """The link is as it was, as far as the heartbeat tells."""
        beats = [step for step in self._active if self._is_beat(step)]
        self.linked = not self._beat(0) or not beats or any(step.end is None for step in beats)

    differs = ""
    """In what the machine is not as the table says; a simulation always is."""

    @property
    def pin_names(self) -> list[tuple[str, str, str]]:
        """Of a chip, of each pin: its name, what hangs there, and ``output`` or ``input``."""
        return []

    @property
    def pins(self) -> list[str]:
        """How each of them stands now, in words."""
        return []

    def close(self) -> None:
        """There is nothing to close."""

    # ------------------------------------------------------------------------------------------------------------ time

    @property
    def tick(self) -> int:
        """The last tick that was run."""
        return self.view.tick

    @property
    def view(self) -> View:
        """The state, by name."""
        return self._simulation.view

    @property
    def state(self) -> State:
        """Likewise, as it is kept."""
        return self._simulation.state

    def step(self, ticks: int = 1) -> None:
        """Run so many ticks."""
        for _ in range(ticks):
            if self.tick >= LONGEST_TICKS:
                return
            self._run_tick()

    def back(self, tick: int) -> None:
        """Stand at the end of ``tick`` again; what was done after it is forgotten."""
        tick = max(0, min(tick, self.tick))
        kept: list[At | Every] = []
        for step in self.steps:
            if step.tick <= tick:
                if isinstance(step, Every) and step.end is not None and step.end > tick:
                    step = replace(step, end=None)
                kept.append(step)
        self.steps = kept
        self._stand(tick)
        self._settle()

    def _stand(self, tick: int) -> None:
        """Run again up to ``tick``, from the nearest state that was kept."""
        nearest = max((at for at in self._kept if at < tick), default=-1)
        for at in [at for at in self._kept if at > tick]:
            del self._kept[at]
        while self.did and self.did[-1][0] > nearest:
            self.did.pop()
        for band in self.bands.values():
            while band and band[-1][0] > nearest:
                band.pop()
        if nearest < 0:
            self._begin()
        else:
            state, readings, switches, pulses = self._kept[nearest]
            self._coming = {name: copy(waiting) for name, waiting in pulses.items()}
            self._simulation.restore(state)
            self._readings.update(readings)
            self._switches.update(switches)
            for part, mode in self.view.modes.items():
                if not self.bands[part]:  # it has forgotten since when
                    self.bands[part].append((nearest, mode))
        self._sort()
        while self.tick < tick:
            self._run_tick()

    def _settle(self) -> None:
        """After going back: nobody holds a button, and the link is as it was then."""
        beats = [step for step in self._active if self._is_beat(step)]
        self.linked = not beats or any(step.end is None for step in beats)
        for command in self.held:
            self.hold(command, False)

    def _begin(self) -> None:
        machine = self.machine
        self._simulation.reset()
        self._before: State = self._simulation.state
        self._readings: dict[str, int | None] = {sensor.name: None for sensor in machine.sensors}
        self._switches = {switch.name: False for switch in machine.switches}
        self._sensors = {sensor.name: sensor for sensor in machine.sensors}
        self._remembered = {sensor.name for sensor in machine.sensors if isinstance(sensor.source, Remembered)}
        self._coming = {counter.name: PulseQueue(counter, machine.tick_ms) for counter in machine.pulsed}
        self._kept: dict[int, _Kept] = {}
        self.bands: dict[str, deque[tuple[int, str]]] = {part.name: deque(maxlen=MOST_TOLD) for part in machine.parts}
        self.did: deque[tuple[int, str, int]] = deque(maxlen=MOST_TOLD)
        index, place = self._simulation.layout.index, self._simulation.layout.place
        self._marks = [
            (part, place[ModeOf(part.name)], index["changed", part.name], index["row", part.name])
            for part in machine.parts
        ]
        self._sort()

    def _sort(self) -> None:
        """The steps, as a tick asks for them."""
        self._active: list[Every] = [step for step in self.steps if isinstance(step, Every)]
        self._ats: dict[int, list[At]] = {}
        for step in self.steps:
            if isinstance(step, At):
                self._ats.setdefault(step.tick, []).append(step)

    def _run_tick(self) -> None:
        tick = self.tick + 1
        hear: list[str] = []
        dials: list[tuple[str, int]] = []
        for given in self._given(tick):
            match given:
                case SetSensor(name, value):
                    self._readings[name] = usable(self._sensors[name], value)
                case SetSwitch(name, on):
                    self._switches[name] = on
                case SetDial(name, value):
                    dials.append((name, value))
                case Hear(name):
                    hear.append(name)
                case Pulse(name, by):
                    self._coming[name].come(by)
                case PulseRate(name, rate):
                    self._coming[name].rate = rate
        if not tick:  # what has come by now came while it was waking up
            for coming in self._coming.values():
                coming.forget()
        self._before = self.state
        self._tick(tick, hear, dials)
        self._note(tick)
        if tick % KEPT_EVERY == 0:
            pulses = {name: copy(waiting) for name, waiting in self._coming.items()}
            self._kept[tick] = _Kept(self.state, dict(self._readings), dict(self._switches), pulses)

    def _tick(self, tick: int, hear: list[str], dials: list[tuple[str, int]]) -> None:
        """Run that tick."""
        simulation = self._simulation
        moves = {name: pulses.take() if tick else 0 for name, pulses in self._coming.items()}
        simulation.tick(*simulation.inputs(self._readings, self._switches, hear, dials, moves=moves))

    def _note(self, tick: int) -> None:
        """Keep what changed on that tick."""
        before, after = self._before, self.state
        for part, mode, changed, row in self._marks:
            if after[changed]:
                self.did.append((tick, part.name, after[row]))
            if after[mode] != before[mode] or not tick:
                self.bands[part.name].append((tick, part.modes[after[mode]].name))

    def _given(self, tick: int) -> Iterator[Input]:
        """The inputs of a tick, in the order in which its steps are written."""
        for step in self._active:
            due = step.tick <= tick and (step.end is None or tick < step.end)
            if due and (tick - step.tick) % step.period == 0:
                yield from step.inputs
        for at in self._ats.get(tick, ()):
            yield from at.inputs

    # ------------------------------------------------------------------------------------------------------------ doing

    def do(self, *inputs: Input) -> None:
        """Have these arrive for the next tick. What comes over the link does not while it is cut."""
        for given in inputs:
            if self.linked or not self._over_link(given):
                self._arrive(self.tick + 1, given)

    def _arrive(self, tick: int, given: Input) -> None:
        """A slider that is moved while time stands still leaves only where it came to rest, and pulses are added up."""
        due = self._ats.setdefault(tick, [])
        earlier = next((at for at in due if _same_thing(at.inputs[0], given)), None)
        if earlier is None or self.steps[-len(due) :] != due:
            step = At(tick, (given,))
            due.append(step)
            self.steps.append(step)
            return
        match earlier.inputs[0], given:
            case Pulse(name, before), Pulse(_, by):
                given = Pulse(name, before + by)
        place = due.index(earlier)
        self.steps[place - len(due)] = due[place] = At(tick, (given,))

    def hold(self, command: str, on: bool) -> None:
        """Begin or end sending a command again and again, from the next tick on."""
        if not on:
            self._end(lambda step: step.inputs == (Hear(command),))
        elif self.linked and not any(step.end is None and step.inputs == (Hear(command),) for step in self._active):
            self._repeat(command, self._period(command))

    def link(self, on: bool) -> None:
        """Cut the link, or mend it: then the heartbeat comes again, and what was held does not."""
        if on and not self.linked:
            self.linked = True
            beats = self._beat(self.tick + 1)
            self.steps += beats
            self._active += beats
        elif not on:
            self.linked = False
            self._end(lambda step: all(map(self._over_link, step.inputs)))

    @property
    def given(self) -> dict[str, int | None]:
        """What each sensor measures, as it was set; None for a fault."""
        return {name: value for name, value in self._readings.items() if name not in self._remembered}

    @property
    def given_switches(self) -> dict[str, bool]:
        """Each switch as it was set."""
        return dict(self._switches)

    @property
    def coming(self) -> dict[str, PulseQueue]:
        """Of each counter that counts from outside, what waits to move it, and how fast more comes."""
        return self._coming

    @property
    def held(self) -> list[str]:
        """The commands that are being sent again and again, the heartbeat aside."""
        return [
            given.command
            for step in self._active
            if step.end is None and not self._is_beat(step)
            for given in step.inputs
            if isinstance(given, Hear)
        ]

    def _over_link(self, given: Input) -> bool:
        if isinstance(given, Hear):
            return self.machine.command(given.command).link is not None
        return isinstance(given, SetDial)

    def _period(self, command: str) -> int:
        link = self.machine.command(command).link
        found = [button.every_ms for button in controls(self.machine, link).held if button.command.name == command]
        return max(1, ((found[0] if found else None) or 100) // self.machine.tick_ms)

    def _is_beat(self, step: Every) -> bool:
        return [beat.inputs for beat in self._beat(0)] == [step.inputs]

    def _beat(self, tick: int) -> list[Every]:
        """The heartbeat from ``tick`` on, if the file has one."""
        try:
            beat = controls(self.machine).beat
        except NoRemote:
            return []
        if beat is None or beat.every_ms is None:
            return []
        return [Every(tick, max(1, beat.every_ms // self.machine.tick_ms), None, (Hear(beat.command.name),))]

    def _repeat(self, command: str, period: int) -> None:
        step = Every(self.tick + 1, period, None, (Hear(command),))
        self.steps.append(step)
        self._active.append(step)

    def _end(self, which: Callable[[Every], bool]) -> None:
        """End the repeated steps that ``which`` says, with the next tick."""
        for place, step in enumerate(self.steps):
            if isinstance(step, Every) and step.end is None and which(step):
                ended = replace(step, end=self.tick + 1)
                self.steps[place] = ended
                self._active[self._active.index(step)] = ended

    # ---------------------------------------------------------------------------------------------------------- seeing

    def asked(self) -> list[AskedRow]:
        """The rows that applied on the last tick: which decided, and what kept the others from it."""
        trace = Trace(self.machine, [self._before, self.state] if self.tick > 0 else [self.state])
        at = len(trace.states) - 1
        found = []
        for part in self.machine.parts:
            sight = RowSight(trace, part)
            mode, decided = sight.mode(at), sight.decided(at)
            for row in part.rows:
                if mode.name not in row.modes:
                    continue
                text = f"{row.when_text} -> {row.go_text}"
                bar = sight.bar(row, at)
                held = f"line {bar.place.line}, {bar.when_text}" if bar is not None else ""
                holds = sight.holds(row, at)
                lacking = () if holds else tuple(_lacking(sight, row, at))
                found.append(AskedRow(part.name, row.place.line, text, holds, decided is row, held, lacking))
        return found

    def trial(self, title: str) -> str:
        """What was done, as a trial in the file's own words, with the modes that it led to expected."""
        return "\n".join(_trial_lines(self.machine, self.steps, self.tick, title)) + "\n"

    def on(self, machine: Machine) -> Live:
        """What was done up to now, done to ``machine``.

        Raises:
            CannotReplay: it has not all that something was done to.
        """
        self._can_replay(machine)
        again = Live._played(machine, self.steps, self.tick)
        again.linked = self.linked
        return again

    def _can_replay(self, machine: Machine) -> None:
        if machine.tick_ms != self.machine.tick_ms:
            raise CannotReplay(f"a tick is {machine.tick_ms} ms now, and was {self.machine.tick_ms} ms: from tick 0 on")
        for step in sorted(self.steps, key=lambda step: step.tick):
            for given in step.inputs:
                if not _can(machine, given) or _unit(machine, given) is not _unit(self.machine, given):
                    when, what = self.machine.duration(step.tick), _word(self.machine, given)
                    raise CannotReplay(f"at {when} (tick {step.tick}) {what} cannot be done to it")


def _lacking(sight: RowSight, row: Row, at: int) -> Iterator[str]:
    """What ``row`` asked for and was not so, with what was so instead."""
    for condition, text in conjuncts(row):
        if sight.holds_part(condition, at):
            continue
        read = read_there(sight, condition, at)
        if isinstance(condition, After):
            clock = ModeClock(row.part) if condition.group is None else GroupClock(row.part, condition.group)
            place = sight.trace.layout.place.get(clock)
            if place is not None:
                read = {"so far": show_duration(sight.seen(at)[place], sight.machine.tick_ms)}
        told = ", ".join(f"{name} {value}" for name, value in read.items())
        yield f"{text} ({told})" if told else text


def _same_thing(one: Input, other: Input) -> bool:
    """Whether both say what one sensor, switch, dial or rate is: then the later of them holds; or both are pulses."""
    match one, other:
        case (SetSensor(name, _), SetSensor(again, _)) | (SetSwitch(name, _), SetSwitch(again, _)):
            return name == again
        case (SetDial(name, _), SetDial(again, _)) | (PulseRate(name, _), PulseRate(again, _)):
            return name == again
        case Pulse(name, _), Pulse(again, _):
            return name == again
    return False


def _can(machine: Machine, given: Input) -> bool:
    match given:
        case SetSensor(name, _):
            return any(sensor.name == name for sensor in machine.sensors)
        case SetSwitch(name, _):
            return any(switch.name == name for switch in machine.switches)
        case SetDial(name, value):
            return any(dial.name == name and dial.low <= value <= dial.high for dial in machine.dials)
        case Hear(name):
            return any(command.name == name for command in machine.commands)
        case Pulse(name, by) | PulseRate(name, by):
            found = next((counter.outside for counter in machine.pulsed if counter.name == name), None)
            return found is not None and (by >= 0 or found.both_ways)
    return False


def _unit(machine: Machine, given: Input) -> Unit | None:
    """The unit of the number that is given, None for what is no number."""
    match given:
        case SetSensor(name, _):
            return machine.sensor(name).unit
        case SetDial(name, _):
            return next(dial.unit for dial in machine.dials if dial.name == name)
    return None


def _word(machine: Machine, given: Input) -> str:
    """An input as a trial says it."""
    match given:
        case SetSensor(name, value):
            return f"{name} fault" if value is None else f"{name} {machine.sensor(name).unit.show(value)}"
        case SetSwitch(name, on):
            return f"{name} {'on' if on else 'off'}"
        case SetDial(name, value):
            return f"{name} {next(dial for dial in machine.dials if dial.name == name).unit.show(value)}"
        case Hear(name):
            return name
        case Pulse(name, by):
            return f"{name} {'+' if by >= 0 else '-'} {abs(by)}"
        case PulseRate(name, rate):
            return f"{name} at {Unit.RATE.show(rate)}"
    raise TypeError(given)


def _trial_lines(machine: Machine, steps: list[At | Every], last: int, title: str) -> Iterator[str]:
    """The lines of a trial that does ``steps`` and expects the modes that came of them, each by when it came."""

    def time(ticks: int) -> str:
        return show_duration(ticks, machine.tick_ms) if ticks else "0 s"

    events: dict[int, list[str]] = {}
    for step in steps:
        words = ", ".join(_word(machine, given) for given in step.inputs)
        if step.tick > last:
            continue
        if isinstance(step, At):
            events.setdefault(step.tick, []).append(words)
        else:
            events.setdefault(step.tick, []).append(f"every {time(step.period)} {words}")
            if step.end is not None and step.end <= last:
                events.setdefault(step.end, []).append(f"no more {words}")
    played = Live._played(machine, steps, -1)
    yield f'trial "{title}"'
    before = {part.name: "" for part in machine.parts}
    since = 0
    for tick in range(last + 1):
        if tick in events:
            since = tick
            again = [each for each in events[tick] if each.startswith("every ")]
            now = [each for each in events[tick] if each not in again]
            # What comes again and again begins at an `at`, which must say something: the same, once, is no more.
            yield f"  at {time(tick)} {', '.join(now or [again[0].split(' ', 3)[3]])}"
            yield from (f"  {each}" for each in again)
        played._run_tick()
        for part, mode in played.view.modes.items():
            if mode != before[part]:
                before[part] = mode
                named = f"{part} in {mode}" if len(machine.parts) > 1 else mode
                if tick:
                    yield f"  expect {named}" + (f" within {time(tick - since)}" if tick > since else "")
