"""The bytes that say something to a machine on one of its links."""

from __future__ import annotations

from statecraft.machine import Link


def message(link: Link, text: str, *, number: bool = False) -> bytes:
    """The bytes that say ``text`` on ``link``: framed ``$text*XX`` where it is checked, XX the exclusive or of the
    bytes between (NMEA 0183); bare where it is plain, and then a number is followed by the end of the line.
    """
    if not link.checked:
        return f"{text}\n".encode() if number else text.encode()
    check = 0
    for byte in text.encode():
        check ^= byte
    return f"${text}*{check:02X}".encode()
