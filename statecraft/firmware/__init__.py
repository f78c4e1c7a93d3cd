"""Machine + board → sketch: plan of pins and timers, the writer of the files, the compiler, the desk build.

    files = emit(machine, board)                              # name → text
    written = write(folder, files, hand_functions(machine))   # whole or not at all
    built = build(folder, board, out)                         # for the chip, where its compiler is installed
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from statecraft.firmware.plan import Plan, plan, sensor_cycles, wiring_findings

if TYPE_CHECKING:
    from statecraft.firmware.folder import FolderError, WrittenFolder, write
    from statecraft.firmware.toolchain import BuildFailed, Built, ToolchainMissing, build
    from statecraft.firmware.writer import WiringError, emit, hand_functions

_HOME = {
    "folder": ("FolderError", "WrittenFolder", "write"),
    "toolchain": ("BuildFailed", "Built", "ToolchainMissing", "build"),
    "writer": ("WiringError", "emit", "hand_functions"),
}
"""Where the names are that are fetched when first asked for: a check needs the plan, and not the writer's templates."""

__all__ = [
    "BuildFailed",
    "Built",
    "FolderError",
    "Plan",
    "ToolchainMissing",
    "WiringError",
    "WrittenFolder",
    "build",
    "emit",
    "hand_functions",
    "plan",
    "sensor_cycles",
    "wiring_findings",
    "write",
]


def __getattr__(name: str) -> Any:
    for module, names in _HOME.items():
        if name in names:
            return getattr(import_module(f"{__name__}.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
