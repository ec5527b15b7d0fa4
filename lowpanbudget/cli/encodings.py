"""``encodings DESIGN``: each message in other encodings, side by side, on each hop."""

import click

from lowpanbudget.cli import options
from lowpanbudget.cli.main import COMMANDS

_EXAMPLE = """\b
lowpanbudget encodings examples/archive.toml --message climate"""


@click.command("encodings", short_help=COMMANDS["encodings"], epilog=_EXAMPLE)
@click.argument("design")
@click.option("--message", metavar="NAME", help="Only this message.")
@options.as_json
def command(design: str, message: str | None, *, as_json: bool) -> None:
    """Show what the same values of the DESIGN's messages take in other encodings, in octets and in frames.

    Every size is that of real octets, which were read back to the same values. An encoding whose
    library is not installed is named, not guessed.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.design.load import load_design
    from lowpanbudget.report import machine, view
    from lowpanbudget.room.encodings import encodings

    names = (
        "message", "encoding", "octets", "exact", "errors", "cannot", "missing", "batch_of", "places", "note", "wire",
    )  # fmt: skip
    plain = [view.result(one, *names) for one in encodings(load_design(design), message)]
    if as_json:
        output.emit(machine.document(encodings=plain))
    else:
        from lowpanbudget.report import encodings_text

        output.show(lambda console, screen: encodings_text.encodings(console, screen, plain))
