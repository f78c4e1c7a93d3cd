"""The behaviour on a 32-bit chip, held against the table tick for tick."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from statecraft.agreement import cortex_m
from statecraft.agreement.agree import at_random, compared, trials
from statecraft.agreement.cortex_m import CortexM
from statecraft.firmware.behaviour import behaviour_files
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.random_machines import random_text
from tests.samples import PATHS, machine_in, sample
from tests.tools import need


@pytest.fixture(autouse=True)
def tools() -> Iterator[None]:
    need("arm-none-eabi-g++")
    need("qemu-system-arm")
    yield


@pytest.mark.slow
@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_samples_agree_on_a_cortex_m(path: Path) -> None:
    machine = machine_in(path)
    with CortexM(machine) as other:
        assert compared(machine, "trials", trials(machine), other).agrees
        assert at_random(machine, 1, 20_000, other).agrees


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_random_machines_agree_on_a_cortex_m(seed: int) -> None:
    machine = read_text(random_text(seed, 2))
    with CortexM(machine) as other:
        assert at_random(machine, seed, 3000, other).agrees


def test_another_meaning_is_caught_on_a_cortex_m(monkeypatch: pytest.MonkeyPatch) -> None:
    def damaged(machine: Machine, heading: str) -> dict[str, str]:
        files = behaviour_files(machine, heading)
        text = files["behaviour.cpp"]
        assert "clock > ticks" in text
        return files | {"behaviour.cpp": text.replace("return clock > ticks", "return clock >= ticks")}

    machine = sample("sump_pump")
    monkeypatch.setattr(cortex_m, "behaviour_files", damaged)
    with CortexM(machine) as other:
        found = at_random(machine, 1, 20_000, other)
    assert found.difference is not None
