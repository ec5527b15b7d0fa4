"""``annotate HEX|FILE``: every octet of IEEE 802.15.4 frames, explained."""

from functools import partial
from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import faults, hextext, options
from lowpanbudget.cli.main import COMMANDS
from lowpanbudget.errors import RequestError, WireError

if TYPE_CHECKING:
    from rich.console import Console

    from lowpanbudget.report.screen import Screen
    from lowpanbudget.stack.frame import Frame

_MOST_TOLD = 5
_FCS = {"2": 2, "4": 4, "none": 0}

_EXAMPLE = """\b
lowpanbudget annotate 41c8070200... --context 0=2001:db8::/64 --key-file keys.toml

\b
Key file:
  [[key]]
  octets = "00112233445566778899aabbccddeeff"   # an invented key
  index = 1                                     # optional: also key_id_mode, source
  [devices]
  "0x0001" = "0200000000000001"                 # short address = EUI-64"""


@click.command("annotate", short_help=COMMANDS["annotate"], epilog=_EXAMPLE)
@click.argument("source", metavar="HEX|FILE")
@click.option(
    "--fcs", type=click.Choice(list(_FCS)), default="2", show_default=True,
    help="Octets of the frame check sequence at the end; none if the receiver took it off.",
)  # fmt: skip
@options.contexts
@click.option(
    "--key-file", metavar="FILE",
    help="TOML file with link keys and devices, readable by you alone. Keys are never given on the command line.",
)  # fmt: skip
@click.option("--asn", metavar="NUMBER", help="Absolute slot number, for time-slotted links.")
@options.root
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    source: str,
    fcs: str,
    contexts: tuple[str, ...],
    key_file: str | None,
    asn: str | None,
    root: str | None,
    *,
    as_json: bool,
) -> None:
    """Explain every octet of a frame given in HEX, or of the frames in FILE (- for standard input), one a line.

    In a file # starts a comment and empty lines are passed over. A frame that cannot be read to its end is shown as
    far as it goes, with the reason; the exit code is then 3.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.cli.keys import read_keys
    from lowpanbudget.report import machine, view
    from lowpanbudget.stack.frame import decode_frame

    table, slot = options.table_of(contexts), _slot(asn)
    ring = read_keys(key_file) if key_file is not None else None
    given = hextext.frames(source)
    read = [
        decode_frame(
            item.octets,
            fcs=_FCS[fcs],
            contexts=table,
            keys=ring.keys if ring else (),
            devices=ring.devices if ring else {},
            asn=slot,
            root=root,
        )
        for item in given
    ]
    if as_json:
        frames = [
            {**view.plain(frame), "layers": view.layered(frame.layers), "place": item.place or None}
            for frame, item in zip(read, given, strict=True)
        ]
        output.emit(machine.document(frames=frames))
    else:
        _show(read, given)
    wrong = [
        (item.place or "the frame", frame.fault)
        for frame, item in zip(read, given, strict=True)
        if frame.fault is not None
    ]
    if wrong:
        for place, fault in wrong[:_MOST_TOLD]:
            text = f"{place}: octet {fault.offset}: {fault.message}"
            click.echo(f"{ctx.command_path}: {faults.visible(text)}", err=True)
        if len(wrong) > _MOST_TOLD:
            click.echo(
                f"{ctx.command_path}: {len(wrong)} of {len(read)} frames are wrong", err=True
            )
        ctx.exit(WireError.exit_code)


def _slot(text: str | None) -> int | None:
    if text is None:
        return None
    try:
        number = int(text, 0)
    except ValueError:
        number = -1
    if not 0 <= number < 1 << 40:
        raise RequestError(
            f"--asn {text!r} is not a slot number",
            hint="A number below 2 to the 40th, decimal or with 0x before it",
        )
    return number


def _show(read: "list[Frame]", given: list[hextext.Given]) -> None:
    """Show the frames one after the other, each as soon as it is drawn."""
    from lowpanbudget.cli import output
    from lowpanbudget.report import terminal, view

    for index, (frame, item) in enumerate(zip(read, given, strict=True), 1):
        title = f"Frame of {terminal.octets(len(frame.octets))}"
        if item.place:
            title = f"{title}, {index} of {len(read)} ({item.place})"
        sealed = _sealed(frame)
        seen = view.plain(frame)
        rows, segments = view.rows(frame.spans, frame.octets, sealed), view.segments(frame.spans)
        output.show(
            partial(_paint, title=title, seen=seen, rows=rows, segments=segments, sealed=sealed)
        )


def _paint(console: "Console", screen: "Screen", **frame: Any) -> None:
    from lowpanbudget.report import terminal

    terminal.frame(console, screen, **frame)


def _sealed(frame: "Frame") -> tuple[int, int]:
    """Return the range of octets that went encrypted and were opened here; empty when there is none.

    The spans there hold what was opened, so what was sent must not stand beside them.
    """
    mac = frame.mac
    if mac is None or mac.security is None or frame.payload is None:
        return 0, 0
    if not mac.security.protection.encrypted:
        return 0, 0
    trailing = ("MIC", "FCS")
    end = next((s.offset_bits // 8 for s in frame.spans if s.name in trailing), len(frame.octets))
    return mac.header_length, end
