"""``unpack DESIGN MESSAGE HEX|FILE``: the values of messages, with units."""

import json
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from lowpanbudget.cli import captures, completion, designs, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import WireError, plural

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.capture.files.hex_text import HexLine
    from lowpanbudget.payload.message import Message
    from lowpanbudget.report.screen import Screen

_MOST_TOLD = 5

_EXAMPLE = """\b
lowpanbudget unpack examples/archive.toml door_alarm 1270fa0000
lowpanbudget unpack examples/archive.toml climate received.txt --csv > climate.csv"""


class Unpacked(NamedTuple):
    """Octets of one message and its values, or why there are none; and what is odd about them, if anything."""

    line: "HexLine"
    values: dict[str, Any] | None
    fault: WireError | None
    notice: str = ""


@click.command("unpack", short_help=COMMANDS["unpack"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.argument("message", shell_complete=completion.messages)
@click.argument("source", metavar="HEX|FILE", shell_complete=completion.files)
@click.option("--csv", "as_csv", is_flag=True, help="Print a table for programs: a message a line.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for programs: an object a line.")
@click.pass_context
def command(
    ctx: click.Context, design: str, message: str, source: str, *, as_csv: bool, as_json: bool
) -> None:
    """Show the values in octets of MESSAGE, given in HEX, or of many in FILE (- for standard input), one a line.

    In a file # starts a comment and empty lines are passed over. Octets that are no such message are told on
    standard error, the others are shown all the same; the exit code is then 3. Bits that only fill up the last octet
    are told there too where they are not zero. Text that came over the air may be a formula to a spreadsheet: in the
    table an apostrophe stands before it, which pack takes off again. One alone is a value that is there and empty.
    """
    from lowpanbudget.cli import output

    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    form = designs.load(design).message(message)
    read = [_read(form, line) for line in options.messages_of(source)]
    if as_json:
        output.emit("".join(_line(form, unpacked) for unpacked in read))
    elif as_csv:
        from lowpanbudget.report import values_table

        rows = [
            (unpacked.line.place, unpacked.values)
            for unpacked in read
            if unpacked.values is not None
        ]
        output.emit(values_table.csv_of(form, rows))
    else:
        _show(form, read)
    odd = [(one.line.place or "the message", one.notice) for one in read if one.notice]
    for place, notice in odd[:_MOST_TOLD]:
        captures.say(ctx, f"{place}: {notice}")
    if len(odd) > _MOST_TOLD:
        captures.say(ctx, f"{plural(len(odd) - _MOST_TOLD, 'more notice')} like these")
    wrong = [
        (unpacked.line.place or "the message", unpacked.fault)
        for unpacked in read
        if unpacked.fault is not None
    ]
    if wrong:
        for place, fault in wrong[:_MOST_TOLD]:
            text = f"{place}: octet {fault.offset}, {fault.layer}: {fault.message}"
            captures.say(ctx, text, fault.hint)
        if len(wrong) > _MOST_TOLD:
            captures.say(ctx, f"{len(wrong)} of {len(read)} messages are wrong")
        ctx.exit(WireError.exit_code)


def _read(form: "Message", line: "HexLine") -> Unpacked:
    try:
        values, last = form.unpack(line.octets), form.last_bits(line.octets)
    except WireError as fault:
        return Unpacked(line, None, fault)
    notice = ""
    if "1" in last:
        filled = f"the last {plural(len(last), 'bit')}, which only fill up the octet, are {last}, not zero"
        notice = f"{filled}: an altered octet, or another version of the format"
    return Unpacked(line, values, None, notice)


def _line(form: "Message", unpacked: Unpacked) -> str:
    """Return one message as a JSON object on a line of its own."""
    from lowpanbudget.payload.shown import units
    from lowpanbudget.report import machine, values_table, view

    row = {
        "version": machine.VERSION,
        "message": form.name,
        "place": unpacked.line.place or None,
        "octets": unpacked.line.octets.hex(),
        "values": view.data_of(values_table.exact(unpacked.values)),
        "units": units(form),
        "fault": view.data_of(unpacked.fault),
        "notice": unpacked.notice,
    }
    return json.dumps(row, allow_nan=False) + "\n"


def _show(form: "Message", read: list[Unpacked]) -> None:
    from lowpanbudget.cli import output
    from lowpanbudget.payload.shown import shown_values
    from lowpanbudget.report import view

    for index, unpacked in enumerate(read, 1):
        if unpacked.values is None:
            continue
        title = f"{form.name}, {plural(len(unpacked.line.octets), 'octet')}"
        if unpacked.line.place:
            title += f", {index} of {len(read)} ({unpacked.line.place})"
        rows = view.data_of(shown_values(form, unpacked.values))
        output.show(partial(_paint, title=title, rows=rows))


def _paint(console: "Console", screen: "Screen", **shown: Any) -> None:
    from lowpanbudget.report import values_text

    values_text.values(console, screen, **shown)
