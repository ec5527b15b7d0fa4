"""The program: its commands, loaded when used, and what every end of it means as an exit code."""

import atexit
import contextlib
import gc
import importlib
import os
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NoReturn

import click

from lowpanbudget.cli import faults, streams
from lowpanbudget.cli.commands import COMMANDS, GROUPS
from lowpanbudget.cli.width import help_width

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

NAME = "lowpanbudget"

_JSON = "--json"  # as every command takes it

_EXIT_CODES = """\b
Exit codes:
  0    done, and the answer is yes
  1    the answer is no: something does not fit
  2    the request or the design file is wrong
  3    the octets cannot be read to their end
  70   a fault of the program
  130  interrupted; of a pipe what came by then is told first
  141  nobody reads the output any more
  143  asked to end (129: hung up); of a pipe as with 130"""


class Program(click.Group):
    """A group whose commands are imported when they are used, and that ends with the contract's exit codes."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Return the names of the commands in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Return a command, importing its module now; None for a name that is none."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"lowpanbudget.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Return what is left for the command; ``--json`` is an option of each of them."""
        if args[:1] == [_JSON]:
            ctx.fail(f"{_JSON} goes behind a command: {NAME} COMMAND {_JSON}")
        return super().parse_args(ctx, args)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command that the first argument names; else fail with the nearest name."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            ctx.fail(f"there is no command {args[0]!r}{_nearest(args[0])}")
        return super().resolve_command(ctx, args)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> "list[CompletionItem]":
        """Return the commands that begin so, from the table alone, and the options of the program."""
        from click.shell_completion import CompletionItem

        commands = [
            CompletionItem(name, help=about)
            for name, about in COMMANDS.items()
            if name.startswith(incomplete)
        ]
        return commands + click.Command.shell_complete(self, ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """Write the list of commands from the table alone: nothing is imported for it."""
        width = max(map(len, COMMANDS))  # one for all groups
        for title, commands in GROUPS.items():
            with formatter.section(title):
                formatter.write_dl([(name.ljust(width), about) for name, about in commands.items()])

    def main(  # always ends the process, as standalone mode does
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> NoReturn:
        """Run a command line and end the process with its exit code."""
        del windows_expand_args, standalone_mode
        name = prog_name or NAME
        words = list(sys.argv[1:] if args is None else args)
        _complete(self, name, complete_var)
        sys.exit(self._run(words, name, extra))

    def _run(self, args: list[str], name: str, extra: dict[str, Any]) -> int:
        command, as_json = name, _JSON in args  # who parses them takes them out
        streams.fill()
        extra.setdefault("terminal_width", help_width())
        if not args:
            streams.tell(self.get_help(click.Context(self, info_name=name, **extra)))
            return faults.USAGE
        try:
            if args and args[0] in COMMANDS:
                command = f"{name} {args[0]}"
            code = self._called(name, args, extra)
            sys.stdout.flush()
        except (faults.ReaderLeft, BrokenPipeError):
            streams.forget(sys.stdout)
            return faults.PIPE_CLOSED
        except (KeyboardInterrupt, click.Abort, EOFError):
            streams.tell(f"{command}: interrupted")
            return faults.INTERRUPTED
        except Exception as error:  # noqa: BLE001  # whatever it is becomes one message and a code
            from lowpanbudget.cli.inputs import explained

            said = streams.unwritable(error) if isinstance(error, OSError) else explained(error)
            return faults.report(said or error, command, as_json=as_json)
        return code

    def _called(self, name: str, args: list[str], extra: dict[str, Any]) -> int:
        """Call a command; return the exit code that it asks for, or that of the signal that ended its capture."""
        code, ctx = 0, None
        try:
            with self.make_context(name, args, **extra) as ctx:
                self.invoke(ctx)
        except click.exceptions.Exit as end:
            code = end.exit_code
        return code if ctx is None or not ctx.meta else _stopped(ctx, f"{name} {args[0]}") or code


def _stopped(ctx: click.Context, command: str) -> int:
    """Tell of a signal that ended the reading of a pipe; return its exit code, 0 where there was none."""
    from lowpanbudget.cli import listening

    number = listening.stopped(ctx)
    if not number:
        return 0
    streams.tell(f"{command}: {listening.words(number)}: this is what is known so far")
    return 128 + number


def _nearest(name: str) -> str:
    import difflib

    if name == "help":
        return f"; {NAME} --help and {NAME} COMMAND --help tell what there is"
    near = difflib.get_close_matches(name, COMMANDS, 1)
    return f"; did you mean {near[0]!r}?" if near else f"; there are {', '.join(COMMANDS)}"


def _complete(program: click.Group, name: str, variable: str | None) -> None:
    """Answer a shell that asks for completions, and end; else do nothing."""
    variable = variable or f"_{NAME.upper()}_COMPLETE"
    instruction = os.environ.get(variable)
    if instruction:
        from click.shell_completion import shell_complete

        try:
            code: int = shell_complete(program, {}, name, variable, instruction)
        except Exception:  # noqa: BLE001  # nothing may be written between the keys of somebody who types
            code = faults.INTERNAL
        sys.exit(code)


def _print_version(ctx: click.Context, _parameter: click.Parameter, asked: bool) -> None:
    if asked and not ctx.resilient_parsing:
        click.echo(f"{NAME} {_version()}")
        ctx.exit()


def _version() -> str:
    """Return the version that was installed, by the name of its folder: the library's way reads mail headers first."""
    for path in sys.path:
        with contextlib.suppress(OSError):
            for name in os.listdir(path or "."):  # noqa: PTH208  # pathlib is as much to load
                if name.startswith(f"{NAME}-") and name.endswith(".dist-info"):
                    return name.removeprefix(f"{NAME}-").removesuffix(".dist-info")
    from importlib.metadata import version

    return version(NAME)


@click.group(
    cls=Program, epilog=_EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_print_version,
    help="Print the version and end.",
)  # fmt: skip
def program() -> None:
    """How many octets of your data fit in one IEEE 802.15.4 frame over 6LoWPAN, and why.

    Every size comes from headers that were really encoded. Results go to standard output, messages to standard
    error; every command takes --json for programs. A DESIGN, a CAPTURE or octets may come from standard input: -.
    """


def run() -> NoReturn:
    """Run the command line of this process."""
    # little here refers to itself in a circle: to look for such things among two hundred modules takes a tenth of `fit`
    gc.set_threshold(100_000, 10, 10)
    atexit.register(gc.freeze)  # and another tenth at the end, when all memory is given back anyway
    program.main(prog_name=NAME)
