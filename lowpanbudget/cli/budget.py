"""``budget DESIGN``: the room of each flow and hop, the ledger, and what would free more."""

from contextlib import suppress
from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import completion, designs, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.design.cut import CutFrame
    from lowpanbudget.design.meaning import Design
    from lowpanbudget.report.screen import Screen
    from lowpanbudget.room.compute import Budget

    Cut = tuple[str, str, tuple[CutFrame, ...]]

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget budget examples/footbridge.toml --flow features
lowpanbudget budget examples/footbridge.toml --octets 72
lowpanbudget budget examples/footbridge.toml --octets 200 --max-frames 3 --flow features
lowpanbudget budget examples/footbridge.toml --flow features --svg features.svg
lowpanbudget budget examples/footbridge.toml --csv --table ledger > octets.csv
lowpanbudget budget examples/footbridge.toml --flow routed --hops 1..12"""


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
@click.option(
    "--octets", type=options.WholeNumber(0), metavar="N",
    help="Instead: which flows carry N octets on every hop, and the fewest changes that let the others. With --flow "
    "or --svg also the frames that N octets are cut into.",
)  # fmt: skip
@click.option(
    "--max-frames", type=options.WholeNumber(1), default=1, show_default=True, metavar="K",
    help="With --octets: in at most K frames.",
)  # fmt: skip
@click.option(
    "--weaker", is_flag=True,
    help="With --octets: also tell, apart, sets of changes that cost protection. They are no advice.",
)  # fmt: skip
@click.option(
    "--table", type=click.Choice(["rooms", "ledger", "changes"]),
    help="With --csv: the rooms (default), every octet of the headers, or what would give more room, and its price.",
)  # fmt: skip
@click.option(
    "--hops", type=options.WholeNumbers(1, 254), metavar="A..B",
    help="Instead: the room by the number of hops, and where it ends. A source route follows.",
)  # fmt: skip
@options.svg
@options.as_csv
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    design: str,
    flow: str | None,
    octets: int | None,
    max_frames: int,
    table: str | None,
    hops: range | None,
    svg: str | None,
    *,
    ledger: bool | None,
    weaker: bool,
    as_csv: bool,
    as_json: bool,
) -> None:
    """Show how many octets of data fit in one frame for each flow and hop of the DESIGN file, and why not more.

    Each frame shown was really encoded, filled to its room; one octet more does not fit. A second hop is told by what
    differs there, and several flows in short: --flow and --ledger show the rest. The exit code is 1 when some flow has
    no room at all, does not carry the octets that were asked for, or has no room over some number of hops.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.findings.planned import flow_findings
    from lowpanbudget.report import machine, view
    from lowpanbudget.room.compute import budget

    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    loaded = designs.load(design)
    if table is not None and (octets is not None or hops is not None or not as_csv):
        raise click.UsageError(
            "--table goes with --csv; --octets and --hops have one of their own", ctx
        )
    if svg is not None and hops is not None:
        raise RequestError("--svg draws frames; --hops has none", hint="Leave one of them away")
    if hops is not None:
        if octets is not None or ledger is not None:
            raise click.UsageError("--hops tells another thing than --octets and --ledger", ctx)
        if weaker or max_frames != 1:
            raise RequestError(
                "--max-frames and --weaker go with --octets", hint="Leave out --hops"
            )
        _by_hops(ctx, loaded, hops, flow, as_csv=as_csv, as_json=as_json)
        return
    if octets is not None:
        if svg is not None:
            _draw_cut(loaded, _cuts(loaded, octets, flow), svg, design)
        _carrying(
            ctx, loaded, octets, flow, max_frames, weaker=weaker, as_csv=as_csv, as_json=as_json
        )
        return
    if weaker or max_frames != 1:
        raise RequestError("--max-frames and --weaker go with --octets", hint="Add --octets N")
    budgets = budget(loaded, flow)
    # what is said of messages in frames is said by fit
    findings = view.findings(flow_findings(loaded, flow))
    if svg is not None:
        _draw(loaded, budgets, svg, design)
    rows = [view.budget(result) for result in budgets] if as_json or as_csv else []
    if as_json:
        output.emit(machine.document(budget=rows, findings=findings))
    elif as_csv:
        output.emit(_csv(rows, table or ("ledger" if ledger else "rooms")))
    else:
        from lowpanbudget.report import audit_text, room_text
        from lowpanbudget.report.terminal import paragraph

        def paint(console: "Console", screen: "Screen") -> None:
            in_short = room_text.budgets(console, screen, budgets, ledger=ledger)
            audit_text.design(console, screen, findings, "link and flows", whole=not in_short)
            if in_short or ledger is False:
                paragraph(
                    console, screen, "--flow NAME or --ledger shows every octet of the headers."
                )

        output.show(paint)
    if any(result.room <= 0 for result in budgets):
        ctx.exit(_ANSWER_IS_NO)


