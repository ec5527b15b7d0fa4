"""``encodings DESIGN``: each message in other encodings, side by side, on each hop."""

import click

from lowpanbudget.cli import completion, designs, options
from lowpanbudget.cli.commands import COMMANDS

_EXAMPLE = """\b
lowpanbudget encodings examples/archive.toml --message climate
lowpanbudget encodings examples/archive.toml --message climate --cddl array"""


@click.command("encodings", short_help=COMMANDS["encodings"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.option(
    "--message", metavar="NAME", shell_complete=completion.messages, help="Only this message."
)
@click.option(
    "--cddl",
    type=click.Choice(["array", "map"]),
    help="Print the CDDL text of a CBOR form instead: an array, or a map with integer keys.",
)
@options.as_csv
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    design: str,
    message: str | None,
    cddl: str | None,
    *,
    as_csv: bool,
    as_json: bool,
) -> None:
    """Show what the same values of the DESIGN's messages take in other encodings, in octets and in frames.

    Every size is that of real octets, which were read back to the same values. Whether a message fits is judged by the
    largest size that any of its values take in an encoding. An encoding whose library is not installed is named, not
    guessed.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.report import csv_table, machine, view
    from lowpanbudget.room.encodings import encodings

    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    if as_csv and cddl is not None:
        raise click.UsageError("--csv prints the table, --cddl another text", ctx)
    loaded = designs.load(design)
    if cddl is not None:
        chosen = loaded.messages if message is None else (loaded.message(message),)
        texts = {one.name: one.cddl(keyed=cddl == "map") for one in chosen}
        output.emit(machine.document(cddl=texts) if as_json else "\n".join(texts.values()))
        return
    rows = [view.encoding(one) for one in encodings(loaded, message)]
    if as_json:
        output.emit(machine.document(encodings=rows))
    elif as_csv:
        output.emit(csv_table.csv_of(csv_table.ENCODINGS, rows))
    else:
        from lowpanbudget.report import encodings_text

        output.show(lambda console, screen: encodings_text.encodings(console, screen, rows))
