"""The language: text into a machine, with messages that teach.

:func:`read_file` and :func:`read_text` give a :class:`statecraft.machine.Machine` or raise :class:`FileErrors`, which
holds every mistake of the file in order; :func:`show` lays mistakes out for people.
"""

from statecraft.language.mistakes import FileErrors, Mistake, show
from statecraft.language.reader import read_file, read_text

__all__ = ["FileErrors", "Mistake", "read_file", "read_text", "show"]
