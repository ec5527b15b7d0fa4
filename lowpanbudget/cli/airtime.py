"""``airtime DESIGN``: what each frame of each flow takes on the air, and what it costs."""

from typing import TYPE_CHECKING

import click

from lowpanbudget.cli import completion, designs, options
from lowpanbudget.cli.commands import COMMANDS

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget airtime examples/footbridge.toml
lowpanbudget airtime examples/archive.toml --flow climate --svg climate.svg"""


@click.command("airtime", short_help=COMMANDS["airtime"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.option(
    "--flow", metavar="NAME", shell_complete=completion.flows,
    help="Only this flow, with every part of every frame.",
)  # fmt: skip
@options.svg
@options.as_csv
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    design: str,
    flow: str | None,
    svg: str | None,
    *,
    as_csv: bool,
    as_json: bool,
) -> None:
    """Show how long each frame of each flow of the DESIGN file takes, from the backoff or the slot to the last pause.

    Frames, fragments and acknowledgements are really encoded. Each is sent once, heard and answered, on a quiet
    channel. Where the design has [radio], the energy of each part stands beside it. The exit code is 1 when a frame
    or an acknowledgement is longer than its slot leaves it, or over the design's own [limits], and when none of a
    message can be made at the rhythm of its flow.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.deployment.airtime import airtime
    from lowpanbudget.findings.deployed import deployment_findings
    from lowpanbudget.findings.finding import ranked
    from lowpanbudget.findings.planned import form_findings
    from lowpanbudget.report import airtimes, csv_table, machine, view

    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    loaded = designs.load(design)
    results = airtime(loaded, flow)
    found = [
        *deployment_findings(loaded, results),
        *form_findings(loaded, None if flow is None else [flow]),
    ]
    findings = view.findings(ranked(found))
    whole = flow is not None or len(loaded.flows) == 1
    if svg is not None:
        from lowpanbudget.report.svg.document import svg as drawn

        pictures = airtimes.charts(results, whole=whole)
        text = drawn(pictures, f"{loaded.title}: time on the air", airtimes.CAUTION)
        with output.writing(svg, inputs=(design,)) as file:
            file.write(text.encode())
    if as_json:
        rows = [airtimes.airtime(one) for one in results]
        output.emit(machine.document(airtime=rows, findings=findings, caution=airtimes.CAUTION))
    elif as_csv:
        output.emit(csv_table.csv_of(csv_table.AIRTIME, airtimes.part_rows(results)))
    else:
        from lowpanbudget.report import airtime_text, audit_text

        def paint(console: "Console", screen: "Screen") -> None:
            airtime_text.airtime(console, screen, results, whole=whole)
            audit_text.design(console, screen, findings, "the network on the air", whole=whole)
            airtime_text.cautions(console, screen, loaded, whole=whole)

        output.show(paint)
    if not all(one.fits for one in results):
        ctx.exit(_ANSWER_IS_NO)
