"""``budget DESIGN``: the room of each flow and hop, the ledger, and what would free more."""

from typing import TYPE_CHECKING

import click

from lowpanbudget.cli import completion, options
from lowpanbudget.cli.commands import COMMANDS

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget budget examples/footbridge.toml --flow features"""


@click.command("budget", short_help=COMMANDS["budget"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.option(
    "--flow",
    metavar="NAME",
    shell_complete=completion.flows,
    help="Only this flow, with its full ledger.",
)
@click.option(
    "--ledger/--no-ledger", default=None,
    help="Show every octet of the headers, or only their sizes. Default: every octet when one flow is shown.",
)  # fmt: skip
@options.as_json
@click.pass_context
def command(
    ctx: click.Context, design: str, flow: str | None, *, ledger: bool | None, as_json: bool
) -> None:
    """Show how many octets of data fit in one frame for each flow and hop of the DESIGN file, and why not more.

    Each frame shown was really encoded, filled to its room; one octet more does not fit. A second hop is told by what
    differs there, and several flows in short: --flow and --ledger show the rest. The exit code is 1 when some flow has
    no room at all.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.design.load import load_design
    from lowpanbudget.findings.review import flow_findings
    from lowpanbudget.report import machine, view
    from lowpanbudget.room.compute import budget

    loaded = load_design(design)
    budgets = budget(loaded, flow)
    # what is said of messages in frames is said by fit
    findings = view.findings(flow_findings(loaded, flow))
    rows = [view.budget(result) for result in budgets]
    if as_json:
        output.emit(machine.document(budget=rows, findings=findings))
    else:
        from itertools import groupby

        from lowpanbudget.report import audit_text, room_text
        from lowpanbudget.report.terminal import paragraph

        shown = [
            room_text.ShownHop(data, view.rows(one.ledger.spans), view.segments(one.ledger.spans))
            for one, data in zip(budgets, rows, strict=True)
        ]
        flows = [list(hops) for _, hops in groupby(shown, lambda hop: str(hop.result["flow"]))]

        def paint(console: "Console", screen: "Screen") -> None:
            room_text.overview(console, screen, rows)
            told = room_text.Told(set(), set())
            for hops in flows:
                if len(flows) == 1 or ledger:
                    room_text.flow(console, screen, hops, ledger=ledger)
                else:
                    room_text.flow_in_short(console, screen, hops, told)
            audit_text.design(console, screen, findings, whole=len(flows) == 1)
            if not (len(flows) == 1 if ledger is None else ledger):
                paragraph(
                    console, screen, "--flow NAME or --ledger shows every octet of the headers."
                )

        output.show(paint)
    if any(result.room <= 0 for result in budgets):
        ctx.exit(_ANSWER_IS_NO)
