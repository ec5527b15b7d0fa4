"""``audit CAPTURE...``: what a capture proves to be wrong, wasteful or risky, worst first."""

from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import captures, completion, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget audit mesh.pcap --context 0=2001:db8::/64
lowpanbudget audit mesh.pcapng --design examples/footbridge.toml --keys keys.toml"""


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
    "--wait", type=float, default=captures.LONGEST_WAIT_S, show_default=True, metavar="SECONDS",
    help="How long the receivers wait for the fragments of a datagram.",
)  # fmt: skip
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    paths: tuple[str, ...],
    design: str | None,
    key_file: str | None,
    contexts: tuple[str, ...],
    fcs: str,
    root: str | None,
    wait: float,
    *,
    as_json: bool,
) -> None:
    """Say what each CAPTURE (- for standard input) proves to be wrong, wasteful or risky, worst first.

    A capture is a pcap or pcapng file, compressed or not, or a text of hex with a frame a line. Each finding has the
    frames that show it, the evidence, the cause, what to do and the clause. The exit code is 1 when some finding is
    more than a remark.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.findings.audit import audit
    from lowpanbudget.report import machine, view

    if not 0 < wait <= captures.LONGEST_WAIT_S:
        raise RequestError(
            f"--wait {wait:g} is not in 0 to {captures.LONGEST_WAIT_S:g} seconds",
            hint="Write --wait SECONDS within that; RFC 4944 section 5.3 allows 60",
        )
    captures.once(paths)
    known = captures.CaptureOptions(design, key_file, contexts, fcs, root, wait)
    audited: list[dict[str, Any]] = []
    weight = False
    for path in paths:
        with captures.opened(path) as records:
            found = audit(records, **known.given)
        weight = weight or found.has_weight
        rows = view.findings(found.findings)
        audited.append({"capture": path, "frames": found.frames, "findings": rows})
    if as_json:
        output.emit(machine.document(audit=audited))
    else:

        def paint(console: "Console", screen: "Screen") -> None:
            from lowpanbudget.report import audit_text

            for capture in audited:
                audit_text.audit(console, screen, *capture.values())

        output.show(paint)
    if weight:
        ctx.exit(_ANSWER_IS_NO)
