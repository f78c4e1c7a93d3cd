"""Faults while the chip runs: damaged bytes, dying sensors, sagging supplies, resets. See also tests/benchmarks."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.agreement.onchip import ChipRunner
from statecraft.agreement.wired import program
from statecraft.boards import load
from statecraft.proof.checks.mode_graph import findings
from tests.agreement.faults import Receiver, run_under_faults
from tests.samples import sample
from tests.tools import need


@pytest.mark.slow
@pytest.mark.parametrize("name", ["feed_pusher", "yard_gate", "bale_mover"])
def test_whatever_goes_wrong_the_chip_does_what_the_table_says(name: str, tmp_path: Path) -> None:
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    machine = sample(name)
    runner = ChipRunner(program(machine, load(machine.board), tmp_path))
    never = {finding.mode for finding in findings(machine) if finding.code == "unreachable" and finding.row is None}
    damaged = moving = 0
    for seed in range(3):
        outcome = run_under_faults(runner, seed, 700)
        assert outcome.wrong == []
        assert outcome.resets == 1
        assert not never & set(outcome.ends)
        damaged += outcome.damaged
        moving += any(machine.is_moving(machine.part(p), machine.part(p).mode[m]) for p, m in outcome.ends)
    assert damaged > 0
    assert moving > 0


def test_a_receiver_reads_a_plain_link() -> None:
    machine = sample("feed_pusher")
    receiver = Receiver(machine, machine.links[0])
    heard = [receiver.feed(byte, tick)[0] for byte, tick in zip(b"hp.?phpp", [0, 0, 1, 5, 6, 25, 25, 26], strict=True)]
    assert heard == [[0], [2], [1], [], [], [0], [], [2]]  # 200 ms from the byte that is none, only halt gets through


def test_a_receiver_reads_a_checked_link() -> None:
    machine = sample("bale_mover")
    receiver = Receiver(machine, machine.links[0])
    heard = [receiver.feed(byte) for byte in b"x$.*2E$.*2F$$.*2E$v60*70$v90*7F$v45*77$v45*7"]
    assert [number for commands, _ in heard for number in commands] == [1, 1]
    assert [dial for _, dials in heard for dial in dials] == [(0, 60), (0, 45)]  # 90 % is out of its range
