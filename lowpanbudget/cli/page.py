"""``page DESIGN -o FILE``: one file to show to others."""

import click

from lowpanbudget.cli import completion, options
from lowpanbudget.cli.commands import COMMANDS

_EXAMPLE = """\b
lowpanbudget page examples/archive.toml -o archive.html"""


@click.command("page", short_help=COMMANDS["page"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.option(
    "-o", "--output", "target", metavar="FILE.html", required=True, shell_complete=completion.files,
    help="The page. A file that is there is replaced whole or not at all.",
)  # fmt: skip
@click.option(
    "--most", type=options.WholeNumber(1), default=None, metavar="N",
    help="Combinations of settings of a flow that are all encoded; of a flow with more, single and paired changes.",
)  # fmt: skip
@options.as_json
def command(design: str, target: str, most: int | None, *, as_json: bool) -> None:
    """Write a page that shows why a payload of the DESIGN file is capped, for people who do not read terminals.

    It opens in any browser without network: the fullest frame of each flow and hop to scale, each field with its
    reason, settings to switch between combinations that were all really encoded, and the messages bit by bit.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.cli.progress import counted
    from lowpanbudget.design.load import load_design
    from lowpanbudget.report.page.design import design_page
    from lowpanbudget.report.page.paper import design_html
    from lowpanbudget.room.states import MOST_STATES

    loaded = load_design(design)
    with output.writing(target, inputs=(design,)) as file:
        with counted("combinations of settings") as tell:
            page = design_page(loaded, tell, MOST_STATES if most is None else most)
        octets = design_html(page).encode()
        file.write(octets)
    states = sum(len(flow["rooms"]) for flow in page["flows"])
    if as_json:
        from lowpanbudget.report import machine

        told = {
            "file": target,
            "octets": len(octets),
            "flows": len(page["flows"]),
            "states": states,
        }
        output.emit(machine.document(page=told))
    else:
        output.emit(
            f"{target}: {len(octets)} octets, {len(page['flows'])} flows, {states} combinations of settings encoded.\n"
        )
