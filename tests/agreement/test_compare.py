"""The table and the desk build, side by side: samples and random machines agree, and what does not is caught."""

from __future__ import annotations

from array import array
from pathlib import Path

import pytest

from statecraft.agreement.agree import at_random, compared, shortened, trials
from statecraft.agreement.compare import Comparison
from statecraft.agreement.inputs import HeldInputs, InputSequence, length
from statecraft.firmware.desk import Desk
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.random_machines import random_text
from tests.samples import PATHS, machine_in, sample
from tests.tools import need

need("g++")
MACHINES = [*PATHS, Path(__file__).resolve().parents[1] / "firmware/machines/orchard.modes"]


@pytest.mark.parametrize("path", MACHINES, ids=lambda path: path.stem)
def test_every_sample_agrees_on_its_trials_and_at_random(path: Path) -> None:
    machine = machine_in(path)
    assert compared(machine, "trials", trials(machine)).difference is None
    done = at_random(machine, 1, 20_000)
    assert done.difference is None
    assert done.ticks == 20_000


@pytest.mark.parametrize("seed", range(24))
def test_random_machines_agree(seed: int) -> None:
    machine = read_text(random_text(seed + 500), "made.modes")
    assert at_random(machine, seed, 4_000).difference is None


def test_the_same_seed_makes_the_same_inputs() -> None:
    machine = sample("yard_gate")

    class Keeping(Desk):
        """Keeps what it is given to run."""

        def __init__(self, machine: Machine) -> None:
            super().__init__(machine)
            self.given = array("i")

        def run_stream(self, stream: array[int], ticks: int) -> array[int]:
            self.given.extend(stream)
            return super().run_stream(stream, ticks)

    one, same, other = Keeping(machine), Keeping(machine), Keeping(machine)
    for desk, seed in ((one, 7), (same, 7), (other, 8)):
        at_random(machine, seed, 3_000, desk)
    assert one.given == same.given
    assert one.given != other.given


class Wrong:
    """A desk build that is wrong in one column once the mode has been the given one for some ticks."""

    def __init__(self, machine: Machine, column: tuple[str, str], mode: int, ticks: int) -> None:
        self.right = Desk(machine)
        self.columns = self.right.columns
        self.column, self.mode, self.ticks = self.columns.index(column), mode, ticks

    def run_stream(self, stream: array[int], ticks: int) -> array[int]:
        rows = self.right.run_stream(stream, ticks)
        width = len(self.columns)
        running = 0
        for start in range(0, len(rows), width):
            running = running + 1 if rows[start] == self.mode else 0
            if running > self.ticks:
                rows[start + self.column] += 1
        return rows


def test_a_difference_is_found_on_its_tick_and_made_short() -> None:
    machine = sample("feed_pusher")
    cruise = [mode.name for mode in machine.parts[0].modes].index("cruise")
    wrong = Wrong(machine, ("counter", "turns"), cruise, 5)
    done = at_random(machine, 3, 20_000, wrong)
    assert done.difference is not None
    # Tick 0, the tick that takes patrol, and five more in cruise: nothing shorter brings it about.
    assert done.difference.tick == 6
    assert done.difference.columns == (("counter", "turns"),)
    assert sum(len(stretch.hear) for stretch in done.difference.sequence) == 1
    assert done.difference.other["counter", "turns"] == done.difference.table["counter", "turns"] + 1


def test_late_ticks_leave_those_that_wait_where_they_are() -> None:
    machine = sample("feed_pusher")
    calm = HeldInputs((900, 900, 900, 7600), (False,))
    commands = [command.name for command in machine.commands]
    patrol, creep = commands.index("patrol"), commands.index("creep")
    comparison = Comparison(machine)
    sequence = (calm, calm._replace(hear=(creep, patrol)), calm._replace(late=True, ticks=4), calm._replace(ticks=3))
    assert comparison.run(sequence) is None
    assert comparison.state[comparison_place(machine, "waiting")] == ()
    assert comparison.run(sequence[:3]) is None
    assert comparison.state[comparison_place(machine, "waiting")] == (patrol,)


def comparison_place(machine: Machine, kind: str) -> int:
    from statecraft.simulation.state import layout

    return layout(machine).index[kind, ""]


def test_shrinking_keeps_what_fails() -> None:
    from statecraft.agreement.shrink import shrink

    calm = HeldInputs((900, 800, 700, 7600), (True,), ticks=40)
    sequence: InputSequence = tuple(calm._replace(hear=(n % 5, 2), ticks=n + 1, every=n % 3) for n in range(12))

    def fails(tried: InputSequence) -> InputSequence | None:
        """Two stretches with command 2, the later one on which the switch is on for three ticks."""
        heard = [place for place, stretch in enumerate(tried) if 2 in stretch.hear]
        for place in heard[1:]:
            if tried[place].switches[0] and tried[place].ticks >= 3:
                return tried[: place + 1]
        return None

    short = shrink(sequence, fails)
    assert fails(short) == short
    assert length(short) == 4
    assert [stretch.hear for stretch in short] == [(2,), (2,)]
    assert all(stretch.every == 0 for stretch in short)


def test_shortened_gives_the_difference_back_when_it_cannot_be_had_again() -> None:
    machine = sample("sump_pump")
    wrong = Wrong(machine, ("level", "wet"), 0, 10)
    comparison = Comparison(machine, wrong)
    found = comparison.run((HeldInputs((0,), (False,), ticks=30),))
    assert found is not None and found.tick == 10
    assert shortened(comparison, found).tick == 10
