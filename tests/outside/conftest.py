"""Programs for the simulated chip, compiled as its own tests do."""

from tests.chip.conftest import build

__all__ = ["build"]
