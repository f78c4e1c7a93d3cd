"""The step's cost: measured exactly, and no more than what an expert's own would take."""

from __future__ import annotations

from array import array
from pathlib import Path

import pytest

from statecraft.agreement.agree import trials
from statecraft.agreement.budget import Bench, StepCost, bench_program, columns, step_cost
from statecraft.agreement.compare import Comparison
from statecraft.agreement.inputs import Streams, length
from statecraft.agreement.random_sequences import sequence
from statecraft.boards import load
from statecraft.firmware.behaviour import behaviour_files
from statecraft.firmware.desk import Desk, desk_source
from statecraft.machine import Machine
from tests.benchmarks.yardstick.measure import COLUMNS, ByHand, measured, sequences
from tests.samples import PATHS, machine_in, sample
from tests.tools import need

ROOM_FOR_A_GENERATOR = 1.2
"""How much larger and slower than the hand-written one the generated behaviour may be."""


@pytest.fixture(scope="module")
def streams(feed_pusher: Machine) -> list[array[int]]:
    words = Streams(feed_pusher)
    return [words.of(found) for found in (*trials(feed_pusher), sequence(feed_pusher, 3, 1500))]


def test_the_bench_runs_what_the_desk_runs(
    feed_pusher: Machine, streams: list[array[int]], tmp_path: Path, chip_tools: None
) -> None:
    files = behaviour_files(feed_pusher, "") | {"desk.cpp": desk_source(feed_pusher)}
    board = load(feed_pusher.board)
    desk = Desk(feed_pusher)
    with Bench(feed_pusher, bench_program("it", files, columns(feed_pusher), board, tmp_path), board) as bench:
        for stream in streams:
            states = bench.run(stream)
            ticks = length(trials(feed_pusher)[0]) if stream is streams[0] else 1500
            told = desk.run_stream(stream, ticks)
            width = len(desk.columns)
            each = {tuple(told[at : at + width]) for at in range(0, len(told), width)}
            assert tuple(states[-1]) == tuple(told[-width:])
            assert {tuple(state) for state in states} <= each
            assert len(states) > ticks / 30
        steps = sum(length(found) for found in (*trials(feed_pusher), sequence(feed_pusher, 3, 1500))) - 2
        late = sum(s.ticks for s in sequence(feed_pusher, 3, 1500) if s.late)
        assert bench.cost.steps == steps - late


def test_a_longer_step_costs_more(
    feed_pusher: Machine, streams: list[array[int]], monkeypatch: pytest.MonkeyPatch, chip_tools: None
) -> None:
    board = load(feed_pusher.board)
    plain = step_cost(feed_pusher, board, streams)
    slower = behaviour_files(feed_pusher, "")
    opening = "void step(const Inputs& in)\n{\n"
    four_more = opening + '    asm volatile("nop\\n nop\\n nop\\n nop");\n'
    slower["behaviour.cpp"] = slower["behaviour.cpp"].replace(opening, four_more)
    monkeypatch.setattr("statecraft.agreement.budget.behaviour_files", lambda machine, heading: slower)
    longer = step_cost(feed_pusher, board, streams)
    assert (longer.most, longer.steps) == (plain.most + 4, plain.steps)
    assert longer.mean == pytest.approx(plain.mean + 4)
    assert plain.share(feed_pusher, board) == plain.most / 160_000


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_every_samples_step_is_a_small_share_of_its_tick(path: Path, chip_tools: None) -> None:
    machine = machine_in(path)
    words = Streams(machine)
    cost = step_cost(machine, load(machine.board), [words.of(found) for found in trials(machine)])
    assert isinstance(cost, StepCost)
    assert 0 < cost.mean <= cost.most
    assert cost.share(machine, load(machine.board)) < 0.02


# ----------------------------------------------------------------------------------------------------- the yardstick


@pytest.mark.slow
@pytest.mark.parametrize("name", COLUMNS)
def test_the_one_written_by_hand_does_what_the_table_says(name: str, tmp_path: Path) -> None:
    need("g++")
    machine = sample(name)
    comparison = Comparison(machine, ByHand(tmp_path, name))
    for found in (*sequences(machine), *(sequence(machine, seed, 20_000) for seed in range(20, 25))):
        assert comparison.run(found) is None
    assert comparison.ticks > 120_000


@pytest.mark.slow
@pytest.mark.parametrize("name", COLUMNS)
def test_the_generated_one_is_nearly_as_small_and_fast_as_the_one_written_by_hand(name: str, chip_tools: None) -> None:
    generated, by_hand = measured(name)
    assert generated.flash <= ROOM_FOR_A_GENERATOR * by_hand.flash
    assert generated.ram <= ROOM_FOR_A_GENERATOR * by_hand.ram
    assert generated.cost.most <= ROOM_FOR_A_GENERATOR * by_hand.cost.most
    assert generated.cost.mean <= ROOM_FOR_A_GENERATOR * by_hand.cost.mean
    assert generated.cost.steps == by_hand.cost.steps > 20_000
