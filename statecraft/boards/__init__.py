"""Facts about boards, as data: one TOML file a board beside this one, and owners may write their own.

    board = load("atmega2560")
    board.pin("54").name                                  # "A0"
    board.pin("22").can("pwm")                            # False
    ", ".join(pin.name for pin in board.pins_with("pwm"))

A file for a board of one's own can be as short as this. `generic = true` says: any core that has the same pin
functions (pinMode, digitalWrite, analogRead ...), so nothing is known of its registers, timers and sizes, and every pin
says what it `can` do: "digital", "pwm", "analog", "interrupt" (attachInterrupt accepts it).

    generic      = true
    description  = "the bench's own board"
    supply_mv    = 3300
    reference_mv = 3300            # only if a pin is analog
    adc_bits     = 10              # likewise: the bits analogRead delivers

    [[serial]]
    name   = "serial0"
    object = "Serial"
    usb    = true                  # or: rx = "0", tx = "1"

    [pins]
    "0"  = { can = ["digital"] }
    "13" = { can = ["digital", "pwm"], notes = ["on-board LED"] }
    "A0" = { can = ["digital", "analog"], also = ["54"] }

Without `generic` everything is wanted that the files here have; a pin then names registers instead of abilities:

    "2" = { port = "E4", pwm = "3B", interrupt = 0, line = 4 }    # also, analog, change, taken_by, notes
"""

from statecraft.boards.facts import ABILITIES, Ability, Board, Pin, SerialPort, Timer, Upload
from statecraft.boards.reader import BoardError, load, load_file, names

__all__ = [
    "ABILITIES",
    "Ability",
    "Board",
    "BoardError",
    "Pin",
    "SerialPort",
    "Timer",
    "Upload",
    "load",
    "load_file",
    "names",
]
