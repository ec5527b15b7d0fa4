"""``schema``: the JSON Schema of design files."""

import json

import click

from lowpanbudget.cli import completion, options
from lowpanbudget.cli.commands import COMMANDS

_EXAMPLE = """\b
lowpanbudget schema -o lowpanbudget.schema.json
and in the first line of the design file:  #:schema ./lowpanbudget.schema.json"""


@click.command("schema", short_help=COMMANDS["schema"], epilog=_EXAMPLE)
@options.one_file(
    "-o",
    "--output",
    "path",
    metavar="FILE",
    shell_complete=completion.files,
    help="Write to this file, whole or not at all.",
)
@options.as_json
def command(path: str | None, *, as_json: bool) -> None:
    """Print the JSON Schema of design files, which editors use to complete and check them.

    --json changes nothing here but is taken, as every command takes it.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.design.load import design_schema

    del as_json
    text = json.dumps(design_schema(), indent=2) + "\n"
    if path is None:
        output.emit(text)
    else:
        output.write_whole(path, text.encode())
