"""Step 5 of the tick as C++: what each mode asks of the outputs, and what they come to show."""

from __future__ import annotations

from itertools import pairwise

from statecraft.firmware.conditions import (
    FALSE,
    TRUE,
    Expr,
    all_of,
    any_of,
    test,
)
from statecraft.firmware.cpp_statements import (
    Origin,
    broken,
    indented,
)
from statecraft.firmware.cpp_vocabulary import INT16_MAX, Case, CppWords, Curve, PartView, Vocabulary
from statecraft.firmware.layout import (
    keeps_state,
    output_type,
    whole_steps,
)
from statecraft.firmware.names import clock_type
from statecraft.language.settings import unit_of_output
from statecraft.machine import (
    Blink,
    Counter,
    DimLamp,
    Fixed,
    Follows,
    FromDial,
    HandOutput,
    Mix,
    Motor,
    Output,
    Part,
    Servo,
    Setting,
    Share,
    Stepper,
    Term,
    Unit,
    reach,
)
from statecraft.semantics.keys import (
    DialValue,
    ModeClock,
    MotorDirection,
    MotorPosition,
    MotorRest,
    OutputShown,
)
from statecraft.semantics.updates import Drive
from statecraft.semantics.variables import FULL, span_of


class OutputsWriter(Vocabulary):
    """Writes what outputs are set to."""

    def outputs(self, part: Part, view: PartView) -> None:
        """Step 5 for the outputs of one part."""
        mine = [drive for name in part.outputs for drive in self.tick.drives if drive.output.name == name]
        if not mine:
            return
        sharing: dict[tuple[str, ...], list[str]] = {}
        for index, mode in enumerate(part.modes):
            lines = tuple(line for drive in mine for line in self.setting(drive.output, drive.asks[index]))
            sharing.setdefault(lines, []).append(self.label(part, mode.name))
        for lines, labels in sharing.items():
            if lines:
                view.output_cases.append(Case(tuple(labels), (*lines, "break;")))
        view.output_all_cased = () not in sharing
        followed = (asked for drive in mine for asked in drive.asks if isinstance(asked, Follows))
        view.outputs_read_inputs = any("in" in self.followed(asked)[0].uses for asked in followed)
        for drive in mine:
            shown = self.layout.by_key[OutputShown(drive.output.name)]
            view.wants.append((f"{shown.type} {shown.member};", self.rest(drive.output)))
            view.shows += self.show(part, drive)

    def setting(self, output: Output, setting: Setting | None) -> list[str]:
        """The statement that asks for ``setting``; none where it is the output's rest."""
        shown = self.layout.by_key[OutputShown(output.name)]
        name = f"want.{shown.member}"
        match setting, output:
            case None, _:
                return []
            case FromDial(dial, negative), _:
                item = self.layout.by_key[DialValue(dial)]
                kept = f"now.{item.path}"
                value = f"-{kept}" if negative else kept
                same = not negative and item.type == shown.type
                return [f"{name} = {value if same else f'static_cast<{shown.type}>({value})'};"]
            case Share(dial, percent), _:
                wide = abs(percent) * max(map(abs, reach(FromDial(dial), self.dial_of))) > INT16_MAX
                factor = f"int32_t{{{percent}}}" if wide else str(percent)
                return [f"{name} = static_cast<{shown.type}>({factor} * {self.at(DialValue(dial))} / 100);"]
            case Mix(), _:
                return self.mixed(f"{name} = ", setting, output, shown.type)
            case Follows(), _:
                there, reading = self.followed(setting)
                call = f"{name} = {self.curve(output, setting)}({reading});"
                return [call] if there == TRUE else [f"if ({there}) {{{self.followed_mark(output)}", f"    {call}", "}"]
            case Blink(period), _:
                phase = self.member("blink", str(period))
                lit = f"{phase} < {self.quantities.ticks(period // 2)}"
                if isinstance(output, DimLamp):
                    lit = f"{lit} ? {self.quantities.reading(Unit.PERCENT, FULL)} : int8_t{{0}}"
                return [f"{name} = {lit};"]
            case Fixed(value), Motor() | DimLamp():
                return [f"{name} = {self.quantities.reading(Unit.PERCENT, value)};"] if value else []
            case Fixed(value), Stepper():
                return [f"{name} = {self.quantities.reading(Unit.RATE, value)};"] if value else []
            case Fixed(value), Servo(rest=rest):
                return [f"{name} = {self.quantities.reading(Unit.ANGLE, value)};"] if value != rest else []
            case Fixed(value), HandOutput(unit=unit, rest=rest):
                return [f"{name} = {self.quantities.reading(unit, value)};"] if value != rest else []
            case Fixed(value), _:
                return [f"{name} = true;"] if value else []
        raise AssertionError(setting)

    def followed(self, asked: Follows) -> tuple[Expr, str]:
        """When what ``asked`` follows is there, and its reading."""
        words = CppWords(self)
        there = all_of(words.valid(sensor) for sensor in asked.sensors)
        if not isinstance(asked.less, Term):
            return there, words.term(asked.of)
        one, other = (self.measured(term) for term in asked.terms)
        wide = max(one.high - other.low, other.high - one.low) > INT16_MAX
        first = words.term(asked.of)
        return there, f"{f'static_cast<int32_t>({first})' if wide else first} - {words.term(asked.less)}"

    def followed_mark(self, output: Output) -> str:
        """One mark for all of a part's outputs, so that modes that set the same have the same lines."""
        owner = self.machine.owner(output.name)
        assert owner is not None
        if owner.name not in self.followed_marks:
            self.followed_marks[owner.name] = self.marks.add(Origin("followed", owner.name))
        return self.followed_marks[owner.name]

    def curve(self, output: Output, asked: Follows) -> str:
        """The name of the function that says what ``output`` is set to at a reading of what it follows."""
        key = (output.name, asked)
        if key not in self.curves:
            sources = "_less_".join(term.name for term in asked.terms)
            name = self.scope.add(f"{output.name}_by_{sources}")
            thing = self.measured(asked.of)
            unit = Unit.NUMBER if isinstance(thing, Counter) else thing.unit
            to = unit_of_output(output)
            type_name = output_type(output)
            ends = [(self.amount(unit, x), self.amount(to, y)) for x, y in asked.points]
            lines = [f"if (reading <= {ends[0][0]}) {{", f"    return {ends[0][1]};", "}"]
            for ((x, y), (last_x, last_y)), (one, other) in zip(pairwise(ends), pairwise(asked.points), strict=True):
                if one[1] == other[1]:
                    value = last_y
                else:
                    rise, run = self.apart(y, last_y, other[1] - one[1]), self.apart(x, last_x, other[0] - one[0])
                    value = f"static_cast<{type_name}>({y} + {rise} * (reading - {x}) / {run})".replace("- -", "+ ")
                lines += [f"if (reading <= {last_x}) {{", *indented(broken(f"return {value};")), "}"]
            lines.append(f"return {ends[-1][1]};")
            points = " .. ".join(f"{unit.show(x)} {to.show(y)}" for x, y in asked.points)
            self.curves[key] = Curve(name, type_name, " - ".join(term.name for term in asked.terms), points, lines)
        return self.curves[key].function

    def amount(self, unit: Unit, steps: int) -> str:
        """A quantity by its name; 0 as it is."""
        return self.quantities.reading(unit, steps) if steps else "0"

    def apart(self, first: str, last: str, span: int) -> str:
        """``last - first``, which is ``span``, in parentheses; in 32 bits where 16 would not do."""
        left = f"static_cast<int32_t>({last})" if abs(span) > INT16_MAX else last
        return left if first == "0" else f"({left} - {first})".replace("- -", "+ ")

    def mixed(self, opening: str, mix: Mix, output: Output, type_name: str) -> list[str]:
        """The statement that sets an output to the sum of two dials, held to its range where it may leave it."""
        (least, most), (low, high) = span_of(output), reach(mix, self.dial_of)
        one = f"{'-' if mix.one.negative else ''}{self.at(DialValue(mix.one.dial))}"
        if max(abs(low), abs(high)) > INT16_MAX:
            one = f"static_cast<int32_t>({one})"
        sum_of = f"{one} {'-' if mix.other.negative else '+'} {self.at(DialValue(mix.other.dial))}"
        if least <= low and high <= most:
            return [f"{opening}static_cast<{type_name}>({sum_of});"]
        unit = unit_of_output(output)
        ends = ", ".join(self.quantities.reading(unit, end) if end else "0" for end in (least, most))
        return broken(f"{opening}static_cast<{type_name}>(within({sum_of}, {ends}));")

    def show(self, part: Part, drive: Drive) -> list[str]:
        """From what the mode asks to what the output shows."""
        output = drive.output
        shown = self.layout.by_key[OutputShown(output.name)]
        where, want = f"now.{shown.path}", f"want.{shown.member}"
        if isinstance(output, Stepper):
            return self.show_stepper(part, drive, where, want)
        if not isinstance(output, Motor):
            return [f"{where} = {want};"]
        if not keeps_state(output):
            return [f"{where} = turned({where}, {want});"]
        direction, rested = self.at(MotorDirection(output.name)), self.at(MotorRest(output.name))
        type_name = clock_type(drive.pause)
        pause = self.quantities.ticks(drive.pause)
        if drive.ramp is None:
            return broken(f"{where} = turned<{type_name}>({want}, {direction}, {rested}, {pause});")
        position = self.at(MotorPosition(output.name))
        stops = self.stops(part, drive)
        if whole_steps(self.machine, output):
            most = min(drive.ramp // 1000, 100)
            step = self.quantities.other(f"{output.name}_ramp", "int8_t", most, "percent a tick")
        else:
            step = self.scope_constant(f"{output.name}_ramp", drive.ramp)
        call = f"{where} = ramped<{type_name}>({position}, {want}, {stops}, {step}, {direction}, {rested}, {pause});"
        return broken(call)

    def show_stepper(self, part: Part, drive: Drive, where: str, want: str) -> list[str]:
        """Likewise, for a stepper."""
        if drive.ramp is None:
            return [f"{where} = turned_rate({where}, {want});"]
        name = drive.output.name
        step = self.quantities.other(f"{name}_ramp", "int32_t", drive.ramp, "thousandths of a tenth of a hertz a tick")
        position, stops = self.at(MotorPosition(name)), self.stops(part, drive)
        return broken(f"{where} = ramped_rate({position}, {want}, {stops}, {step});")

    def stops(self, part: Part, drive: Drive) -> Expr:
        """Whether it is at rest whatever its ramp."""
        stops = self.member_of(part, drive.at_once) if drive.at_once or not drive.gently else FALSE
        for mode, ticks in drive.gently:
            over = test(self.at(ModeClock(part.name)), ">=", self.quantities.ticks(ticks))
            stops = any_of([stops, all_of([self.member_of(part, (mode,)), over])])
        self.needs |= stops.uses
        return stops

    def scope_constant(self, name: str, value: int) -> str:
        """A constant of the machine's own: thousandths of a percent a tick."""
        return self.quantities.other(name, "int32_t", value, "thousandths of a percent a tick")

    def is_held(self, output: Output, asked: Setting | None) -> bool:
        """Whether ``asked`` is a sum that may leave the range of ``output``."""
        if not isinstance(asked, Mix):
            return False
        (least, most), (low, high) = span_of(output), reach(asked, self.dial_of)
        return low < least or most < high

    def motor_helpers(self) -> dict[str, bool]:
        """Which of the functions that move motors and steppers are needed."""
        motors = [o for o in self.machine.outputs if isinstance(o, Motor) and self.machine.owner(o.name)]
        steppers = [o for o in self.machine.outputs if isinstance(o, Stepper) and self.machine.owner(o.name)]
        return {
            "rates": any(each.ramp is None for each in steppers),
            "ramped_rates": any(each.ramp is not None for each in steppers),
            "simple": any(not keeps_state(m) for m in motors),
            "paused": any(keeps_state(m) and not whole_steps(self.machine, m) for m in motors),
            "only_paused": any(keeps_state(m) and m.ramp is None for m in motors),
            "ramped": any(m.ramp is not None and not whole_steps(self.machine, m) for m in motors),
            "stepped": any(whole_steps(self.machine, m) for m in motors),
        }
