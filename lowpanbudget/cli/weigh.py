"""``weigh DESIGN``: what each field of a message costs and gives, and the smallest loss that makes it smaller."""

import click

from lowpanbudget.cli import options
from lowpanbudget.cli.commands import COMMANDS

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget weigh examples/footbridge.toml --message features
lowpanbudget weigh examples/footbridge.toml --message features --octets 30"""


@click.command("weigh", short_help=COMMANDS["weigh"], epilog=_EXAMPLE)
@click.argument("design")
@click.option("--message", metavar="NAME", help="Only this message.")
@click.option("--octets", type=click.IntRange(min=1), metavar="N", help="The size to reach.")
@options.as_json
@click.pass_context
def command(
    ctx: click.Context, design: str, message: str | None, octets: int | None, *, as_json: bool
) -> None:
    """Show what each field of the DESIGN's messages costs, what resolution it gives, and what one bit less would do.

    Behind it stands the list of smaller messages that stay within the tolerances of the file, by
    the smallest loss. With
    --octets the exit code is 1 when none of them is that small.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.design.load import load_design
    from lowpanbudget.payload.search.shrink import shrink
    from lowpanbudget.payload.search.worth import worths
    from lowpanbudget.report import machine, view

    loaded = load_design(design)
    chosen = loaded.messages if message is None else (loaded.message(message),)
    rows = []
    enough = True
    for form in chosen:
        front = shrink(form)
        reached = octets is None or front[-1].octets <= octets
        enough = enough and reached
        smaller = [
            view.result(candidate, "octets", "loss", "changes")
            for candidate in front
            if octets is None or candidate is front[0] or candidate.octets <= octets or not reached
        ]
        if octets is not None and reached:
            smaller = smaller[:2] if front[0].octets > octets else smaller[:1]
        rows.append(
            {
                "message": form.name,
                "octets": form.max_octets,
                "wanted": octets,
                "reached": reached,
                "fields": [view.data_of(worth) for worth in worths(form)],
                "smaller": smaller,
            }
        )
    if as_json:
        output.emit(machine.document(weigh=rows))
    else:
        from lowpanbudget.report import weigh_text

        output.show(lambda console, screen: weigh_text.messages(console, screen, rows))
    if not enough:
        ctx.exit(_ANSWER_IS_NO)
