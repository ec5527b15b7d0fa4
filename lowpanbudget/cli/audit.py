"""``audit CAPTURE...``: what a capture proves to be wrong, wasteful or risky, worst first."""

from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import options
from lowpanbudget.cli.main import COMMANDS
from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.design.meaning import Design
    from lowpanbudget.findings.audit import Audit
    from lowpanbudget.report.screen import Screen

_ANSWER_IS_NO = 1
_FCS = {"2": 2, "4": 4, "none": 0, "test": None}
_LONGEST_WAIT_S = 60.0

_EXAMPLE = """\b
lowpanbudget audit mesh.pcap --context 0=2001:db8::/64
lowpanbudget audit mesh.pcapng --design examples/footbridge.toml --keys keys.toml"""


@click.command("audit", short_help=COMMANDS["audit"], epilog=_EXAMPLE)
@click.argument("captures", metavar="CAPTURE...", nargs=-1, required=True)
@click.option(
    "--design", metavar="FILE", help="Compare with this design file, and take its contexts."
)
@click.option(
    "--keys", "--key-file", "keys", metavar="FILE",
    help="TOML file with link keys and devices, readable by you alone. Keys are never given on the command line.",
)  # fmt: skip
@options.contexts
@click.option(
    "--fcs", type=click.Choice(list(_FCS)), default="test", show_default=True,
    help="Octets of the frame check sequence at the end of each frame; test: find out.",
)  # fmt: skip
@options.root
@click.option(
    "--wait", type=float, default=_LONGEST_WAIT_S, show_default=True, metavar="SECONDS",
    help="How long the receivers wait for the fragments of a datagram.",
)  # fmt: skip
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    captures: tuple[str, ...],
    design: str | None,
    keys: str | None,
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
    from lowpanbudget.design.load import load_design
    from lowpanbudget.report import machine, view

    if not 0 < wait <= _LONGEST_WAIT_S:
        raise RequestError(f"--wait {wait:g} is not in 0 to {_LONGEST_WAIT_S:g} seconds")
    if captures.count("-") > 1:
        raise RequestError("standard input can be read once")
    plan = None if design is None else load_design(design)
    table = options.table_of(contexts)
    audited: list[dict[str, Any]] = []
    weight = False
    for capture in captures:
        audit = _audit(capture, plan, keys, table, _FCS[fcs], root, wait)
        found = audit.close()
        weight = weight or any(one.has_weight for one in found)
        audited.append(
            {
                "capture": capture,
                "frames": audit.frames,
                "findings": view.findings(found),
            }
        )
    if as_json:
        output.emit(machine.document(audit=audited))
    else:

        def paint(console: "Console", screen: "Screen") -> None:
            from lowpanbudget.report import audit_text

            for one in audited:
                audit_text.audit(console, screen, one["capture"], one["frames"], one["findings"])

        output.show(paint)
    if weight:
        ctx.exit(_ANSWER_IS_NO)


def _audit(
    capture: str,
    design: "Design | None",
    keys: str | None,
    contexts: dict[int, Any],
    fcs: int | None,
    root: str | None,
    wait: float,
) -> "Audit":
    """Return the audit over one capture, all its frames taken."""
    import sys

    from lowpanbudget.capture.files.key_file import read_keys
    from lowpanbudget.capture.files.reading import read
    from lowpanbudget.capture.follow.tracing import Trace
    from lowpanbudget.cli.progress import followed
    from lowpanbudget.findings.audit import Audit, known_of

    ring = read_keys(keys) if keys is not None else None
    trace = Trace(
        contexts=contexts,
        keys=ring.keys if ring else (),
        devices=ring.devices if ring else {},
        root=root,
        design=design,
        fcs=fcs,
        timeout_s=wait,
    )
    audit = Audit(known_of(trace, design, wait))
    with read(sys.stdin.buffer if capture == "-" else capture) as records:
        for sighting in trace.follow(followed(records, capture)):
            audit.follow(sighting)
        for notice in records.notices:
            audit.note(notice)
    for verdict in trace.fcs.values():
        audit.note(verdict)
    return audit
