"""Sequences: what they are read into, how they run, and what is said of those that are wrong."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from statecraft.language import read_text
from statecraft.language.tidy import tidy
from statecraft.machine import NOWHERE, Machine, Part
from statecraft.simulation import Simulation
from tests.language.frame import mistakes

HEAD = """\
machine tub
board atmega328p
tick 10 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
command pause button, pin 5, on when low
switch full pin 6, on when low
switch wet pin 7, on when low
motor drum pwm 9, forward 10, reverse 11
relay pump pin 8
relay valve pin 12
lamp lit pin 13
mode parked stop
mode paused stop
mode jammed stop, lit blink 1 s
"""
TABLES = """\
failsafes
in | when | go to | do
any | halt | parked |
rules
in | when | go to | do
parked | go | FIRST | STARTS
cycling | pause | paused |
jammed | go | parked |
"""
WASH = """\
sequence wash in cycling; with lit on
fill pump on until full or not wet, at most 40 s else jammed
turn drum 40 % for 20 s
rest for 2 s
repeat turn, rest 5 times
again fill
empty valve on until not wet, at most 60 s
then parked
"""
BY_HAND = """\
mode fill pump on
mode turn drum 40 %
mode rest
mode fill_2 pump on
mode empty valve on
group cycling fill, turn, rest, fill_2, empty; with lit on
counter wash_rounds 0 .. 4
"""
ROWS_BY_HAND = """\
fill | full or not wet | turn | wash_rounds = 0
fill | after 40 s | jammed |
turn | after 20 s | rest |
rest | after 2 s and wash_rounds < 4 | turn | wash_rounds + 1
rest | after 2 s | fill_2 |
fill_2 | full or not wet | empty |
fill_2 | after 40 s | jammed |
empty | not wet or after 60 s | parked |
"""


def tables(first: str, starts: str = "") -> str:
    return TABLES.replace("FIRST", first).replace("STARTS", starts)


def bare(machine: Machine) -> tuple[Part, ...]:
    """The parts, without where things stand and how they were written."""
    parts = []
    for part in machine.parts:
        rows = tuple(replace(row, place=NOWHERE, in_text="", when_text="", go_text="", do_text="") for row in part.rows)
        modes = tuple(replace(mode, place=NOWHERE) for mode in part.modes)
        groups = tuple(replace(group, place=NOWHERE) for group in part.groups)
        counters = tuple(replace(counter, place=NOWHERE) for counter in part.counters)
        parts.append(replace(part, rows=rows, modes=modes, groups=groups, counters=counters, place=NOWHERE))
    return tuple(parts)


def test_a_sequence_is_what_could_be_written_out_by_hand() -> None:
    short = read_text(HEAD + WASH + tables("wash"))
    long = read_text(HEAD + BY_HAND + tables("fill", "wash_rounds = 0") + ROWS_BY_HAND)
    assert bare(short) == bare(long)


def test_rows_of_a_sequence_say_what_they_are_and_where_they_stand() -> None:
    machine = read_text(HEAD + WASH + tables("wash"))
    lines = (HEAD + WASH).splitlines()
    rows = [row for row in machine.parts[0].rows if row.place.line <= len(lines)]
    told = [(row.in_text, row.when_text, row.go_text, row.do_text) for row in rows]
    assert told[:4] == [
        ("fill", "full or not wet", "turn", "wash_rounds = 0"),
        ("fill", "after 40 s", "jammed", ""),
        ("turn", "after 20 s", "rest", ""),
        ("rest", "after 2 s and wash_rounds < 4", "turn", "wash_rounds + 1"),
    ]
    assert [lines[row.place.line - 1].split()[0] for row in rows][:4] == ["fill", "fill", "turn", "rest"]
    entering = next(row for row in machine.parts[0].rows if row.go_text == "wash")
    assert (entering.target, entering.do_text) == ("fill", "wash_rounds = 0")


def test_without_a_group_of_its_own_the_sequence_is_the_group() -> None:
    machine = read_text(HEAD + WASH.replace(" in cycling", "") + tables("wash").replace("cycling", "wash"))
    assert machine.parts[0].group["wash"].modes == ("fill", "turn", "rest", "fill_2", "empty")


def test_a_row_may_set_the_rounds_itself() -> None:
    machine = read_text(HEAD + WASH + tables("wash", "wash_rounds = 3"))
    entering = next(row for row in machine.parts[0].rows if row.go_text == "wash")
    assert [(change.how, change.amount) for change in entering.changes] == [("set", 3)]


def test_a_sequence_may_lead_to_another_or_to_itself() -> None:
    text = HEAD + "sequence one\na for 1 s\nthen two\nsequence two\nb for 1 s\nthen two\n" + tables("one")
    rows = read_text(text.replace("cycling", "one")).parts[0].rows
    assert [(row.in_text, row.target) for row in rows if row.in_text in "ab"] == [("a", "b"), ("b", "")]
    assert [row.move for row in rows if row.in_text in "ab"] == ["go", "restart"]


# ------------------------------------------------------------------------------------------------------------ running


@st.composite
def programs(draw: st.DrawFn) -> tuple[list[str], list[tuple[str, int]]]:
    """A sequence of timed steps with repeats, nested or side by side, and what it comes to: steps and their ticks."""
    lines: list[str] = []
    names: list[str] = []

    def block(depth: int) -> list[tuple[str, int]]:
        done: list[tuple[str, int]] = []
        for _ in range(draw(st.integers(1, 3))):
            if depth and draw(st.integers(0, 2)) == 0:
                before = len(names)
                inside = block(depth - 1)
                times = draw(st.integers(2, 3))
                run = names[before:]
                if f"repeat {', '.join(run)} " not in (line[: len(line) - 7] for line in lines if "repeat" in line):
                    lines.append(f"repeat {', '.join(run)} {times} times")
                    inside = inside * times
                done += inside
            elif (known := [line for line in lines if " for " in line]) and draw(st.integers(0, 4)) == 0:
                step = draw(st.sampled_from(known)).split()[0]
                name = f"{step}_{sum(n == step or n.startswith(f'{step}_') for n in names) + 1}"
                names.append(name)
                lines.append(f"again {step}")
                done.append((name, ticks[step]))
            else:
                name = f"s{len(names)}"
                names.append(name)
                ticks[name] = draw(st.integers(1, 4))
                lines.append(f"{name} for {10 * ticks[name]} ms")
                done.append((name, ticks[name]))
        return done

    ticks: dict[str, int] = {}
    return lines, block(2)


def machine_of(lines: list[str], resume: str = "") -> Machine:
    text = HEAD + "\n".join(["sequence wash in cycling", *lines, "then parked\n"]) + tables("wash")
    return read_text(text + resume)


@pytest.mark.slow
@given(programs())
def test_steps_follow_each_other_as_written(program: tuple[list[str], list[tuple[str, int]]]) -> None:
    lines, wanted = program
    run = Simulation(machine_of(lines))
    run.step()
    for _ in range(2):  # the second time the counts begin anew
        run.step(hear=["go"])
        for name, ticks in wanted:
            for _ in range(ticks):
                assert run.view.modes["tub"] == name
                run.step()
        assert run.view.modes["tub"] == "parked"


@given(programs(), st.sets(st.integers(1, 60)))
def test_an_interrupted_sequence_goes_on_where_it_was(
    program: tuple[list[str], list[tuple[str, int]]], pauses: set[int]
) -> None:
    """Paused and resumed at will: the step that it was in begins anew, and nothing else is lost or gained."""
    lines, wanted = program
    run = Simulation(machine_of(lines, "paused | go | last of wash |\n"))
    run.step()
    run.step(hear=["go"])
    for name, ticks in wanted:
        left = ticks
        while left:
            assert run.view.modes["tub"] == name
            if run.view.tick in pauses:
                run.step(hear=["pause"])
                assert run.view.modes["tub"] == "paused"
                run.step(hear=["go"])
                left = ticks
            else:
                run.step()
                left -= 1
    assert run.view.modes["tub"] == "parked"


def test_a_step_that_takes_too_long_leads_where_it_says() -> None:
    run = Simulation(machine_of(["fill pump on until full, at most 40 ms else jammed", "turn drum 40 % for 20 ms"]))
    run.step()
    run.step(hear=["go"])
    modes = [str(run.step().modes["tub"]) for _ in range(5)]
    assert modes == ["fill", "fill", "fill", "jammed", "jammed"]


# ----------------------------------------------------------------------------------------------------------- mistakes


def slips() -> Iterator[tuple[str, str, str, str]]:
    """What is replaced in WASH, by what, the code of the one message, and a piece of it."""
    yield "then parked\n", "", "no-then", '"wash" does not say what follows its last step'
    yield "then parked", "then parkd", "unknown-name", 'no mode or group "parkd"'
    yield "then parked", "then cycling", "go-to-group", '"cycling" is a group'
    yield "again fill", "again fil", "unknown-name", 'no step "fil" above'
    yield "repeat turn, rest 5", "repeat rest, turn 5", "wrong-repeat", "in their order"
    yield "repeat turn, rest 5", "repeat fill, turn 5", "wrong-repeat", "the steps just above it"
    yield "repeat turn, rest 5", "repeat turn, rest 1", "out-of-limits", "cannot be repeated 1 times"
    yield "repeat turn, rest 5", "repeat turn, rest 2.5", "out-of-limits", "cannot be repeated 2.5 times"
    yield "for 20 s", "for 25 ms", "tick", "25 ms"
    yield "for 20 s", "", "unfinished", "The line ends"
    yield "for 20 s", "for", "unfinished", "The line ends"
    yield "else jammed", "else jamed", "unknown-name", 'no mode or group "jamed"'
    yield "until full or", "until ful or", "unknown-name", "ful"
    yield "rest for", "rest final for", "wrong-option", "cannot be final"
    yield "rest for", "turn for", "duplicate-name", "turn"
    yield "turn drum", "level drum", "reserved-word", "cannot be called"
    yield "wash in cycling", "wash in parked", "duplicate-name", "parked"
    yield "drum 40 %", "drum 140 %", "out-of-limits", "140"


@pytest.mark.parametrize(("old", "new", "code", "piece"), list(slips()))
def test_each_slip_is_told_once(old: str, new: str, code: str, piece: str) -> None:
    assert old in WASH
    found = mistakes(HEAD + WASH.replace(old, new, 1) + tables("wash"))
    assert piece in found[0].message, found
    if code != "tick":
        assert found[0].code == code
    assert len(found) == 1 or old.startswith(("turn drum", "rest for", "wash in")), found


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ("paused | go | last of wasch |", "unknown-name"),
        ("paused | go | first of wash |", "syntax"),
        ("parked | go | cycling |", "go-to-group"),
    ],
)
def test_rows_that_lead_wrongly(row: str, code: str) -> None:
    found = mistakes(HEAD + WASH + tables("wash") + row + "\n")
    assert [mistake.code for mistake in found] == [code]


def test_a_failsafe_does_not_resume() -> None:
    text = HEAD + WASH + tables("wash").replace("any | halt | parked |", "any | halt | last of wash |")
    assert [mistake.code for mistake in mistakes(text)] == ["moving-failsafe"]


def test_a_sequence_stands_in_a_part() -> None:
    found = mistakes(HEAD[: HEAD.index("mode parked")] + WASH + "part tub\nmode parked stop\n")
    assert "outside-part" in [mistake.code for mistake in found]


def test_tidy_lines_up_a_sequence() -> None:
    assert tidy(WASH) == (
        "sequence wash in cycling; with lit on\n"
        "  fill   pump on    until full or not wet, at most 40 s else jammed\n"
        "  turn   drum 40 %  for 20 s\n"
        "  rest              for 2 s\n"
        "  repeat turn, rest 5 times\n"
        "  again fill\n"
        "  empty  valve on   until not wet, at most 60 s\n"
        "  then parked\n"
    )
    text = HEAD + WASH + tables("wash")
    assert bare(read_text(tidy(text))) == bare(read_text(text))
