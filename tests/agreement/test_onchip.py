"""The table and the chip: trials, generated inputs and chance through the chip's own pins and serial lines."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from statecraft.agreement.inputs import HeldInputs, each_tick, length, sequence_of
from statecraft.agreement.onchip import ChipRunner, compared_on_chip, for_chip
from statecraft.agreement.random_sequences import sequence
from statecraft.agreement.trial_executions import apart, entries, executions, latency
from statecraft.agreement.vectors import vectors
from statecraft.agreement.wired import NotOnChip, program, reporting
from statecraft.boards import load
from statecraft.language import read_text
from statecraft.simulation import Simulation
from statecraft.simulation.trial import script
from tests.cli.conftest import Ran, run  # noqa: F401 - the fixture
from tests.samples import PATHS, SAMPLES, machine_in, sample
from tests.tools import need

need("avr-g++")
need("/usr/include/simavr/sim_avr.h")
need("/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h")
NAMES = [
    pytest.param(path.stem, marks=pytest.mark.xdist_group(f"chip of {path.stem}"))  # built once, by one process
    for path in PATHS
]


@pytest.fixture(scope="module")
def runners(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], ChipRunner]:
    made: dict[str, ChipRunner] = {}

    def runner(name: str) -> ChipRunner:
        if name not in made:
            machine = sample(name)
            made[name] = ChipRunner(program(machine, load(machine.board), tmp_path_factory.mktemp(name)))
        return made[name]

    return runner


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_trials_go_the_same_way_on_the_chip(name: str, runners: Callable[[str], ChipRunner]) -> None:
    machine = sample(name)
    for trial in machine.trials:
        if trial.last_tick > 3500:
            continue  # the command runs these too
        (ran,) = executions(machine, trial, ["chip"], runners(name))
        assert ran.wrong == ()
        assert ran.result.passed


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in NAMES if name.values != ("nursery_trolley",)])  # it is the longest
def test_state_reports_and_pins_are_as_the_table_says(name: str, runners: Callable[[str], ChipRunner]) -> None:
    machine = sample(name)
    runner = runners(name)
    short, _ = for_chip(vectors(machine, 1500).sequences, longest=200)
    done = compared_on_chip(runner, "vectors", short[::12])
    assert done.wrong == ()
    assert done.sequences >= 2
    done = compared_on_chip(runner, "random", [sequence(machine, 11, 1500, slow=20)])
    assert done.wrong == ()
    assert done.ticks == 1500


def test_what_is_put_at_the_pins_is_sampled_in_its_time(runners: Callable[[str], ChipRunner]) -> None:
    runner = runners("feed_pusher")
    machine = sample("feed_pusher")
    far = HeldInputs((2000, 900, 900, 7600), (False,), ticks=50)
    near = HeldInputs((240, 220, None, 6000), (True,), (2,), (), 150)
    ran = runner.run((far, near))
    assert ran.differences == ()
    ticks = list(each_tick(ran.sampled))
    late = latency(machine, (far, near))
    for place, value in enumerate(near.readings):
        got = ticks[50 + late].readings[place]
        assert got is None if value is None else got is not None and abs(got - value) <= 15
    assert ticks[50].arrivals == (2,)
    assert ticks[50 + 3].switches == (True,)
    assert ticks[49].switches == (False,)


@pytest.mark.slow
def test_a_program_that_differs_from_its_table_is_caught(tmp_path: Path) -> None:
    """The sketch of a machine with one number changed, held against the table as it was."""
    path = SAMPLES / "feed_pusher.modes"
    text = path.read_text()
    machine = machine_in(path)
    other = read_text(text.replace("creep absent 300 ms or", "creep absent 310 ms or"), str(path))
    assert other != machine
    made = program(other, load(machine.board), tmp_path)
    runner = ChipRunner(made.__class__(reporting(machine, made.board), made.board, made.elf))
    calm = HeldInputs((2000, 100, 100, 7600), (False,), ticks=3)
    creeping = calm._replace(hear=(3, 1), ticks=60)
    done = compared_on_chip(runner, "made up", [(calm, creeping)], tries=6)
    assert done.difference is not None
    assert done.difference.columns == (("clock", "absent creep"),)
    assert done.difference.tick == 0  # nobody has crept for as long as anybody asks, which is longer there
    assert any("the states differ" in line for line in done.wrong)


@pytest.fixture(scope="module")
def busy(tmp_path_factory: pytest.TempPathFactory) -> ChipRunner:
    """Two links, and a tick of 2 ms of which the reports of seven parts take half."""
    text = "machine busy\nboard atmega2560\ntick 2 ms\nlink one serial1, 9600 baud, plain, reports\n"
    text += 'link two serial2, 9600 baud, plain\ncommand up "u" from one\ncommand down "d" from two\nlamp l pin 8\n'
    text += "part drive\nmode still stop\nmode higher stop, l on\nmode lower stop\nrules\n in | when | go to\n"
    text += " still | up | higher\n still | down | lower\n"
    for part in "abcdef":
        text += f"part {part}\nmode one_{part} stop\nmode two_{part} stop\nrules\n in | when | go to\n"
        text += f" one_{part} | after 4 ms | two_{part}\n two_{part} | after 4 ms | one_{part}\n"
    machine = read_text(text, "busy.modes")
    return ChipRunner(program(machine, load(machine.board), tmp_path_factory.mktemp("busy")))


def test_a_short_tick_with_much_to_do_is_not_late(busy: ChipRunner) -> None:
    ran = busy.run([HeldInputs((), (), ticks=20)])
    assert ran.differences == () and length(ran.sampled) == 20


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_commands_on_two_lines_come_in_the_order_that_is_said(busy: ChipRunner, order: tuple[int, int]) -> None:
    ran = busy.run([HeldInputs((), (), ticks=3), HeldInputs((), (), order), HeldInputs((), (), ticks=5)])
    assert ran.differences == ()
    assert [number for tick in each_tick(ran.sampled) for number in tick.arrivals] == list(order)


def test_a_machine_without_links_reports_on_a_free_port() -> None:
    vent = sample("greenhouse_vent")
    told = reporting(vent, load(vent.board))
    assert [link.reports for link in told.links] == [True]
    assert told.parts == vent.parts
    taken = read_text(vent.source[vent.place.file].replace("pin 2,", "pin 0,"), vent.place.file)
    with pytest.raises(NotOnChip):
        reporting(taken, load(vent.board))


def test_modes_out_of_order_or_too_late_are_told() -> None:
    machine = sample("sump_pump")
    trial = machine.trials[0]
    states = Simulation(machine).run(script(machine, trial))
    assert apart(machine, states, states, 0) == []
    later = [states[0]] * 5 + states[:-5]
    assert apart(machine, states, later, 5) == []
    assert "at 6.05 s on the chip" in apart(machine, states, later, 4)[0]
    assert "nothing more on the chip" in apart(machine, states, [states[0]] * len(states), 5)[0]
    assert entries(machine, states, "sump_pump")[0] == (0, "waiting")


def test_latency_knows_what_changes() -> None:
    machine = sample("yard_gate")
    calm = HeldInputs((0,), (False, False, False), ticks=5)
    assert latency(machine, (calm,)) == 0
    settled = latency(machine, (calm, calm._replace(switches=(True, False, False))))
    assert settled == 3  # 20 ms, and the tick that sees it
    assert latency(machine, (calm, calm._replace(readings=(None,)))) > 50  # its patience is half a second


@pytest.fixture
def yard_gate() -> Iterator[Path]:
    yield SAMPLES / "yard_gate.modes"


def test_try_side_by_side(run: Callable[..., Ran], yard_gate: Path) -> None:  # noqa: F811
    ran = run("try", yard_gate, "--only", "stone", "--on", "table,desk,chip")
    assert ran.code == 0
    for word in ("table", "desk", "chip", "shutting", "took", "✓"):
        assert word in ran.out
    assert "✗" not in ran.out
    assert run("try", yard_gate, "--on", "moon").code == 2
    assert run("try", yard_gate, "--only", "no such", "--on", "desk").code == 1


@pytest.mark.slow
def test_agree_on_chip(run: Callable[..., Ran], yard_gate: Path) -> None:  # noqa: F811
    ran = run("agree", yard_gate, "--on", "chip", "--seed", "2", "--ticks", "1000")
    assert ran.code == 0
    assert ran.out.count("as the table says") == 4
    assert "longer ones are for the desk" in ran.out


def test_sequences_for_the_chip_are_short_and_on_time() -> None:
    calm = HeldInputs((0,), (False,), ticks=100)
    kept, others = for_chip([(calm,), (calm._replace(late=True),), (calm, calm, calm, calm, calm)], longest=400)
    assert kept == [(calm,)]
    assert others == 2
    assert sequence_of(each_tick(kept[0])) == kept[0]
