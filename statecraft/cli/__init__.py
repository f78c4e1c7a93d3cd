"""The command. One thin file a verb, imported only when that verb is run, so that the command starts fast."""

from __future__ import annotations

import importlib
import sys

import click

from statecraft import __version__

# verb: (its file, what the list of verbs says of it)
VERBS = {
    "new": "start a machine file of your own",
    "check": "find what is wrong with a machine, before it moves",
    "try": "rehearse the file's trials on the desk",
    "agree": "compare table, desk build and chip, tick for tick",
    "table": "show the state table",
    "draw": "draw the modes, or a trial's timeline",
    "report": "write everything that is known of it as one page",
    "export": "write the machine for other programs",
    "tidy": "line up a file's tables and columns",
    "emit": "write the firmware as a sketch folder",
    "wiring": "list every pin and what goes there",
    "make": "check, try, emit, compile and size: the whole road",
    "upload": "compile, and put the program on the board",
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
            ctx.fail(f"there is no verb '{args[0]}'" + (f"; did you mean '{near[0]}'?" if near else ""))
        return super().resolve_command(ctx, args)


@click.group(cls=Verbs, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, "--version", message="statecraft %(version)s")
def cli() -> None:
    """Write what a small machine does as a state table; have it proved, rehearsed, and written out as firmware.

    This is not a safety-rated controller, and a stop command is not an emergency stop: fit a hardware switch that
    cuts motor power.
    """


def main() -> None:
    """Run the command line; every expected failure ends in a message and an exit code, none in a traceback."""
    from statecraft.errors import StatecraftError

    try:
        code = cli.main(standalone_mode=False)
        sys.exit(code if isinstance(code, int) else 0)
    except StatecraftError as error:
        from statecraft.cli.common import screen

        console = screen(stderr=True)
        click.echo(error.render(color=console.is_terminal, width=console.width), err=True)
        sys.exit(getattr(error, "code", 1))
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("stopped; nothing half-written was left behind", err=True)
        sys.exit(130)
    except BrokenPipeError:
        # The reader of a pipe has gone (`statecraft table x | head`): nobody is left to tell.
        sys.stderr.close()
        sys.exit(0)
