"""``fit DESIGN``: how each message packs and whether it fits."""

from typing import TYPE_CHECKING

import click

from lowpanbudget.cli import completion, designs, options
from lowpanbudget.cli.commands import COMMANDS

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget fit examples/footbridge.toml --message readings
lowpanbudget fit examples/archive.toml --flow climate
lowpanbudget fit examples/footbridge.toml --message features --max-frames 1 --spare 4"""


@click.command("fit", short_help=COMMANDS["fit"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.option(
    "--message", metavar="NAME", shell_complete=completion.messages, help="Only this message."
)
@click.option(
    "--flow", metavar="NAME", shell_complete=completion.flows, help="Only messages on this flow."
)
@click.option(
    "--max-frames",
    type=options.WholeNumber(1),
    metavar="N",
    help="Frames that a message may take, whatever the flows allow.",
)
@click.option(
    "--spare",
    type=options.WholeNumber(0),
    metavar="N",
    help="Octets that must be left in the frame; a node collects so many readings less.",
)
@click.option(
    "--junit",
    type=click.Path(dir_okay=False),
    metavar="FILE",
    shell_complete=completion.files,
    help="Write a JUnit XML file as well.",
)
@options.as_csv
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    design: str,
    message: str | None,
    flow: str | None,
    max_frames: int | None,
    spare: int | None,
    junit: str | None,
    *,
    as_csv: bool,
    as_json: bool,
) -> None:
    """Show how each message of the DESIGN file packs into bits, and whether it fits each flow on each hop.

    The exit code is 1 when some message takes more frames than its flow allows, or none can be made at its rhythm.
    With --max-frames, --spare or --junit it serves as a gate in a build: one line for each message, flow and hop.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.cli.progress import counted
    from lowpanbudget.findings.finding import ranked
    from lowpanbudget.findings.planned import form_findings, message_findings
    from lowpanbudget.report import gate, view
    from lowpanbudget.room.fit import fit

    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    loaded = designs.load(design)
    with counted("messages on flows") as tell:
        results = fit(loaded, message, flow, spare=spare or 0, tell=tell)
    rows = view.fits(results)
    failures = gate.failures(rows, max_frames, spare)
    if junit is not None:
        output.write_whole(
            junit, gate.junit(rows, failures, loaded.file).encode(), inputs=(design,)
        )
    is_gate = max_frames is not None or spare is not None or junit is not None
    findings = []
    if not is_gate:
        of_messages = message_findings(loaded, results, message)
        findings = view.findings(
            ranked([*form_findings(loaded, {one.flow for one in results}), *of_messages])
        )
    if as_json:
        from lowpanbudget.report import machine

        output.emit(machine.document(fit=rows, findings=findings))
    elif as_csv:
        from lowpanbudget.report import csv_table

        output.emit(csv_table.csv_of(csv_table.FIT, rows))
    elif is_gate:
        output.emit(gate.lines(rows, failures))
    else:
        from lowpanbudget.report import audit_text, fit_text

        def paint(console: "Console", screen: "Screen") -> None:
            fit_text.fits(console, screen, rows)
            audit_text.design(console, screen, findings, "messages in frames")

        output.show(paint)
    if any(failures):
        ctx.exit(_ANSWER_IS_NO)
