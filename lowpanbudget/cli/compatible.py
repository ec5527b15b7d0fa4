"""``compatible OLD NEW``: what receivers of the old message formats read from the new ones."""

import click

from lowpanbudget.cli import options
from lowpanbudget.cli.commands import COMMANDS

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget compatible examples/archive.toml archive-next.toml"""


@click.command("compatible", short_help=COMMANDS["compatible"], epilog=_EXAMPLE)
@click.argument("old")
@click.argument("new")
@click.option("--message", metavar="NAME", help="Only this message.")
@options.as_json
@click.pass_context
def command(ctx: click.Context, old: str, new: str, message: str | None, *, as_json: bool) -> None:
    """Compare the messages of the design files OLD and NEW: what a receiver of the old format reads.

    Every change is made alone, packed, and read with the old format. The exit code is 1 when a receiver of the old
    format would read something wrong or refuse a message.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.design.load import load_design
    from lowpanbudget.report import machine, view
    from lowpanbudget.room.compatible import compatible

    comparisons = compatible(load_design(old), load_design(new), message)
    rows = [view.data_of(one) for one in comparisons]
    if as_json:
        output.emit(machine.document(compatible=rows))
    else:
        from lowpanbudget.report import compatible_text

        output.show(lambda console, screen: compatible_text.comparisons(console, screen, rows))
    if not all(one.safe for one in comparisons):
        ctx.exit(_ANSWER_IS_NO)
