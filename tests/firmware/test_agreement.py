"""The compiled behaviour and the reference simulation: every field the same on every tick."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from statecraft.firmware import behaviour
from statecraft.firmware import desk as desk_module
from statecraft.firmware.desk import Desk, DeskTick
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.firmware.agreement import check, compare, desk_ticks
from tests.firmware.stimuli import Stimuli
from tests.random_machines import random_inputs, random_text
from tests.samples import PATHS, machine_in, sample
from tests.tools import need

need("g++")


@pytest.mark.slow
@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_samples_agree(path: Path) -> None:
    machine = machine_in(path)
    for seed in range(2):
        compare(machine, 4000, seed)


@pytest.mark.slow
def test_a_machine_with_every_construct_agrees_and_gets_about(orchard: Machine) -> None:
    desk = Desk(orchard)
    fired: Counter[tuple[str, int]] = Counter()
    for seed in range(4):
        ticks = list(Stimuli(orchard, seed).ticks(12_000))
        check(orchard, ticks, desk)
        for row in desk.run(ticks):
            fired.update((n, v) for (k, n), v in zip(desk.columns, row, strict=True) if k == "row" and v != 255)
    rows = [(part.name, row.number) for part in orchard.parts for row in part.rows]
    asleep = [row for row in rows if not fired[row]]
    assert len(asleep) <= 8, asleep


@pytest.mark.slow
@settings(max_examples=8)
@given(st.integers(0, 10**6), st.integers(1, 4))
@example(114, 2)  # a level whose condition to turn on holds always, with a time to turn off
def test_random_machines_agree(seed: int, size: int) -> None:
    machine = read_text(random_text(seed, size))
    desk = Desk(machine, flags=("-O0", "-Werror"))
    check(machine, list(Stimuli(machine, seed).ticks(800)), desk)
    check(machine, list(desk_ticks(machine, random_inputs(machine, seed, 800))), desk)


def agrees(text: str, seed: int) -> None:
    """The machine's desk build says what its table says, over 600 ticks at random."""
    machine = read_text(text)
    ticks = list(desk_ticks(machine, random_inputs(machine, seed, 600)))
    check(machine, ticks, Desk(machine, flags=("-O0", "-Werror")))


@pytest.mark.slow
@settings(max_examples=4)
@given(st.integers(0, 10**6), st.integers(1, 3))
def test_random_machines_that_count_from_outside_agree(seed: int, size: int) -> None:
    agrees(random_text(seed, size, counting=True), seed)


@pytest.mark.slow
@settings(max_examples=4)
@given(st.integers(0, 10**6), st.integers(1, 3))
def test_random_machines_with_a_stepper_agree(seed: int, size: int) -> None:
    agrees(random_text(seed, size, stepping=True), seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 46])
def test_random_machines_that_copy_counters_agree(seed: int) -> None:
    agrees(random_text(seed, 1 + seed % 2, copying=True), seed)


def test_a_late_tick_keeps_commands_and_who_was_heard_for_the_next_one(feed_pusher: Machine) -> None:
    desk = Desk(feed_pusher)
    calm = ((2000, 900, 900, 7600), (False,))
    patrol, beat = 2, 1

    def run(*ticks: DeskTick) -> dict[tuple[str, str], int]:
        return dict(zip(desk.columns, desk.run(ticks)[-1], strict=True))

    run(DeskTick(*calm, how="begin"), DeskTick(*calm, [beat]))
    late = run(DeskTick(*calm, [patrol], how="catch up"))
    assert late["mode", "feed_pusher"] == 0
    assert late["waiting_count", ""] == 1
    assert late["clock", "silent operator"] == 1
    on_time = run(DeskTick(*calm))
    assert on_time["mode", "feed_pusher"] == 5
    assert on_time["clock", "silent operator"] == 0


def test_a_template_with_another_meaning_is_caught() -> None:
    sump_pump = sample("sump_pump")

    def damaged(machine: Machine, heading: str) -> dict[str, str]:
        files = behaviour.behaviour_files(machine, heading)
        text = files["behaviour.cpp"]
        assert "clock > ticks" in text
        return files | {"behaviour.cpp": text.replace("return clock > ticks", "return clock >= ticks")}

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(desk_module, "behaviour_files", damaged)
        with pytest.raises(AssertionError, match="differ"):
            compare(sump_pump, 6000, 1)
