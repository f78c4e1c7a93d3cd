"""How hypothesis chooses its examples.

Where a missing tool is a failure (``tests/all.sh``, and so everywhere that has to say yes or no to a change), they are
the same in every run: what fails there fails for everyone. Elsewhere they are new ones in every run, and the campaigns
in ``tests/benchmarks/`` look much further. No example has a time limit: the machines that run these are shared.
"""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

LOADED = [HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large]
"""Checks that judge how fast examples are made: on a loaded machine they fail though nothing is wrong."""

settings.register_profile("by chance", deadline=None, suppress_health_check=LOADED)
settings.register_profile("the same", deadline=None, derandomize=True, suppress_health_check=LOADED)
settings.load_profile("the same" if os.environ.get("STATECRAFT_ALL_TOOLS") else "by chance")
