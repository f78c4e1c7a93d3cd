"""Machine + board → sketch: plan of pins and timers, the writer of the files, the compiler, the desk build.

    files = emit(machine, board)                              # name → text
    written = write(folder, files, hand_functions(machine))   # whole or not at all
    built = build(folder, board, out)                         # for the chip, where its compiler is installed
"""

from statecraft.firmware.folder import FolderError, Written, write
from statecraft.firmware.plan import Plan, plan, sensor_cycles, wiring_findings
from statecraft.firmware.toolchain import BuildFailed, Built, ToolchainMissing, build
from statecraft.firmware.writer import WiringError, emit, hand_functions

__all__ = [
    "BuildFailed",
    "Built",
    "FolderError",
    "Plan",
    "ToolchainMissing",
    "WiringError",
    "Written",
    "build",
    "emit",
    "hand_functions",
    "plan",
    "sensor_cycles",
    "wiring_findings",
    "write",
]
