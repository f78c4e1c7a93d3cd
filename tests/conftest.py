"""How hypothesis chooses its examples, and which tests one process runs.

Where a missing tool is a failure (``tests/all.sh``, and so everywhere that has to say yes or no to a change), they are
the same in every run: what fails there fails for everyone. Elsewhere they are new ones in every run, and the campaigns
in ``tests/benchmarks/`` look much further. No example has a time limit: the machines that run these are shared.
"""

from __future__ import annotations

import gc
import os
import signal
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from statecraft.proof.engine.limits import told_by
from tests.tools import LARGE

LOADED = [HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large]
"""Checks that judge how fast examples are made: on a loaded machine they fail though nothing is wrong."""

settings.register_profile("by chance", deadline=None, suppress_health_check=LOADED)
settings.register_profile("the same", deadline=None, derandomize=True, suppress_health_check=LOADED)
settings.load_profile("the same" if os.environ.get("STATECRAFT_ALL_TOOLS") else "by chance")


told_by(time.process_time)  # a proof's shares of time are cut by what it does itself, however busy the computer is

signal.signal(signal.SIGINT, signal.default_int_handler)  # what is started beside a shell inherits that it is ignored

gc.disable()  # until all is collected: modules and tests are there to stay


def pytest_collection_finish() -> None:
    """From here on only what tests make is looked through for what can be thrown away."""
    gc.freeze()
    gc.enable()


SHARED = {"chromium": "browser"}
"""Fixtures that a module's tests share and that take long to make: one process makes them, not each."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """With ``--dist loadgroup``, the tests of a module that share a browser and what goes with it stay together."""
    for item in items:
        for fixture, what in SHARED.items():
            if fixture in getattr(item, "fixturenames", ()) and item.get_closest_marker("xdist_group") is None:
                item.add_marker(pytest.mark.xdist_group(f"{what} of {item.path.stem}"))
        if isinstance(item, pytest.Function) and hasattr(item, "callspec"):
            cases = [Path(case).stem for case in item.callspec.params.values() if isinstance(case, str | Path)]
            if LARGE & set(cases):
                item.add_marker(pytest.mark.slow)
