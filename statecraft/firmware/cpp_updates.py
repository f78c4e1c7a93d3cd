"""Steps 2 and 3 of the tick as C++: who was heard, clocks, counters, readings that are remembered or steady, levels."""

from __future__ import annotations

from collections.abc import Set

from statecraft.firmware.conditions import (
    INPUTS,
    TRUE,
    Expr,
    expression,
    negation,
    otherwise,
)
from statecraft.firmware.cpp_statements import (
    CppStatement,
    Origin,
    broken,
    comment,
    condition_lines,
    indented,
)
from statecraft.firmware.cpp_vocabulary import INT16_MAX, Case, CppWords, Vocabulary, key_of, no_anchor, reading_fits
from statecraft.firmware.layout import (
    blinks,
    heard,
    heard_name,
    reading_type,
)
from statecraft.firmware.names import STEP_WORDS
from statecraft.machine import (
    Counter,
    Machine,
    Servo,
    Term,
)
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    CounterValue,
    DialValue,
    GroupClock,
    Key,
    LevelState,
    ModeClock,
    OutputShown,
    SilenceClock,
)
from statecraft.semantics.updates import Count, Latch, Movement, Steps


class UpdatesWriter(Vocabulary):
    """Writes what changes before any row is asked."""

    def heard_lines(self) -> tuple[list[str], list[Case]]:
        """What hearing a command marks: for every command alike, then by command."""
        effects: dict[str, tuple[str, ...]] = {}
        listened = heard(self.machine)
        for command in self.machine.commands:
            marks = [h.clock for h in self.tick.hearings if command.name in h.commands and h.clock in listened]
            effects[command.name] = tuple(f"{self.heard(mark)} = true;" for mark in marks)
        common = [
            line for line in dict.fromkeys(line for lines in effects.values() for line in lines)
            if all(line in lines for lines in effects.values())
        ]  # fmt: skip
        cases: dict[tuple[str, ...], list[str]] = {}
        for name, lines in effects.items():
            rest = tuple(line for line in lines if line not in common)
            if rest:
                cases.setdefault(rest, []).append(f"Command::{self.commands[name]}")
        return common, [Case(tuple(labels), lines) for lines, labels in cases.items()]

    def heard(self, clock: Key) -> str:
        """The bit that says that someone was heard who sets ``clock`` to 0."""
        assert isinstance(clock, AbsenceClock | SilenceClock)
        return self.member("heard", heard_name(clock))

    def dials(self) -> list[dict[str, str | list[str]]]:
        """Each dial: its function's pieces."""
        found: list[dict[str, str | list[str]]] = []
        listened = heard(self.machine)
        for dial in self.machine.dials:
            marks = [self.heard(h.clock) for h in self.tick.hearings if dial.name in h.dials and h.clock in listened]
            item = self.layout.get("dial", dial.name)
            assert item is not None
            found.append(
                {
                    "name": item.member,
                    "type": item.type,
                    "value": f"now.{item.path}",
                    "marks": [f"{mark} = true;" for mark in marks],
                    "note": self.line_of(dial.place),
                    "unit": STEP_WORDS[dial.unit] or "a number",
                }
            )
        return found

    def advances(self) -> list[str]:
        """Step 2: clocks, blinks, and counters that count time."""
        lines = []
        for item in self.clock_fields(ModeClock, GroupClock, AbsenceClock, SilenceClock, AgeClock):
            lines.append(f"advance<{item.type}>(now.{item.path}, {self.quantities.ticks(item.limit)});")
        for period in blinks(self.machine):
            phase = self.member("blink", str(period))
            lines.append(f"if (++{phase} == {self.quantities.ticks(period)}) {{")
            lines += [f"    {phase} = 0;", "}"]
        for count in self.tick.counts:
            lines += self.counting(count)
        for steps in self.tick.steps:
            lines += self.stepping(steps)
        return lines

    def stepping(self, steps: Steps) -> list[str]:
        """A counter of a stepper's steps."""
        counter, item = self.counters[steps.counter.name], self.layout.by_key[steps.counter]
        by = f"steps_made({self.at(OutputShown(steps.stepper))}, {self.at(steps.rest)})"
        size = counter.high - counter.low + 1
        most = max(abs(steps.low), abs(steps.high)) + steps.most
        wide = "int16_t" if most <= INT16_MAX else "int32_t"
        if steps.round and steps.most >= size:
            by = f"static_cast<{wide}>({by} % {size})"
        how = "round" if steps.round else "within"
        call = f"moved_{how}<{item.type}, {wide}>(now.{item.path}, {by}, {counter.low}, {counter.high})"
        return [f"// {self.line_of(counter.place)}", *broken(f"now.{item.path} = {call};")]

    def kept(self) -> list[dict[str, str | int]]:
        """What outlasts the power."""
        found: list[dict[str, str | int]] = []
        for thing in self.machine.stored:
            item = self.layout.by_key[key_of(thing)]
            read = f"now.{item.path}"
            span = thing.low, thing.high
            found.append(
                {
                    "name": item.member if isinstance(thing, Counter) else f"{item.member}_dial",
                    "note": f"{thing.low} .. {thing.high}; {self.line_of(thing.place)}",
                    "start": thing.start,
                    "low": thing.low,
                    "high": thing.high,
                    "read": read if reading_fits(span, "int16_t") else f"static_cast<int16_t>({read})",
                }
            )
        return found

    def movements(self) -> list[str]:
        """Step 2: counters that count from outside."""
        lines = []
        for movement in self.tick.movements:
            counter = self.counters[movement.counter.name]
            size, by = counter.high - counter.low + 1, f"in.{self.inputs[counter.name]}"
            wide = self.wide(movement)
            item = self.layout.by_key[movement.counter]
            if movement.round and movement.most >= size:
                by = f"static_cast<{wide}>({by} % {size})"
            how = "round" if movement.round else "within"
            call = f"moved_{how}<{item.type}, {wide}>(now.{item.path}, {by}, {counter.low}, {counter.high})"
            lines += [f"// {self.line_of(counter.place)}", *broken(f"now.{item.path} = {call};")]
        return lines

    def wide(self, movement: Movement) -> str:
        """The type in which a counter and what moves it can be added."""
        most = max(abs(movement.low), abs(movement.high)) + movement.most
        return "int16_t" if most <= INT16_MAX else "int32_t"

    def movers(self) -> set[str]:
        """Which of the two functions that move counters are needed."""
        rounds = [*(each.round for each in self.tick.movements), *(each.round for each in self.tick.steps)]
        return {"round" if each else "within" for each in rounds}

    def hearings(self) -> list[str]:
        """Step 2: the clocks of who was heard."""
        lines = []
        for clock in heard(self.machine):
            lines += [f"if ({self.heard(clock)}) {{", f"    {self.at(clock)} = 0;", "}"]
        return [*lines, "now.heard = {};"] if lines else []

    def counting(self, count: Count) -> list[str]:
        """A counter that counts time: its remainder, and its step when that is full."""
        lines = [f"// {comment(f'{count.counter.name} {count.text}'.strip())}"]
        step = self.step(self.counters[count.counter.name], count.by)
        inside = self.member_of(self.machine.part(count.part), count.modes)
        self.needs |= inside.uses
        if count.ticks > 1:
            rest = self.at(count.remainder)
            step = [
                f"if (++{rest} == {self.quantities.ticks(count.ticks)}) {{",
                f"    {rest} = 0;",
                *indented(step),
                "}",
            ]
        return lines + (step if inside.known else [*condition_lines("if", inside), *indented(step), "}"])

    def step(self, counter: Counter, amount: int, known: Set[str] = frozenset()) -> list[str]:
        """Step a counter, saturating; ``known`` are comparisons that hold where this stands."""
        item = self.layout.by_key[CounterValue(counter.name)]
        name = f"now.{item.path}"
        if amount == 0:
            return []
        if counter.round:
            return self.step_round(counter, amount, name, item.type)
        end = counter.high if amount > 0 else counter.low
        if abs(amount) >= counter.high - counter.low:
            return [f"{name} = {end};"]
        if abs(amount) == 1:
            sign, op = ("++", "<") if amount > 0 else ("--", ">")
            step = f"{sign}{name};"
            return [step] if f"{name} {op} {end}" in known else [f"if ({name} {op} {end}) {{", f"    {step}", "}"]
        op, sign = ("<", "+") if amount > 0 else (">", "-")
        moved = f"static_cast<{item.type}>({name} {sign} {abs(amount)})"
        lines = [f"if ({name} {op} {end - amount}) {{", f"    {name} = {moved};"]
        return [*lines, "} else {", f"    {name} = {end};", "}"]

    def step_round(self, counter: Counter, amount: int, name: str, type_name: str) -> list[str]:
        """Step a counter that goes round, by less than all of it."""
        size = counter.high - counter.low + 1
        by = amount % size if amount > 0 else -(-amount % size)
        if by == 0:
            return []
        up = by > 0
        if abs(by) == 1:
            end, other = (counter.high, counter.low) if up else (counter.low, counter.high)
            lines = [f"if ({name} {'<' if up else '>'} {end}) {{", f"    {'++' if up else '--'}{name};"]
            return [*lines, "} else {", f"    {name} = {other};", "}"]
        last, back = (counter.high - by, size - by) if up else (counter.low - by, size + by)
        there, here = ("+", "-") if up else ("-", "+")
        lines = [f"if ({name} {'<=' if up else '>='} {last}) {{"]
        lines += [f"    {name} = static_cast<{type_name}>({name} {there} {abs(by)});", "} else {"]
        return [*lines, f"    {name} = static_cast<{type_name}>({name} {here} {back});", "}"]

    def memories(self) -> list[CppStatement]:
        """Step 2: readings that are taken in a mode."""
        found = []
        for memory in self.tick.memories:
            words, source, sensor = CppWords(self), Term("sensor", memory.of), self.machine.sensor(memory.sensor)
            when = expression(memory.guard, words)
            value = self.narrowed(words.term(source), words.span(source), reading_type(sensor))
            lines = [
                f"// {self.line_of(sensor.place)}",
                *condition_lines("if", when),
                f"    {self.at(memory.value)} = {value};",
                f"    {self.at(memory.age)} = 0;",
                "}",
            ]
            needs = when.uses.union(INPUTS if words.measured(source) else ())
            found.append(CppStatement(tuple(lines), needs=needs))
        return found

    def starts(self) -> list[str]:
        """What is not 0 when the machine starts."""
        lines = []
        for item in self.clock_fields(AbsenceClock, SilenceClock, AgeClock):
            lines.append(f"now.{item.path} = {self.quantities.ticks(item.limit)};")
        for level in self.machine.levels:
            if level.starts_on:
                lines.append(f"{self.at(LevelState(level.name))} = true;")
        for thing, kept in zip(self.machine.stored, self.kept(), strict=True):
            item = self.layout.by_key[key_of(thing)]
            lines.append(f"now.{item.path} = static_cast<{item.type}>(recalled.{kept['name']});")
        for counter in self.counters.values():
            if counter.start and not counter.stored:
                lines.append(f"{self.at(CounterValue(counter.name))} = {counter.start};")
        for dial in self.machine.dials:
            if dial.start and not dial.stored:
                value = self.quantities.reading(dial.unit, dial.start)
                lines.append(f"{self.at(DialValue(dial.name))} = {value};")
        for item in self.layout.of_kind("anchor"):
            lines.append(f"now.{item.path} = {no_anchor(item.type)};")
        for item in self.layout.of_kind("rested"):
            lines.append(f"now.{item.path} = {self.quantities.ticks(item.limit)};")
        for output in self.machine.outputs:
            rest = "servo_idle" if isinstance(output, Servo) and output.rest is None else self.rest(output)
            if rest not in ("0", "false") and (rest == "servo_idle" or self.machine.owner(output.name) is None):
                lines.append(f"{self.at(OutputShown(output.name))} = {rest};")
        return lines

    def steadies(self) -> list[CppStatement]:
        """The anchors and clocks of steady readings."""
        found = []
        for follow in self.tick.followings:
            words, term = CppWords(self), follow.term
            value, valid = words.term(term), TRUE if term.kind == "counter" else words.valid(follow.sensor)
            anchor = self.layout.by_key[follow.anchor]
            band = words.constant(term, follow.band)
            where = f"now.{anchor.path}"
            clock = self.layout.by_key.get(follow.clock)
            reset = [f"    now.{clock.path} = 0;"] if clock else []
            lines = ["if ("]
            if term.kind == "sensor":
                lines = [*condition_lines("if", negation(valid)), f"    {where} = {no_anchor(anchor.type)};", *reset]
                lines += ["} else if ("]
            none = f"{where} == {no_anchor(anchor.type)}"
            apart = f"apart({value}, {where}) > {band}"
            lines[-1] += f"{none} || {apart}) {{"
            lines += [f"    {where} = {value};", *reset]
            if clock:
                ticks = self.quantities.ticks(follow.ticks)
                lines += ["} else {", f"    advance<{clock.type}>(now.{clock.path}, {ticks});"]
            needs = valid.uses.union(INPUTS if words.measured(term) else ())
            found.append(CppStatement((*lines, "}"), needs=needs))
        return found

    def levels(self) -> list[CppStatement]:
        """Step 3, level by level."""
        return [self.level(latch) for latch in self.tick.latches]

    def level(self, latch: Latch) -> CppStatement:
        level = latch.level
        text = level.text or self.machine.line(level.place)
        calls: dict[str, str] = {}
        needs: frozenset[str] = frozenset()
        for hold in latch.holds:
            local = f"{level.name}_{hold.clock.side}_for_its_time"
            clock, of = self.layout.by_key[hold.clock], expression(hold.of, CppWords(self, text))
            needs |= of.uses
            ticks = self.quantities.ticks(hold.limit - 1, level.text)
            calls[local] = f"held<{clock.type}>(now.{clock.path}, {of}, {ticks})"
        words = CppWords(self, text, dict(zip((hold.clock for hold in latch.holds), calls, strict=True)))
        on, off = expression(latch.on, words), expression(latch.off, words)
        body, asked = self.decided(level.name, on, off)
        lines = [f"// {self.line_of(level.place)}"]
        for local, call in calls.items():
            used = any(local in line for line in body)  # the time goes on even where its end decides nothing
            lines += broken(f"const bool {local} = {call};" if used else f"{call};")
        return CppStatement((*lines, *body), Origin("level", level=level.name), needs | asked, apart=True)

    def decided(self, level: str, on: Expr, off: Expr) -> tuple[list[str], frozenset[str]]:
        """The lines that turn ``level`` on where ``on`` holds, and off where only ``off`` does; what they need."""
        name = self.at(LevelState(level))
        if on.known is True:
            return [f"{name} = true;"], frozenset()
        if on.known is False:
            lines = [] if off.known is False else [*condition_lines("if", off), f"    {name} = false;", "}"]
            return lines, off.uses
        off = otherwise(off, on)
        if off.known is True:
            return condition_lines(f"{name} =", on, closing=";"), on.uses
        lines = [*condition_lines("if", on), f"    {name} = true;"]
        if off.known is None:
            lines += [*condition_lines("} else if", off), f"    {name} = false;"]
        return [*lines, "}"], on.uses | off.uses


def kept_members(machine: Machine) -> list[dict[str, str | int]]:
    """The members of ``Kept``: what outlasts the power, with its ``name`` there and its ``low`` and ``high`` ends."""
    return UpdatesWriter(machine).kept()
