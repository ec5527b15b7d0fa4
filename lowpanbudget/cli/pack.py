"""``pack DESIGN MESSAGE NAME=VALUE...|FILE``: the octets of messages, for test vectors of firmware."""

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, NamedTuple

import click

from lowpanbudget.cli import captures, completion, designs, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.cli.inputs import require_present
from lowpanbudget.errors import Fault, RequestError, RowsError, plural

if TYPE_CHECKING:
    from collections.abc import Iterable

    from lowpanbudget.payload.codec.nodes import Case
    from lowpanbudget.payload.given import GivenRow, RoundedNumber
    from lowpanbudget.payload.message import Message

_LARGEST = 1 << 28  # octets of values; a device may never end
_PART = 1 << 20  # octets that are read at once

_EXAMPLE = """\b
lowpanbudget pack examples/archive.toml door_alarm door=south open=true open_for=30 light=120
lowpanbudget pack examples/archive.toml climate temperature=-18.5 --rest typical
lowpanbudget pack examples/archive.toml climate values.csv"""


class PackedRow(NamedTuple):
    """One message: where its row stands, its octets, its values as a receiver reads them, and which differ."""

    name: str
    octets: bytes
    sent: dict[str, Any]
    rounded: "tuple[RoundedNumber, ...]"


@click.command("pack", short_help=COMMANDS["pack"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.argument("message", shell_complete=completion.messages)
@click.argument("given", metavar="NAME=VALUE...|FILE", nargs=-1, shell_complete=completion.files)
@click.option(
    "--rest", type=click.Choice(["least", "typical", "greatest"]),
    help="What is not given is as in the least, the typical or the greatest message; of a list, inside what is given.",
)  # fmt: skip
@click.option(
    "--without", "absent", metavar="NAME", multiple=True,
    help="Leave this optional field out, also where --rest would put it in; may be stated several times.",
)  # fmt: skip
@options.one_file(
    "-o",
    "--output",
    "path",
    metavar="FILE",
    shell_complete=completion.files,
    help="Write the octets of one message to this file.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON for programs: an object a line.")
@click.pass_context
def command(
    ctx: click.Context,
    design: str,
    message: str,
    given: tuple[str, ...],
    rest: "Case | None",
    absent: tuple[str, ...],
    path: str | None,
    *,
    as_json: bool,
) -> None:
    """Print the octets of MESSAGE in hex: of values that are given, or of each row of FILE (- for standard input).

    A value inside others goes by its path: reading[0].temperature=21.5. A list of numbers or flags has commas and no
    brackets: strain=1,2,3, and strain= for an empty one. FILE is JSON, an object a line, or CSV with a path above each
    column, as unpack prints both: a unit beside a path is that of the message, or the table is refused; the apostrophe
    before what a spreadsheet would run is none of the text. A number is
    rounded to the step of its field, and standard error tells of it; one out of its range is refused. When one row of
    FILE cannot be packed nothing is printed at all, so that lines of octets and rows stay the same; each such row is
    told with its line, and the exit code is 2.
    """
    from lowpanbudget.cli import output

    form = designs.load(design).message(message)
    packed = _packed(form, rest, given, absent)
    if path is not None:
        if len(packed) != 1:
            raise RequestError(
                f"{len(packed)} messages are given for one file",
                hint="Leave -o out: a line for each",
            )
        output.write_whole(path, packed[0].octets, inputs=(design, *given))
    if as_json:
        output.emit("".join(_line(form, one) for one in packed))
        return
    if path is None:
        output.emit("".join(f"{one.octets.hex()}\n" for one in packed))
    _tell_roundings(ctx, packed)


def _packed(
    form: "Message", rest: "Case | None", given: tuple[str, ...], absent: tuple[str, ...]
) -> "list[PackedRow]":
    """Return the messages of the command line or of a file; ``RowsError`` when one of them cannot be packed."""
    from lowpanbudget.payload.given import roundings

    rows, name = _rows(form, given, absent)
    packed, wrong = [], []
    for row in rows:
        fault = row.fault
        if row.values is not None:
            values = row.values if rest is None else form.example(rest, row.values)
            try:
                octets = form.pack(values)
                sent = form.unpack(octets)
                place = f"{name}:{row.line}: {row.name}" if name else row.name
                packed.append(PackedRow(place, octets, sent, roundings(form, values, sent)))
            except RequestError as error:
                fault = error
        if fault is not None and not name:
            empty = [one[:-1] for one in given if one.endswith("=")]
            if any(f"field {one} " in fault.message for one in empty):
                hint = f"{fault.hint}; an optional field is left out with --without NAME"
                raise RequestError(fault.message, hint=hint.lstrip("; "))
            raise fault
        if fault is not None:
            wrong.append(
                Fault(
                    file=name,
                    line=row.line,
                    column=1,
                    key=row.name,
                    message=fault.message,
                    hint=fault.hint,
                )
            )
    count = len(packed) + len(wrong)
    if wrong:
        raise RowsError(
            f"{len(wrong)} of {plural(count, 'message')} of {name} cannot be packed, and none is printed",
            faults=tuple(wrong),
        )
    if not count:
        raise RequestError(
            f"{name} has no message in it",
            hint="Write an object of JSON a line, or a table with the names of fields above it",
        )
    return packed


def _rows(
    form: "Message", given: tuple[str, ...], absent: tuple[str, ...]
) -> "tuple[Iterable[GivenRow], str]":
    """Return what is packed, and the name of the file that it stands in, "" for the command line."""
    from lowpanbudget.payload.given import GivenRow, rows_of, tree_of, values_of

    if len(given) == 1 and "=" not in given[0]:
        name = "standard input" if given[0] == "-" else given[0]
        if absent:
            raise RequestError(
                "--without goes with values on the command line",
                hint="In a file leave the cell empty, or give null in JSON",
            )
        octets = _read(given[0])
        try:
            return list(rows_of(form, octets.decode("utf-8"))), name
        except UnicodeDecodeError:
            raise RequestError(
                f"{name} is no UTF-8 text", hint="Give values in JSON or CSV"
            ) from None
        except RequestError as error:
            raise RequestError(f"{name}: {error.message}", hint=error.hint) from None
    cells: list[tuple[str, str | None]] = [(path, None) for path in absent]
    for one in given:
        path, equals, value = one.partition("=")
        if not equals:
            raise RequestError(
                f"{one[:60]!r} has no value", hint=f"Write {one[:60]}=VALUE, or one file alone"
            )
        cells.append((path, value))
    return [GivenRow(1, "", values_of(form, tree_of(cells)))], ""


def _read(path: str) -> bytes:
    require_present(path, "file of values")
    try:
        if path == "-":
            octets = _all_of(sys.stdin.buffer)
        else:
            with Path(path).open("rb") as file:
                octets = _all_of(file)
    except (OSError, ValueError) as error:
        from lowpanbudget.capture.files.key_file import named

        reason = getattr(error, "strerror", None) or "no file has such a name"
        name = "standard input" if path == "-" else f"the file {named(path)}"
        raise RequestError(
            f"{name} cannot be read: {reason}",
            hint="Give NAME=VALUE, or a file of values",
        ) from None
    if len(octets) > _LARGEST:
        raise RequestError(
            f"the values have more than {_LARGEST} octets", hint="Give them in several files"
        )
    return octets


def _all_of(file: BinaryIO) -> bytes:
    """Return what a file holds, up to an octet more than is taken; room is asked for only as it fills."""
    parts, left = [], _LARGEST + 1
    while left and (part := file.read(min(left, _PART))):
        parts.append(part)
        left -= len(part)
    return b"".join(parts)


def _tell_roundings(ctx: click.Context, packed: "list[PackedRow]") -> None:
    """Tell which numbers are sent otherwise than they were given, the first of them one by one."""
    told = [(one.name, rounding) for one in packed for rounding in one.rounded]
    for name, rounding in told[: captures.MOST_TOLD]:
        where = f"{name}: " if name else ""
        unit = f" {rounding.unit}" if rounding.unit else ""
        captures.say(
            ctx,
            f"{where}{rounding.path} is sent as {rounding.sent}{unit}, not {rounding.given}: the nearest it has",
        )
    if len(told) > captures.MOST_TOLD:
        captures.say(
            ctx,
            f"rounded besides: {plural(len(told) - captures.MOST_TOLD, 'more number')}; --json tells them all",
        )


def _line(form: "Message", packed: "PackedRow") -> str:
    """Return one message as a JSON object on a line of its own, its values as a receiver reads them."""
    from lowpanbudget.payload.shown import units
    from lowpanbudget.report import machine, values_table, view

    row = {
        "version": machine.VERSION,
        "message": form.name,
        "octets": packed.octets.hex(),
        "values": view.data_of(values_table.exact(packed.sent)),
        "units": units(form),
        "rounded": [
            {"path": one.path, "given": one.given, "sent": one.sent} for one in packed.rounded
        ],
    }
    return json.dumps(row, allow_nan=False) + "\n"
