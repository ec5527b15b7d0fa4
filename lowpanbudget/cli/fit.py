"""``fit DESIGN``: how each message packs and whether it fits."""

import click

from lowpanbudget.cli import options
from lowpanbudget.cli.main import COMMANDS

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget fit examples/footbridge.toml --message readings"""


@click.command("fit", short_help=COMMANDS["fit"], epilog=_EXAMPLE)
@click.argument("design")
@click.option("--message", metavar="NAME", help="Only this message.")
@options.as_json
@click.pass_context
def command(ctx: click.Context, design: str, message: str | None, *, as_json: bool) -> None:
    """Show how each message of the DESIGN file packs into bits, and whether it fits each flow on each hop.

    The exit code is 1 when some message takes more frames than its flow allows.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.design.load import load_design
    from lowpanbudget.report import machine, view
    from lowpanbudget.room.fit import fit

    found = fit(load_design(design), message)
    names = (
        "message", "flow", "hop", "direction", "octets", "least_octets", "bits", "room", "fits", "spare", "frames",
        "most_frames", "batch", "batch_of", "padding_bits", "bitmap", "advice",
    )  # fmt: skip
    plain = [view.result(one, *names) for one in found]
    if as_json:
        output.emit(machine.document(fit=plain))
    else:
        from lowpanbudget.report import fit_text

        output.show(lambda console, screen: fit_text.fits(console, screen, plain))
    if not all(one.fits for one in found):
        ctx.exit(_ANSWER_IS_NO)
