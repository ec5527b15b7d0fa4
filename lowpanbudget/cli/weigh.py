"""``weigh DESIGN``: what each field of a message costs and gives, and the smallest loss that makes it smaller."""

import click

from lowpanbudget.cli import completion, designs, options
from lowpanbudget.cli.commands import COMMANDS

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget weigh examples/footbridge.toml --message features
lowpanbudget weigh examples/footbridge.toml --message features --octets 30"""


@click.command("weigh", short_help=COMMANDS["weigh"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.option(
    "--message", metavar="NAME", shell_complete=completion.messages, help="Only this message."
)
@click.option("--octets", type=options.WholeNumber(1), metavar="N", help="The size to reach.")
@options.as_json
@click.pass_context
def command(
    ctx: click.Context, design: str, message: str | None, octets: int | None, *, as_json: bool
) -> None:
    """Show what each field of the DESIGN's messages costs, what resolution it gives, and what one bit less would do.

    Where all fields take whole octets that is one octet less.

    Behind it stands the list of smaller messages that stay within the tolerances of the file, by the smallest loss:
    `tolerance` of a field is the greatest rounding error that it may have, and without one its steps stay. With
    --octets the exit code is 1 when none of them is that small.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.report import machine, view
    from lowpanbudget.room.weigh import weigh

    weighed = weigh(designs.load(design), message, octets=octets)
    rows = [view.weighing(one) for one in weighed]
    if as_json:
        output.emit(machine.document(weigh=rows))
    else:
        from lowpanbudget.report import weigh_text

        output.show(lambda console, screen: weigh_text.messages(console, screen, rows))
    if not all(one.reached for one in weighed):
        ctx.exit(_ANSWER_IS_NO)
