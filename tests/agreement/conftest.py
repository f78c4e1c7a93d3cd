"""What these tests share: the sample, and what the chip's tests need from outside."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.language import read_file
from statecraft.machine import Machine
from tests.tools import need

SAMPLES = Path(__file__).parents[2] / "samples"


@pytest.fixture(scope="session")
def feed_pusher() -> Machine:
    return read_file(SAMPLES / "feed_pusher.modes")


@pytest.fixture(scope="session")
def chip_tools() -> None:
    need("avr-g++")
    need("/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h")
    need("/usr/include/simavr/sim_avr.h")
