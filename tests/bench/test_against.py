"""Reports against the table: what the simulation does is never called wrong, and what it could not do is."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from statecraft.bench.against import Against, InWords
from statecraft.fingerprint import short
from statecraft.firmware.reports import (
    CounterValues,
    Counts,
    Modes,
    Report,
    RowTaken,
    Started,
    TableReport,
    counter_lines,
)
from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.simulation import Simulation
from tests.random_machines import random_inputs, random_text
from tests.samples import PATHS, machine_in, sample

EVERY = 100
NONE_LOST = Counts(0, 0, 0, 0, 0)


def reports(machine: Machine, seed: int, ticks: int) -> Iterator[Report]:
    """What the firmware would tell of ``ticks`` ticks on inputs by chance."""
    simulation = Simulation(machine)
    numbers = {part.name: number for number, part in enumerate(machine.parts)}
    modes = [{mode.name: number for number, mode in enumerate(part.modes)} for part in machine.parts]
    yield Started(1, short(machine))
    for tick, inputs in enumerate(random_inputs(machine, seed, ticks)):
        simulation.tick(*inputs)
        view = simulation.view
        for part, row in view.reported:
            yield RowTaken(tick, numbers[part], row)
        if tick % EVERY == 0:
            now = [modes[number][view.modes[part.name]] for number, part in enumerate(machine.parts)]
            yield Modes(tick, 0, tuple(now))
            yield NONE_LOST
        for at, some in counter_lines(len(machine.counters), EVERY):
            if tick % EVERY == at:
                values = [view.counters[machine.counters[number].name] for number in some]
                yield CounterValues(tick, some[0], tuple(values))
        if tick % EVERY == EVERY // 2:
            yield TableReport(short(machine))
    yield NONE_LOST


def against(machine: Machine, told: Iterator[Report] | list[Report]) -> Against:
    found = Against(machine)
    for report in told:
        found.take(report)
    found.finish()
    return found


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
@pytest.mark.parametrize("seed", [1, 2])
def test_the_simulation_is_never_called_wrong(path: Path, seed: int) -> None:
    machine = machine_in(path)
    told = list(reports(machine, seed, 20_000))
    assert sum(isinstance(each, RowTaken) for each in told) > 3
    assert against(machine, told).differences == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(60))
def test_random_machines_are_never_called_wrong(seed: int) -> None:
    machine = read_text(random_text(seed), "random.modes")
    assert against(machine, reports(machine, seed, 5_000)).differences == []


@pytest.mark.parametrize("seed", range(8))
def test_nor_are_they_when_lines_are_lost_and_the_loss_is_seen(seed: int) -> None:
    """Bytes that were no report take the place of some reports."""
    machine = sample("bale_mover")
    chance = random.Random(seed)
    found = Against(machine)
    for report in reports(machine, seed, 20_000):
        if chance.random() < 0.05:
            found.noise()
        else:
            found.take(report)
    found.finish()
    assert found.differences == [] and found.damaged > 20


def test_nor_when_the_machine_says_how_many_it_dropped() -> None:
    machine = sample("bale_mover")
    chance = random.Random(3)
    found, lost = Against(machine), 0
    for report in reports(machine, 3, 20_000):
        if isinstance(report, RowTaken) and chance.random() < 0.05:
            lost += 1
        else:
            found.take(replace(report, lost=lost) if isinstance(report, Counts) else report)
    found.finish()
    assert found.differences == [] and lost > 5


@pytest.mark.parametrize("seed", range(4))
def test_a_row_that_is_left_out_is_noticed(seed: int) -> None:
    """Wherever the part's next word cannot be true of the mode that it was in before."""
    machine = sample("bale_mover")
    told = list(reports(machine, seed, 20_000))
    chance = random.Random(seed)
    must = [place for place in range(len(told)) if _contradicted(machine, told, place)]
    for place in chance.sample(must, 12):
        assert against(machine, told[:place] + told[place + 1 :]).differences, told[place : place + 3]


def _contradicted(machine: Machine, told: list[Report], place: int) -> bool:
    left = told[place]
    if not isinstance(left, RowTaken):
        return False
    part = machine.parts[left.part]
    before = part.start.name
    for each in told[:place]:
        if isinstance(each, RowTaken) and each.part == left.part and part.rows[each.row].move == "go":
            before = part.rows[each.row].target
    for each in told[place + 1 :]:
        if isinstance(each, RowTaken) and each.part == left.part:
            return before not in part.rows[each.row].modes
        if isinstance(each, Modes):
            return part.modes[each.modes[left.part]].name != before
    return False


TABLE = """\
machine cart
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 500 ms, reports
command halt "h", urgent
command go "g"
motor drive pwm 5, forward 30, reverse 31
counter laps 0 .. 3
mode parked stop
mode rolling drive 40 %
failsafes
in | when | go to | do
any | halt | parked | laps = 0
rolling | operator silent | parked |
rules
in | when | go to | do
parked | go and laps < 2 | rolling | laps + 1
rolling | after 1 s | parked |
"""
CART = read_text(TABLE, "cart.modes")
START = Started(1, short(CART))
GO, HALT, SILENT, OVER = 2, 0, 1, 3


