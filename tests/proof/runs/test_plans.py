"""Plans: a slice's run in pieces, what is heard in it, how long is waited, and what comes of holding it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from statecraft.findings import Hold, Run, Stimulus
from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.engine.model import NOBODY, Rows
from statecraft.proof.runs import plans
from statecraft.proof.runs.plans import least_asked, steps_of, tried, wait
from statecraft.proof.runs.replay import states as replayed
from statecraft.proof.runs.search import FoundRun
from statecraft.simulation import Simulation, State

HOIST = """machine hoist
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain, silent after 300 ms
command halt "h", urgent
command go "g"
command creep "c"
command wink button, pin 4, on when low
switch lid pin 10, on when high
switch top pin 11, on when high
dial pace "v" from radio, 0 .. 3, starts 1
relay drum pin 7
lamp eye pin 8
level shut when lid for 50 ms clears when not lid for 70 ms
part lift
counter tries 1 .. 5
mode resting stop
mode rising drum on
mode high stop
rules
in      | when                                 | go to   | do
resting | shut and pace == 2                   | rising  | tries = 1
rising  | creep absent 200 ms and top          | high    |
rising  | creep absent 150 ms and not lid      | resting |
high    | radio silent                         | resting |
high    | go                                   | rising  | tries + 1
rising  | after 400 ms and (tries > 2 or after 100 ms and not top and not lid) | resting |
part lamps
mode off stop
mode on eye on
rules
in  | when         | go to
off | after 120 ms | on
on  | wink         | off
any | halt         | off
"""
MACHINE = read_text(HOIST)
RAISES, ARRIVES, FALLS, SILENT, AGAIN, TIRED = range(6)
QUIET: Rows = (NOBODY,)


def given(
    lid: bool = False, top: bool = False, pace: int = 1, taken: str | None = None, **free: int
) -> Stimulus:
    """Inputs of the machine, and what a slice takes for things that it does not follow."""
    dials = (("pace", pace), *((name.replace("_", " "), value) for name, value in free.items()))
    return Stimulus((), (("lid", lid), ("top", top)), dials, taken)


def planned(*steps: tuple[Stimulus, Rows, int]) -> FoundRun:
    return FoundRun(
        Run(tuple(Hold(inputs, ticks) for inputs, _, ticks in steps)),
        None,
        tuple((rows, ticks) for _, rows, ticks in steps),
    )


def played(steps: list[tuple[Stimulus, tuple[int, ...], int]], machine: Machine = MACHINE) -> list[State]:
    """The same ticks, one by one; of each piece what is heard on it."""
    simulation = Simulation(machine)
    commands = [command.name for command in machine.commands]
    return [
        simulation.step_chosen(
            (),
            tuple(on for _, on in inputs.switches),
            (dict(inputs.dials)["pace"],),
            -1 if inputs.taken is None else commands.index(inputs.taken),
            heard,
        )
        for inputs, heard, ticks in steps
        for _ in range(ticks)
    ]


def come(found: FoundRun, parts: tuple[str, ...] = ("lift",), machine: Machine = MACHINE) -> list[list[State]]:
    """The states of each way, once the run that is told of it has been seen to go through the same."""
    every = list(tried(machine, parts, found))
    for made in every:
        last = list(replayed(machine, made.run))[-1]
        assert made.run.waited and (made.run.ticks, last) == (last[0] + 1, made.states[-1])
    return [made.states for made in every]


def decided(states: list[State], part: str = "lift") -> list[int]:
    """The rows that have decided, in order."""
    at = Simulation(MACHINE).layout.index["row", part]
    return [state[at] for state in states if state[at] != NOBODY]


def ticks(states: list[State]) -> int:
    return states[-1][Simulation(MACHINE).layout.index["tick", ""]]


# ---------------------------------------------------------------------------------------------------------- the pieces


def test_a_run_is_cut_where_its_inputs_or_its_rows_change_and_where_rows_decide() -> None:
    one, other = given(), given(lid=True)
    run = Run((Hold(one, 3), Hold(other, 6), Hold(one, 1)))
    quiet, some = (NOBODY, NOBODY), (NOBODY, RAISES)
    rows = ((quiet, 5), (some, 3), (quiet, 2))
    assert list(steps_of(FoundRun(run, None, rows))) == [
        (one, quiet, 3),
        (other, quiet, 2),
        (other, some, 1),
        (other, some, 1),
        (other, some, 1),
        (other, quiet, 1),
        (one, quiet, 1),
    ]


def test_before_a_row_the_inputs_are_those_of_its_tick() -> None:
    """But for the command, which is taken when the row is to decide."""
    go, still, last = given(lid=True, taken="go"), given(top=True), given(pace=3)
    steps = [(still, QUIET, 4), (go, (NOBODY, 1), 1), (last, (NOBODY, NOBODY), 2)]
    assert plans._held_before(steps) == [(replace(go, taken=None), QUIET, 4), *steps[1:]]


# ------------------------------------------------------------------------------------------------------- what is heard


def test_of_each_clock_the_least_time_that_a_row_asks_about() -> None:
    assert least_asked(MACHINE) == {"absent creep": 15, "silent radio": 30}


@pytest.mark.parametrize(
    ("dials", "how", "heard"),
    [
        ({}, "none", ()),
        ({}, "as free", ("creep", "wink")),
        ({"clock absent creep": 14, "clock silent radio": 29}, "as free", ("creep", "wink")),
        ({"clock absent creep": 15}, "as free", ("wink",)),
        ({"clock silent radio": 30}, "as free", ("wink",)),
        ({"clock absent creep": 99, "clock silent radio": 99}, "all", ("creep", "wink")),
    ],
)
def test_what_is_to_be_late_is_not_heard(dials: dict[str, int | None], how: str, heard: tuple[str, ...]) -> None:
    """Nor is an urgent command that a row waits for: where it is heard it is taken. ``go`` is heard as ``creep`` is."""
    commands = {command.name: number for number, command in enumerate(MACHINE.commands)}
    found = plans._heard(MACHINE, Stimulus(dials=tuple(dials.items())), commands, how)
    assert [name for name in commands if commands[name] in found and name != "go"] == list(heard)
    late = how == "none" or (how == "as free" and (dials.get("clock silent radio") or 0) >= 30)
    assert (commands["go"] in found) is not late


def test_what_a_plan_does_not_speak_of_is_heard_however_soon_it_is_asked_for() -> None:
    machine = read_text(HOIST.replace("creep absent 150 ms", "creep absent 10 ms"))
    commands = {command.name: number for number, command in enumerate(machine.commands)}
    assert least_asked(machine)["absent creep"] == 1
    assert commands["creep"] in plans._heard(machine, Stimulus(), commands, "as free")
    late = Stimulus(dials=(("clock absent creep", 1),))
    assert commands["creep"] not in plans._heard(machine, late, commands, "as free")


@pytest.mark.parametrize(
    ("kept", "how", "expected"),
    [
        ((), "as free", {"creep", "go", "wink"}),
        (("absent creep",), "as free", {"go", "wink"}),
        (("silent radio",), "as free", {"go", "wink"}),
        (("silent radio",), "all", {"creep", "go", "wink"}),
    ],
)
def test_where_a_clock_is_followed_what_the_plan_says_is_heard(
    kept: tuple[str, ...], how: str, expected: set[str]
) -> None:
    commands = {command.name: number for number, command in enumerate(MACHINE.commands)}
    found = plans._heard(MACHINE, Stimulus(heard=("go",)), commands, how, kept)
    assert {name for name, place in commands.items() if place in found} == expected


def test_an_urgent_command_that_no_row_waits_for_may_be_heard() -> None:
    machine = read_text(HOIST.replace("any | halt         | off\n", "off | halt absent 1 s | on\n"))
    commands = {command.name: number for number, command in enumerate(machine.commands)}
    assert commands["halt"] in plans._heard(machine, Stimulus(), commands, "as free")


# ------------------------------------------------------------------------------------------------- how long is waited


def test_a_row_is_waited_for_until_what_it_asks_has_lasted() -> None:
    """By how much longer than for a row that asks for nothing that takes time."""
    least = wait(MACHINE, "lift", AGAIN)
    assert least < 10
    assert [wait(MACHINE, "lift", row) - least for row in (RAISES, ARRIVES, FALLS, SILENT)] == [5 + 7, 20, 15, 30]
    assert wait(MACHINE, "lamps", 0) - least == 12


def test_a_counter_is_waited_for_all_its_rounds() -> None:
    """Each round of all the times that rows of the part ask for, for each of the values."""
    least = wait(MACHINE, "lift", AGAIN)
    assert wait(MACHINE, "lift", TIRED) - least == 40 + 4 * (40 + 1)


# ---------------------------------------------------------------------------------------------------- what comes of it


def test_what_the_plan_wants_is_waited_for() -> None:
    """The slice takes the level to be on at once; the machine needs its 50 ms, and 200 ms without ``creep``."""
    found = planned(
        (given(), QUIET, 3),
        (given(lid=True, pace=2), (RAISES,), 1),
        (given(lid=True, top=True, clock_absent_creep=20), (ARRIVES,), 1),
    )
    ways = come(found)
    first = ways[0]
    assert decided(first) == [RAISES, ARRIVES]
    heard = tuple(number for number, each in enumerate(MACHINE.commands) if each.name in ("go", "creep", "wink"))
    late = tuple(number for number in heard if MACHINE.commands[number].name != "creep")
    until = 3 + 6  # off at first, on with the sixth tick of the lid
    states = played([(given(), heard, 3), (given(lid=True, pace=2), heard, 6), (given(lid=True, top=True), late, 25)])
    assert ticks(first) == until - 1 + 20
    assert all(state == states[ticks([state])] for state in first)  # what is like it is left out


def test_each_way_is_held_once_and_with_inputs_of_the_row_from_before() -> None:
    found = planned((given(), QUIET, 8), (given(lid=True, pace=2), (RAISES,), 1))
    ways = come(found)
    assert len(ways) == 4  # as free and all are the same here; each as it stands, and with the lid shut from tick 0 on
    assert [ticks(states) for states in ways] == [13, 13, 5, 5]
    assert all(decided(states) == [RAISES] for states in ways)


def test_a_quiet_piece_is_held_for_its_ticks() -> None:
    found = planned((given(), QUIET, 3), (given(top=True), QUIET, 40))
    first = come(found)[0]
    assert ticks(first) == 42


def test_it_ends_where_nothing_changes_any_more() -> None:
    found = planned((given(lid=True), (RAISES,), 1), (given(), QUIET, 50))  # without its pace it is never raised
    for states in come(found):
        assert not decided(states)
        assert ticks(states) < wait(MACHINE, "lift", RAISES)


def test_what_does_not_come_is_waited_for_no_longer_than_it_may_take() -> None:
    """It blinks between its modes for ever, so that it never stands still; the rest of the plan is not held."""
    machine = read_text(HOIST.replace("on  | wink         | off", "on  | after 20 ms | off"))
    found = planned((given(lid=True), (RAISES,), 1), (given(top=True), QUIET, 500))
    for states in come(found, machine=machine):
        assert ticks(states) == wait(machine, "lift", RAISES) - 1


def test_it_ends_where_another_row_leads_elsewhere() -> None:
    """In the middle: what the plan wants can not come from there."""
    found = planned((given(lid=True, pace=2), QUIET, 30), (given(), QUIET, 30))
    for states in come(found):
        assert decided(states) == [RAISES] and ticks(states) == 5


def test_it_is_seen_on_the_first_tick_after_the_start_that_a_row_leads_elsewhere() -> None:
    machine = read_text(HOIST.replace("off | after 120 ms | on", "off | wink | on"))
    found = planned((given(taken="wink"), QUIET, 2), (given(), QUIET, 30))
    for states in come(found, ("lamps",), machine):
        assert ticks(states) == 1


def test_a_row_that_decides_beside_a_quiet_plan_and_stays_does_not_end_it() -> None:
    text = HOIST.replace("in  | when         | go to\n", "in  | when         | go to\noff | lid | stay\n")
    machine = read_text(text)
    found = planned((given(lid=True), QUIET, 9), (given(), QUIET, 5))
    first = come(found, ("lamps",), machine)[0]
    assert ticks(first) == 13


def test_at_the_end_it_may_go_round_by_itself() -> None:
    """The last row wanted comes although another leads elsewhere first."""
    found = planned((given(), QUIET, 2), (given(lid=True, top=True, pace=2, clock_absent_creep=20), (ARRIVES,), 1))
    first = come(found)[0]
    assert decided(first) == [RAISES, ARRIVES]


def test_of_several_parts_all_rows_are_wanted_on_one_tick() -> None:
    """The lamp is lit on tick 12, the lift raised on the sixth tick of the lid."""
    both = ("lift", "lamps")
    quiet, lid = (NOBODY, NOBODY), given(lid=True, pace=2)
    for before, end in ((7, 12 + 5), (8, 12)):
        first = come(planned((given(), quiet, before), (lid, (RAISES, 0), 1), (given(), quiet, 5)), both)[0]
        assert ticks(first) == end
    first = come(planned((given(), quiet, 1), (lid, (AGAIN, 0), 1)), both)[0]
    assert ticks(first) == wait(MACHINE, "lamps", 0) > wait(MACHINE, "lift", AGAIN)  # as long as either may take
    first = come(planned((given(), quiet, 1), (given(), (NOBODY, 0), 1), (given(), quiet, 3)), both)[0]
    assert decided(first, "lamps") == [0] and ticks(first) == 12 + 3


def test_a_command_of_the_plan_is_taken_and_then_its_row_decides() -> None:
    found = planned((given(), QUIET, 1), (given(), (0,), 1), (given(taken="wink"), (1,), 1))
    first = come(found, ("lamps",))[0]
    assert decided(first, "lamps") == [0, 1] and ticks(first) == 12 + 1


def test_a_plan_waits_for_so_many_ticks_in_all(monkeypatch: pytest.MonkeyPatch) -> None:
    found = planned((given(), QUIET, 3), (given(lid=True, pace=2), (RAISES,), 1))
    monkeypatch.setattr(plans, "MOST_WAITED", 5)
    assert {len(states) for states in come(found)} == {6}


def test_it_is_off_at_the_end_of_waiting_in_vain() -> None:
    """Not where nothing decides yet: what is wanted may come."""
    waits = planned((given(lid=True, pace=2), (RAISES,), 1), (given(), (ARRIVES,), 1))
    vain = next(tried(MACHINE, ("lift",), waits))
    assert decided(vain.states) == [RAISES] and vain.off == len(vain.states) - 1


SPOOL = HOIST.replace("relay drum pin 7", "relay drum pin 7\nlevel slack when {slack} clears when not lid").replace(
    "counter tries 1 .. 5", "counter tries 1 .. 5\ncounter turns 0 .. 90, counts {how}, at most 250 Hz"
)


@pytest.mark.parametrize(
    "how, slack, moves",
    [
        ("both ways on pins 20 and 21", "lid", [3, -3, 3, -3, 3, -3]),
        ("both ways on pins 20 and 21", "turns steady within 3 for 90 ms and lid", [3, 3, -3, -3, 3, 3]),
        ("pulses on pin 20", "turns steady within 3 for 90 ms and lid", [3, 3, 3, 3, 3, 3]),
    ],
)
def test_what_pulses_move_stands_still_or_never_rests(how: str, slack: str, moves: list[int]) -> None:
    """It goes further each time than what a level takes for rest."""
    machine = read_text(SPOOL.format(how=how, slack=slack))
    found = planned((given(), QUIET, 6))
    runs = [made.run.stretches for made in tried(machine, ("lift",), found)]
    said = [[dict(hold.inputs.moves).get("turns", 0) for hold in holds for _ in range(hold.ticks)] for holds in runs]
    assert [0] * 6 in said and moves in said
    assert all(each in ([0] * 6, moves) for each in said)


def test_it_is_off_where_a_row_decides_that_the_plan_does_not_want() -> None:
    quiet = planned((given(lid=True, pace=2), QUIET, 30), (given(), QUIET, 30))
    first = next(tried(MACHINE, ("lift",), quiet))
    assert decided(first.states) == [RAISES] and first.off == len(first.states) - 1
    other = planned((given(lid=True, pace=2), QUIET, 3), (given(lid=True, pace=2), (ARRIVES,), 1))
    first = next(tried(MACHINE, ("lift",), other))  # at the end it goes on, and is off all the same
    assert first.off is not None and not decided(first.states[: first.off])
    assert decided(first.states[: first.off + 1]) == [RAISES]


def test_of_a_plan_no_more_is_made_than_may_be_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """A row that decides on each of very many ticks on the same inputs: what is heard on them is told once."""
    asked: list[Stimulus] = []

    def heard(_: Machine, said: Stimulus, *told: object) -> tuple[int, ...]:
        asked.append(said)
        return ()

    monkeypatch.setattr(plans, "_heard", heard)
    monkeypatch.setattr(plans, "MOST_WAITED", 1_000)
    made = list(tried(MACHINE, ("lift",), planned((given(lid=True, pace=2, taken="go"), (RAISES,), 100_000))))
    assert len(asked) == 6  # three ways of hearing, of the plan and with what is taken in it held before
    assert all(len(each.states) <= 1_001 for each in made)
