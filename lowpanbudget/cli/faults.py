"""Errors to text on standard error: one clear message with place, clause, and what to try; and their exit codes."""

import os
import sys
from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import streams

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from lowpanbudget.errors import Fault, LowpanError

USAGE, INTERNAL, INTERRUPTED, PIPE_CLOSED = 2, 70, 130, 141
DEBUG = "LOWPANBUDGET_DEBUG"
_STREAMED = ("CAPTURE", "DESIGN", "HEX")  # what may come from standard input, as commands name it
_UNKNOWN = dict.fromkeys(("offset", "layer", "cite"))  # what only the library's errors know
_MOST_ROWS = 20  # wrong rows that are told one by one


class ReaderLeft(Exception):
    """Nobody reads standard output any more: the other end of a pipe is closed."""


def report(error: BaseException, command: str, *, as_json: bool = False) -> int:
    """Print an error to standard error and return the exit code it stands for.

    ``as_json``: also as a JSON object on standard output, where a program waits for its result.
    """
    from lowpanbudget.errors import LowpanError

    said: dict[str, Any] = {"kind": type(error).__name__}
    if isinstance(error, LowpanError):
        text, code = text_of(error), error.exit_code
        said = _data(error)
    elif isinstance(error, click.UsageError):
        path = error.ctx.command_path if error.ctx is not None else command
        said = {
            "message": error.format_message(),
            "hint": _usage(error) or f"{path} --help",
            "kind": "RequestError",
        }
        text, code = f"{visible(said['message'])}\n  try: {said['hint']}", USAGE
    elif isinstance(error, click.ClickException):
        text, code = error.format_message(), USAGE
        said["kind"] = "RequestError"
    elif isinstance(error, MemoryError):
        text, code = (
            "there is not enough memory for this\n  try: Give it more, or a part of the work",
            USAGE,
        )
    else:
        text, code = _internal(error), INTERNAL
    lines = (visible(line) for line in text.split("\n"))
    streams.tell(f"{command}: " + "\n".join(lines))
    if as_json:
        from lowpanbudget.report import machine

        known = {"command": command, "exit_code": code, "message": text, "hint": ""}
        try:
            click.echo(machine.fault(**known | _UNKNOWN | said), nl=False)
        except OSError:  # it has been told above
            streams.forget(sys.stdout)
    return code


def _usage(error: click.UsageError) -> str:
    """Return what to write where something is missing: all that the command cannot do without."""
    if not isinstance(error, click.MissingParameter) or error.ctx is None:
        return ""
    ctx, missing = error.ctx, error.param
    parameters = ctx.command.params
    arguments = [one for one in parameters if isinstance(one, click.Argument)]
    options = [one for one in parameters if isinstance(one, click.Option) and one.required]
    words = [
        ctx.command_path,
        *(one.metavar or one.human_readable_name.upper() for one in arguments),
        *(f"{one.opts[0]} {one.metavar or 'VALUE'}" for one in options),
    ]
    first = words[1] if arguments else ""
    stream = ", - for standard input" if first.startswith(_STREAMED) else ""
    text = f"{' '.join(words)}{stream}; all options: {ctx.command_path} --help"
    if missing is not None and missing.name == "message":
        from lowpanbudget.cli.completion import named

        names = named(ctx, "message")
        return f"{text}; the design has {', '.join(names)}" if names else text
    return text


def _data(error: "LowpanError") -> dict[str, Any]:
    """Return what an error of the library says as plain data; of a design all its faults."""
    from lowpanbudget.errors import DesignError, LacksTables, RowsError
    from lowpanbudget.report import view

    said: dict[str, Any] = view.fault(error)
    if isinstance(error, DesignError | RowsError):
        names = ("file", "line", "column", "key", "message", "hint")
        said["faults"] = [{name: getattr(one, name) for name in names} for one in error.faults]
    if isinstance(error, LacksTables):
        said["lines"] = list(error.lines)
    return said


def text_of(error: "LowpanError") -> str:
    """Return what an error says: what and where on the first line, then clause and advice, each on its own."""
    from lowpanbudget.errors import DesignError, LacksTables, RowsError, WireError

    if isinstance(error, DesignError) and error.faults:
        count = len(error.faults)
        head = (
            "the design file has a fault" if count == 1 else f"the design file has {count} faults"
        )
        return "\n".join([head, *map(visible, _listed(error.faults))])
    if isinstance(error, RowsError):
        rest = len(error.faults) - _MOST_ROWS
        tail = [f"  {rest} more, and --json has them all"] if rest > 0 else []
        rows = _listed(error.faults[:_MOST_ROWS])
        return "\n".join([visible(error.message), *map(visible, rows), *tail])
    head = error.message
    if isinstance(error, WireError):
        layer = f", {error.layer}" if error.layer else ""
        head = f"the octets are wrong at octet {error.offset}{layer}: {head}"
    lines = [head]
    if error.cite is not None:
        lines.append(f"  clause: {error.cite}")
    if error.hint:
        lines.append(f"  try: {error.hint}")
    if isinstance(error, LacksTables):
        lines += error.lines
    return "\n".join(map(visible, lines))  # a name with a line end makes no line of its own


def _listed(faults: "Iterable[Fault]") -> "Iterator[str]":
    """Yield the lines that say where each fault is and what to write."""
    for fault in faults:
        key = f"{fault.key}: " if fault.key else ""
        yield f"  {fault.file}:{fault.line}:{fault.column}: {key}{fault.message}"
        if fault.hint:
            yield f"    try: {fault.hint}"


def _internal(error: BaseException) -> str:
    """Return one line about a fault of the program: kind and place, never the text, which may hold the user's data."""
    import traceback

    if os.environ.get(DEBUG):
        traceback.print_exception(error)
    place = ""
    steps = traceback.extract_tb(error.__traceback__)
    if steps:
        place = f" at {os.path.basename(steps[-1].filename)}:{steps[-1].lineno}"  # noqa: PTH119
    return (
        f"internal fault ({type(error).__name__}{place}); this is a mistake in the program, please report it "
        f"with the command you gave ({DEBUG}=1 shows the traceback)"
    )


def visible(line: str) -> str:
    """Return a line that cannot steer a terminal and can be written in its encoding."""
    from lowpanbudget.report.screen import encodable, harmless

    return encodable(harmless(line), getattr(sys.stderr, "encoding", None) or "utf-8")
