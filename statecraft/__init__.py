"""statecraft: the behaviour of a small machine as a state table, proved, rehearsed, and written out as firmware.

    import statecraft

    m = statecraft.read("feed_pusher.modes")
    print(m.check())

``samples/PYTHON.md`` shows all of it. What is named here is stable; every error is a :class:`StatecraftError`.
"""

# Nothing is imported here: the command begins with this file, and has yet to say what Ctrl-C means.
TYPE_CHECKING = False  # to a type checker it is True under this name; typing itself need not be read

__version__ = "0.1.0"

if TYPE_CHECKING:
    from typing import Any

    from statecraft.api.check import Check, Found, Promised
    from statecraft.api.model import Model, Rehearsals, Rehearsed, read, read_text
    from statecraft.api.rehearsal import Recording, Rehearsal
    from statecraft.api.shown import Page, Picture, Table
    from statecraft.errors import StatecraftError, UnknownName, WrongValue

_HOME = {
    "api.check": ("Check", "Found", "Promised"),
    "api.model": ("Model", "Rehearsals", "Rehearsed", "read", "read_text"),
    "api.rehearsal": ("Recording", "Rehearsal"),
    "api.shown": ("Page", "Picture", "Table"),
    "errors": ("StatecraftError", "UnknownName", "WrongValue"),
}
"""Where the names are that are fetched when first asked for: the command starts without them."""

__all__ = [
    "Check",
    "Found",
    "Model",
    "Page",
    "Picture",
    "Promised",
    "Recording",
    "Rehearsal",
    "Rehearsals",
    "Rehearsed",
    "StatecraftError",
    "Table",
    "UnknownName",
    "WrongValue",
    "read",
    "read_text",
]


def __getattr__(name: str) -> "Any":
    from importlib import import_module

    for module, names in _HOME.items():
        if name in names:
            return getattr(import_module(f"{__name__}.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
