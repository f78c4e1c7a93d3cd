"""A run in words: what comes in, which row leads where, and what is then so."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, cast

from statecraft.findings import Finding, Run, Stimulus
from statecraft.folding import folded, listed, plural
from statecraft.machine import (
    Compare,
    Condition,
    InMode,
    LevelOn,
    Machine,
    Motor,
    OutputIs,
    Part,
    Promise,
    Relay,
    Remembered,
    Row,
    Servo,
    Stepper,
    Term,
    atoms,
    sensors_of,
)
from statecraft.proof.runs.counterfactual_tick import hoped
from statecraft.proof.runs.minimise import MOST_TICKS, Minimised, minimise, unrolled
from statecraft.proof.runs.replay import held_states
from statecraft.proof.runs.trials import condition_text, modes_text
from statecraft.report import words
from statecraft.report.repeats import Repeat, Spell, rounds, told_once
from statecraft.semantics import tick_of
from statecraft.semantics.cone import counters_asked
from statecraft.semantics.guards import tests
from statecraft.simulation import State, Trace, View, observer
from statecraft.simulation.row_sight import RowSight
from statecraft.simulation.state import layout
from statecraft.simulation.trial import values_read

Moment = Callable[[Machine, int], str]
"""How the time at which a tick begins is told."""

LONGEST_PLAYED = 2_000_000
"""Of a run of more ticks it is told only what comes in, and how it ends."""

MOST_TAIL = 4
"""Changes of mode that are told of a tail that repeats for ever."""


@dataclass(frozen=True, slots=True)
class RunLine:
    """A line of a run.

    Attributes:
        tick: when it is; None for what goes on for ever.
        text: what happens then.
        by: the row that brings it about; "" for none.
        lasting: its text where that says until when something lasts, saying for how long instead.
    """

    tick: int | None
    text: str
    by: str = ""
    lasting: str = ""

    @property
    def like(self) -> tuple[str, str]:
        """What it has in common with lines that say the same at another time."""
        return self.lasting or self.text, self.by

    def __str__(self) -> str:
        return f"{self.text}, by {self.by}" if self.by else self.text


def told(
    machine: Machine, run: Run, about: Finding | Promise, most: int = MOST_TICKS, moment: Moment | None = None
) -> list[RunLine]:
    """``run`` line by line, without what has no bearing on it, as far as ``most`` ticks of play tell; the last says
    what is then so, of what it shows ``about`` the machine. A time in a line is told as a ``moment`` (None: as
    :func:`clock` does).
    """
    at = moment or clock
    slim = minimise(machine, run, about, most)
    if not slim.states and run.tail is None and run.ticks <= LONGEST_PLAYED:
        slim = replace(slim, states=_played(machine, run, most))
    teller = _Teller(machine, slim, about, at)
    if not slim.states:
        *lines, end = teller.long()
        return [*_without_repeats(machine, lines, at), end]
    return [*_without_repeats(machine, list(teller.events()), at), *teller.held_back(), teller.end()]


def _played(machine: Machine, run: Run, most: int) -> tuple[State, ...]:
    """What comes of a long ``run``, on each tick, where held inputs are jumped over: ticks that differ in clocks alone
    have one state together. Nothing if there are more than ``most`` others."""
    states: list[State] = []
    for number, (state, ticks) in enumerate(held_states(machine, run)):
        if number >= most:
            return ()
        states += [state] * ticks
    return tuple(states)


def _without_repeats(machine: Machine, lines: Sequence[RunLine], at: Moment) -> Iterator[RunLine]:
    """``lines``, those that come again and again told once, with when they do."""
    for some, again in rounds(lines):
        first = some[0]
        if again is None:
            yield from some
        elif len(some) == 1:
            yield replace(first, text=f"{first.text} {_often(machine, again, again.times, at)}")
        else:
            yield from some
            since = f"the same as from {at(machine, first.tick or 0)} on, again"
            yield RunLine(again.again, f"{since} {_often(machine, again, again.times - 1, at)}")


def _often(machine: Machine, again: Repeat, times: int, at: Moment) -> str:
    """How often something comes, until when: ``every 300 ms until 6.61 s (22 times)``."""
    until = f"until {at(machine, again.end)}"
    return f"every {clock(machine, again.period)} {until} ({times} times)" if again.period else f"{times} times {until}"


def heading(run: Run) -> str:
    """What stands above a run."""
    if run.tail is not None:
        return "a run that goes on for ever:"
    if run.waited:
        return f"a run, {plural(run.ticks, 'tick')} (a shorter one may show it, too):"
    return f"the shortest run, {plural(run.ticks, 'tick')}:"


def laid_out(machine: Machine, lines: Sequence[RunLine], width: int, most: int) -> list[str]:
    """``lines`` in two columns, time and what happens, each wrapped to ``width`` characters.

    Of more than ``most`` lines, the middle is left out: the beginning and the end tell more.
    """
    shown: list[RunLine | None] = list(lines)
    if len(lines) > most:
        after = most // 2 - 1
        shown = [*lines[: most - after - 1], None, *lines[len(lines) - after :]]
    times = ["" if each is None else clock(machine, each.tick) for each in shown]
    column = max(map(len, times))
    arrow = max((len(each.text) for each in shown if each and each.by), default=0)
    laid: list[str] = []
    before = ""
    for time, each in zip(times, shown, strict=True):
        text = f"… {len(lines) - most + 1} more lines; --save-trial keeps them" if each is None else each.text
        text = f"{text:{arrow}}  {each.by}" if each and each.by else text
        last = each is not None and each is lines[-1]
        lead = f"{time if time != before or last else '':{column}}  "
        hang = " " * (column + (4 if text.startswith("→") else 2))
        laid += folded(text, width, lead, hang)
        before = time
    return laid


def clock(machine: Machine, tick: int | None) -> str:
    """The time of a line."""
    return "for ever" if tick is None else machine.duration(tick) if tick else "0 s"


class _Teller:
    def __init__(self, machine: Machine, slim: Minimised, about: Finding | Promise, at: Moment) -> None:
        self.machine = machine
        self.at = at
        self.slim = slim
        self.run = slim.run
        self.about = about
        self.index = layout(machine).index
        self.tick = tick_of(machine)
        self.several = len(machine.parts) > 1
        self.last = self.run.ticks - 1
        self.states = slim.states
        states = self.states
        self.anew = [tick for tick, state in enumerate(states) if not tick or state is not states[tick - 1]]

    # -------------------------------------------------------------------------------------------------- what happens

    def events(self) -> Iterator[RunLine]:
        """What comes in and which rows lead on, tick by tick."""
        levels = self.levels()
        at_start = layout(self.machine).start
        inputs = list(unrolled(self.run).inputs())[: self.until() + 1]
        sayings = self.sayings(inputs)
        before: Stimulus | None = None
        for tick, (now, state) in enumerate(zip(inputs, self.states, strict=False)):
            earlier = self.states[tick - 1] if tick else None
            if now is before and state is earlier:
                continue
            read = [] if now is before else list(self.measured(before, now))
            said = list(_joined(sayings.get(tick, ())))
            turns = [
                f"{name} turns {'on' if state[at] else 'off'}"
                for name, at in levels.items()
                if state[at] != (earlier or at_start)[at]
            ]
            start = ""
            if not tick:
                concerned = [part for part in self.machine.parts if self.matters(part)]
                start = self.where(concerned or self.machine.parts, None)
                start = f"starts {'with ' if self.several else ''}{start}"
            apart = "; " if len(said) < len(sayings.get(tick, ())) else ", "  # (some are told as a list of their own)
            text, lasting = (
                "; ".join(filter(None, (start, apart.join([*read, *comes]), listed(turns))))
                for comes in ([until for until, _ in said], [long for _, long in said])
            )
            if text:
                yield RunLine(tick, text, lasting=lasting)
            yield from self.moves(tick, earlier, state)
            before = now

    def long(self) -> Iterator[RunLine]:
        """What comes in, and the end: of a run that is too long to be played for it."""
        before: Stimulus | None = None
        tick = 0
        for stretch in self.run.stretches:
            now = stretch.inputs
            said = [now.taken, *(f"{name} heard" for name in now.heard)]
            told_before = [] if before is None else [before.taken, *(f"{name} heard" for name in before.heard)]
            new = [each for each in said if each is not None and each not in told_before]
            text = ", ".join([*self.measured(before, now), *new])
            if text:
                yield RunLine(tick, text)
            before = now
            tick += stretch.ticks
        modes = listed(f"{part} in {mode}" if self.several else f"in {mode}" for part, mode in self.run.modes)
        yield RunLine(self.last if self.run.tail is None else None, modes)

    def until(self) -> int:
        """The last tick that is told: of a tail, until the modes have gone round once."""
        if self.run.tail is None:
            return self.last
        first = sum(stretch.ticks for stretch in self.run.stretches[: self.run.tail])
        places = [self.index["mode", part.name] for part in self.machine.parts]
        modes = [tuple(state[at] for at in places) for state in self.states]
        start = modes[first - 1] if first else None
        for tick in range(first, min(len(modes), first + MOST_TAIL) - 1):
            if modes[tick] == start and tick >= self.last - 1:
                return max(tick, self.last)
        return self.last

    def matters(self, part: Part) -> bool:
        """Whether the run, or what it shows, has to do with ``part``."""
        at = self.index["mode", part.name]
        return not self.several or part.name in self.named() or any(self.states[tick][at] for tick in self.anew)

    def named(self) -> set[str]:
        """The parts that what it shows speaks of."""
        about = self.about
        if isinstance(about, Promise):
            asked = [] if about.when is None else list(atoms(about.when))
            found = {part for part, _ in about.modes}
            found |= {atom.part for atom in asked if isinstance(atom, InMode)}
            outputs = {atom.output for atom in asked if isinstance(atom, OutputIs)}
            outputs |= {term.name for atom in asked for term in _terms(atom) if term.kind == "output"}
            return found | {part.name for part in self.machine.parts if outputs & set(part.outputs)}
        return {ref.part for ref in (about.mode, about.row) if ref is not None}

    def levels(self) -> dict[str, int]:
        """The levels that the rows which decide, or the promise, read; each with its place in a state."""
        changed = [self.index["changed", part.name] for part in self.machine.parts]
        telling = (self.states[tick] for tick in self.anew if any(self.states[tick][at] for at in changed))
        rows = dict.fromkeys((part.name, row.number) for state in telling for part, row in self.decided(state))
        guards = [guard for part, row in rows for guard in self.tick.part[part].guards[row]]
        if isinstance(self.about, Promise) and self.about.when is not None:
            guards.append(self.tick.lowering.observer(self.about.when))
        names = {test.level for guard in guards for test in tests(guard) if isinstance(test, LevelOn)}
        return {level.name: self.index["level", level.name] for level in self.machine.levels
                if level.name in names and not level.made}  # fmt: skip

    def decided(self, state: State) -> Iterator[tuple[Part, Row]]:
        """The rows that changed a mode or a counter."""
        for part in self.machine.parts:
            if state[self.index["changed", part.name]]:
                yield part, part.rows[state[self.index["row", part.name]]]

    def measured(self, before: Stimulus | None, now: Stimulus) -> Iterator[str]:
        """What is measured otherwise than before."""
        machine = self.machine
        for name, value in now.sensors:
            if name not in self.slim.idle and (before is None or dict(before.sensors)[name] != value):
                remembered = isinstance(machine.sensor(name).source, Remembered)
                what = f"{name} remembered as" if remembered and value is not None else name
                yield f"{what} {'in fault' if value is None else machine.sensor(name).unit.show(value)}"
        for name, on in now.switches:
            if name not in self.slim.idle and (before is None or dict(before.switches)[name] != on):
                yield f"{name} {'on' if on else 'off'}"
        for dial in machine.dials:
            value = dict(now.dials)[dial.name]
            was = dial.start if before is None else dict(before.dials)[dial.name]
            if dial.name not in self.slim.idle and value is not None and was != value:
                yield f"{dial.name} {dial.unit.show(value)}"

    def sayings(self, inputs: Sequence[Stimulus]) -> dict[int, list[_Saying]]:
        """What is said that was not said on the tick before, or is taken at last, by the tick from which on; what goes
        on or comes again says until when."""
        heard: list[set[str]] = []
        for tick, now in enumerate(inputs):
            heard.append(heard[-1] if tick and now is inputs[tick - 1] else _sayings(now))
        decided = [tick for tick in self.anew if tick < len(inputs) and any(self.decided(self.states[tick]))]
        spells: dict[str, list[Spell]] = {}
        for tick, now in enumerate(inputs):
            if tick and heard[tick] is heard[tick - 1]:
                continue
            for key, said in self.words(inputs, tick).items():
                taken, some = key == now.taken, spells.setdefault(key, [])
                refused = bool(some) and some[-1].end == tick - 1 and inputs[some[-1].start].taken != key
                if tick and key in heard[tick - 1] and not (taken and refused):
                    continue
                end = tick
                while end < self.last and key in heard[end + 1] and (taken or inputs[end + 1].taken != key):
                    end += 1
                some.append(Spell(tick, end, said, taken and tick in decided))
        found: dict[int, list[_Saying]] = {}
        for some in spells.values():
            for spell, again in told_once(some, decided):
                name, what = cast(tuple[str, str], spell.said)
                found.setdefault(spell.start, []).append(_Saying(name, what, *self.lasts(spell, again)))
        return found

    def lasts(self, spell: Spell, again: Repeat | None) -> tuple[str, str]:
        """Until when something is said, or is said again; and the same with how long that is."""
        machine, long = self.machine, spell.end - spell.start
        if again is not None:
            spoken = f" for {clock(machine, long + 1)}" if long else ""
            since = again._replace(end=again.end - spell.start)
            often, lasting = (_often(machine, each, again.times, self.at) for each in (again, since))
            return f"{spoken} {often}", f"{spoken} {lasting}"
        if not long:
            return "", ""
        return f" on every tick until {self.at(machine, spell.end)}", f" on every tick for {clock(machine, long)}"

    def words(self, inputs: Sequence[Stimulus], tick: int) -> dict[str, tuple[str, str]]:
        """What is said on ``tick``: by whom or what, and how that is told."""
        events = self.machine.events()
        now = inputs[tick]
        words_of = {now.taken: (now.taken, "")} if now.taken else {}
        beside = [name for name in now.heard if name != now.taken]
        words_of |= {name: (name, f" heard{' but not taken' if name in events else ''}") for name in beside}
        for dial in self.machine.dials:  # a message that brings a number is told by that
            message = self.machine.together(dial)[0].name
            goes_on = tick < self.last and message in inputs[tick + 1].heard
            told = dial.name in self.machine.kept_dials() and dict(now.dials).get(dial.name) is not None
            if told and not goes_on:
                words_of.pop(message, None)
        links = {dial.name: dial.link for dial in self.machine.dials if dial.name in self.machine.kept_dials()}
        turned = {links[name] for name, value in now.dials if name in links and value is not None}  # told by itself
        words_of |= {f"link {link}": (f"a dial of {link}", " heard") for link in now.tuned if link not in turned}
        return words_of | {_move(name, by): (_move(name, by), "") for name, by in now.moves}

    def moves(self, tick: int, before: State | None, state: State) -> Iterator[RunLine]:
        """The rows that decide on ``tick`` and change something."""
        for part, row in self.decided(state):
            at = self.index["mode", part.name]
            mode = part.modes[state[at]].name
            name = f"{part.name} in {mode}" if self.several else mode
            by = f"line {row.place.line}: {' '.join(row.when_text.split())}"
            if row.move == "restart":
                yield RunLine(tick, f"→ {name} again", by)
            elif before is None or before[at] != state[at]:
                yield RunLine(tick, f"→ {name}", by)
            elif not self.several or self.matters(part):
                yield RunLine(tick, row.do_text, by)

    # ------------------------------------------------------------------------------------------------- what is then so

    def end(self) -> RunLine:
        """What is so at the end."""
        about = self.about
        view = View(layout(self.machine), self.states[self.last])
        if isinstance(about, Promise):
            return RunLine(self.last, self.broken(about, view))
        where = about.mode or about.row
        part = self.machine.part(where.part) if where else None
        there = self.where([part] if part else self.machine.parts, view)
        match about.code:
            case "stuck":
                return RunLine(self.last, f"{there}, and nothing ever leads out of it")
            case "no way to stop":
                return RunLine(self.last, f"{there}, from where nothing leads to a stop mode{self.memory(view, part)}")
            case "halt missed":
                moving = [each for each in self.machine.parts if not each.mode[view.modes[each.name]].stop]
                still = listed(self.moving(each, view, "still") for each in moving)
                return RunLine(self.last, f"{view.taken} has been taken, and {'' if self.several else 'it is '}{still}")
            case "runaway":
                links = [link.name for link in self.machine.links]
                silent = f"{links[0]} silent" if len(links) == 1 else "every link silent"
                return RunLine(self.last, f"{self.moving(part, view)}, 2nd tick with {silent}")
            case "waits for ever":
                while_so = f", while {listed(held)}" if (held := list(self.held())) else ""
                return RunLine(None, f"{there}, whatever is said{while_so}")
            case "endless":
                while_so = f", while {listed(held)}" if (held := list(self.held())) else ""
                return RunLine(None, f"{self.moving(part, view)}, without a word{while_so}")
            case "flapping":
                return RunLine(None, f"{listed(self.taking_turns())} take turns on every tick{self.kept_held()}")
            case "bare threshold":
                unit = self.machine.sensor(about.subject).unit
                tail = self.run.stretches[self.run.tail :]
                values = dict.fromkeys(dict(each.inputs.sensors)[about.subject] for each in tail)
                turn = listed(unit.show(value) for value in values if value is not None)
                while_so = f"while {about.subject} reads {turn} in turn{self.kept_held()}"
                return RunLine(None, f"the same again and again, {while_so}")
            case "lost turn" if about.row is not None:
                line = self.machine.part(about.row.part).rows[about.row.number].place.line
                return RunLine(self.last, f"{there}: {about.subject} has turned, and line {line} has not decided")
            case "fault ignored":
                told = self.moving(part, view) if part and not part.mode[view.modes[part.name]].stop else there
                return RunLine(self.last, f"{told}, 2nd tick with {about.subject} in fault")
            case "faint hope":
                value = hoped(self.machine, about.row, about.subject, self.run) if about.row is not None else None
                text = f"{self.moving(part, view)} with {about.subject} in fault"
                if value is not None:
                    reading = self.machine.sensor(about.subject).unit.show(value)
                    levels = [each for each in self.machine.levels if each.set_ticks or each.clear_ticks]
                    lasts = any(about.subject in (*sensors_of(each.set), *sensors_of(each.clear)) for each in levels)
                    text += f"; a reading of {reading}{' for long enough' * lasts} would have prevented it"
                return RunLine(self.last, text)
            case _:
                return RunLine(self.last, there)

    def held_back(self) -> Iterator[RunLine]:
        """The rules that might have kept a promise on the last tick, had no failsafe held them back."""
        if not isinstance(self.about, Promise):
            return
        trace = Trace(self.machine, list(self.states[: self.last + 1]))
        for part in self.machine.parts:
            if not self.matters(part):
                continue
            sight = RowSight(trace, part)
            decided = sight.decided(self.last)
            for row in part.rules:
                if decided is not None and row.number >= decided.number:
                    break
                bar = sight.bar(row, self.last) if sight.holds(row, self.last) else None
                if bar is not None:
                    by = f"in {row.target} line {bar.place.line} holds: {' '.join(bar.when_text.split())}"
                    yield RunLine(self.last, f"line {row.place.line} is held back", by)

    def kept_held(self) -> str:
        """The command that is given on every tick of the tail: ``, with up held``."""
        tail = self.run.stretches[self.run.tail :]
        taken = next((each.inputs.taken for each in tail if each.inputs.taken is not None), None)
        return f", with {taken} held" if taken is not None else ""

    def held(self) -> Iterator[str]:
        """What must stay as it is while the tail repeats: ``lid_up is off``."""
        inputs = self.run.stretches[-1].inputs
        for name, value in inputs.sensors:
            if name in self.slim.held:
                yield f"{name} is {'in fault' if value is None else self.machine.sensor(name).unit.show(value)}"
        for name, on in inputs.switches:
            if name in self.slim.held:
                yield f"{name} is {'on' if on else 'off'}"
        for dial in self.machine.dials:
            value = dict(inputs.dials)[dial.name]
            if dial.name in self.slim.held and value is not None:
                yield f"{dial.name} is {dial.unit.show(value)}"

    def where(self, parts: Sequence[Part], view: View | None) -> str:
        """The modes of ``parts`` in ``view``, or at the start: ``in parked``, ``drive in standing and fork in rising``.
        """
        modes = {part.name: part.start.name if view is None else view.modes[part.name] for part in parts}
        return listed(f"{part} in {mode}" if self.several else f"in {mode}" for part, mode in modes.items())

    def moving(self, part: Part | None, view: View, word: str = "moving") -> str:
        """That ``part`` moves, and what: ``moving in driving (wheels 60 %)``, ``drive moving in forward (…)``."""
        assert part is not None
        mode = part.mode[view.modes[part.name]]
        moved = [
            f"{output.name} {words.brief(self.machine, output, value)}"
            for output, value in words.settings(self.machine, mode)
            if isinstance(output, Motor | Stepper | Relay | Servo)
        ]
        who = f"{part.name} " if self.several else ""
        return f"{who}{word} in {mode.name}" + (f" ({', '.join(moved)})" if moved else "")

    def memory(self, view: View, part: Part | None) -> str:
        """What the machine remembers that rows of the present mode ask about: levels that are on, counters."""
        if part is None:
            return ""
        decisions = self.tick.part[part.name].in_mode[view.modes[part.name]]
        read = {test for made in decisions for test in tests(made.guard)}
        found = [f"{level.name} on" for level in self.machine.levels
                 if not level.made and LevelOn(level.name) in read and view.levels[level.name]]  # fmt: skip
        counters = counters_asked(read)
        found += [f"{counter.name} {view.counters[counter.name]}" for counter in part.counters
                  if counter.name in counters]  # fmt: skip
        return f", with {listed(found)}" if found else ""

    def taking_turns(self) -> list[str]:
        """The modes that a tail goes through."""
        first = sum(stretch.ticks for stretch in self.run.stretches[: self.run.tail])
        found: dict[str, None] = {}
        for part in self.machine.parts:
            at = self.index["mode", part.name]
            modes = dict.fromkeys(part.modes[state[at]].name for state in self.states[first:])
            if len(modes) > 1:
                found |= {f"{part.name} in {mode}" if self.several else mode: None for mode in modes}
        return list(found)

    def broken(self, promise: Promise, view: View) -> str:
        """In which way the promise is broken at the end."""
        machine = self.machine
        parts = [part for part in machine.parts if not self.several or part.name in self.named()]
        there = self.where(parts or machine.parts, view)
        wanted = modes_text(machine, promise, " nor ")
        kept_not = f"{'neither ' if ' nor ' in wanted else 'not '}{wanted}"
        if promise.when is None:
            part = machine.part(promise.modes[0].part)
            return f"{there}, from where nothing leads to {wanted.replace(' nor ', ' or ')}{self.memory(view, part)}"
        text = condition_text(promise)
        text = f"'{text}'" if re.search(r"\b(and|or|after)\b", text) else text
        if promise.kind == "once":
            since = self.waiting(promise)
            if since == self.last:
                return f"{there}, {kept_not}, with {text}"
            return f"{there}, {kept_not}, {machine.duration(self.last - since)} after {text}"
        count = 1 if promise.kind == "enters" else self.running(promise)  # it is broken on the tick of the row alone
        long = self.machine.duration(count - 1)
        if promise.kind == "while":
            if there == f"in {text}":
                held = f", for {long}" if promise.ticks else ""
            else:
                held = f", after {long} with {text}" if count > 20 else f", {_ordinal(count)} tick with {text}"
            return f"{there}, {kept_not}{held}"
        values = self.values(promise.when, view)
        held = "" if count == 1 else f", for {long}" if count > 20 else f", {_ordinal(count)} tick running"
        return f"{values}{' with' * self.several} {there}{held}" if values else f"{there}{held}"

    def values(self, when: Condition, view: View) -> str:
        """What the condition reads, and is: ``port_drive 60 %, bumper on``."""
        read = values_read(self.machine, view, when)
        return ", ".join(f"{name} {value}" for name, value in read.items() if name not in self.slim.idle)

    def running(self, promise: Promise) -> int:
        """How many ticks in a row, the last included, the promise's condition has held (and its modes have not)."""
        assert promise.when is not None
        sees = observer(self.machine, promise.when)
        count = 0
        for state in reversed(self.states[: self.last + 1]):
            if not sees(state):
                break
            count += 1
        return count

    def waiting(self, promise: Promise) -> int:
        """The tick since which a ``once`` has been waiting for its modes."""
        assert promise.when is not None
        sees = observer(self.machine, promise.when)
        since = self.last
        for tick, state in reversed(list(enumerate(self.states[: self.last + 1]))):
            modes = View(layout(self.machine), state).modes
            if any(modes[part] == mode for part, mode in promise.modes):
                break
            if sees(state):
                since = tick
        return since


