"""A machine tried by hand on the simulated chip: its compiled program, from power-on, with everything at its pins.

What the chip took of its inputs on each tick is read from its memory and given to the table; what is shown is the
table's state of that tick, which is held against every number of the chip's own. The way back is the way there again:
the chip is switched on anew and given the same, which takes as long as it takes.
"""

from __future__ import annotations

from array import array
from collections import deque

from statecraft.agreement.inputs import HeldInputs
from statecraft.agreement.onchip import ChipRunner, Driver, PinLevels
from statecraft.agreement.wired import ReportingProgram, Wired
from statecraft.bench.live import LONGEST_TICKS, Live
from statecraft.bench.pretend import World
from statecraft.chip import EchoEvent, PinEvent, PwmEvent
from statecraft.firmware.plan import PinUse, plan
from statecraft.machine import At, Buzzer, Counter, Every, Sensor, Servo, Stepper, Trial, numbered

PULSES_US = 30_000.0
"""A pin that was quiet for longer has no pulses any more: a servo's come every 20 ms."""

COUNTED_OVER = 16
"""How often pulses come is told by the time that so many of them took."""


class ChipLive(Live):
    """``made``'s machine on the chip.

    Attributes:
        differs: in what the chip is not as the table says, one line; "" as long as it is.
    """

    def __init__(self, made: ReportingProgram, world: World | None = None) -> None:
        self._prepare(made)
        super().__init__(made.machine, world)

    def _prepare(self, made: ReportingProgram) -> None:
        self._made = made
        self._runner = ChipRunner(made)
        self._driver: Driver | None = None
        self._uses = plan(made.machine, made.board).uses
        self.differs = ""

    @classmethod
    def of(cls, made: ReportingProgram, steps: list[At | Every], tick: int) -> ChipLive:
        """The chip at the end of ``tick``, after ``steps``."""
        live = cls.__new__(cls)
        live._prepare(made)
        live._play(made.machine, steps, tick)
        return live

    @classmethod
    def at_trial(cls, made: ReportingProgram, trial: Trial) -> ChipLive:
        """The chip at the end of ``trial``."""
        live = cls.of(made, list(trial.inputs), trial.last_tick)
        live._linked_as_played()
        return live

    def on_program(self, made: ReportingProgram) -> ChipLive:
        """What was done up to now, done to another program.

        Raises:
            CannotReplay: it has not all that something was done to.
        """
        self._can_replay(made.machine)
        again = ChipLive.of(made, self.steps, self.tick)
        again.linked = self.linked
        return again

    def close(self) -> None:
        """Switch the chip off."""
        if self._driver is not None:
            self._driver.wired.chip.close()
            self._driver = None

    def _stand(self, tick: int) -> None:
        self._begin()
        while self.tick < tick:
            self._run_tick()

    def _begin(self) -> None:
        self.close()
        super()._begin()
        self._rows: array[int] = array("i")
        self._runner.teller.restart()
        self.differs = ""
        self._levels = PinLevels([])
        self._pulses: dict[str, tuple[float, float]] = {}  # a pin's last pulse: when it began or ended, how long it was
        self._rises: dict[str, deque[float]] = {}  # when a pin that steps or is counted at last rose
        self._echoes: dict[str, tuple[float, float]] = {}  # a ranger's echo: since when it is high, how long it was

    def _power_on(self) -> Driver:
        first = HeldInputs(self._given_readings(), tuple(self._switches.values()), ticks=LONGEST_TICKS)
        wired = Wired(self._made)
        try:
            driver = Driver(self._runner, wired, [first])
            for use in self._uses:
                if (use.output and use.role not in ("send", "trigger")) or isinstance(use.thing, Counter):
                    wired.chip.watch(wired.port(use.name))
            driver.put(first, None)
            driver.begin()
        except BaseException:
            wired.chip.close()
            raise
        return driver

    def _given_readings(self) -> tuple[int | None, ...]:
        return tuple(self._readings[sensor.name] for sensor in self.machine.sensors)

    def _tick(self, tick: int, hear: list[str], dials: list[tuple[str, int]]) -> None:
        if self._driver is None:
            self._driver = self._power_on()
        driver, chip = self._driver, self._driver.wired.chip
        if tick:
            commands, numbers = numbered(self.machine.commands), numbered(self.machine.dials)
            stretch = HeldInputs(
                self._given_readings(), tuple(self._switches.values()), tuple(commands[name] for name in hear),
                tuple((numbers[name], value) for name, value in dials),
            )  # fmt: skip
            driver.put(stretch, driver.time(tick - 1 + driver.moments.arrive))
            moves = tuple(pulses.take() for pulses in self._coming.values())
            if any(moves):
                driver.turn(stretch._replace(moves=moves), tick)
            if stretch.hear or stretch.turn:
                driver.say(stretch, tick)
        driver.wired.run_to(driver.time(tick + driver.moments.look))
        (readings, switches, moves), told = driver.look(tick)
        heard, turned = driver.heard(tick), tuple(driver.turned.get(tick, ()))
        self._compare(tick, HeldInputs(readings, switches, heard, turned, moves=moves), told)
        self._simulation.tick(readings, switches, heard, turned, moves=moves)
        events = [event for event in chip.log if isinstance(event, PinEvent | PwmEvent)]
        self._levels.add(events)
        self._levels.advance(chip.now_us)
        for edge in events:
            if isinstance(edge, PinEvent):
                began, long = self._pulses.get(edge.pin, (edge.us, 0.0))
                self._pulses[edge.pin] = (edge.us, long if edge.level else edge.us - began)
                if edge.level:
                    self._rises.setdefault(edge.pin, deque(maxlen=COUNTED_OVER + 1)).append(edge.us)
        for event in chip.log:
            if isinstance(event, EchoEvent):
                began, long = self._echoes.get(event.ranger, (0.0, 0.0))
                self._echoes[event.ranger] = (event.us, long) if event.level else (began, event.us - began)
        chip.forget()
        for noted in (driver.sent, driver.presses, driver.turned):
            noted.pop(tick, None)

    def _compare(self, tick: int, stretch: HeldInputs, told: list[int]) -> None:
        """Hold the chip's state against the table's, as long as they are alike."""
        if self.differs:
            return
        del self._rows[:]
        self._runner.teller.run(stretch, self._rows)
        wrong = [
            f"{kind} {name}".strip()
            for (kind, name), ours, theirs in zip(self._runner.columns, self._rows, told, strict=True)
            if ours != theirs
        ]
        if wrong:
            when = self.machine.duration(tick)
            self.differs = f"from {when} (tick {tick}) on the chip is not as the table says: {', '.join(wrong)}"

    # ------------------------------------------------------------------------------------------------------------ pins

    @property
    def pin_names(self) -> list[tuple[str, str, str]]:
        """Of each pin: its name, what hangs there, and ``output`` or ``input``."""
        return [(use.name, use.what, "output" if use.output else "input") for use in self._uses]

    @property
    def pins(self) -> list[str]:
        """How each of them stands now, in words."""
        driver = self._driver
        return [] if driver is None else [self._pin(driver, use) for use in self._uses]

    def _pin(self, driver: Driver, use: PinUse) -> str:
        wired, sensor = driver.wired, use.thing
        match use.role:
            case "receive" | "send":
                return "serial line"
            case "trigger":
                return "pings"
            case "echo":
                long = self._echoes.get(sensor.name, (0.0, 0.0))[1]
                return f"last echo {long / 1000:.2f} ms" if long else "no echo"
        if use.needs == "analog" and isinstance(sensor, Sensor):
            value = driver.readings[self.machine.sensors.index(sensor)]
            return f"{wired.millivolts(sensor, value) / 1000:.2f} V"
        port = wired.port(use.name)
        if isinstance(use.thing, Counter) or (isinstance(use.thing, Stepper) and use.role == "step"):
            rate = self._rate(port, wired.chip.now_us)
            if rate:
                return f"{rate:.0f} pulses a second" if rate >= 10 else f"{rate:.1f} pulses a second"
        if not use.output:
            return "high" if wired.chip.pin(port).level else "low"
        if isinstance(use.thing, Servo | Buzzer):  # a pulse every 20 ms, or a tone
            at, wide = self._pulses.get(port, (0.0, 0.0))
            if wide and wired.chip.now_us - at < PULSES_US:
                return f"pulses of {wide / 1000:.2f} ms"
        duty = self._levels.duty(port)
        return "high" if duty >= 1 else "low" if duty <= 0 else f"pulses, high {100 * duty:.0f} % of the time"

    def _rate(self, port: str, now_us: float) -> float:
        """How many pulses a second the pin has of late; 0 where they have ended, or none came."""
        rises = self._rises.get(port) or deque[float]()
        if len(rises) < 2:
            return 0.0
        each = (rises[-1] - rises[0]) / (len(rises) - 1)
        return 1e6 / each if now_us - rises[-1] < 2 * each + self.machine.tick_ms * 1000 else 0.0
