"""Machines and sketches that several tests look at, made once a session."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.firmware.toolchain import Built
from statecraft.machine import Machine
from tests.firmware.rig import built
from tests.samples import machine_in, sample
from tests.tools import need

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def feed_pusher() -> Machine:
    return sample("feed_pusher")


@pytest.fixture(scope="session")
def orchard() -> Machine:
    return machine_in(HERE / "machines" / "orchard.modes")


@pytest.fixture(scope="session")
def chip_tools() -> None:
    need("avr-g++")
    need("/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h")
    need("/usr/include/simavr/sim_avr.h")


@pytest.fixture(scope="session")
def feed_pusher_built(feed_pusher: Machine, tmp_path_factory: pytest.TempPathFactory, chip_tools: None) -> Built:
    return built(feed_pusher, tmp_path_factory.mktemp("feed_pusher"))


@pytest.fixture(scope="session")
def orchard_built(orchard: Machine, tmp_path_factory: pytest.TempPathFactory, chip_tools: None) -> Built:
    by_hand = (HERE / "machines" / "orchard_by_hand.cpp").read_text()
    return built(orchard, tmp_path_factory.mktemp("orchard"), by_hand=by_hand)
