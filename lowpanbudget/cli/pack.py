"""``pack DESIGN MESSAGE NAME=VALUE...|FILE``: the octets of messages, for test vectors of firmware."""

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import completion
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from lowpanbudget.payload.message import Message

_EXAMPLE = """\b
lowpanbudget pack examples/archive.toml door_alarm door=south open=true open_for=30 light=120
lowpanbudget pack examples/archive.toml climate temperature=-18.5 --rest typical
lowpanbudget pack examples/archive.toml climate values.csv"""


@click.command("pack", short_help=COMMANDS["pack"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.argument("message", shell_complete=completion.messages)
@click.argument("given", metavar="NAME=VALUE...|FILE", nargs=-1, shell_complete=completion.files)
@click.option(
    "--rest", type=click.Choice(["least", "typical", "greatest"]),
    help="What is not given is as in the least, the typical or the greatest message.",
)  # fmt: skip
@click.option(
    "-o",
    "--output",
    "path",
    metavar="FILE",
    shell_complete=completion.files,
    help="Write the octets of one message to this file.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON for programs: an object a line.")
def command(
    design: str,
    message: str,
    given: tuple[str, ...],
    rest: str | None,
    path: str | None,
    *,
    as_json: bool,
) -> None:
    """Print the octets of MESSAGE in hex: of values that are given, or of each row of FILE (- for standard input).

    A value inside others goes by its path: reading[0].temperature=21.5. FILE is JSON, an object a line, or CSV with a
    path above each column, as unpack prints both. A number is rounded to the step of its field; one out of its range is
    refused. A message that nothing can be made of ends the output, with exit code 2.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.design.load import load_design
    from lowpanbudget.payload.given import merged

    form = load_design(design).message(message)
    start: dict[str, Any] = {} if rest is None else form.example(rest)  # type: ignore[arg-type]
    packed = [form.pack(merged(start, values)) for values in _values(form, given)]
    if path is not None:
        if len(packed) != 1:
            raise RequestError(
                f"{len(packed)} messages are given for one file",
                hint="Leave -o out: a line for each",
            )
        output.write_whole(path, packed[0])
    if as_json:
        output.emit("".join(_line(form, octets) for octets in packed))
    elif path is None:
        output.emit("".join(f"{octets.hex()}\n" for octets in packed))


def _values(form: "Message", given: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return what is packed, of the command line or of a file."""
    from lowpanbudget.payload.given import rows_of, tree_of, values_of

    if len(given) == 1 and "=" not in given[0]:
        text = sys.stdin.buffer.read() if given[0] == "-" else _read(given[0])
        try:
            return list(rows_of(form, text.decode("utf-8")))
        except UnicodeDecodeError:
            raise RequestError(
                f"{given[0]} is no UTF-8 text", hint="Give values in JSON or CSV"
            ) from None
    cells = []
    for one in given:
        name, equals, value = one.partition("=")
        if not equals:
            raise RequestError(
                f"{one[:60]!r} has no value", hint=f"Write {one[:60]}=VALUE, or one file alone"
            )
        cells.append((name, value))
    return [values_of(form, tree_of(cells))]


def _read(path: str) -> bytes:
    try:
        return Path(path).read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no file has such a name"
        raise RequestError(
            f"{path} cannot be read: {reason}", hint="Give NAME=VALUE, or a file of values"
        ) from None


def _line(form: "Message", octets: bytes) -> str:
    """Return one message as a JSON object on a line of its own, its values as a receiver reads them."""
    from lowpanbudget.payload.shown import units
    from lowpanbudget.report import machine, values_table, view

    row = {
        "version": machine.VERSION,
        "message": form.name,
        "octets": octets.hex(),
        "values": view.data_of(values_table.exact(form.unpack(octets))),
        "units": units(form),
    }
    return json.dumps(row, allow_nan=False) + "\n"
