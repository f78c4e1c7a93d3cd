"""The command. One thin file a verb, imported only when that verb is run, so that the command starts fast."""

from __future__ import annotations

import codecs
import contextlib
import importlib
import os
import sys
from collections.abc import Iterator
from typing import Any

import click

from statecraft import __version__

# verb: (its file, what the list of verbs says of it)
VERBS = {
    "new": "start a machine file of your own",
    "language": "show the language on one page",
    "check": "prove it, or see the run that breaks it",
    "try": "rehearse the file's trials on the desk",
    "agree": "compare table, C++ and simulated chip, tick by tick",
    "table": "show the state table",
    "draw": "draw the modes, or a trial's timeline",
    "report": "write everything that is known about it as one page",
    "export": "write the machine for other programs",
    "tidy": "line up a file's tables and columns",
    "emit": "write the firmware as a sketch folder",
    "wiring": "list every pin and what goes there",
    "make": "check, try, emit, compile and size, in one go",
    "upload": "compile, and put the program on the board",
    "remote": "write the operator's remote as one page",
    "bridge": "serve the remote to phones, and pass on what they send",
    "watch": "show what a running machine reports, checked against the table",
    "replay": "show a log as a timeline, checked against the table",
    "bench": "try the table by hand, on a local page",
    "pretend": "simulate the machine behind a serial port",
}


class Verbs(click.Group):
    """The verbs of :data:`VERBS`, each loaded from ``statecraft.cli.<verb>`` (``try_`` for ``try``) when asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        file = "try_" if cmd_name == "try" else cmd_name
        command = importlib.import_module(f"statecraft.cli.{file}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        # Written from the dictionary: the list of verbs need not import them all.
        with formatter.section("Verbs"):
            formatter.write_dl(list(VERBS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in VERBS and not args[0].startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(args[0], VERBS, 1)
            ctx.fail(f"There is no verb '{args[0]}'" + (f"; did you mean '{near[0]}'?" if near else ""))
        return super().resolve_command(ctx, args)

    def make_context(self, *args: Any, **kwargs: Any) -> click.Context:
        with _failed_output():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: click.Context) -> Any:
        with _failed_output():
            return super().invoke(ctx)


@click.group(
    cls=Verbs,
    subcommand_metavar="VERB [ARGS]...",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, "--version", message="statecraft %(version)s")
def cli() -> None:
    """Write what a small machine does as a state table. statecraft proves it, rehearses it, and writes its firmware.

    This is not a safety-rated controller, and a stop command is not an emergency stop: fit a hardware switch that
    cuts motor power.
    """


class _ReaderGone(Exception):
    """Whoever read a pipe has gone (`statecraft table x | head`): nobody is left to tell."""


class _Failed(Exception):
    """The system refused something; the message says what."""


@contextlib.contextmanager
def _failed_output() -> Iterator[None]:
    """Tell click nothing of what the system refuses: it would end with an exit code of its own, or not at all."""
    try:
        yield
    except BrokenPipeError:
        raise _ReaderGone from None
    except OSError as error:
        what = f"{os.fsdecode(error.filename)}: " if error.filename is not None else "The output cannot be written: "
        raise _Failed(what + (error.strerror or str(error))) from None


PLAIN = {
    "✓": "+", "✗": "x", "→": "->", "←": "<-", "⇒": "=>", "…": "...", "·": ".", "—": "-", "–": "-", "−": "-", "×": "x",
    "≤": "<=", "≥": ">=", "≠": "!=", "▶": ">", "■": "#", "│": "|", "─": "-", "“": '"', "”": '"', "„": '"', "‘": "'",
    "’": "'", "µ": "u", "Ω": "ohm", "°": " deg ", "\u00a0": " ",
}  # fmt: skip
"""What is printed instead where the output has no such sign."""


def _plainly(error: UnicodeError) -> tuple[str | bytes, int]:
    """What cannot be encoded, plainly; bytes of a file's name that were no text, as they were."""
    assert isinstance(error, UnicodeEncodeError)
    char = error.object[error.start]
    if "\udc80" <= char <= "\udcff":
        return bytes([ord(char) - 0xDC00]), error.start + 1
    return PLAIN.get(char, "?"), error.start + 1


BROKEN_PIPE = 128 + 13
"""The exit code by which a shell tells that a program wrote to a pipe that nobody reads."""

INTERRUPTED = 128 + 2


def main() -> None:
    """Run the command line; every expected failure ends in a message and an exit code, none in a traceback."""
    from statecraft.errors import StatecraftError

    codecs.register_error("plainly", _plainly)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="plainly")
    code, message = 1, ""
    try:
        ended = cli.main(standalone_mode=False)
        code = ended if isinstance(ended, int) else 0
        with _failed_output():
            if sys.stdout is not None:
                sys.stdout.flush()
    except StatecraftError as error:
        from statecraft.cli.common import screen

        console = screen(stderr=True)
        code, message = getattr(error, "code", 1), error.render(color=console.is_terminal, width=console.width)
    except _Failed as failed:
        message = str(failed)
    except click.ClickException as error:
        code, message = error.exit_code, ""
        with contextlib.suppress(OSError):
            error.show()
    except (click.Abort, KeyboardInterrupt):
        code, message = INTERRUPTED, "Stopped. No half-written file was left behind."
    except _ReaderGone:
        code = BROKEN_PIPE
    _end(message)
    sys.exit(code)


def _end(message: str) -> None:
    """Say the last word, if it can be said; what cannot be written any more must not be tried again at the exit."""
    with contextlib.suppress(OSError):
        if message:
            click.echo(message, err=True)
    for stream in (sys.stdout, sys.stderr):
        try:
            if stream is not None:
                stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
