"""``audit CAPTURE...``: what a capture proves to be wrong, wasteful or risky, worst first."""

from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import captures, completion, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import WireError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.capture.files.reading import CaptureFile
    from lowpanbudget.findings.audited import CaptureFindings
    from lowpanbudget.findings.finding import Finding
    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget audit mesh.pcap --context 0=2001:db8::/64
lowpanbudget audit mesh.pcapng --design examples/footbridge.toml --keys keys.toml
lowpanbudget audit mesh.pcap --node 0x0012 --since 90
receiver | lowpanbudget audit -"""


@click.command("audit", short_help=COMMANDS["audit"], epilog=_EXAMPLE)
@click.argument(
    "paths", metavar="CAPTURE...", nargs=-1, required=True, shell_complete=completion.files
)
@click.option(
    "--design",
    metavar="FILE",
    shell_complete=completion.files,
    help="Compare with this design file, and take its contexts.",
)
@captures.keys
@options.contexts
@captures.fcs
@options.root
@click.option(
    "--wait", type=options.Seconds(captures.LONGEST_WAIT_S), default=captures.LONGEST_WAIT_S, show_default=True,
    metavar="SECONDS",
    help="How long the receivers wait for the fragments of a datagram; RFC 4944 section 5.3 allows 60.",
)  # fmt: skip
@captures.together
@captures.narrowing_options
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
    wait: float,
    *,
    together: bool,
    as_csv: bool,
    as_json: bool,
    **narrowed: str | None,
) -> None:
    """Say what each CAPTURE (- for standard input) proves to be wrong, wasteful or risky, worst first.

    A capture is a pcap or pcapng file, also compressed by gzip (no other way), or a text of hex with a frame a line.
    Each finding has the frames that show it, the evidence, the cause, what to do and the clause. The exit code is 3
    when a file is no capture, is cut or is damaged, else 1 when some finding is more than a remark. What comes through
    a pipe is told as it arises, and SIGINT or SIGTERM ends that with all that is known; of a file nothing is told
    before its end.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.cli.listening import is_pipe, records_of, stopped
    from lowpanbudget.report import csv_table, machine, view

    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    sets = captures.sets_of(paths, together=together)
    known = captures.CaptureOptions(design, key_file, contexts, fcs, root, wait, **narrowed)
    audited: list[dict[str, Any]] = []
    weight = wrong = False
    for some in sets:
        if len(some) == 1 and is_pipe(some[0]):
            with records_of(some[0], live=True) as records:
                found = _audited(records, known, tell=not (as_csv or as_json))
        else:
            with captures.opened_together(some) as records:
                found = _audited(records, known)
        weight = weight or found.has_weight
        wrong = wrong or captures.is_wrong(records.notices)
        audited.append(view.audited(captures.name_of(some), found))
        if found.within == 0 and found.frames:
            captures.say_nothing_within(ctx, some, known)
            weight = True
        if stopped(ctx):
            break
    if as_json:
        output.emit(machine.document(audit=audited))
    elif as_csv:
        of_all = ("capture", "networks")
        rows = [
            {**{name: one[name] for name in of_all}, **row}
            for one in audited
            for row in one["findings"]
        ]
        output.emit(csv_table.csv_of(csv_table.AUDIT, rows))
    else:

        def paint(console: "Console", screen: "Screen") -> None:
            from lowpanbudget.report import audit_text

            for capture in audited:
                audit_text.audit(console, screen, capture)

        output.show(paint)
    if wrong:
        ctx.exit(WireError.exit_code)
    if weight:
        ctx.exit(_ANSWER_IS_NO)


def _audited(
    records: "CaptureFile", known: captures.CaptureOptions, *, tell: bool = False
) -> "CaptureFindings":
    """Return what records prove; with ``tell`` findings of weight are printed as they arise."""
    from lowpanbudget.findings.audited import audit

    return audit(records, tell=_tell if tell else None, **known.given)


def _tell(number: int, finding: "Finding") -> None:
    from lowpanbudget.cli import output
    from lowpanbudget.report import audit_text, view

    (row,) = view.findings([finding])
    output.show(lambda console, screen: audit_text.arising(console, screen, number, row))
