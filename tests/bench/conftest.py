"""What the live tests share: a Chromium, axe-core, and a compiled bale mover for the simulated chip."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from statecraft.machine import Machine
from tests.report.conftest import axe, chromium  # noqa: F401 - fixtures
from tests.samples import sample
from tests.tools import need

if TYPE_CHECKING:
    from statecraft.agreement.wired import ReportingProgram



@pytest.fixture(scope="session")
def bale_mover() -> Machine:
    return sample("bale_mover")


@pytest.fixture(scope="session")
def on_chip(bale_mover: Machine, tmp_path_factory: pytest.TempPathFactory) -> Iterator[ReportingProgram]:
    """The bale mover's program for the chip."""
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    from statecraft.agreement.wired import program
    from statecraft.boards import load

    yield program(bale_mover, load(bale_mover.board), tmp_path_factory.mktemp("chip"))