def _terms(atom: object) -> list[Term]:
    return [term for term in (atom.left, atom.right) if term is not None] if isinstance(atom, Compare) else []


def _sayings(inputs: Stimulus) -> set[str]:
    said = {*([inputs.taken] if inputs.taken else []), *inputs.heard, *(f"link {link}" for link in inputs.tuned)}
    return said | {_move(name, by) for name, by in inputs.moves}


def _move(counter: str, by: int) -> str:
    return f"{counter} {'+' if by > 0 else '-'} {abs(by)}"


class _Saying(NamedTuple):
    """Something said from some tick on: by whom or what, how that is told, until when, and for how long."""

    name: str
    what: str
    until: str
    lasting: str


def _joined(sayings: Sequence[_Saying]) -> Iterator[tuple[str, str]]:
    """``sayings`` in words, with until when and with for how long: together what is told alike."""
    alike: dict[object, list[_Saying]] = {}
    for each in sayings:
        alike.setdefault(each[1:] if each.what else each, []).append(each)
    for some in alike.values():
        first, said = some[0], f"{listed(each.name for each in some)}{some[0].what}"
        yield f"{said}{first.until}", f"{said}{first.lasting}"


def _ordinal(number: int) -> str:
    ending = "th" if 10 < number % 100 < 14 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"