def differing(*told: Report) -> list[str]:
    return [found.table_says for found in against(CART, [START, *told, NONE_LOST]).differences]


def test_what_the_table_allows() -> None:
    assert differing(RowTaken(10, 0, GO), RowTaken(110, 0, OVER), Modes(200, 0, (0,))) == []
    assert differing(RowTaken(10, 0, GO), RowTaken(40, 0, SILENT), RowTaken(41, 0, GO), Modes(100, 0, (1,))) == []
    assert differing(RowTaken(10, 0, GO), RowTaken(10, 0, GO), RowTaken(110, 0, OVER)) == []  # a line that came twice


def test_what_it_does_not() -> None:
    (early,) = differing(RowTaken(10, 0, GO), RowTaken(60, 0, OVER))
    assert early == "that does not hold with cart in rolling for 500 ms, laps 1"
    (where,) = differing(RowTaken(10, 0, OVER))
    assert where == "cart is in parked, where that row does not apply"
    late = differing(RowTaken(10, 0, GO), Modes(200, 0, (1,)))
    assert late[0].startswith("line 18, `after 1 s` holds by then, with cart in rolling for 1.89 s")
    (other,) = differing(Modes(100, 0, (1,)))
    assert other == "cart is in parked, by the rows that were told"
    often = [RowTaken(10, 0, GO), RowTaken(110, 0, OVER), RowTaken(120, 0, GO), RowTaken(220, 0, OVER)]
    (counted,) = differing(*often, RowTaken(230, 0, GO))
    assert "laps 2" in counted
    assert differing(RowTaken(10, 0, 9)) == ["it has no such row"] == differing(RowTaken(10, 3, 0))
    assert differing(Modes(10, 0, (7,))) == ["it has no such mode"]
    (twice,) = differing(RowTaken(10, 0, GO), RowTaken(10, 0, SILENT))
    assert twice == "in each part one row decides on a tick"
    (back,) = differing(Modes(500, 0, (0,)), Modes(100, 0, (0,)))
    assert back == "time goes on, unless the chip restarts"


def test_another_table() -> None:
    assert differing(TableReport("00c0ffee")) == [f"this file is the table {short(CART)}"]
    assert len(differing(TableReport("00c0ffee"), TableReport("00c0ffee"))) == 1


REELS = """machine reel
board atmega2560
tick 10 ms
link crank serial1, 9600 baud, plain, reports
command halt "h", urgent
command wind "w"
counter out -200 .. 200, counts both ways on pins 2 and 3, at most 400 Hz
counter hauls 0 .. 9
motor drum pwm 6, direction 7
mode still stop
mode winding drum 30 %, unattended
failsafes
in | when | go to
any | halt | still
rules
in | when | go to | do
still | wind | winding | hauls + 1
winding | out > 100 | still |
"""


def test_what_counters_are_told_to_be() -> None:
    machine = read_text(REELS, "reel.modes")
    found, news = Against(machine), InWords(machine)
    words = []
    told = [Started(1, short(machine)), CounterValues(25, 0, (-7, 0)),
            RowTaken(50, 0, 1), Modes(100, 0, (1,)), NONE_LOST,
            CounterValues(125, 0, (-7, 1)), CounterValues(225, 0, (90, 1)), CounterValues(325, 0, (90, 1))]  # fmt: skip
    for report in told:
        assert found.take(report) == []
        words.append(news.words(report))
    assert found.values == {"out": 90, "hauls": 1}
    assert words[1] == "out -7, hauls 0" and words[5:] == ["hauls 1", "out 90", ""]
    found.take(CounterValues(425, 0, (90, 3)))
    (wrong,) = found.take(NONE_LOST)
    assert (wrong.machine_says, wrong.table_says) == ("hauls is 3", "hauls is 1, by the rows that were told")
    (wrong,) = found.take(CounterValues(525, 1, (3, 4)))
    assert (wrong.machine_says, wrong.table_says) == ("counter 2 is 4", "it has no such counter")
    assert found.take(Started(1, short(machine))) == [] and found.values == {"out": None, "hauls": 0}


@pytest.mark.parametrize("heartbeat", [1, 2, 3, 5, 100, 1000])
def test_every_counter_is_told_once_a_heartbeat(heartbeat: int) -> None:
    for counters in range(20):
        lines = list(counter_lines(counters, heartbeat))
        assert [number for _, some in lines for number in some] == list(range(counters))
        assert all(0 <= at < heartbeat and len(some) <= 6 for at, some in lines)
        assert heartbeat < 100 or len({at for at, _ in lines} - {0, heartbeat // 2}) == len(lines)
