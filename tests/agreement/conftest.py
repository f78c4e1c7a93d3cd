"""What these tests share: the sample, and what the chip's tests need from outside."""

from __future__ import annotations

import pytest

from statecraft.machine import Machine
from tests.samples import sample
from tests.tools import need


@pytest.fixture(scope="session")
def feed_pusher() -> Machine:
    return sample("feed_pusher")


@pytest.fixture(scope="session")
def chip_tools() -> None:
    need("avr-g++")
    need("/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h")
    need("/usr/include/simavr/sim_avr.h")
