"""``measure CAPTURE...``: what a capture shows of the network that sent it, beside what its design plans."""

from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import captures, completion, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import WireError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget measure west.pcap --design examples/footbridge.toml --keys keys.toml
lowpanbudget measure west.pcap --design examples/footbridge.toml --burst storm
lowpanbudget measure west.pcap east.pcap --together --design examples/footbridge.toml"""


@click.command("measure", short_help=COMMANDS["measure"], epilog=_EXAMPLE)
@click.argument(
    "paths", metavar="CAPTURE...", nargs=-1, required=True, shell_complete=completion.files
)
@captures.reading_options
@click.option(
    "--burst", metavar="NAME", shell_complete=completion.bursts,
    help="Show how this burst of the design came in.",
)  # fmt: skip
@captures.together
@captures.narrowing_options
@options.svg
@options.as_csv
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    /,
    paths: tuple[str, ...],
    design: str | None,
    key_file: str | None,
    contexts: tuple[str, ...],
    fcs: str,
    root: str | None,
    burst: str | None,
    svg: str | None,
    *,
    together: bool,
    as_csv: bool,
    as_json: bool,
    **narrowed: str | None,
) -> None:
    """Measure what each CAPTURE (- for standard input) shows, beside what the design plans.

    Rates, losses by the message's own number, tries, hops, latency, time on the air and how a burst came in, each with
    how sure it is and what such a capture cannot tell. Every datagram is counted once, over however many hops it goes.
    Of a network the first 200000 datagrams are told apart (1.7 kB of memory each); later ones count on the air alone.
    The exit code is 1 when something is outside of the plan or no frame can be read, and 3 when a file is no capture,
    is cut or is damaged.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.cli.listening import stopped
    from lowpanbudget.deployment.measurement import measure
    from lowpanbudget.report import csv_table, machine, measurements

    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    sets = captures.sets_of(paths, together=together)
    known = captures.CaptureOptions(
        design, key_file, contexts, fcs, root, captures.LONGEST_WAIT_S, **narrowed
    )
    found: list[dict[str, Any]] = []
    wrong = is_outside = False
    for some in sets:
        name = captures.name_of(some)
        with captures.opened_together(some) as records:
            one = measure(records, burst=burst, **known.given)
            is_wrong = captures.tell_notices(ctx, name, records.notices, records.notice_count)
        wrong |= is_wrong
        is_outside |= one.is_outside
        if one.is_empty:
            is_outside = True
            if one.outside and not one.frames:
                captures.say_nothing_within(ctx, some, known)
            elif not one.frames:
                captures.say_empty(ctx, name, is_told=is_wrong)
        found.append(measurements.measured(name, one))
        if stopped(ctx):
            break
    if svg is not None:
        from lowpanbudget.report import measure_charts, measure_text
        from lowpanbudget.report.svg.document import svg as drawn

        pictures = [picture for one in found for picture in measure_charts.charts(one)]
        text = drawn(pictures, captures.name_of(paths), measure_text.CAUTION)
        with output.writing(svg, inputs=(*paths, design, key_file)) as file:
            file.write(text.encode())
    if as_json:
        output.emit(machine.document(measure=found))
    elif as_csv:
        rows = [row for one in found for row in measurements.rows(one)]
        output.emit(csv_table.csv_of(measurements.COLUMNS, rows))
    else:

        def paint(console: "Console", screen: "Screen") -> None:
            from lowpanbudget.report import measure_text

            for one in found:
                measure_text.measurement(console, screen, one)

        output.show(paint)
    if wrong:
        ctx.exit(WireError.exit_code)
    if is_outside:
        ctx.exit(_ANSWER_IS_NO)