def _draw(design: "Design", budgets: "list[Budget]", svg: str, file: str) -> None:
    from lowpanbudget.cli import output
    from lowpanbudget.report.frame_pictures import CAUTION, frame_pictures
    from lowpanbudget.report.svg.frame import frames_svg

    with output.writing(svg, inputs=(file,)) as target:
        target.write(frames_svg(frame_pictures(budgets), design.title or file, CAUTION).encode())


def _draw_cut(design: "Design", cuts: "list[Cut]", svg: str, file: str) -> None:
    from lowpanbudget.cli import output
    from lowpanbudget.report.cuts import cut_chart
    from lowpanbudget.report.frame_pictures import CAUTION
    from lowpanbudget.report.svg.document import svg as svg_of

    charts = [cut_chart(*one) for one in cuts if one[2]]
    if not charts:
        raise RequestError(
            "no flow carries so many octets, in however many frames",
            hint="Ask for fewer: without --octets it is told how many octets take how many frames",
        )
    with output.writing(svg, inputs=(file,)) as target:
        target.write(svg_of(charts, design.title or file, CAUTION).encode())


def _cuts(design: "Design", octets: int, flow: str | None) -> "list[Cut]":
    """Return flow, hop and the frames of a payload, hop by hop; none where it cannot be sent."""
    from lowpanbudget.design.cut import cut_frames
    from lowpanbudget.errors import DoesNotFit

    flows = design.flows if flow is None else (design.flow(flow),)
    cuts: list[Cut] = []
    for path in (path for one in flows for path in design.paths(one)):
        frames: tuple[CutFrame, ...] = ()
        with suppress(DoesNotFit):
            frames = cut_frames(path, octets)
        cuts.append((path.flow.name, path.hop.name, frames))
    return cuts


def _csv(rows: list[dict[str, Any]], table: str) -> str:
    """Return the rooms, the ledgers or the changes of budgets as a table."""
    from lowpanbudget.report import csv_table

    if table == "ledger":
        return csv_table.csv_of(csv_table.LEDGER, csv_table.ledger_rows(rows))
    if table == "changes":
        return csv_table.csv_of(csv_table.CHANGES, csv_table.change_rows(rows))
    return csv_table.csv_of(csv_table.BUDGET, rows)


def _by_hops(
    ctx: click.Context,
    design: "Design",
    hops: range,
    flow: str | None,
    *,
    as_csv: bool,
    as_json: bool,
) -> None:
    from lowpanbudget.cli import output
    from lowpanbudget.report import csv_table, machine, view
    from lowpanbudget.room.by_hops import room_by_hops

    flows = [view.room_by_hops(one) for one in room_by_hops(design, hops, flow)]
    if as_json:
        output.emit(machine.document(hops=flows))
    elif as_csv:
        names = ("flow", "direction")
        rows = [
            room | {name: one[name] for name in names} for one in flows for room in one["rooms"]
        ]
        output.emit(csv_table.csv_of(csv_table.HOPS, rows))
    else:

        def paint(console: "Console", screen: "Screen") -> None:
            from lowpanbudget.report import hops_text

            hops_text.room_by_hops(console, screen, flows)

        output.show(paint)
    if not all((room["room"] or 0) > 0 for one in flows for room in one["rooms"]):
        ctx.exit(_ANSWER_IS_NO)


def _carrying(
    ctx: click.Context,
    design: "Design",
    octets: int,
    flow: str | None,
    most_frames: int,
    *,
    weaker: bool,
    as_csv: bool,
    as_json: bool,
) -> None:
    from lowpanbudget.cli import output
    from lowpanbudget.report import csv_table, machine, view
    from lowpanbudget.room.carrying import carrying

    rows = [
        view.carrying(one)
        for one in carrying(design, octets, flow, most_frames=most_frames, weaker=weaker)
    ]
    if as_csv:
        output.emit(csv_table.csv_of(csv_table.CARRYING, csv_table.carrying_rows(rows)))
    else:
        cuts = _cuts(design, octets, flow)
    if as_json:
        for row in rows:
            row["cut"] = [
                {"hop": hop, "frames": view.data_of(frames)}
                for name, hop, frames in cuts if name == row["flow"]
            ]  # fmt: skip
        output.emit(machine.document(carrying=rows))
    elif not as_csv:

        def paint(console: "Console", screen: "Screen") -> None:
            from lowpanbudget.report import carrying_text, cuts_text
            from lowpanbudget.report.terminal import paragraph

            carrying_text.carrying(console, screen, rows)
            several = [one for one in cuts if len(one[2]) > 1]
            if flow is None and several:
                paragraph(
                    console, screen, "--flow NAME draws the frames of these octets; --svg FILE all."
                )
                return
            for name, hop, frames in several:
                cuts_text.cut(console, screen, frames, name, hop)
            if several:
                cuts_text.why(console, screen, several[0][2])

        output.show(paint)
    if not all(row["fits"] for row in rows):
        ctx.exit(_ANSWER_IS_NO)
