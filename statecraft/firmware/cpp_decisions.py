"""Step 4 of the tick as C++: the rows of each part, in the switch over its modes or beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import replace

from statecraft.firmware.conditions import (
    FALSE,
    TRUE,
    Expr,
    all_of,
    any_of,
    bare,
    expression,
    negation,
    test,
)
from statecraft.firmware.cpp_outputs import OutputsWriter
from statecraft.firmware.cpp_statements import (
    CppStatement,
    Origin,
    condition_lines,
    indented,
)
from statecraft.firmware.cpp_updates import UpdatesWriter
from statecraft.firmware.cpp_vocabulary import Case, CppWords, Helper, PartView, given
from statecraft.firmware.layout import (
    mode_type,
)
from statecraft.machine import (
    Part,
    Row,
)
from statecraft.semantics.decisions import CopyToCounter, CounterChange, Decision, PartTick, SetCounter, read_first
from statecraft.semantics.guards import Guard, Known
from statecraft.semantics.keys import (
    CounterValue,
    DialValue,
    GroupClock,
    ModeClock,
)


class DecisionsWriter(UpdatesWriter, OutputsWriter):
    """Writes which row decides, and what it does."""

    def part(self, part: Part) -> PartView:
        """The rows of one part, and its outputs."""
        machine = self.machine
        turn = self.tick.part[part.name]
        row = self.layout.get("row", part.name)
        clock = self.layout.by_key.get(ModeClock(part.name))
        suffix = "" if len(machine.parts) == 1 else f"_{part.name}"
        view = PartView(
            name=part.name,
            type=mode_type(machine, part),
            mode=self.mode_member(part),
            row=f"now.{row.path}" if row else "",
            changed=self.member("changed", part.name) if row else "",
            in_mode=f"now.{clock.path}" if clock else "",
            go=f"go{suffix}",
            decide=f"decide{suffix}",
            set_outputs=f"set_outputs{suffix}",
            modes=[(self.modes[part.name][mode.name], self.line_of(mode.place)) for mode in part.modes],
            no_row="255" if row is None or row.type == "uint8_t" else "65535",
            row_type=row.type if row else "",
            has_failsafes=bool(part.failsafes),
        )
        for item in self.clock_fields(GroupClock):
            if isinstance(item.key, GroupClock) and item.key.part == part.name:
                modes = part.group[item.key.group].modes
                comes_in = all_of([self.member_of(part, modes, "target"), negation(self.member_of(part, modes))])
                if comes_in.known is not False:  # a group of all modes is never come into
                    view.group_resets.append((str(comes_in), f"now.{item.path}"))
                    self.needs |= comes_in.uses
        before, inside, after = arrange(turn)
        first = [self.row(turn, view, each, each.modes, asks_mode=True) for each in before]
        cases, view.all_cased = self.cases(turn, view, inside)
        last = [self.row(turn, view, each, each.modes, asks_mode=True) for each in after]
        ending = last or ([] if cases else first)
        if ending and ending[-1].lines[-2:] == ("    return;", "}"):
            ending[-1] = replace(ending[-1], lines=(*ending[-1].lines[:-2], "}"))
        rows = [*first, *last, *(statement for _, statements in cases for statement in statements)]
        view.before, view.after = self.laid(first), self.laid(last)
        view.cases = [Case(labels, tuple(self.laid(statements))) for labels, statements in cases]
        needs = frozenset[str]().union(*(statement.needs for statement in rows))
        self.needs |= needs
        view.reads_inputs = "in" in needs
        view.helpers = {text: found for text, found in view.helpers.items() if found[0] in needs}
        view.goes = any(f"{view.go}(" in line for statement in rows for line in statement.lines)
        self.outputs(part, view)
        return view

    def cases(
        self, turn: PartTick, view: PartView, rows: dict[str, tuple[Row, ...]]
    ) -> tuple[list[tuple[tuple[str, ...], list[CppStatement]]], bool]:
        """The cases of the switch: modes with the same rows share one."""
        sharing: dict[tuple[Row, ...], list[str]] = {}
        for mode in turn.part.modes:
            if rows[mode.name]:
                sharing.setdefault(rows[mode.name], []).append(mode.name)
        found = []
        for shared, modes in sharing.items():
            statements = [self.row(turn, view, row, modes, asks_mode=False) for row in shared]
            if statements[-1].lines[-1] != "return;":
                statements.append(CppStatement(("break;",)))
            found.append((tuple(self.label(turn.part, mode) for mode in modes), statements))
        return found, sum(len(labels) for labels, _ in found) == len(turn.part.modes)

    def row(self, turn: PartTick, view: PartView, row: Row, modes: Sequence[str], *, asks_mode: bool) -> CppStatement:
        """One row: its comment, its test, what it does. ``modes``: those the part can be in where this stands."""
        part = turn.part
        decisions = [each for each in turn.of_row[row.number] if each.mode.name in modes]
        words = CppWords(self, row.when_text)
        when = [self.by_mode(part, modes, {d.mode.name: d.guard for d in decisions}, words)]
        if asks_mode:
            when.insert(0, self.member_of(part, modes))
        when.append(negation(self.barred(part, view, decisions, modes)))
        condition = all_of(when)
        lines = [f"// Row {row.number}, {self.line_of(row.place)}"]
        origin = Origin("row", part.name, row.number)
        if condition.known is False:
            return CppStatement((*lines, "// (never holds)"), origin, apart=True)
        action = self.action(part, view, row, decisions, condition)
        if condition.known is True:
            return CppStatement((*lines, *action, "return;"), origin, apart=True)
        lines += [*condition_lines("if", condition), *indented(action), "    return;", "}"]
        return CppStatement(tuple(lines), origin, condition.uses, apart=True)

    def by_mode(self, part: Part, modes: Sequence[str], guards: Mapping[str, Guard], words: CppWords) -> Expr:
        """What each of ``modes``, those the part can be in, asks: said once where they ask the same."""
        asking: dict[Guard, list[str]] = {}
        for mode in modes:
            asking.setdefault(guards.get(mode, Known(False)), []).append(mode)
        if len(asking) == 1:
            return expression(next(iter(asking)), words)
        return any_of(all_of([self.member_of(part, in_), expression(guard, words)]) for guard, in_ in asking.items())

    def barred(self, part: Part, view: PartView, decisions: Sequence[Decision], modes: Sequence[str]) -> Expr:
        """A failsafe holds that applies in the moving mode that a rule would enter, judged as if entered; those that
        have just been found not to hold are left out.
        """
        leading: dict[str, list[Decision]] = {}
        for decision in decisions:
            if any(not bar.told for bar in decision.bars):
                leading.setdefault(decision.target.name, []).append(decision)
        asked = []
        for target, sources in leading.items():
            sources = [d for d in decisions if d.bars and d.target.name == target]
            from_modes = [decision.mode.name for decision in sources]
            bars = {bar.failsafe.number: bar.failsafe for d in sources for bar in d.bars if not bar.told}
            holds = any_of(
                self.by_mode(
                    part,
                    from_modes,
                    {d.mode.name: bar.guard for d in sources for bar in d.bars if bar.failsafe.number == number},
                    CppWords(self, bars[number].when_text),
                )
                for number in sorted(bars)
            )
            here = TRUE if set(from_modes) == set(modes) else self.member_of(part, from_modes)
            asked.append(all_of([here, self.helper(view, target, holds)]))
        return any_of(asked)

    def helper(self, view: PartView, target: str, holds: Expr) -> Expr:
        """A call of the function that says ``holds``; written once for all rows that ask the same."""
        if holds.known is not None:
            return holds
        text = str(holds)
        if text not in view.helpers:
            name = self.scope.add("held_back" if not view.helpers else f"held_back_from_{target}")
            lines = tuple(condition_lines("return", holds, closing=";"))
            statement = CppStatement(lines, Origin("held back", view.name))
            view.helpers[text] = (name, Helper(tuple(self.laid([statement])), "in" in holds.uses))
        name = view.helpers[text][0]
        return bare(f"{name}({given('in' in holds.uses)})", holds.uses | {name})

    def action(self, part: Part, view: PartView, row: Row, decisions: Sequence[Decision], condition: Expr) -> list[str]:
        """What a row does once it decides, where ``condition`` holds."""
        known = {piece.text for piece in condition.parts} if condition.joint == "&&" else {condition.text}
        staying = [decision for decision in decisions if not decision.enters]
        moving = [decision for decision in decisions if decision.enters]
        restarts = row.move == "restart"
        lines: list[str] = []
        in_place = staying[0].changes if staying else ()
        counters = [change.counter for change in in_place]
        if not view.changed:
            counters = []
        elif in_place and len(set(counters)) == len(counters):
            lines.append(f"{view.changed} = {any_of(self.would_change(change) for change in in_place)};")
        elif in_place:
            for key in dict.fromkeys(counters):
                lines.append(f"const auto {key.name}_before = {self.at(key)};")
        made = moving[0].changes if moving else in_place
        aside = {key: f"{key.name}_was" for key in read_first(made)}
        changing = [f"const auto {name} = {self.at(key)};" for key, name in aside.items()]
        for change in made:
            statement = self.change(change, known, aside)
            known = set()
            if staying and moving and change not in in_place:
                target = self.label(part, moving[0].target.name)
                changing += [f"if ({view.mode} != {target}) {{", *indented(statement), "}"]
            else:
                changing += statement
        lines += ["{", *indented(changing), "}"] if aside else changing
        if counters and len(set(counters)) != len(counters):
            differ = (test(self.at(key), "!=", f"{key.name}_before") for key in dict.fromkeys(counters))
            lines.append(f"{view.changed} = {any_of(differ)};")
        if moving and not restarts:
            number = f"{row.number}, " if view.row else ""
            return [*lines, f"{view.go}({number}{self.label(part, moving[0].target.name)});"]
        if view.row:
            lines.append(f"{view.row} = {row.number};")
        if restarts:
            lines += [f"{view.changed} = true;"] if view.changed else []
            lines += [f"{view.in_mode} = 0;"] if view.in_mode else []
        return lines

    def would_change(self, change: CounterChange) -> Expr:
        """The change would alter the counter or dial."""
        name = self.at(change.counter)
        if isinstance(change, SetCounter):
            return test(name, "!=", self.set_to(change))
        if isinstance(change, CopyToCounter):
            return test(name, "!=", self.copied(change, self.at(change.source)))
        if change.round:
            return FALSE if change.by % (change.high - change.low + 1) == 0 else TRUE
        if change.by == 0 or change.low == change.high:
            return FALSE
        return test(name, "<", change.high) if change.by > 0 else test(name, ">", change.low)

    def change(
        self, change: CounterChange, known: Set[str], aside: Mapping[CounterValue | DialValue, str]
    ) -> list[str]:
        """``aside`` is where that stands which is copied after it has changed."""
        if isinstance(change, SetCounter):
            return [f"{self.at(change.counter)} = {self.set_to(change)};"]
        if isinstance(change, CopyToCounter):
            source = aside.get(change.source) or self.at(change.source)
            return [f"{self.at(change.counter)} = {self.copied(change, source)};"]
        return self.step(self.counters[change.counter.name], change.by, known)

    def copied(self, change: CopyToCounter, source: str) -> str:
        """What a counter becomes that is set to ``source``; in 32 bits where it goes round, which may be by 60,000."""
        name = change.source.name
        thing = self.counters[name] if isinstance(change.source, CounterValue) else self.dial_of[name]
        type_name, low, high = self.layout.by_key[change.counter].type, change.low, change.high
        under, over = thing.low < low, thing.high > high
        if change.round and (under or over):
            size, above = high - low + 1, f"static_cast<int32_t>({source})"
            rest = f"({above} {'-' if low > 0 else '+'} {abs(low)}) % {size}L" if low else f"{above} % {size}L"
            rest = f"({rest} + {size}L) % {size}L" if under else rest
            back = f" {'+' if low > 0 else '-'} {abs(low)}" if low else ""
            return f"static_cast<{type_name}>({rest}{back})"
        if not under and not over:
            same = self.layout.by_key[change.source].type == type_name
            return source if same else f"static_cast<{type_name}>({source})"
        held = f"{source} > {high} ? {high} : {source}" if over else source
        held = f"{source} < {low} ? {low} : {held}" if under else held
        return f"static_cast<{type_name}>({held})"

    def set_to(self, change: SetCounter) -> int | str:
        """What a row sets a counter or a dial to; a dial's value in its unit."""
        if isinstance(change.counter, CounterValue):
            return change.value
        return self.quantities.reading(self.dial_of[change.counter.name].unit, change.value)


def arrange(turn: PartTick) -> tuple[list[Row], dict[str, tuple[Row, ...]], list[Row]]:
    """Which rows stand before the switch, in it (by mode), and after it, so that most are written once.

    Failsafes stand before it. A rule that would be needed in several cases stands before or after it when that leaves
    the order of the rows in each of its modes as it is.
    """
    here = {
        mode: tuple(decision.row for decision in decisions if not decision.row.failsafe)
        for mode, decisions in turn.in_mode.items()
    }
    rules = turn.part.rules
    several = [row for row in rules if len({here[name] for name in row.modes}) > 1]

    def movable(rows: Sequence[Row], taken: Sequence[Row]) -> list[Row]:
        """The rows of ``several`` that come, in each of their modes, before every row that stays."""
        moved: list[Row] = []
        blocked: set[str] = set()
        for row in rows:
            if row in taken:
                continue
            if row in several and not blocked & set(row.modes):
                moved.append(row)
            else:
                blocked |= set(row.modes)
        return moved

    after = movable(rules[::-1], [])[::-1]
    first = movable(rules, after)
    apart = [*first, *after]
    inside = {name: tuple(row for row in rows if row not in apart) for name, rows in here.items()}
    return [*turn.part.failsafes, *first], inside, after
