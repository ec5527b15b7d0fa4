"""``carry DESIGN``: whether the network carries its messages, and what becomes of a burst."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from lowpanbudget.cli import completion, designs, options
from lowpanbudget.cli.commands import COMMANDS

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.design.meaning import Design
    from lowpanbudget.report.chart import Chart
    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget carry examples/footbridge.toml
lowpanbudget carry examples/footbridge.toml --burst hundred --svg hundred.svg"""


@click.command("carry", short_help=COMMANDS["carry"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.option(
    "--burst", metavar="NAME", shell_complete=completion.bursts,
    help="What becomes of this burst, packet by packet.",
)  # fmt: skip
@click.option(
    "--seed",
    type=options.WholeNumber(0),
    default=1,
    show_default=True,
    metavar="N",
    help="What simulations begin with: the same number gives the same answer.",
)
@options.svg
@options.as_csv
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    design: str,
    burst: str | None,
    seed: int,
    svg: str | None,
    *,
    as_csv: bool,
    as_json: bool,
) -> None:
    """Say whether the network of the DESIGN file carries its messages, and which node, link or limit decides.

    The tree is loaded with all messages, retries and upkeep. Networks in slots are calculated, those that listen
    first are simulated, with confidence. Where the answer is not yes, changes are tried one by one, each as little as
    is enough, then up to three together, for a burst as well; not all sets are tried. The
    answer is open where what was played is too close to a limit to tell, where of no message it could be checked
    how it arrives, and where a table is missing that a limit needs. The exit code is 0 when the answer is yes: the
    network carries its messages, or a burst is in as often and as soon as asked for and breaks no limit; else it is
    1.
    """
    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    loaded = designs.load(design)
    holds = (
        _network(loaded, design, seed, svg, as_csv=as_csv, as_json=as_json)
        if burst is None
        else _burst(loaded, design, burst, seed, svg, as_csv=as_csv, as_json=as_json)
    )
    if not holds:
        ctx.exit(_ANSWER_IS_NO)


def _network(
    design: "Design", file: str, seed: int, svg: str | None, *, as_csv: bool, as_json: bool
) -> bool:
    from lowpanbudget.cli import output
    from lowpanbudget.cli.progress import counted
    from lowpanbudget.deployment.carry import carry
    from lowpanbudget.findings.deployed import deployment_findings, failures
    from lowpanbudget.findings.finding import ranked
    from lowpanbudget.findings.helps import helping
    from lowpanbudget.findings.planned import form_findings
    from lowpanbudget.findings.together import network_together
    from lowpanbudget.report import audit_text, carries, carry_text, csv_table, machine, view

    with counted("", "playing the network") as tell:
        tell(0, None)
        network = carry(design, seed=seed)
    with counted("changes tried", at_once=True) as tell:
        helps = [] if as_csv else helping(design, network, tell)
        together = network_together(design, network, helps, tell)
    changes = [one.told for one in helps]
    found = [*deployment_findings(design, network=network), *form_findings(design)]
    findings = view.findings(ranked(found))
    faults = failures(found)
    if svg is not None:
        _draw(carries.charts(network), f"{design.title}: what the network carries", svg, file)
    if as_json:
        told = carries.carried(network, changes, faults, together)
        output.emit(machine.document(carry=told, findings=findings, caution=carries.CAUTION))
    elif as_csv:
        output.emit(csv_table.csv_of(csv_table.CARRY, carries.node_rows(network)))
    else:

        def paint(console: "Console", screen: "Screen") -> None:
            carry_text.carry(console, screen, network, changes, faults, together)
            audit_text.design(console, screen, findings, "the network on the air", whole=False)
            carry_text.cautions(console, screen, network)

        output.show(paint)
    return network.holds and not faults


def _burst(
    design: "Design", file: str, name: str, seed: int, svg: str | None, *, as_csv: bool, as_json: bool
) -> bool:  # fmt: skip
    from lowpanbudget.cli import output
    from lowpanbudget.cli.progress import counted
    from lowpanbudget.deployment.burst import carry_burst
    from lowpanbudget.findings.burst_helps import burst_helping
    from lowpanbudget.findings.deployed import deployment_findings, failures
    from lowpanbudget.findings.finding import ranked
    from lowpanbudget.findings.planned import form_findings
    from lowpanbudget.findings.together import burst_together
    from lowpanbudget.report import audit_text, burst_text, carries, csv_table, machine, view

    with counted("runs of the burst", at_once=True) as tell:
        plan = carry_burst(design, name, seed=seed, tell=tell)
    with counted("changes tried", at_once=True) as tell:
        helps = [] if as_csv else burst_helping(design, plan, tell)
        together = burst_together(design, plan, helps, tell)
    changes = [one.told for one in helps]
    found = [*deployment_findings(design), *form_findings(design)]
    findings, faults = view.findings(ranked(found)), failures(found)
    if svg is not None:
        pictures: list[Chart] = [carries.timeline_chart(plan), carries.queue_chart(plan)]
        _draw(pictures, f"{design.title}: burst {plan.name}", svg, file)
    if as_json:
        caution = f"{carries.BURST_CAUTION} {carries.CAUTION}"
        told = carries.burst(plan, changes, together, faults)
        output.emit(machine.document(burst=told, findings=findings, caution=caution))
    elif as_csv:
        output.emit(csv_table.csv_of(csv_table.BURST, carries.packet_rows(plan)))
    else:

        def paint(console: "Console", screen: "Screen") -> None:
            burst_text.burst(console, screen, plan, changes, together, faults)
            of_weight = [one for one in findings if one["has_weight"]]
            audit_text.design(console, screen, of_weight, "the network on the air")
            burst_text.cautions(console, screen, plan)

        output.show(paint)
    return plan.holds and not faults


def _draw(pictures: "Sequence[Chart]", title: str, svg: str, design: str) -> None:
    from lowpanbudget.cli import output
    from lowpanbudget.report.carries import CAUTION
    from lowpanbudget.report.svg.document import svg as drawn

    with output.writing(svg, inputs=(design,)) as file:
        file.write(drawn(pictures, title, CAUTION).encode())
