"""``unpack DESIGN MESSAGE HEX|FILE``: the values of messages, with units."""

import json
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from lowpanbudget.cli import faults, options
from lowpanbudget.cli.main import COMMANDS
from lowpanbudget.errors import WireError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.capture.files.hex_text import HexLine
    from lowpanbudget.payload.message import Message
    from lowpanbudget.payload.shown import ShownValue
    from lowpanbudget.report.screen import Screen

_MOST_TOLD = 5

_EXAMPLE = """\b
lowpanbudget unpack examples/archive.toml door_alarm 1270fa0000
lowpanbudget unpack examples/archive.toml climate received.txt --csv > climate.csv"""


class Read(NamedTuple):
    """One message that was given: its values, or why there are none."""

    given: "HexLine"
    values: dict[str, Any] | None
    fault: WireError | None


@click.command("unpack", short_help=COMMANDS["unpack"], epilog=_EXAMPLE)
@click.argument("design")
@click.argument("message")
@click.argument("source", metavar="HEX|FILE")
@click.option("--csv", "as_csv", is_flag=True, help="Print a table for programs: a message a line.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for programs: an object a line.")
@click.pass_context
def command(
    ctx: click.Context, design: str, message: str, source: str, *, as_csv: bool, as_json: bool
) -> None:
    """Show the values in octets of MESSAGE, given in HEX, or of many in FILE (- for standard input), one a line.

    In a file # starts a comment and empty lines are passed over. Octets that are no such message are told on
    standard error, the others are shown all the same; the exit code is then 3. Text that came over the air stands
    in the table as it came: let no spreadsheet take what begins with = for a formula.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.design.load import load_design

    if as_csv and as_json:
        raise click.UsageError("--csv and --json are two ways to print the same", ctx)
    form = load_design(design).message(message)
    read = [_read(form, given) for given in options.lines_of(source)]
    if as_json:
        output.emit("".join(_line(form, one) for one in read))
    elif as_csv:
        output.emit(_table(form, read))
    else:
        _show(form, read)
    wrong = [(one.given.place or "the message", one.fault) for one in read if one.fault is not None]
    if wrong:
        for place, fault in wrong[:_MOST_TOLD]:
            hint = f"\n  try: {fault.hint}" if fault.hint else ""
            text = f"{place}: octet {fault.offset}, {fault.layer}: {fault.message}{hint}"
            lines = "\n".join(faults.visible(line) for line in text.split("\n"))
            click.echo(f"{ctx.command_path}: {lines}", err=True)
        if len(wrong) > _MOST_TOLD:
            text = f"{len(wrong)} of {len(read)} messages are wrong"
            click.echo(f"{ctx.command_path}: {text}", err=True)
        ctx.exit(WireError.exit_code)


def _read(form: "Message", given: "HexLine") -> Read:
    try:
        return Read(given, form.unpack(given.octets), None)
    except WireError as fault:
        return Read(given, None, fault)


def _line(form: "Message", one: Read) -> str:
    """Return one message as a JSON object on a line of its own."""
    from lowpanbudget.payload.shown import units
    from lowpanbudget.report import machine, view

    plain = {
        "version": machine.VERSION,
        "message": form.name,
        "place": one.given.place or None,
        "octets": one.given.octets.hex(),
        "values": view.plain(_exact(one.values)),
        "units": units(form),
        "fault": view.plain(one.fault),
    }
    return json.dumps(plain, allow_nan=False) + "\n"


def _exact(value: Any) -> Any:
    """Return values with fractions for decimals, which ``view.plain`` makes numbers where they stay exact."""
    from decimal import Decimal
    from fractions import Fraction

    if isinstance(value, Decimal):
        return Fraction(value)
    if isinstance(value, dict):
        return {name: _exact(item) for name, item in value.items()}
    return [_exact(item) for item in value] if isinstance(value, list) else value


def _table(form: "Message", read: list[Read]) -> str:
    """Return all messages that can be read as one table (RFC 4180), a column for every value that any of them has."""
    import csv
    import io

    from lowpanbudget.payload.shown import shown_values

    rows = [
        (one.given.place, shown_values(form, one.values)) for one in read if one.values is not None
    ]
    columns: dict[tuple[int, ...], str] = {}
    for _, cells in rows:
        for cell in cells:
            columns[cell.order] = _title(cell)
    order = sorted(columns)
    page = io.StringIO()
    writer = csv.writer(page)
    writer.writerow(["place", *(columns[key] for key in order)])
    for place, cells in rows:
        texts = {cell.order: cell.text for cell in cells}
        writer.writerow([place, *(texts.get(key, "") for key in order)])
    return page.getvalue()


def _title(cell: "ShownValue") -> str:
    return f"{cell.path} [{cell.unit}]" if cell.unit else cell.path


def _show(form: "Message", read: list[Read]) -> None:
    from lowpanbudget.cli import output
    from lowpanbudget.payload.shown import shown_values
    from lowpanbudget.report import terminal, view

    for index, one in enumerate(read, 1):
        if one.values is None:
            continue
        title = f"{form.name}, {terminal.octets(len(one.given.octets))}"
        if one.given.place:
            title += f", {index} of {len(read)} ({one.given.place})"
        rows = view.plain(shown_values(form, one.values))
        output.show(partial(_paint, title=title, rows=rows))


def _paint(console: "Console", screen: "Screen", **shown: Any) -> None:
    from lowpanbudget.report import values_text

    values_text.values(console, screen, **shown)
